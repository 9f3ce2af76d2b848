"""A site file read at the door: bytes in, a `SiteFile` or every problem out.

Knows the order of reading. Never raises for what the file holds, whatever the bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from carerules.bounded import read_bounded
from carerules.config.anyhow import enough_for_off, without
from carerules.config.check import mistakes
from carerules.config.known import Known, known_to, names
from carerules.config.model import SiteTable
from carerules.config.problem import PROBLEMS_MAX, Key, Problem, line_of, lines_of_keys
from carerules.config.refusal import problems_of
from carerules.config.site import SiteFile, built
from carerules.config.text import SITE_FILE_BYTES_MAX, read_text, told_once
from carerules.config.values import Around


def read_site(path: Path, *, to_stop: bool = False) -> SiteFile | tuple[Problem, ...]:
    """Read the site file at `path`; paths in it are taken from its folder.

    Rule files, secrets and chemistry files that it names must be there. `to_stop`: for who says
    nothing but OFF, and needs no rule, pack or channel for it: what is refused keeps nobody from
    the plugs that are reached without it. Those that it keeps us from are `left_out` then.
    """
    file = path.name
    try:
        data = read_bounded(path, SITE_FILE_BYTES_MAX)
    except OSError as error:
        return (_unreadable(file, error),)
    except ValueError:  # a NUL in the path
        return (_unreadable(file, FileNotFoundError()),)
    if len(data) > SITE_FILE_BYTES_MAX:
        return (Problem(file, 0, (), "a larger file", "a site file of at most 1 MiB"),)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        said = f"a byte that is not UTF-8 (`0x{data[error.start]:02x}`)"
        return (Problem(file, line, (), said, "text in UTF-8", "save the file as UTF-8"),)
    return read_site_text(text, file, path.resolve().parent, to_stop=to_stop)


def _unreadable(file: str, error: OSError) -> Problem:
    wanted = "a site file that can be read"
    match error:
        case FileNotFoundError():
            mend = "look at the path, or write one with `carerules new FOLDER`"
            return Problem(file, 0, (), "no such file", wanted, mend)
        case IsADirectoryError():
            mend = f"name the file in it, such as `{file}/site.toml`"
            return Problem(file, 0, (), "a folder", wanted, mend)
        case _:
            return Problem(file, 0, (), (error.strerror or "an error").lower(), wanted)


def read_site_text(
    text: str, name: str, folder: Path | None = None, *, to_stop: bool = False
) -> SiteFile | tuple[Problem, ...]:
    """Read the text of a site file named `name`.

    `folder` None: no file that it names is looked for, and chemistries are shipped ones only.
    `to_stop`: none but chemistries and profiles, and of what is refused the rest is read.
    """
    said = read_text(text, name)
    raw, faults = said.tables, said.faults
    # What a slip was meant to say is good enough to look for more mistakes, and for no plug.
    if raw is None or (faults and to_stop):
        return faults
    lines = lines_of_keys(said.meant)
    looked_in = None if to_stop else folder
    read, known = _checked(raw, name, folder, lines, looked_in)
    if isinstance(read, SiteTable):
        return faults or built(read, name, folder or Path(), known)
    anyhow = _to_stop(raw, name, folder) if to_stop else None
    return anyhow or _told(list(told_once(faults, read)))


def _checked(
    raw: Mapping[str, Any], name: str, folder: Path | None, lines: Mapping[Key, int],
    looked_in: Path | None,
) -> tuple[SiteTable | list[Problem], Known]:  # fmt: skip
    """The tables where they held, else all that is wrong; and what they refer to. Files that they
    name are looked for in `looked_in`."""
    known = known_to(raw, folder)
    problems: list[Problem] = []
    table: SiteTable | None = None
    try:
        table = _tables().validate_python(dict(raw), context=Around(_declared(raw), looked_in))
    except ValidationError as error:
        problems += problems_of(error, name, lines)
    # Checked whatever the tables refused: one pass tells everything.
    for key, said, wanted, mend in mistakes(raw, known):
        problems.append(Problem(name, line_of(lines, key), key, said, wanted, mend))
    return (problems if table is None or problems else table), known


@cache
def _tables() -> TypeAdapter[SiteTable]:
    """What holds a file to its tables: beside them, because what a model builds it keeps."""
    return TypeAdapter(SiteTable)


def forget_tables() -> None:
    """Give back the half megabyte that reading takes; the next file has it made anew, in 7 ms."""
    _tables.cache_clear()


def _to_stop(raw: Mapping[str, Any], name: str, folder: Path | None) -> SiteFile | None:
    """What is left of a refused file for who says OFF; None: too little."""
    left = enough_for_off(raw)
    while left is not None:  # each time with fewer plugs, or without the broker
        read, known = _checked(left, name, folder, {}, None)
        if isinstance(read, SiteTable):
            site = built(read, name, folder or Path(), known)
            return replace(site, left_out=tuple(raw["plug"].keys() - site.site.plugs.keys()))
        left = without(left, known, {problem.key for problem in read})
    return None


def _declared(raw: Mapping[str, Any]) -> Mapping[str, frozenset[str]]:
    return {kind: names(raw, kind) for kind in ("pack", "station", "plug")}


def _told(problems: list[Problem]) -> tuple[Problem, ...]:
    """In the order of the file, each once, and not without end."""
    ordered = sorted(dict.fromkeys(problems), key=lambda problem: problem.line)
    if len(ordered) <= PROBLEMS_MAX:
        return tuple(ordered)
    more = f"{len(ordered) - PROBLEMS_MAX} more problems"
    rest = Problem(ordered[0].file, 0, (), more, "none", "mend these and look again")
    return (*ordered[:PROBLEMS_MAX], rest)
