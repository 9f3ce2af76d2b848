"""Each request of the protocol, handed to its feature.

Knows the protocol library. Does not know how any answer is found.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException
from pygls.lsp.server import LanguageServer

from carerules import __version__
from carerules.lsp import features as f
from carerules.lsp.features import Refused, Sight
from carerules.lsp.library import path_of
from carerules.lsp.server import convert
from carerules.lsp.server.protocol import CareProtocol
from carerules.lsp.server.session import Session
from carerules.lsp.text import ENCODINGS
from carerules.report import why_lines

LINES_SAID_MAX = 60
"""Of an explanation that is shown in a box; `carerules why` has all of it."""


class CareServer(LanguageServer):
    """The server of one editor."""

    def __init__(self, site: Path | None) -> None:
        super().__init__("carerules", __version__, protocol_cls=CareProtocol)
        self.given_site = site
        self.session = Session(self)

    # ---- what the session tells the editor -----------------------------------------------------

    def show(self, uri: str, sight: Sight) -> None:
        """Underline what was found."""
        found = [convert.diagnostic(one, sight.together.uri_of) for one in f.findings(sight)]
        self.text_document_publish_diagnostics(
            lsp.PublishDiagnosticsParams(uri, found, version=sight.document.version)
        )

    def clear(self, uri: str) -> None:
        """Underline nothing any more."""
        self.text_document_publish_diagnostics(lsp.PublishDiagnosticsParams(uri, []))

    def ask_again(self) -> None:
        """Have the lines above the rules asked for anew, if the editor can."""
        workspace = self.client_capabilities.workspace
        if workspace is not None and workspace.code_lens and workspace.code_lens.refresh_support:
            self.workspace_code_lens_refresh(None)

    def warn(self, text: str) -> None:
        """Tell the person at the editor something."""
        self.window_show_message(lsp.ShowMessageParams(lsp.MessageType.Warning, text))


def build(site: Path | None = None) -> CareServer:
    """A server with every feature. `site`: the site file that counts, whatever the editor says."""
    server = CareServer(site)
    for register in (_session, _reading, _writing, _rules):
        register(server)
    return server


def _refused(why: str) -> JsonRpcException:
    """The protocol's answer to a request that is well-formed and cannot be met."""
    return JsonRpcException(why, code=lsp.LSPErrorCodes.RequestFailed.value)


def _uri(params: Any) -> str:
    uri: str = params.text_document.uri
    return uri


# ---- the session -------------------------------------------------------------------------------


def _session(server: CareServer) -> None:
    @server.feature(lsp.INITIALIZE)
    def initialize(params: lsp.InitializeParams) -> None:
        options = params.initialization_options
        named = options.get("site") if isinstance(options, dict) else None
        site = server.given_site
        if site is None and isinstance(named, str) and named:
            root = path_of(params.root_uri) if params.root_uri else None
            site = (root or Path()) / named
        agreed: object = server.workspace.position_encoding
        named = agreed.value if isinstance(agreed, lsp.PositionEncodingKind) else agreed
        known = {str(one): one for one in ENCODINGS}
        server.session.begin(site, known.get(str(named), "utf-16"))

    @server.feature(lsp.TEXT_DOCUMENT_DID_OPEN)
    def opened(params: lsp.DidOpenTextDocumentParams) -> None:
        one = params.text_document
        server.session.opened(one.uri, one.text, one.version)

    @server.feature(lsp.TEXT_DOCUMENT_DID_CHANGE)
    def changed(params: lsp.DidChangeTextDocumentParams) -> None:
        changes = [
            (
                convert.range_in(one.range)
                if isinstance(one, lsp.TextDocumentContentChangePartial) else None,
                one.text,
            )
            for one in params.content_changes
        ]  # fmt: skip
        server.session.changed(_uri(params), changes, params.text_document.version)

    @server.feature(lsp.TEXT_DOCUMENT_DID_SAVE)
    def saved(_: lsp.DidSaveTextDocumentParams) -> None:
        server.session.saved()

    @server.feature(lsp.WORKSPACE_DID_CHANGE_WATCHED_FILES)
    def watched(_: lsp.DidChangeWatchedFilesParams) -> None:
        server.session.saved()

    @server.feature(lsp.TEXT_DOCUMENT_DID_CLOSE)
    def closed(params: lsp.DidCloseTextDocumentParams) -> None:
        server.session.closed(_uri(params))


# ---- reading -----------------------------------------------------------------------------------


def _reading(server: CareServer) -> None:
    answer = server.session.answer

    @server.feature(lsp.TEXT_DOCUMENT_HOVER)
    async def hover(params: lsp.HoverParams) -> lsp.Hover | None:
        at = convert.position(params.position)
        found = await answer(_uri(params), lambda sight: f.hover(sight, at))
        return None if found is None else convert.hovered(found)

    @server.feature(lsp.TEXT_DOCUMENT_DEFINITION)
    async def definition(params: lsp.DefinitionParams) -> list[lsp.Location]:
        at = convert.position(params.position)
        return await answer(_uri(params), lambda s: convert.places(
            f.definition(s, at), s.together.uri_of)) or []  # fmt: skip

    @server.feature(lsp.TEXT_DOCUMENT_REFERENCES)
    async def references(params: lsp.ReferenceParams) -> list[lsp.Location]:
        at, given = convert.position(params.position), params.context.include_declaration
        return await answer(_uri(params), lambda s: convert.places(
            f.references(s, at, with_definition=given), s.together.uri_of)) or []  # fmt: skip

    @server.feature(lsp.TEXT_DOCUMENT_DOCUMENT_HIGHLIGHT)
    async def highlights(params: lsp.DocumentHighlightParams) -> list[lsp.DocumentHighlight]:
        at = convert.position(params.position)
        found = await answer(_uri(params), lambda sight: f.highlights(sight, at))
        return [convert.highlight(one) for one in found or ()]

    @server.feature(lsp.TEXT_DOCUMENT_DOCUMENT_SYMBOL)
    async def symbols(params: lsp.DocumentSymbolParams) -> list[lsp.DocumentSymbol]:
        found = await answer(_uri(params), f.symbols)
        return [convert.symbol(one) for one in found or ()]


# ---- writing -----------------------------------------------------------------------------------


def _writing(server: CareServer) -> None:
    answer = server.session.answer

    @server.feature(
        lsp.TEXT_DOCUMENT_COMPLETION, lsp.CompletionOptions(trigger_characters=[".", "{", '"'])
    )
    async def completion(params: lsp.CompletionParams) -> lsp.CompletionList:
        at = convert.position(params.position)
        found = await answer(_uri(params), lambda sight: f.completion(sight, at)) or []
        items = [convert.item(one, place) for place, one in enumerate(found)]
        return lsp.CompletionList(is_incomplete=False, items=items)

    @server.feature(lsp.TEXT_DOCUMENT_FORMATTING)
    async def formatting(params: lsp.DocumentFormattingParams) -> list[lsp.TextEdit]:
        uri = _uri(params)
        found = await answer(uri, f.layout)
        return convert.edits(found or ())

    @server.feature(
        lsp.TEXT_DOCUMENT_CODE_ACTION,
        lsp.CodeActionOptions([lsp.CodeActionKind.QuickFix, lsp.CodeActionKind.SourceFixAll]),
    )
    async def actions(params: lsp.CodeActionParams) -> list[lsp.CodeAction]:
        uri, where = _uri(params), convert.range_in(params.range)
        found = await answer(uri, lambda sight: f.mends(sight, where)) or []
        offered = [convert.action(one, uri, params.context.diagnostics) for one in found]
        only = params.context.only
        return [one for one in offered if only is None or _among(one.kind, only)]

    @server.feature(lsp.TEXT_DOCUMENT_RENAME, lsp.RenameOptions(prepare_provider=True))
    async def rename(params: lsp.RenameParams) -> lsp.WorkspaceEdit | None:
        uri, at = _uri(params), convert.position(params.position)

        def renamed(sight: Sight) -> lsp.WorkspaceEdit | Refused | None:
            found = f.rename(sight, at, params.new_name)
            if found is None or isinstance(found, Refused):
                return found
            return convert.workspace_edit(found, sight.together.uri_of)

        found = await answer(uri, renamed)
        if isinstance(found, Refused):
            raise _refused(found.why)
        return found

    @server.feature(lsp.TEXT_DOCUMENT_PREPARE_RENAME)
    async def prepare(params: lsp.PrepareRenameParams) -> lsp.PrepareRenamePlaceholder | None:
        at = convert.position(params.position)
        found = await answer(_uri(params), lambda sight: f.renamable(sight, at))
        if isinstance(found, Refused):
            raise _refused(found.why)
        if found is None:
            return None
        return lsp.PrepareRenamePlaceholder(convert.range_out(found[0]), found[1])


def _among(kind: lsp.CodeActionKind | str | None, only: Sequence[lsp.CodeActionKind | str]) -> bool:
    """`source` asks for `source.fixAll` as well."""
    own = str(getattr(kind, "value", kind))
    asked = [str(getattr(one, "value", one)) for one in only]
    return any(own == one or own.startswith(f"{one}.") for one in asked)


# ---- what the journal says ---------------------------------------------------------------------


def _rules(server: CareServer) -> None:
    @server.feature(lsp.TEXT_DOCUMENT_CODE_LENS)
    async def lenses(params: lsp.CodeLensParams) -> list[lsp.CodeLens]:
        outlook = await server.session.outlook()
        if outlook is None:
            return []
        found = await server.session.answer(_uri(params), lambda sight: f.lenses(sight, outlook))
        return [convert.lens(one) for one in found or ()]

    @server.command(convert.WHY)
    async def why(rule: str) -> str:
        """Why the rule of this key holds or not, for each pack that it takes in."""
        outlook = await server.session.outlook()
        if not isinstance(outlook, f.Outlook):
            raise _refused(outlook or "no site was named, and so no journal")
        lines: list[str] = []
        for pack, shape in outlook.rules.get(rule, ()):
            only = {"rules": [shape], "nevers": []}
            lines += why_lines(outlook.why[pack].model_copy(update=only))
        said = lines[:LINES_SAID_MAX] + ["..."] * (len(lines) > LINES_SAID_MAX)
        text = "\n".join(said) or "no rule of the saved ones is meant"
        server.window_show_message(lsp.ShowMessageParams(lsp.MessageType.Info, text))
        return text
