"""One editor's session: documents as they change, checks one after the other, the journal beside.

Knows when something is to be looked at. Does not know what is found, nor the protocol's types.

Documents change on the event loop; all looking happens on one thread beside it, so that a check of
a long file never keeps the editor's next key waiting. Long proofs and the journal each have one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, TypeVar

from carerules.lang.prove import Work
from carerules.lsp.features import Outlook, Sight, prove_all
from carerules.lsp.journal import read_outlook
from carerules.lsp.library import Library, Shelf
from carerules.lsp.text import Document, Encoding, Range

T = TypeVar("T")

KEYS_S = 0.005
"""A check begins this long after a key: what an editor sends in one go is looked at once."""
PAUSE_S = 0.3
"""What takes longer, proofs and other open files, waits for a pause in the typing."""
OUTLOOK_S = 30.0
"""How old the journal's word may be when it is shown; older, it is shown and asked for anew."""
REFRESH_S = 60.0
"""The lines above the rules tell times to the minute."""
DOCUMENTS_MAX = 256
"""Open at once; an editor that never closes one must not fill the memory."""


class Editor(Protocol):
    """What a session tells the editor."""

    def show(self, uri: str, sight: Sight) -> None:
        """Underline what was found in a document."""

    def clear(self, uri: str) -> None:
        """Underline nothing any more."""

    def ask_again(self) -> None:
        """Have the lines above the rules asked for anew."""

    def warn(self, text: str) -> None:
        """Tell the person at the editor something."""


@dataclass
class Session:
    """Everything that one editor has open. All methods are called on the event loop."""

    editor: Editor
    site: Path | None = None
    encoding: Encoding = "utf-16"
    documents: dict[str, Document] = field(default_factory=dict)
    library: Library = field(default_factory=Library)
    _desk: Executor = field(default_factory=lambda: ThreadPoolExecutor(1, "care-check"))
    _proofs: Executor = field(default_factory=lambda: ThreadPoolExecutor(1, "care-proofs"))
    _archive: Executor = field(default_factory=lambda: ThreadPoolExecutor(1, "care-journal"))
    _due: dict[str, asyncio.TimerHandle] = field(default_factory=dict)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _checking: set[str] = field(default_factory=set)
    _again: set[str] = field(default_factory=set)
    _proving: dict[str, Work] = field(default_factory=dict)
    _touched: set[str] = field(default_factory=set)
    _pausing: asyncio.TimerHandle | None = None
    _outlook: Outlook | str | None = None
    _outlook_at: float = 0.0
    _refreshing: bool = False
    _warned: str = ""

    def begin(self, site: Path | None, encoding: Encoding) -> None:
        """The editor has said who it is. `site`: the site whose names and journal count."""
        self.site, self.encoding = site, encoding
        self.library = Library(site)

    # ---- documents -----------------------------------------------------------------------------

    def opened(self, uri: str, text: str, version: int | None) -> None:
        """A document is open."""
        if uri not in self.documents and len(self.documents) >= DOCUMENTS_MAX:
            self.closed(next(iter(self.documents)))
        self.documents[uri] = Document(text, self.encoding, version)
        self._later(uri, KEYS_S)
        self._others(uri)

    def changed(
        self, uri: str, changes: list[tuple[Range | None, str]], version: int | None
    ) -> None:
        """A document was changed: each change counts from what the one before left."""
        document = self.documents.get(uri)
        if document is None:
            return
        for where, text in changes:
            document = document.changed(where, text, version)
        self.documents[uri] = document
        self._give_up(uri)
        self._later(uri, KEYS_S)
        self._others(uri)

    def closed(self, uri: str) -> None:
        """A document is closed: what is on the disk counts again."""
        if self.documents.pop(uri, None) is None:
            return
        self._cancel(uri)
        self._give_up(uri)
        self._desk.submit(self.library.closed, uri)
        self.editor.clear(uri)
        self._others(uri)

    def saved(self) -> None:
        """Something was saved or changed on the disk: rules, a site file."""
        self._desk.submit(self.library.forget_sites)
        self._outlook_at = float("-inf")
        for uri in self.documents:
            self._later(uri, KEYS_S)
        self.editor.ask_again()

    # ---- answers -------------------------------------------------------------------------------

    async def answer(self, uri: str, question: Callable[[Sight], T]) -> T | None:
        """What a feature says of the document as it is now; None: no such document."""
        if uri not in self.documents:
            return None
        shelf = Shelf(dict(self.documents))
        return await self._at_desk(lambda: question(self.library.look(uri, shelf)))

    async def outlook(self) -> Outlook | str | None:
        """What the journal says; None: no site was named. Old words are shown, and asked anew."""
        if self.site is None:
            return None
        loop = asyncio.get_running_loop()
        if self._outlook is None:
            await self._read_outlook()
        elif loop.time() - self._outlook_at > OUTLOOK_S:
            self._task(self._renew())
        if not self._refreshing:
            self._refreshing = True
            loop.call_later(REFRESH_S, self._refresh)
        return self._outlook

    async def _renew(self) -> None:
        before = self._outlook
        await self._read_outlook()
        if self._outlook != before:
            self.editor.ask_again()

    async def _read_outlook(self) -> None:
        assert self.site is not None
        loop = asyncio.get_running_loop()
        self._outlook_at = loop.time()
        try:
            self._outlook = await loop.run_in_executor(self._archive, read_outlook, self.site)
        except Exception as error:  # a fault of ours in it must not take the editor's other answers
            self._outlook = f"the journal could not be read: {error}"

    def _refresh(self) -> None:
        self._refreshing = False
        self.editor.ask_again()

    # ---- checks --------------------------------------------------------------------------------

    def _later(self, uri: str, seconds: float) -> None:
        """Check a document soon; one that is to be checked earlier stays so."""
        loop = asyncio.get_running_loop()
        due = self._due.get(uri)
        if due is not None and due.when() <= loop.time() + seconds:
            return
        self._cancel(uri)
        self._due[uri] = loop.call_later(seconds, self._begin, uri)

    def _cancel(self, uri: str) -> None:
        if (due := self._due.pop(uri, None)) is not None:
            due.cancel()

    def _begin(self, uri: str) -> None:
        """Check now; while a check is under way, once more after it, however often it is asked."""
        self._due.pop(uri, None)
        if uri in self._checking:
            self._again.add(uri)
            return
        self._checking.add(uri)
        self._task(self._check(uri))

    def _task(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)  # the loop itself holds it weakly
        task.add_done_callback(self._tasks.discard)

    async def _check(self, uri: str) -> None:
        sight: Sight | None = None
        try:
            sight = await self.answer(uri, lambda sight: sight)
            if sight is not None and uri in self.documents:
                self.editor.show(uri, sight)
                self._complain(await self._at_desk(self.library.problem))
        except Exception as error:  # a fault of ours in one check must not end the next
            self.editor.warn(f"this document could not be checked: {error}")
        finally:
            self._checking.discard(uri)
        if uri in self._again:
            self._again.discard(uri)
            self._begin(uri)
        elif sight is not None and sight.proofs is None:
            self._task(self._prove(uri, sight))

    async def _prove(self, uri: str, sight: Sight) -> None:
        await asyncio.sleep(PAUSE_S)
        if self.documents.get(uri) is not sight.document:
            return
        self._give_up(uri)
        work = self._proving[uri] = Work()
        loop = asyncio.get_running_loop()
        proved = await loop.run_in_executor(self._proofs, prove_all, sight, work)
        if work.given_up:
            return
        del self._proving[uri]
        await self._at_desk(lambda: self.library.keep(uri, proved))
        if self.documents.get(uri) is sight.document:
            self.editor.show(uri, proved)

    def _give_up(self, uri: str) -> None:
        """Proofs of a text that is no longer there would only slow down the next check."""
        if (work := self._proving.pop(uri, None)) is not None:
            work.give_up()

    def _others(self, uri: str) -> None:
        """After a pause, check the open documents whose findings hang on this one, too."""
        if self._pausing is not None:
            self._pausing.cancel()
        self._touched.add(uri)
        loop = asyncio.get_running_loop()
        self._pausing = loop.call_later(PAUSE_S, lambda: self._task(self._check_others()))

    async def _check_others(self) -> None:
        touched, self._touched = self._touched, set()
        stale = await self._at_desk(lambda: self.library.forget_about(touched))
        for other in stale:
            if other in self.documents:
                self._later(other, 0)

    def _complain(self, problem: str) -> None:
        if problem and problem != self._warned:
            self.editor.warn(problem)
        self._warned = problem

    async def _at_desk(self, work: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._desk, work)
