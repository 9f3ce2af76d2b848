"""What is wrong with a document, as an editor underlines it.

Knows findings of every file that was checked. Does not know how one is found.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from carerules.domain.diagnostic import Diagnostic, Severity, Span
from carerules.domain.frozen import guarded
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Range

FADED = frozenset({"unused-name"})
"""Codes of what could be left out without loss: editors fade it."""


@guarded
class Place:
    """A range of one of the files."""

    file: str
    range: Range


@guarded
class Finding:
    """One underlined place. `notes` say more, some of them about other places."""

    range: Range
    error: bool
    code: str
    text: str
    faded: bool = False
    notes: tuple[tuple[str, Place], ...] = ()


def findings(sight: Sight) -> list[Finding]:
    """Everything found in the document; of a file that it takes in, the first thing, at the `use`.

    Without the proofs where they are still to come.
    """
    return [_shown(one, sight) for one in told(sight)]


def told(sight: Sight) -> list[Diagnostic]:
    """The diagnostics themselves, with places in the document."""
    found = [*sight.loaded.diagnostics, *(sight.proofs or ())]
    here = [one for one in found if one.span.file == sight.file]
    return [*here, *_taken_in(sight, found)]


def _shown(found: Diagnostic, sight: Sight) -> Finding:
    mend = f"\nmend: {found.mend.say}" if found.mend else ""
    alone = "".join(f"\nnote: {text}" for text, span in found.notes if span is None)
    return Finding(
        sight.document.range_of(found.span),
        found.severity is Severity.ERROR,
        found.code,
        f"{found.message}{alone}{mend}",
        found.code in FADED,
        tuple((text, _place(span, sight)) for text, span in found.notes if span is not None),
    )


def _place(span: Span, sight: Sight) -> Place:
    return Place(span.file, sight.document_of(span.file).range_of(span))


def _taken_in(sight: Sight, found: list[Diagnostic]) -> Iterator[Diagnostic]:
    """For each `use` the first error of the files behind it: it keeps the whole from loading."""
    errors: dict[str, Diagnostic] = {}
    for one in found:
        own = one.span.file == sight.file or one.span.file in sight.together.tops
        if one.severity is Severity.ERROR and not own:
            errors.setdefault(one.span.file, one)
    if not errors:
        return
    uses = {
        file: [one for one in outline.names if one.kind == "file"]
        for file, outline in sight.outlines.items()
    }
    reach = {file: [one.name for one in names] for file, names in uses.items()}
    for use in uses[sight.file]:
        behind = next((file for file in _behind(use.name, reach) if file in errors), None)
        if behind is not None:
            error = errors[behind]
            note = (error.message, error.span)
            yield replace(
                error, span=use.span, mend=None, notes=(note,),
                message=f"`{behind}` has an error in line {error.span.line}: {error.message}",
            )  # fmt: skip


def _behind(file: str, reach: Mapping[str, list[str]]) -> Iterator[str]:
    """The file and all that it takes in, each once."""
    seen, left = {file}, [file]
    while left:
        one = left.pop()
        yield one
        for further in reach.get(one, ()):
            if further not in seen:
                seen.add(further)
                left.append(further)
