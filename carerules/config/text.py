"""The text of a site file: its tables, and each place where it is no TOML.

Knows how to go on behind a slip, so that one pass tells everything. Does not know any key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from carerules.config.problem import Problem, quoted
from carerules.domain.frozen import guarded
from carerules.domain.toml import TomlFault, read_toml

SITE_FILE_BYTES_MAX = 1 << 20  # five hundred packs with every key are a fifth of it

# Forty times what fits a screen. Python's TOML reader needs the square of a dotted key's length.
LINE_CHARS_MAX = 4_096

FAULTS_MAX = 20  # each costs one more reading of the whole text; who makes more reads these first


@guarded
class Text:
    """What could be read of a text. `tables` None: nobody can tell how it would go on.

    `meant` is the text with each slip mended, row by row; `faults` are the slips. Of a text with
    faults nothing may be used but to say what else is wrong in it.
    """

    tables: Mapping[str, Any] | None
    meant: str
    faults: tuple[Problem, ...] = ()


def read_text(text: str, file: str) -> Text:
    """The tables of the text, and every slip as far as it can be read."""
    if len(text) > SITE_FILE_BYTES_MAX:
        return Text(None, text, (Problem(file, 0, (), "a longer text", "at most 1 MiB"),))
    rows = text.split("\n")
    for number, row in enumerate(rows, 1):
        if len(row) > LINE_CHARS_MAX:
            wanted = f"at most {LINE_CHARS_MAX} characters"
            return Text(None, text, (Problem(file, number, (), "a longer line", wanted),))
    faults: dict[int, Problem] = {}  # by line: a row with two slips is one to write anew
    for _ in range(FAULTS_MAX):
        read = read_toml("\n".join(rows))
        if not isinstance(read, TomlFault):
            return Text(read, "\n".join(rows), tuple(faults.values()))
        faults.setdefault(read.line, _problem(read, file))
        if not read.meant:
            break
        rows[read.line - 1] = read.meant
    return Text(None, text, tuple(faults.values()))


def _problem(fault: TomlFault, file: str) -> Problem:
    said = fault.found
    if fault.line:
        said = quoted(fault.found) if fault.found else "the end of the file"
    return Problem(file, fault.line, (), said, fault.wanted, fault.mend, fault.column)


def told_once(faults: Sequence[Problem], others: Sequence[Problem]) -> Iterator[Problem]:
    """The slips and what else is wrong: one problem for a value, which was written wrong once.

    Where it is wrong even as it was meant, that is what must be mended, and the row as it stands in
    the file is what was found.
    """
    by_line = {fault.line: fault for fault in faults}
    told = set()
    for other in others:
        fault = by_line.get(other.line)
        if fault is not None and other.found.startswith("`"):
            told.add(fault.line)
            yield replace(other, found=fault.found, column=fault.column)
        else:
            yield other
    yield from (fault for fault in faults if fault.line not in told)
