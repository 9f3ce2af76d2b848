"""Build what is released, and try it as a stranger would: in a clean environment, elsewhere.

`python .ci/release.py [--python PROGRAM ...] [--extras all|none|NAME,...] [--keep FOLDER]` builds
the source archive and, from it, the wheel; holds the wheel against what lies in the tree; installs
it for each Python and runs the main commands there; and installs each extra alone and imports what
it is for. 0: everything held.
"""

from __future__ import annotations

import argparse
import email
import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
import venv
import zipfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from hatchling.build import build_sdist

ROOT = Path(__file__).resolve().parents[1]

EXTRAS = {
    "board": ("carerules.board.listen", "starlette", "uvicorn", "jinja2"),
    "calendar": ("carerules.calendar.expand", "icalendar"),
    "cluster": ("carerules.fleet.cluster", "distributed"),
    "editor": ("carerules.lsp.server", "pygls"),
    "export": ("carerules.adapters.tablefile", "pyarrow.parquet"),
    "labels": ("carerules.adapters.qr", "segno"),
    "lan": ("carerules.adapters.lanline", "kasa"),
    "notify": ("carerules.adapters.senders", "apprise"),
    "planner": ("carerules.planner.optimal", "ortools.sat.python.cp_model"),
    "postgres": ("carerules.adapters.postgres", "psycopg"),
    "replay": ("carerules.replay", "numpy"),
}
"""What each extra is for: with it alone these must import."""
NOT_SHIPPED = {"dev", "oracle"}
"""What only we need to build and test."""

RULES = 'use "lipo"\n\nrule full when pack.soc >= 95 % for 24 h: notify "full"\n'
SITE = """\
name = "shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[station.A]
load = { plug = "A-load", power = "60 W" }
[virtual]
start = 2026-11-30T18:00:00
seed = 7
"""


class ReleaseError(Exception):
    """Something does not hold; its words say what."""


# ---- what is built ---------------------------------------------------------------------------


def built(to: Path) -> tuple[Path, Path]:
    """The source archive, and the wheel that is made of it and of nothing else."""
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        source = to / build_sdist(str(to))
    finally:
        os.chdir(before)
    with tarfile.open(source) as archive:
        # Made a moment ago by ourselves. 3.11.0 to 3.11.3 cannot be told to mistrust it.
        if hasattr(tarfile, "data_filter"):
            archive.extraction_filter = tarfile.data_filter
        archive.extractall(to / "from-source")
    (inside,) = (to / "from-source").iterdir()
    run([sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", to, inside])
    (wheel,) = to.glob("*.whl")
    return source, wheel


def wanted_in_wheel() -> set[str]:
    """Every file of the tree that the program reads or runs, by its name in the wheel."""
    names = run(["git", "-C", ROOT, "ls-files", "carerules", "rules", "integrations"]).splitlines()
    return {name if name.startswith("carerules/") else f"carerules/{name}" for name in names}


def faults(wheel: Path, version: str) -> Iterator[str]:
    """What is wrong with the wheel, a line each."""
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if not name.endswith("/")}
        about = email.message_from_bytes(archive.read(f"carerules-{version}.dist-info/METADATA"))
        points = archive.read(f"carerules-{version}.dist-info/entry_points.txt").decode()
    inside = {name for name in names if not name.startswith(f"carerules-{version}.dist-info/")}
    wanted = wanted_in_wheel()
    yield from (f"the wheel lacks `{name}`" for name in sorted(wanted - inside))
    yield from (
        f"the wheel has `{name}`, which is no file of ours" for name in sorted(inside - wanted)
    )
    for name in ("carerules/py.typed", "carerules/rules/lipo.care",
                 "carerules/integrations/plugs/generic-json.toml",
                 "carerules/battery/chemistries/lipo.toml"):  # fmt: skip
        if name not in inside:
            yield f"the wheel lacks `{name}`"
    for folder in ("board/templates", "board/static", "battery/chemistries/life"):
        if not any(name.startswith(f"carerules/{folder}/") for name in inside):
            yield f"the wheel has nothing of `{folder}`"
    if about["Version"] != version or about["Requires-Python"] != ">=3.11":
        yield f"the wheel calls itself {about['Version']} for Python {about['Requires-Python']}"
    if not any(name.endswith("licenses/LICENSE") for name in names):
        yield "the wheel has no licence"
    extras = set(about.get_all("Provides-Extra", ()))
    if extras != {*EXTRAS, *NOT_SHIPPED}:
        yield f"extras that nobody tries, or that are gone: {extras ^ {*EXTRAS, *NOT_SHIPPED}}"
    if "carerules = carerules.cli:main" not in points:
        yield "the wheel has no command `carerules`"


def version() -> str:
    """What the package calls itself; the change log must have it at the top."""
    text = (ROOT / "carerules" / "__init__.py").read_text("utf-8")
    found = re.search(r'^__version__ = "([^"]+)"$', text, re.MULTILINE)
    assert found is not None
    changes = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    if changes is None or changes[1] != found[1]:
        raise ReleaseError(f"CHANGELOG.md does not begin with {found[1]}")
    return found[1]


# ---- where it is tried -----------------------------------------------------------------------


def run(
    words: Sequence[object], cwd: Path | None = None, *, env: dict[str, str] | None = None
) -> str:
    """What a program says; ReleaseError where it does not end well."""
    done = subprocess.run(
        [str(word) for word in words], cwd=cwd, capture_output=True, text=True, check=False,
        env=env, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    if done.returncode != 0:
        said = (done.stderr or done.stdout).strip().splitlines()[-6:]
        raise ReleaseError(f"`{' '.join(map(str, words))[-90:]}` ended with {done.returncode}: "
                           + " / ".join(said))  # fmt: skip
    return done.stdout


class Clean:
    """An environment that has nothing but what is installed into it."""

    def __init__(self, folder: Path, python: str) -> None:
        self.folder = folder
        if python == sys.executable:
            venv.create(folder, with_pip=True, symlinks=True)
        else:
            run([python, "-m", "venv", folder])
        self.python = folder / "bin" / "python"
        # Nothing of this tree: not by its place, and not by what is set here.
        self.env = {key: value for key, value in os.environ.items()
                    if key not in ("PYTHONPATH", "VIRTUAL_ENV", "PYTHONHOME")}  # fmt: skip

    def install(self, wheel: Path, extra: str | None = None) -> None:
        """The wheel, alone or with one extra."""
        what = f"carerules[{extra}] @ {wheel.as_uri()}" if extra else str(wheel)
        run([self.python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", what],
            self.folder, env=self.env)  # fmt: skip

    def run(self, *words: object) -> str:
        """What an installed command says, run in the environment's own folder."""
        return run([self.folder / "bin" / words[0], *words[1:]], self.folder, env=self.env)

    def tell(self, code: str) -> str:
        """What a line of Python prints there."""
        return run([self.python, "-c", code], self.folder, env=self.env).strip()


def try_commands(clean: Clean, number: str) -> None:
    """The main job, as a stranger would try it, in a folder that has nothing of ours."""
    where = clean.tell("import carerules; print(carerules.__file__)")
    if not where.startswith(str(clean.folder)):
        raise ReleaseError(f"what is tried is not what was installed: {where}")
    if number not in clean.run("carerules", "--version"):
        raise ReleaseError("the command does not know its version")
    (clean.folder / "shed.care").write_text(RULES, "utf-8")
    (clean.folder / "site.toml").write_text(SITE, "utf-8")
    clean.run("carerules", "check", "shed.care")
    clean.run("carerules", "check", "site.toml")
    clean.run("carerules", "run", "site.toml", "--speed", "100000", "--for", "0.5")
    status = json.loads(clean.run("carerules", "status", "--json"))
    if [one["pack"] for one in status["packs"]] != ["heron"]:
        raise ReleaseError("status does not show the pack")
    if "started" not in clean.run("carerules", "log", "--json"):
        raise ReleaseError("the log does not tell of the start")
    for words in (("reference",), ("schema",), ("export", "site.toml", "--to", "tables"),
                  ("why", "heron"), ("health",)):  # fmt: skip
        clean.run("carerules", *words)
    typed = "import importlib.resources as r; print((r.files('carerules')/'py.typed').is_file())"
    if clean.tell(typed) != "True":
        raise ReleaseError("type checkers are not told that it is typed")


def try_extra(clean: Clean, extra: str) -> None:
    """What the extra is for imports."""
    for module in EXTRAS[extra]:
        clean.tell(f"import {module}")


def every(pythons: Sequence[str], extras: Sequence[str], keep: Path | None) -> None:
    """Build, look and try; says each thing that held."""
    number = version()
    with tempfile.TemporaryDirectory(prefix="carerules-release-") as made:
        folder = Path(made)
        source, wheel = built(folder)
        if found := list(faults(wheel, number)):
            raise ReleaseError("; ".join(found))
        say(f"{source.name}, {wheel.name} ({wheel.stat().st_size // 1024} KiB): whole")
        for at, python in enumerate(pythons):
            clean = Clean(folder / f"clean-{at}", python)
            which = clean.tell("import platform; print(platform.python_version())")
            clean.install(wheel)
            try_commands(clean, number)
            say(f"Python {which}: installs alone, and the main commands run")
        for extra in extras:
            clean = Clean(folder / f"extra-{extra}", pythons[0])
            clean.install(wheel, extra)
            try_extra(clean, extra)
            shutil.rmtree(clean.folder)
            say(f"extra {extra}: installs alone, imports {', '.join(EXTRAS[extra])}")
        if keep is not None:
            keep.mkdir(parents=True, exist_ok=True)
            for one in (source, wheel):
                shutil.copy(one, keep)


def say(line: str) -> None:
    """A line of what held, at once: some of it takes minutes."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main(arguments: list[str]) -> int:
    """1 where something does not hold."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--python", action="append", default=[], help="a Python to try it on")
    ask.add_argument("--extras", default="all")
    ask.add_argument("--keep", type=Path, help="where archive and wheel go, if all holds")
    asked = ask.parse_args(arguments)
    extras = {"all": sorted(EXTRAS), "none": []}.get(asked.extras, asked.extras.split(","))
    try:
        if unknown := set(extras) - set(EXTRAS):
            raise ReleaseError(f"found no extra `{min(unknown)}`, wanted {', '.join(EXTRAS)}")
        declared = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
        if set(declared["project"]["optional-dependencies"]) != {*EXTRAS, *NOT_SHIPPED}:
            raise ReleaseError("pyproject.toml has other extras than are tried here")
        every(asked.python or [sys.executable], extras, asked.keep)
    except ReleaseError as error:
        sys.stderr.write(f"release: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
