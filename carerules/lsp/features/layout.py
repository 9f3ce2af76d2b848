"""A document laid out, as changes of its lines: what stays the same is not touched.

Knows lines. Does not know the layout.
"""

from __future__ import annotations

from difflib import SequenceMatcher

from carerules.lang.format import format_text
from carerules.lsp.features.mends import Edit
from carerules.lsp.features.sight import Sight

LINES_COMPARED_MAX = 3_000
"""Beyond, finding the lines that stayed would take longer than replacing them all."""


def layout(sight: Sight) -> list[Edit]:
    """The changes that lay the document out; none where it has an error, or is laid out already.

    A document whose lines end in `\\r\\n` keeps that.
    """
    text = sight.document.text
    together = sight.together
    out = format_text(text, sight.file, known=together.signals, fetch=together.fetch)
    if isinstance(out, tuple):
        return []
    if "\r\n" in text:
        out = out.replace("\n", "\r\n")
    if out == text:
        return []
    before, after = text.splitlines(keepends=True), out.splitlines(keepends=True)
    if max(len(before), len(after)) > LINES_COMPARED_MAX or "".join(before) != text:
        return [Edit(sight.document.whole, out)]
    starts = [0]
    for row in before:
        starts.append(starts[-1] + len(row))
    compared = SequenceMatcher(None, before, after, autojunk=False)
    return [
        Edit(sight.document.range(starts[first], starts[last]), "".join(after[since:until]))
        for kind, first, last, since, until in compared.get_opcodes()
        if kind != "equal"
    ]
