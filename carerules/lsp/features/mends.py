"""Mends as changes that an editor offers: one for each finding, and all at once.

Knows mends. Does not know how a mistake is found, nor which of two mends a person would choose.
"""

from __future__ import annotations

from collections.abc import Iterable

from carerules.domain.diagnostic import Diagnostic, Mend
from carerules.domain.frozen import guarded
from carerules.lsp.features.findings import told
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Document, Range


@guarded
class Edit:
    """A new text in the place of a range."""

    range: Range
    text: str


@guarded
class Mending:
    """A change that puts something right. `at`: the place of what it mends; None: all that is
    safe to mend. `preferred`: nothing but the slip changes."""

    title: str
    edits: tuple[Edit, ...]
    at: Range | None = None
    code: str = ""
    preferred: bool = False


def mends(sight: Sight, where: Range) -> list[Mending]:
    """The mends of what was found in a range, and last one for everything in it that is safe."""
    document = sight.document
    start, end = document.offset(where.start), document.offset(where.end)
    here: list[Mending] = []
    safe: list[Diagnostic] = []
    for found in told(sight):
        if found.edit is None or found.mend is None or found.edit[0].file != sight.file:
            continue
        if found.mend.safe:
            safe.append(found)
        first, last = document.offsets_of(found.span)
        if first <= end and start <= last:
            here.append(Mending(
                _title(found.mend), tuple(_edits([found], document)),
                document.range_of(found.span), found.code, found.mend.safe,
            ))  # fmt: skip
    everything = mend_all(safe, document)
    return here if everything is None else [*here, everything]


def _title(mend: Mend) -> str:
    """What choosing it does; a question is answered with yes."""
    return f"write `{mend.replacement}`" if mend.say.endswith("?") else mend.say


def mend_all(safe: Iterable[Diagnostic], document: Document) -> Mending | None:
    """All safe mends in one change; None: there is none."""
    edits = tuple(_edits(safe, document))
    return Mending("mend everything that has only one mend", edits) if edits else None


def _edits(found: Iterable[Diagnostic], document: Document) -> list[Edit]:
    """From the top down; of two that overlap, only the first."""
    placed = sorted(
        (*document.offsets_of(one.edit[0]), one.edit[1]) for one in found if one.edit is not None
    )
    edits: list[Edit] = []
    last = -1
    for start, end, text in placed:
        if start >= last:
            edits.append(Edit(document.range(start, end), text))
            last = max(end, start + 1)
    return edits
