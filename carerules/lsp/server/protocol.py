"""The library's protocol, with documents kept by us, and an answer for whoever asks wrongly.

Knows the protocol library's inner ways. Does not know rules.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException, JsonRpcInvalidParams
from pygls.protocol import LanguageServerProtocol, lsp_method


class CareProtocol(LanguageServerProtocol):
    """Leaves text synchronisation to our own handlers.

    The library ends lines where the protocol does not (form feeds, U+2028), so that its copy would
    drift from the editor's; ours does not, and one copy is enough.
    """

    @lsp_method(lsp.TEXT_DOCUMENT_DID_OPEN)
    def lsp_text_document__did_open(self, params: lsp.DidOpenTextDocumentParams) -> Iterator[Any]:
        """Only our own handler."""
        yield self.fm.features[lsp.TEXT_DOCUMENT_DID_OPEN], (params,), None

    @lsp_method(lsp.TEXT_DOCUMENT_DID_CHANGE)
    def lsp_text_document__did_change(
        self, params: lsp.DidChangeTextDocumentParams
    ) -> Iterator[Any]:
        """Only our own handler."""
        yield self.fm.features[lsp.TEXT_DOCUMENT_DID_CHANGE], (params,), None

    @lsp_method(lsp.TEXT_DOCUMENT_DID_CLOSE)
    def lsp_text_document__did_close(self, params: lsp.DidCloseTextDocumentParams) -> Iterator[Any]:
        """Only our own handler."""
        yield self.fm.features[lsp.TEXT_DOCUMENT_DID_CLOSE], (params,), None

    def structure_message(self, data: dict[str, Any]) -> Any:
        """As the library does; but a request that cannot be read gets an answer, too."""
        try:
            return super().structure_message(data)
        except JsonRpcException:
            number = data.get("id")
            if "method" not in data or not isinstance(number, (int, str)):
                raise
            wrong = JsonRpcInvalidParams(f"the parameters of `{data['method']}` do not fit")
            self._send_response(number, error=wrong.to_response_error())
            return SimpleNamespace(jsonrpc="answered already")
