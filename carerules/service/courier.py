"""Delivery of notices, in threads of its own: what is due goes out, what fails is tried again.

Knows the outbox, the senders and time. Does not know what is told, nor decides when: that is
`loop.notices`. The evaluator never waits for anything here: it commits its journal, and the
courier reads the notices there. Each channel has a thread of its own, so that one that hangs holds
up no other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from queue import Empty, Full, Queue
from threading import Event as Flag
from threading import Thread
from time import monotonic

from carerules.adapters import (
    JournalPlace,
    Lane,
    OutboxFile,
    Posted,
    Put,
    Sender,
    SendError,
    Word,
    quoted,
)
from carerules.adapters.senders import sender_of
from carerules.config import SiteFile
from carerules.domain.decision import ChoreClosed, Notice
from carerules.domain.event import Acknowledged, ChannelProved
from carerules.domain.moment import HOUR, SECOND, Duration, Moment
from carerules.domain.notice import Letter, Outbox, Way
from carerules.domain.ports import JournalError
from carerules.loop import notices

LOOK_EVERY_S = 1.0
"""SAFETY 14 wants an abort told within a minute; this leaves nearly all of it to the channel."""
HANGS_AFTER: Duration = 60 * SECOND
"""A sender has its own time limits of some 10 s; one that is still at it after this has hung."""
PROOF_EVERY: Duration = HOUR
"""How often a working channel is journalled as proven: 24 h is what counts."""
URGED_MAX = 64
"""Notices that no journal can hold, waiting for the courier; the oldest goes."""
LEAVE_WITHIN_S = 3.0


@dataclass(slots=True)
class _Postman:
    """One channel's thread: takes a letter, gives back what became of it."""

    name: str
    sender: Sender
    results: Queue[tuple[int, str]]
    letters: Queue[tuple[int, Posted] | None]
    carries: int = 0
    since: Moment = 0
    told_hung: bool = False

    def run(self) -> None:
        while (taken := self.letters.get()) is not None:
            number, posted = taken
            try:
                self.sender(posted)
                why = ""
            except SendError as error:
                why = str(error)
            except Exception as error:  # a sender must not end its thread, whatever it raises
                why = f"the sender failed ({type(error).__name__})"
            self.results.put((number, why))


class Courier:
    """Delivers a site's notices from `start` to `close`."""

    def __init__(
        self, path: JournalPlace, site: SiteFile, now: Callable[[], Moment], put: Put,
        senders: Mapping[str, Sender] | None = None,
    ) -> None:  # fmt: skip
        """`path` is the journal; raises `JournalError`. What was decided before now and never
        taken up is not sent, unless an earlier courier left off there."""
        self._path, self._site, self._now, self._put = path, site, now, put
        self._ways: Sequence[Way] = [channel.way for channel in site.ways_out]
        if senders is None:
            senders = {one.way.name: sender_of(one.address) for one in site.ways_out}
        self._results: Queue[tuple[int, str]] = Queue()
        self._urged: Queue[Notice] = Queue(URGED_MAX)
        self._postmen = {
            name: _Postman(name, sender, self._results, Queue(1))
            for name, sender in senders.items()
        }
        self._leaving, self._kick = Flag(), Flag()
        self._told_proven: dict[str, Moment] = {}
        self._words_taken: set[int] = set()
        with closing(OutboxFile(path)) as file:
            self._saved = self._outbox = file.load()
            self._read = self._saved_read = file.read_up_to()
        self._thread = Thread(target=self._run, name="courier", daemon=True)

    def start(self) -> None:
        """Begin to deliver; what an earlier service left undelivered first."""
        for postman in self._postmen.values():
            # `daemon`: a server that hangs must not keep the process from ending.
            Thread(target=postman.run, name=f"postman {postman.name}", daemon=True).start()
        for name, at in self._outbox.proven.items():
            if name in self._postmen:
                self._prove(name, at)
        self._thread.start()

    def urge(self, notice: Notice) -> None:
        """Tell this although no journal holds it: from any thread, never blocks."""
        while True:
            try:
                self._urged.put_nowait(notice)
            except Full:
                with suppress(Empty):
                    self._urged.get_nowait()
            else:
                self._kick.set()
                return

    def waiting(self) -> int:
        """How many letters are still to be delivered; from any thread."""
        return sum(letter.waits for letter in self._outbox.letters.values())

    def close(self) -> None:
        """Give what is due a last chance of some seconds; the rest waits for the next start."""
        self._leaving.set()
        self._kick.set()
        if self._thread.is_alive():
            self._thread.join(2 * LEAVE_WITHIN_S)

    # ---- on the courier's thread -------------------------------------------------------------

    def _run(self) -> None:
        file: OutboxFile | None = None
        give_up: float | None = None
        while True:
            self._kick.wait(LOOK_EVERY_S if give_up is None else 0.05)
            self._kick.clear()
            try:
                file = file or OutboxFile(self._path)
                self._look(file)
            except JournalError:
                # The evaluator meets the same fault and tells of it; here memory goes on alone.
                self._look(None)
            except Exception as error:
                # Whatever it is, the next look may do better; people are told of it, once.
                self.urge(Notice("courier", f"delivery of notices fails: {quoted(error)}"))
            if self._leaving.is_set():
                give_up = give_up or monotonic() + LEAVE_WITHIN_S
                if not self._carrying() or monotonic() > give_up:
                    break
        for postman in self._postmen.values():
            if not postman.carries:
                postman.letters.put(None)
        if file is not None:
            file.close()

    def _carrying(self) -> bool:
        return any(postman.carries for postman in self._postmen.values())

    def _look(self, file: OutboxFile | None) -> None:
        now = self._now()
        self._take_results(now)
        while not self._urged.empty():
            self._outbox = notices.hear(self._outbox, self._urged.get_nowait(), now)
        words: list[Word] = []
        if file is not None:
            self._take_decided(file)
            words = self._take_words(file, now)
        self._outbox = notices.write(self._outbox, self._ways, now)
        for letter in notices.due_letters(self._outbox, now, self._busy()):
            self._send(letter, now)
        changed = self._outbox != self._saved or self._read != self._saved_read or words
        if file is not None and changed:
            file.save(self._saved, self._outbox, self._read, words)
            self._saved, self._saved_read = self._outbox, self._read

    def _take_decided(self, file: OutboxFile) -> None:
        for seq, heard, outcomes in file.decided(self._read):
            for outcome in outcomes:
                if isinstance(outcome, ChoreClosed):
                    self._outbox = notices.ended(self._outbox, f"chore {outcome.key}")
            for notice in notices.notices_of(outcomes):
                self._outbox = notices.hear(self._outbox, notice, heard)
            self._read = seq

    def _take_words(self, file: OutboxFile, now: Moment) -> list[Word]:
        words = file.words()
        for one in words:
            # While the disk is full they cannot be ticked off; each is still obeyed only once.
            if one.id not in self._words_taken:
                self._words_taken.add(one.id)
                self._outbox = obeyed(self._outbox, one, now, self._ways)
                self._tell(one)
        return words

    def _tell(self, one: Word) -> None:
        """A person's answer is a fact like any other: the journal has who was told and looked."""
        incident = self._outbox.incidents.get(one.key)
        if incident is None or one.word not in ("ack", "snooze"):
            return
        until = incident.snoozed_until if one.word == "snooze" else None
        key, text = incident.key, incident.text
        self._put(Lane.KEPT, lambda heard: (Acknowledged(heard, key, text, until),))

    def _busy(self) -> list[str]:
        known = {way.name for way in self._ways}
        strange = {letter.channel for letter in self._outbox.letters.values()} - known
        return [*(name for name, one in self._postmen.items() if one.carries), *strange]

    def _send(self, letter: Letter, now: Moment) -> None:
        postman = self._postmen[letter.channel]
        postman.carries, postman.since, postman.told_hung = letter.number, now, False
        postman.letters.put_nowait((letter.number, posted(self._site, self._outbox, letter)))

    def _take_results(self, now: Moment) -> None:
        while not self._results.empty():
            number, why = self._results.get_nowait()
            channel = ""
            for postman in self._postmen.values():
                if postman.carries == number:
                    postman.carries, channel = 0, postman.name
            if why:
                self._outbox = notices.failed(self._outbox, number, now, why)
            else:
                self._outbox = notices.sent(self._outbox, number, now)
                self._prove(channel, now)
        for postman in self._postmen.values():
            if postman.carries and now - postman.since > HANGS_AFTER and not postman.told_hung:
                postman.told_hung = True
                why = "it has hung"
                self._outbox = notices.failed(self._outbox, postman.carries, now, why)

    def _prove(self, channel: str, now: Moment) -> None:
        last = self._told_proven.get(channel)
        if last is None or now - last >= PROOF_EVERY:
            self._told_proven[channel] = now
            self._put(Lane.KEPT, lambda heard: (ChannelProved(heard, min(now, heard), channel),))


def obeyed(outbox: Outbox, word: Word, now: Moment, ways: Sequence[Way]) -> Outbox:
    """The outbox after a person's word."""
    match word.word:
        case "ack":
            return notices.acknowledge(outbox, word.key, now)
        case "snooze":
            length = min(word.length, notices.SNOOZE_MAX)
            return notices.snooze(outbox, word.key, now + length)
        case "test":
            for way in ways:
                outbox = notices.test(outbox, way.name, now)
            return outbox
        case _:
            return outbox  # of a newer version


def posted(site: SiteFile, outbox: Outbox, letter: Letter) -> Posted:
    """A letter as its channel is given it."""
    incident = outbox.incidents.get(letter.key)
    at = site.site.local.read(letter.made).isoformat(timespec="seconds")
    pack = incident.pack if incident is not None else ""
    return Posted(
        site.site.name, letter.incident, letter.key, pack, letter.text, letter.urgent, at
    )  # fmt: skip


def tested_by_hand(site: SiteFile, path: JournalPlace, now: Moment) -> dict[str, str]:
    """Send a test over each channel at once, where no service runs; what went wrong with each
    (empty: it arrived). What arrived is kept as a proof. Raises `JournalError`."""
    with closing(OutboxFile(path)) as file:
        before = outbox = file.load()
        read = file.read_up_to()
        said: dict[str, str] = {}
        for channel in site.ways_out:
            name = channel.way.name
            letter = Letter(0, 0, notices.TEST, name, notices.TEST_TEXT, False, now, now)
            try:
                sender_of(channel.address)(posted(site, outbox, letter))
                said[name] = ""
                outbox = replace(outbox, proven={**outbox.proven, name: now})
            except SendError as error:
                said[name] = str(error)
        file.save(before, outbox, read)
    return said
