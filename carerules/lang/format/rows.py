"""A rule file as rows of words and comments, each word in its canonical spelling.

Knows spellings, margins and blank rows. Does not know the grammar: a word that it has never seen
is a word, so that a construct of tomorrow is laid out like one of today.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from carerules.domain.frozen import guarded
from carerules.domain.quantity import SPELLINGS, unit_named


@guarded
class Bit:
    """A word or sign. `kind` is the name of its pattern; `glued`: no blank stood before it."""

    kind: str
    text: str
    glued: bool = False


@dataclass(slots=True)
class Line:
    """One row with something in it: words, a comment, or both.

    `depth` counts the blocks around it, `blanks` the empty rows above it, `inside` the parentheses
    that were opened above and go on here. `hanging`: a comment that goes on below another.
    """

    depth: int
    bits: list[Bit] = field(default_factory=list)
    comment: str = ""
    blanks: int = 0
    inside: int = 0
    hanging: bool = False

    @property
    def continued(self) -> bool:
        """Whether it goes on from the line above."""
        return self.inside > 0

    @property
    def begins_statement(self) -> bool:
        """Whether a statement begins here."""
        return self.depth == 0 and bool(self.bits) and not self.continued

    @property
    def first(self) -> str:
        """The first word; empty for a comment."""
        return self.bits[0].text if self.bits else ""


# ---- words -------------------------------------------------------------------------------------

_PATTERNS = {
    "string": r'"[^"\n]*"',
    "date": r"\d{4}-\d\d-\d\d",
    "window": r"\d{1,2}:\d\d\s*-\s*\d{1,2}:\d\d",
    "clock": r"\d{1,2}:\d\d",
    "number": r"[+\-−]?\d+(?:\.\d+)?",
    "signal": r"[^\W\d]\w*(?:\.\w[\w-]*)+",
    "rate": r"(?:%|°?[^\W\d]+)/[^\W\d]+",
    "degrees": r"°[A-Za-z]?",
    "name": r"[^\W\d][\w-]*",
    "compared": r">=|<=|!=|[<>=]",
    "sign": r"[:;,()%]",
    "other": r"\S",
}
_COMMENT = r"(?P<comment>#.*)"
_BIT = re.compile(
    "|".join([_COMMENT, *(f"(?P<{kind}>{pattern})" for kind, pattern in _PATTERNS.items())]),
    re.DOTALL,
)


def split_row(row: str, above: Bit | None = None) -> tuple[list[Bit], str, int]:
    """The words of a row, its comment, and the column (from 0) in which the comment begins.

    `above`: the last word before this row, where a parenthesis goes on.
    """
    bits: list[Bit] = []
    end = 0
    for found in _BIT.finditer(row):
        kind = found.lastgroup or "other"
        if kind == "comment":
            return bits, found[0].rstrip(), found.start()
        last = bits[-1] if bits else above
        after_number = last is not None and last.kind == "number"
        text = canonical(kind, found[0], after_number=after_number)
        bits.append(Bit(kind, text, glued=bool(bits) and found.start() == end))
        end = found.end()
    return bits, "", 0


def canonical(kind: str, text: str, *, after_number: bool) -> str:
    """The one spelling of a word; a unit is one only after its number."""
    match kind:
        case "number":
            return _number(text)
        case "window":
            return "-".join(_clock(part.strip()) for part in text.split("-"))
        case "clock":
            return _clock(text)
        case "name" | "degrees" if after_number and unit_named(text) is not None:
            return SPELLINGS.get(text, text)
        case "rate":
            return "/".join(SPELLINGS.get(part, part) for part in text.split("/"))
        case _:
            return text


def _number(text: str) -> str:
    """`05.50` is `5.5`, `+3` is `3`, `-0` is `0`."""
    sign = "-" if text[0] in "-−" else ""
    whole, _, part = text.lstrip("+-−").partition(".")
    whole, part = whole.lstrip("0") or "0", part.rstrip("0")
    plain = f"{whole}.{part}" if part else whole
    return plain if plain == "0" else sign + plain


def _clock(text: str) -> str:
    hour, _, minute = text.partition(":")
    return f"{int(hour):02}:{minute}"


# ---- rows --------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Note:
    """A comment in a row of its own, until it is known what stands below it."""

    line: Line
    indent: int


class _Reader:
    """Goes down the rows of a text that has no error."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.margins = [0]
        self.open = 0  # parentheses
        self.last: Bit | None = None
        self.blanks = 0
        self.notes: list[_Note] = []
        self.comment_column = -1  # of the comment in the row above

    def row(self, row: str) -> None:
        """One more row."""
        bits, comment, column = split_row(row, self.last if self.open else None)
        if not bits and not comment:
            self.blanks += 1
            self.comment_column = -1
            return
        indent = len(row) - len(row.lstrip())
        line = Line(0, bits, comment, self.blanks, inside=self.open)
        self.blanks = 0
        if line.continued:
            line.depth = len(self.margins) - 1
        elif not bits:
            line.hanging = column == self.comment_column
            self.notes.append(_Note(line, indent))
        else:
            self._margin(indent, line)
        if bits or not line.hanging:
            self.comment_column = column if bits and comment else -1
        self.lines.append(line)
        self.last = bits[-1] if bits else self.last
        for bit in bits:
            self.open = max(0, self.open + (bit.text == "(") - (bit.text == ")"))

    def _margin(self, indent: int, line: Line) -> None:
        """Where a line with words stands, and so where the comments above it do."""
        before = list(self.margins)
        if indent > self.margins[-1]:
            self.margins.append(indent)
        while indent < self.margins[-1]:
            self.margins.pop()
        line.depth = len(self.margins) - 1
        self.settle_notes(before, line.depth)

    def settle_notes(self, before: list[int], depth: int) -> None:
        """A comment above a deeper line belongs to it; one above a shallower line to its margin."""
        for note in self.notes:
            note.line.depth = max(
                [at for at, margin in enumerate(before) if margin <= note.indent and at >= depth],
                default=depth,
            )
        self.notes.clear()


def read_lines(text: str) -> list[Line]:
    """The rows of a text that has no error; empty rows are counted on the line below them."""
    reader = _Reader()
    for row in text.removeprefix("\ufeff").split("\n"):
        reader.row(row)
    reader.settle_notes(reader.margins, 0)
    return reader.lines


# ---- back to text ------------------------------------------------------------------------------

WIDTH = 100  # a word too long for it stays whole, and so does what has no place to break
INDENT = 4
CONTINUED_INDENT = 8  # further than a block, so that a condition and its actions are told apart


def spaced(bits: list[Bit]) -> str:
    """The words with the blanks that belong between them."""
    text = ""
    for before, bit in zip([None, *bits], bits, strict=False):
        text += (" " if before is not None and _apart(before, bit) else "") + bit.text
    return text


def _apart(left: Bit, right: Bit) -> bool:
    if "other" in (left.kind, right.kind) or (left.kind, right.kind) == ("number", "number"):
        return not right.glued  # a sign that is unknown here keeps its place
    return left.text != "(" and right.text not in (",", ";", ":", ")")


def margin(line: Line) -> str:
    """The blanks before a line."""
    return " " * (line.depth * INDENT + (CONTINUED_INDENT if line.continued else 0))


def fits(line: Line) -> bool:
    """Whether the words are within the width; a comment may run over."""
    return len(margin(line)) + len(spaced(line.bits)) <= WIDTH


def comments(lines: list[Line]) -> Iterator[str]:
    """All comments, in order."""
    return (line.comment for line in lines if line.comment)
