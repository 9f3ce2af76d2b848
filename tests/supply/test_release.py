"""What `.ci/release.py` finds wrong with a wheel; `.ci/run` builds the wheel and tries it."""

from __future__ import annotations

import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from supply_kit import ROOT, script

from carerules import __version__

release = script("release")
INFO = f"carerules-{__version__}.dist-info"


def wheel(folder: Path, change: Callable[[dict[str, bytes]], None] = lambda _: None) -> Path:
    """A wheel as it should be (the binary distribution format of packaging.python.org), changed."""
    extras = "".join(f"Provides-Extra: {one}\n" for one in {*release.EXTRAS, *release.NOT_SHIPPED})
    files = dict.fromkeys(release.wanted_in_wheel(), b"") | {
        f"{INFO}/METADATA": f"Metadata-Version: 2.4\nName: carerules\nVersion: {__version__}\n"
        f"Requires-Python: >=3.11\n{extras}".encode(),
        f"{INFO}/entry_points.txt": b"[console_scripts]\ncarerules = carerules.cli:main\n",
        f"{INFO}/licenses/LICENSE": b"",
    }  # fmt: skip
    change(files)
    path = folder / "made.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def test_a_wheel_as_it_should_be_has_no_fault(tmp_path: Path) -> None:
    assert list(release.faults(wheel(tmp_path), __version__)) == []
    assert len(release.wanted_in_wheel()) > 400


def without(name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        del files[name]

    return change


def told(old: bytes, new: bytes, name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        assert old in files[name]
        files[name] = files[name].replace(old, new)

    return change


FAULTS = [
    (without("carerules/py.typed"), "lacks `carerules/py.typed`"),
    (without("carerules/rules/lipo.care"), "lacks `carerules/rules/lipo.care`"),
    (without("carerules/board/templates/board.html"), "lacks `carerules/board/templates"),
    (without("carerules/lang/care.lark"), "lacks `carerules/lang/care.lark`"),
    (lambda files: files.update({"tests/x.py": b""}), "has `tests/x.py`"),
    (lambda files: files.update({"carerules/state/journal.db": b""}), "has `carerules/state"),
    (without(f"{INFO}/licenses/LICENSE"), "no licence"),
    (told(b"carerules.cli:main", b"carerules.cli:mein", f"{INFO}/entry_points.txt"), "no command"),
    (told(b">=3.11", b">=3.9", f"{INFO}/METADATA"), "for Python >=3.9"),
    (told(b"Provides-Extra: board\n", b"", f"{INFO}/METADATA"), "{'board'}"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "said"), FAULTS, ids=[said for _, said in FAULTS])
def test_each_fault_is_found(
    tmp_path: Path, change: Callable[[dict[str, bytes]], None], said: str
) -> None:
    found = list(release.faults(wheel(tmp_path, change), __version__))
    assert any(said in fault for fault in found), found


def test_every_extra_is_tried_and_says_what_it_is_for() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert set(declared["optional-dependencies"]) == {*release.EXTRAS, *release.NOT_SHIPPED}
    for extra, modules in release.EXTRAS.items():
        own, *others = modules
        assert own.startswith("carerules."), extra
        assert others, extra


def test_the_change_log_begins_with_the_version() -> None:
    assert release.version() == __version__
