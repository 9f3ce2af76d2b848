"""Where the lines of a file break, what lines up with what, and how many rows stay empty.

Knows columns. Does not know what a line means: whoever asks for a layout reads the result again and
compares.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise

from carerules.lang.format.rows import WIDTH, Bit, Line, fits, margin, spaced
from carerules.lang.format.rule import shaped

ALIGNED_NAME_MAX = 20  # a longer name would push a whole column of values away from their names
ALIGNED_COLUMN_MAX = 80  # nobody looks for a comment further right than this
EMPTY_ROWS_MAX = 2  # between the sections of a file; one inside a section
COMMENT_GAP = 2

_ONE_LINERS = frozenset({"let", "group", "use", "never"})


def lay_out(lines: list[Line]) -> str:
    """The text of these lines, laid out; empty for none."""
    out: list[Line] = []
    for part in _statements(lines):
        rule = part[0].first in ("rule", "when")
        for line in shaped(part) if rule else part:
            out += _broken(line)
    _close_up(out)
    rows = _with_comments(out, [margin(line) + text for line, text in _aligned(out)])
    return "".join(f"{row}\n" for row in rows)


def _statements(lines: list[Line]) -> Iterator[list[Line]]:
    """The lines by statement; comments above the first are a part of their own."""
    part: list[Line] = []
    for line in lines:
        if line.begins_statement and part:
            yield part
            part = []
        part.append(line)
    if part:
        yield part


# ---- a condition that is too wide --------------------------------------------------------------


def _broken(line: Line) -> list[Line]:
    """A line that is too wide goes on below, inside its parentheses, at an `and` or `or`."""
    out = [line]
    while not fits(out[-1]) and (at := _place(out[-1])):
        last = out[-1]
        inside = last.inside + sum(_opens(bit) for bit in last.bits[:at])
        out[-1] = replace(last, bits=last.bits[:at], comment="")
        out.append(replace(last, bits=last.bits[at:], blanks=0, inside=inside, hanging=False))
    return out


def _place(line: Line) -> int:
    """Before which word a line breaks: the last that leaves it narrow enough, or else the first.

    0: it has no place to break.
    """
    best, deep, width = 0, line.inside, len(margin(line))
    for at, bit in enumerate(line.bits):
        if at and deep and bit.text in ("and", "or"):
            if width > WIDTH:
                return best or at
            best = at
        width += len(spaced(line.bits[max(0, at - 1) : at + 1]))
        width -= len(line.bits[at - 1].text) if at else 0
        deep += _opens(bit)
    return best


def _opens(bit: Bit) -> int:
    """1 for a parenthesis that opens, -1 for one that closes."""
    return (bit.text == "(") - (bit.text == ")")


# ---- empty rows --------------------------------------------------------------------------------


def _close_up(lines: list[Line]) -> None:
    """No empty row at the top, one inside a rule or between statements of a kind, else two."""
    for above, line in pairwise(lines):
        of_a_kind = above.depth == 0 and above.first == line.first and line.first in _ONE_LINERS
        inside = line.depth > 0 or line.continued or of_a_kind
        line.blanks = min(line.blanks, 1 if inside else EMPTY_ROWS_MAX)
    if lines:
        lines[0].blanks = 0


# ---- columns -----------------------------------------------------------------------------------


def _runs(lines: list[Line], of: Callable[[Line], str]) -> Iterator[tuple[str, list[int]]]:
    """Numbers of lines that follow one another without an empty row and are of one kind."""
    run: list[int] = []
    for at, line in enumerate(lines):
        if run and not line.hanging and (line.blanks or of(line) != of(lines[run[0]])):
            yield of(lines[run[0]]), run
            run = []
        run.append(at)
    if run:
        yield of(lines[run[0]]), run


def _aligned(lines: list[Line]) -> list[tuple[Line, str]]:
    """Each line with its words; of `let`s and `group`s that follow one another, in columns."""
    texts = [spaced(line.bits) for line in lines]
    for kind, run in _runs(lines, lambda line: line.first if line.begins_statement else ""):
        if kind not in ("let", "group"):
            continue
        # `let NAME` and `group NAME:`
        heads = {at: spaced(lines[at].bits[: 2 if kind == "let" else 3]) for at in run}
        names = {at: len(lines[at].bits[1].text) for at in run if len(lines[at].bits) > 1}
        short = [at for at, length in names.items() if length <= ALIGNED_NAME_MAX]
        width = max((len(heads[at]) for at in short), default=0)
        for at in short:
            rest: list[Bit] = lines[at].bits[2 if kind == "let" else 3 :]
            wide = f"{heads[at]:<{width}} {spaced(rest)}"
            texts[at] = wide if len(wide) <= WIDTH else texts[at]
    return list(zip(lines, texts, strict=True))


def _with_comments(lines: list[Line], texts: list[str]) -> list[str]:
    """The rows: comments that follow one another in one column, unless that is too far right.

    A `let` without a comment does not come between those of its neighbours.
    """

    def side(line: Line) -> str:
        beside = line.comment and (line.bits or line.hanging)
        return "beside" if beside or (line.begins_statement and line.first == "let") else ""

    rows = [text if line.bits else text + line.comment
            for line, text in zip(lines, texts, strict=True)]  # fmt: skip
    for kind, run in _runs(lines, side):
        if kind != "beside":
            continue
        commented = [at for at in run if lines[at].comment]
        widths = [len(texts[at]) for at in commented if lines[at].bits]
        column = max(widths, default=0) + COMMENT_GAP
        for at in commented:
            line, text = lines[at], texts[at] if lines[at].bits else ""
            if column > ALIGNED_COLUMN_MAX and not any(lines[one].hanging for one in run):
                rows[at] = text + " " * COMMENT_GAP + line.comment
            else:
                rows[at] = f"{text:<{column}}{line.comment}"
    return [
        part for line, row in zip(lines, rows, strict=True) for part in [""] * line.blanks + [row]
    ]
