"""An editor for tests: a real client of the protocol, over the pipes of a real process.

It counts columns by itself, so that a fault in the server's counting cannot hide in ours.
"""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from collections import defaultdict
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from lsprotocol import types as lsp
from pygls.lsp.client import LanguageClient

T = TypeVar("T")

WAIT_S = 60.0  # for anything at all: a busy machine is no fault; nothing here measures


def columns_16(text: str) -> int:
    """UTF-16 code units, by Python's own encoder."""
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def at(text: str, mark: str, *, after: int = 0, nth: int = 0) -> lsp.Position:
    """Where `mark` stands in the text, in UTF-16; `after` so many characters into it."""
    place = -1
    for _ in range(nth + 1):
        place = text.index(mark, place + 1)
    before = text[: place + after]
    return lsp.Position(before.count("\n"), columns_16(before.rpartition("\n")[2]))


def range_at(text: str, mark: str, nth: int = 0) -> lsp.Range:
    """The range of `mark` in the text."""
    return lsp.Range(at(text, mark, nth=nth), at(text, mark, after=len(mark), nth=nth))


def applied(text: str, edits: list[lsp.TextEdit]) -> str:
    """The text after the edits, as an editor would do them: from the end to the beginning."""
    lines = text.split("\n")

    def offset(place: lsp.Position) -> int:
        row = lines[place.line].encode("utf-16-le")[: 2 * place.character].decode("utf-16-le")
        return sum(len(line) + 1 for line in lines[: place.line]) + len(row)

    for edit in sorted(edits, key=lambda one: offset(one.range.start), reverse=True):
        start, end = offset(edit.range.start), offset(edit.range.end)
        text = text[:start] + edit.new_text + text[end:]
    return text


class Editor:
    """A client on a loop of its own, asked from the test's thread."""

    def __init__(self, *arguments: str, cwd: Path | None = None) -> None:
        self.arguments, self.cwd = arguments, cwd
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.changed = threading.Condition()
        self.found: dict[str, list[lsp.PublishDiagnosticsParams]] = defaultdict(list)
        self.said: list[str] = []
        self.refreshed = 0
        self.version = 0

    # ---- the wire ------------------------------------------------------------------------------

    def do(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(WAIT_S)

    def start(self, folder: Path, **more: Any) -> lsp.InitializeResult:
        self.thread.start()
        return self.do(self._start(folder, **more))

    async def _start(
        self, folder: Path, *, encodings: list[str] | None = None, options: Any = None
    ) -> lsp.InitializeResult:
        self.client = LanguageClient("test-editor", "1")

        @self.client.feature(lsp.TEXT_DOCUMENT_PUBLISH_DIAGNOSTICS)
        def published(params: lsp.PublishDiagnosticsParams) -> None:
            with self.changed:
                self.found[params.uri].append(params)
                self.changed.notify_all()

        @self.client.feature(lsp.WINDOW_SHOW_MESSAGE)
        def said(params: lsp.ShowMessageParams) -> None:
            with self.changed:
                self.said.append(params.message)
                self.changed.notify_all()

        @self.client.feature(lsp.WORKSPACE_CODE_LENS_REFRESH)
        def refresh(*_: Any) -> None:
            with self.changed:
                self.refreshed += 1
                self.changed.notify_all()

        environ = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        await self.client.start_io(
            sys.executable, "-m", "carerules", "lsp", *self.arguments, env=environ, cwd=self.cwd
        )
        result = await self.client.initialize_async(
            lsp.InitializeParams(
                capabilities=lsp.ClientCapabilities(
                    general=lsp.GeneralClientCapabilities(position_encodings=encodings),
                    workspace=lsp.WorkspaceClientCapabilities(
                        code_lens=lsp.CodeLensWorkspaceClientCapabilities(refresh_support=True)
                    ),
                ),
                root_uri=folder.as_uri(),
                initialization_options=options,
            )
        )
        self.client.initialized(lsp.InitializedParams())
        return result

    def stop(self) -> int | None:
        """Say goodbye; the exit status of the server."""

        async def leave() -> int | None:
            await self.client.shutdown_async(None)
            self.client.exit(None)
            server = self.client._server
            assert server is not None
            code = await asyncio.wait_for(server.wait(), WAIT_S)
            await self.client.stop()
            return code

        code = self.do(leave())
        self.close()
        return code

    def close(self) -> None:
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(WAIT_S)
        self.loop.close()

    def ask(self, method: str, params: Any) -> Any:
        """One request, by the name that the client library has for it."""
        return self.do(getattr(self.client, f"{method}_async")(params))

    def wait(self, until: Callable[[], T | None]) -> T:
        """The first true answer of `until`, asked each time that something came."""
        with self.changed:
            self.changed.wait_for(lambda: until() is not None, WAIT_S)
            found = until()
        assert found is not None, (self.said, {k: v[-1:] for k, v in self.found.items()})
        return found

    def wait_for(self, until: Callable[[], bool]) -> None:
        """Ask until the answer is yes."""
        end = self.loop.time() + WAIT_S
        while not until():
            assert self.loop.time() < end
            with self.changed:
                self.changed.wait(0.1)

    # ---- documents -----------------------------------------------------------------------------

    def open(self, uri: str, text: str) -> None:
        self.version += 1
        self.client.text_document_did_open(lsp.DidOpenTextDocumentParams(
            lsp.TextDocumentItem(uri, "care", self.version, text)))  # fmt: skip

    def change(self, uri: str, *changes: tuple[lsp.Range | None, str]) -> None:
        self.version += 1
        self.client.text_document_did_change(lsp.DidChangeTextDocumentParams(
            lsp.VersionedTextDocumentIdentifier(version=self.version, uri=uri),
            [
                lsp.TextDocumentContentChangeWholeDocument(text) if where is None
                else lsp.TextDocumentContentChangePartial(where, text)
                for where, text in changes
            ],
        ))  # fmt: skip

    def shut(self, uri: str) -> None:
        self.client.text_document_did_close(
            lsp.DidCloseTextDocumentParams(lsp.TextDocumentIdentifier(uri))
        )

    def findings(self, uri: str) -> list[lsp.Diagnostic]:
        """What is underlined in the newest version of the document."""
        version = self.version

        def newest() -> list[lsp.Diagnostic] | None:
            told = self.found[uri]
            done = told and told[-1].version is not None and told[-1].version >= version
            return list(told[-1].diagnostics) if done else None

        return self.wait(newest)

    def codes(self, uri: str, *wanted: str) -> list[lsp.Diagnostic]:
        """What is underlined once the newest findings are of these codes, whatever came before."""

        def fits() -> list[lsp.Diagnostic] | None:
            found = list(self.found[uri][-1].diagnostics) if self.found[uri] else None
            return (
                found if found is not None and {one.code for one in found} == set(wanted) else None
            )

        return self.wait(fits)


@contextmanager
def editor(folder: Path, *arguments: str, **more: Any) -> Iterator[Editor]:
    """An editor that is connected, and says goodbye at the end."""
    one = Editor(*arguments, cwd=folder)
    one.start(folder, **more)
    try:
        yield one
    except BaseException:
        one.client._server and one.client._server.kill()  # type: ignore[attr-defined]
        one.close()
        raise
    else:
        assert one.stop() == 0
