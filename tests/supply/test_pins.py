"""The pins that an audit reads: whole, exact, hashed, and nobody's host in them.

The form `name==version --hash=sha256:...` is that of pip's hash-checking mode (pip's public
documentation, "secure installs").
"""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from supply_kit import ROOT, script

pins = script("pins")
TEXT = (ROOT / ".ci" / "pins.txt").read_text("utf-8")
PYPROJECT = (ROOT / "pyproject.toml").read_text("utf-8")


def test_every_package_that_we_want_is_pinned_in_a_version_that_we_want() -> None:
    found = pins.read(TEXT)
    assert pins.lacking(found, PYPROJECT) == []
    assert len(found) > 20
    assert "carerules" not in found


def test_no_line_is_anything_but_a_pin_and_none_names_a_place() -> None:
    lines = [line for line in TEXT.splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r"\S+==\S+ --hash=sha256:[0-9a-f]{64}", line) for line in lines)
    assert lines == sorted(lines)
    assert not re.search(r"https?:|://|\.(org|com|net|io)\b|/", TEXT.replace(".ci/pins.py", ""))


def test_what_a_pinned_package_wants_is_pinned_too() -> None:
    """Of those that are installed here: else pip would refuse the file, and an audit miss one."""
    found, looked, missing = pins.read(TEXT), 0, []
    for name in found:
        try:
            requires = distribution(name).requires or ()
        except PackageNotFoundError:
            continue
        looked += 1
        for one in map(Requirement, requires):
            here = one.marker is None or one.marker.evaluate({"extra": ""})
            if here and canonicalize_name(one.name) not in found:
                missing.append(f"{name} wants {one.name}")
    assert missing == []
    assert looked >= 8


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        (r"(?m)^lark==.*\n", "", "found no pin of `lark`"),
        (r"(?m)^lark==\S+", "lark==1.0.0", "found `lark==1.0.0`, wanted `lark>=1.2`"),
        (r"(?m)^(lark==\S+) --hash=sha256:\w+", r"\1", "found `lark=="),
        (r"(?m)^(lark==\S+) --hash=sha256:\w{4}", r"\1 --hash=sha256:", "found `lark=="),
        (r"(?m)^(lark==.*\n)", r"\1\1", "found `lark=="),
        (r"(?m)^lark==", "lark>=", "found `lark>="),
    ],
)
def test_a_pin_that_is_none_is_found(tmp_path: Path, old: str, new: str, found: str) -> None:
    spoilt, count = re.subn(old, new, TEXT)
    assert count == 1
    file = tmp_path / "pins.txt"
    file.write_text(spoilt)
    checked = subprocess.run([sys.executable, ROOT / ".ci" / "pins.py", "--check", file],
                             capture_output=True, text=True, check=False)  # fmt: skip
    assert checked.returncode == 1
    assert found in checked.stderr
    assert len(checked.stderr.splitlines()) == 1


def test_the_file_is_made_of_what_pip_reports() -> None:
    """The report's form: pip's public documentation, "installation report", version 1."""

    def one(name: str, version: str, digest: str) -> dict[str, object]:
        return {
            "metadata": {"name": name, "version": version},
            "download_info": {
                "url": "x://somewhere",
                "archive_info": {"hashes": {"sha256": digest}},
            },
        }

    ours = {"metadata": {"name": "carerules", "version": "0"}, "download_info": {"dir_info": {}}}
    text = pins.made({"install": [one("Zebra_x", "2", "b" * 64), ours, one("ant", "1", "a" * 64)]})
    assert pins.read(text) == {"ant": "1", "zebra-x": "2"}
    assert "somewhere" not in text
