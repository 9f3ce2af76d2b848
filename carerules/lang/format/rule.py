"""One rule with each of its parts on the line where it belongs.

Knows the words that begin a part of a rule. Does not know what any of them means: whoever asks for
a layout reads the result again and compares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from carerules.lang.format.rows import Bit, Line, fits

_CLAUSES = ("on", "over", "because")


@dataclass(slots=True)
class _Part:
    """A piece of a rule that is never torn: `kind` is its first word, or `action`.

    `rows` are its lines, more than one where parentheses go on; `above` the comments over it;
    `broke`: the author began a line with it.
    """

    kind: str
    broke: bool
    above: list[Line] = field(default_factory=list)
    rows: list[Line] = field(default_factory=list)


def shaped(lines: list[Line]) -> list[Line]:
    """The lines of a rule, laid out; what fits on one line and stood there stays there."""
    with_words = [line for line in lines if line.bits]
    if len(with_words) == 1 and fits(with_words[0]):
        return lines
    cutter = _Cutter()
    for line in lines:
        cutter.take(line)
    if cutter.phase != "body":
        return lines  # no rule that is known here
    return _put_together(cutter.parts, cutter.above, one_row=len(with_words) == 1)


# ---- apart -------------------------------------------------------------------------------------


class _Cutter:
    """Cuts the lines of a rule into its parts, in the order of the text."""

    def __init__(self) -> None:
        self.parts: list[_Part] = []
        self.above: list[Line] = []
        self.phase = "head"  # then `when`, then `body`
        self.deep = 0

    def take(self, line: Line) -> None:
        """One more line."""
        if not line.bits:
            if self.deep:
                self.parts[-1].rows.append(line)
            else:
                self.above.append(line)
            return
        row = replace(line, bits=[], comment="")
        if line.continued:
            self.parts[-1].rows.append(row)
        for at, bit in enumerate(line.bits):
            starts = not self.deep and self._starts(bit)
            if (at == 0 and not line.continued) or starts:
                begun = self._begin(bit, broke=at == 0)
                begun.rows.append(row := replace(row, bits=[], blanks=row.blanks if at == 0 else 0,
                                                 inside=0))  # fmt: skip
            elif self.phase == "body" and bit.text == ";" and not self.deep:
                self.phase = "next"
                continue
            row.bits.append(bit)
            self.deep += (bit.text == "(") - (bit.text == ")")
            if self.phase == "when" and bit.text == ":" and not self.deep:
                self.phase = "next"
        row.comment = line.comment
        if self.phase == "next":
            self.phase = "body"

    def _starts(self, bit: Bit) -> bool:
        if self.phase == "next":
            return True
        return self.phase == "head" and bit.kind == "name" and bit.text in (*_CLAUSES, "when")

    def _begin(self, bit: Bit, *, broke: bool) -> _Part:
        if self.phase == "head":
            kind = bit.text
            self.phase = "when" if kind == "when" else "head"
        else:
            kind, self.phase = "action", "body"
        part = _Part(kind, broke, self.above)
        self.above = []
        self.parts.append(part)
        return part


# ---- and together ------------------------------------------------------------------------------


def _put_together(parts: list[_Part], below: list[Line], *, one_row: bool) -> list[Line]:
    head = [part for part in parts if part.kind not in ("when", "action")]
    (when,) = (part for part in parts if part.kind == "when")
    actions = [part for part in parts if part.kind == "action"]
    inline = not actions[0].broke
    reason = any(part.kind == "because" for part in head)
    own_row = bool(head) and (
        when.broke or one_row or reason or inline
        or any(len(part.rows) > 1 for part in [*head, when]) or not _fit([*_last_row(head), when])
    )  # fmt: skip
    out: list[Line] = []
    heads = _head_rows(head)
    if head and not own_row:
        heads[-1].append(when)
    for number, row in enumerate(heads):
        out += _joined(row, min(number, 1))
    depth = 1 if own_row else 0
    if inline and not one_row and all(len(part.rows) == 1 for part in [when, *actions]):
        whole = _joined([when, *actions], depth, between=";")
        if fits(whole[-1]):
            return [*out, *whole, *below]
    if own_row or not head:
        out += _joined([when], depth)
    body = actions[-1].rows[0].depth if actions[-1].broke else depth + 1
    for action in actions:
        out += _joined([action], depth + 1)
    # Comments below the last action stay among the actions if they stood there.
    moved = [replace(line, depth=depth + 1) if line.depth >= body else line for line in below]
    return [*out, *moved]


def _head_rows(head: list[_Part]) -> list[list[_Part]]:
    """Which parts of the head share a line; a reason stands alone."""
    rows: list[list[_Part]] = []
    for part in head:
        alone = part.broke or part.kind == "because" or rows[-1][-1].kind == "because"
        if not rows or alone:
            rows.append([])
        rows[-1].append(part)
    for word in ("over", "on"):
        for at, row in enumerate(rows):
            cut = next((n for n, part in enumerate(row) if n and part.kind == word), 0)
            if cut and not _fit(row):
                rows[at : at + 1] = [row[:cut], row[cut:]]
                break
    return rows


def _last_row(head: list[_Part]) -> list[_Part]:
    return _head_rows(head)[-1] if head else []


def _fit(parts: Sequence[_Part]) -> bool:
    return all(fits(line) for line in _joined(parts, 1))


def _joined(parts: Sequence[_Part], depth: int, *, between: str = "") -> list[Line]:
    """The parts one after the other on a line, below the comments that stand above the first."""
    out: list[Line] = []
    for part in parts:
        first, *others = part.rows
        if not out:
            out = [replace(line, depth=depth) for line in part.above]
            out.append(replace(first, depth=depth, bits=list(first.bits)))
        else:
            if between and out[-1].bits[-1].text != ":":
                out[-1].bits.append(Bit("sign", between))
            out[-1].bits += first.bits
            out[-1].comment = first.comment
        out += [replace(line, depth=depth, bits=list(line.bits)) for line in others]
    return out
