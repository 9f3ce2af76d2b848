"""Every package that carerules runs on, with all its extras, at one exact version and its hash.

`python .ci/pins.py` asks pip what it would install, and writes `.ci/pins.txt`; with `--check FILE`
it asks nobody, and says whether the file still has what pyproject.toml wants. An audit reads it
(`pip-audit -r .ci/pins.txt --no-deps`), and pip installs from it alone (`--require-hashes`).
The hashes are those of one platform: pip names only the file that it would take.
"""

from __future__ import annotations

import json
import platform
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
PINS = ROOT / ".ci" / "pins.txt"
EXTRAS = (
    "notify",
    "lan",
    "editor",
    "board",
    "labels",
    "calendar",
    "export",
    "replay",
    "cluster",
    "planner",
    "postgres",
)
"""What a user may install; what only we need to build and test is not shipped."""

HEAD = """\
# Made by `python .ci/pins.py`; hashes for {platform}.
# Every package that carerules runs on, extras {extras}.
"""
_LINE = re.compile(r"([a-z0-9-]+)==(\S+) --hash=sha256:([0-9a-f]{64})")


def read(text: str) -> dict[str, str]:
    """The version of each pin by its name; ValueError for a line that is no pin, or comes twice."""
    pins: dict[str, str] = {}
    for line in text.splitlines():
        if not line or line.startswith("#"):
            continue
        match = _LINE.fullmatch(line)
        if match is None or match[1] in pins:
            raise ValueError(f"found `{line[:60]}`, wanted `name==version --hash=sha256:...` once")
        pins[match[1]] = match[2]
    return pins


def wanted(pyproject: str) -> Iterator[Requirement]:
    """What pyproject.toml asks for, itself and by its extras."""
    project = tomllib.loads(pyproject)["project"]
    lists = [project["dependencies"], *(project["optional-dependencies"][one] for one in EXTRAS)]
    for text in (text for one in lists for text in one):
        yield Requirement(text)


def lacking(pins: dict[str, str], pyproject: str) -> list[str]:
    """What the pins do not have, or have in a version that is not wanted; one line each."""
    found = []
    for one in wanted(pyproject):
        version = pins.get(canonicalize_name(one.name))
        if version is None:
            found.append(f"found no pin of `{one.name}`, wanted one of `{one}`")
        elif not one.specifier.contains(version, prereleases=True):
            found.append(f"found `{one.name}=={version}`, wanted `{one}`")
    return found


def made(report: dict[str, Any]) -> str:
    """The file, of what pip reports that it would install."""
    lines = []
    for one in report["install"]:
        name = canonicalize_name(one["metadata"]["name"])
        if name == "carerules":
            continue
        digest = one["download_info"]["archive_info"]["hashes"]["sha256"]
        lines.append(f"{name}=={one['metadata']['version']} --hash=sha256:{digest}")
    python = ".".join(platform.python_version_tuple()[:2])
    where = f"{platform.system()}, {platform.machine()}, Python {python}"
    head = HEAD.format(platform=where, extras=", ".join(EXTRAS))
    return head + "\n".join(sorted(lines)) + "\n"


def main(arguments: list[str]) -> int:
    """1 where the pins lack something; the mend is to make them anew."""
    if not arguments:
        command = [sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed",
                   "--quiet", "--report", "-", f"{ROOT}[{','.join(EXTRAS)}]"]  # fmt: skip
        answer = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        PINS.write_text(made(json.loads(answer)), encoding="utf-8")
        return 0
    if len(arguments) != 2 or arguments[0] != "--check":
        sys.stderr.write("usage: pins.py [--check FILE]\n")
        return 2
    try:
        found = lacking(read(Path(arguments[1]).read_text("utf-8")),
                        (ROOT / "pyproject.toml").read_text("utf-8"))  # fmt: skip
    except (OSError, ValueError) as error:
        found = [str(error)]
    for line in found:
        sys.stderr.write(f"{arguments[1]}: {line}; mend: `python .ci/pins.py`\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
