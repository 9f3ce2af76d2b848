"""Our answers in the protocol's types, and its places in ours.

Knows both. Does not know when anything is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from lsprotocol import types as lsp

from carerules.lsp.features import (
    Edit,
    Finding,
    Highlight,
    Hover,
    Item,
    Lens,
    Mending,
    Place,
    Symbol,
)
from carerules.lsp.text import Position, Range

WHY = "carerules.why"
"""The command behind a line above a rule: why it holds or not."""
SOURCE = "carerules"

UriOf = Callable[[str], str | None]


def position(at: lsp.Position) -> Position:
    """A place of the editor's."""
    return Position(at.line, at.character)


def range_in(one: lsp.Range) -> Range:
    """A range of the editor's."""
    return Range(position(one.start), position(one.end))


def range_out(one: Range) -> lsp.Range:
    """A range for the editor."""
    return lsp.Range(
        lsp.Position(one.start.line, one.start.character),
        lsp.Position(one.end.line, one.end.character),
    )


def diagnostic(found: Finding, uri_of: UriOf) -> lsp.Diagnostic:
    """A finding to be underlined."""
    related = [
        lsp.DiagnosticRelatedInformation(place_out(place, uri), text)
        for text, place in found.notes if (uri := uri_of(place.file)) is not None
    ]  # fmt: skip
    severity = lsp.DiagnosticSeverity.Error if found.error else lsp.DiagnosticSeverity.Warning
    return lsp.Diagnostic(
        range_out(found.range),
        found.text,
        severity=severity,
        code=found.code,
        source=SOURCE,
        tags=[lsp.DiagnosticTag.Unnecessary] if found.faded else None,
        related_information=related or None,
    )


def place_out(place: Place, uri: str) -> lsp.Location:
    """A place in a file."""
    return lsp.Location(uri, range_out(place.range))


def places(found: Iterable[Place], uri_of: UriOf) -> list[lsp.Location]:
    """Places in files that the editor can open."""
    return [place_out(place, uri) for place in found if (uri := uri_of(place.file)) is not None]


def highlight(found: Highlight) -> lsp.DocumentHighlight:
    """A place to be lit up; where the name is given it is written, elsewhere read."""
    kind = lsp.DocumentHighlightKind.Write if found.gives else lsp.DocumentHighlightKind.Read
    return lsp.DocumentHighlight(range_out(found.range), kind)


def hovered(found: Hover) -> lsp.Hover:
    """A text beside the pointer."""
    return lsp.Hover(lsp.MarkupContent(lsp.MarkupKind.Markdown, found.text), range_out(found.range))


_ITEMS = {
    "keyword": lsp.CompletionItemKind.Keyword, "action": lsp.CompletionItemKind.Function,
    "signal": lsp.CompletionItemKind.Variable, "name": lsp.CompletionItemKind.Reference,
    "unit": lsp.CompletionItemKind.Unit, "text": lsp.CompletionItemKind.File,
}  # fmt: skip


def item(found: Item, place: int) -> lsp.CompletionItem:
    """A choice; `place` keeps them in our order."""
    more = lsp.MarkupContent(lsp.MarkupKind.Markdown, found.more) if found.more else None
    return lsp.CompletionItem(
        found.text,
        kind=_ITEMS[found.kind],
        detail=found.detail or None,
        documentation=more,
        sort_text=f"{place:04}",
        text_edit=lsp.TextEdit(range_out(found.range), found.text),
    )


def edits(found: Iterable[Edit]) -> list[lsp.TextEdit]:
    """Changes of one document."""
    return [lsp.TextEdit(range_out(one.range), one.text) for one in found]


def workspace_edit(found: Mapping[str, Iterable[Edit]], uri_of: UriOf) -> lsp.WorkspaceEdit:
    """Changes of several documents."""
    changes = {uri: edits(some) for file, some in found.items() if (uri := uri_of(file))}
    return lsp.WorkspaceEdit(changes=changes)


def action(found: Mending, uri: str, shown: Iterable[lsp.Diagnostic]) -> lsp.CodeAction:
    """A mend that is offered, with the underlined finding that it takes away."""
    kind = lsp.CodeActionKind.QuickFix if found.at else lsp.CodeActionKind.SourceFixAll
    mends = [
        one for one in shown
        if found.at is not None and one.code == found.code and one.range == range_out(found.at)
    ]  # fmt: skip
    return lsp.CodeAction(
        found.title,
        kind=kind,
        diagnostics=mends or None,
        is_preferred=found.preferred or None,
        edit=lsp.WorkspaceEdit(changes={uri: edits(found.edits)}),
    )


_SYMBOLS = {
    "use": lsp.SymbolKind.Module, "let": lsp.SymbolKind.Constant, "group": lsp.SymbolKind.Array,
    "never": lsp.SymbolKind.Event, "rule": lsp.SymbolKind.Function,
    "scenario": lsp.SymbolKind.Method,
}  # fmt: skip


def symbol(found: Symbol) -> lsp.DocumentSymbol:
    """A statement in the editor's list."""
    return lsp.DocumentSymbol(
        found.name, _SYMBOLS[found.kind], range_out(found.range), range_out(found.named)
    )


def lens(found: Lens) -> lsp.CodeLens:
    """A line above a rule."""
    arguments: list[lsp.LSPAny] = [found.rule]
    return lsp.CodeLens(
        range_out(found.range),
        command=lsp.Command(found.text, WHY if found.rule else "", arguments=arguments),
    )
