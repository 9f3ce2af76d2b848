"""`carerules run` on a site with wires, or with none but people's hands: in real time.

Knows how the parts are put together. Does not know what any of them decides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from carerules.adapters import (
    AddressError,
    Hold,
    JournalBusy,
    KeptJournal,
    LineClock,
    Supervisor,
    is_there,
    open_journal,
)
from carerules.cli.boarding import board_beside
from carerules.cli.calendars import calendars_beside
from carerules.cli.common import refuse, utter
from carerules.cli.keeper import keeper_beside
from carerules.cli.serving import serve, service_of
from carerules.cli.sites import journal_path
from carerules.cli.voice import Style, Voice, greet
from carerules.config import SiteFile
from carerules.domain.decision import Notice, Outcome
from carerules.domain.event import PERHAPS_BARRED, Event, Happened, Rejected, Started, Stopped
from carerules.domain.moment import SECOND, Moment
from carerules.domain.ports import JournalError
from carerules.loop import Setup, World
from carerules.loop.notices import notices_of
from carerules.service import Service, Teller, dump_world, gone_from, read_rules, restore
from carerules.service.courier import Courier
from carerules.service.firstsaid import said_first
from carerules.service.off import bring_all_off
from carerules.service.outside import RealOutside
from carerules.service.reload import Fed, Reread, fed, take_up
from carerules.service.run import LEAVE_WITHIN

if TYPE_CHECKING:
    from carerules.service.hub import Hub
    from carerules.service.leftover import Leftover

ANCHOR_EVERY = 30 * SECOND
"""Where nothing else is to be made durable, the clock's anchor is, so seldom: each commit wears a
card out, and after a reboot with a wall clock that stands the line is behind by this at most."""

NO_START = "a start was refused"


class AnchoredJournal:
    """The journal, with the clock's anchor in each commit: the line goes on after a restart, never
    before what is journalled, and over a step of the wall clock, which is a fact like any other."""

    def __init__(self, journal: KeptJournal, clock: LineClock) -> None:
        self._journal, self._clock = journal, clock
        self._anchored: Moment | None = None

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        """Take down an event and what was decided on it."""
        self._journal.write(event, outcomes)

    def commit(self) -> None:
        """Make it durable."""
        anchor, last = self._clock.anchor(), self._anchored
        due = last is None or anchor.line - last >= ANCHOR_EVERY
        if due or self._journal.waits or self._journal.fenced:
            self._journal.commit(anchor)
            self._anchored = anchor.line


def run_real(
    site: SiteFile, setup: Setup, journal: KeptJournal, speed: float | None, days: float | None,
    style: Style,
) -> list[str]:  # fmt: skip
    """Serve it in real time, which has one speed; what is wrong at the end."""
    del speed
    clock = LineClock(journal.clock())
    offset = clock.offset()
    site = site.with_lead(offset)
    first_time = not _was_served(journal)
    known = restore(fed(journal), setup, clock.now())
    try:
        outside = RealOutside(site, clock, serves=True, hold=journal.hold, owner=journal.fence)
    except AddressError as error:
        off = [] if first_time else brought_off(site, journal,
                                                "a plug or the broker cannot be asked")  # fmt: skip
        refuse(str(error), *(line for line in off if line != str(error)))
    anchored = AnchoredJournal(journal, clock)
    courier = Courier(journal_path(site), site, outside.now, outside.inbox.put)
    service, voice = service_of(known, outside, anchored, journal, style, idle=SECOND)
    greet(voice, site, _ways(site))

    def snapshot(now: World) -> None:
        journal.save_snapshot(journal.last_seq, dump_world(now))
        anchored.commit()
        journal.forget(journal.seq_at(now.now - site.keep_samples))

    service.snapshot = snapshot
    service.tell = _also_urged(service.tell, service, courier)
    keeper_beside(service, site.planning, outside.inbox.put)
    hub = _hub(site, service, outside) or _leftover(site)
    now = max(outside.now(), known.now)  # before anything can be heard, and stamped
    outside.start()
    courier.start()
    _tell_forgotten(site, journal, voice, courier)
    if hub is not None:
        hub.start()
    try:
        first: list[Event] = [Started(now, offset, clock.down)]
        gone = gone_from(fed(journal), site.site)
        first += [Rejected(now, "the site file", why) for why in gone.said()]
        first += [Happened(now, now, pack, PERHAPS_BARRED, "the site file")
                  for pack in gone.newcomers]  # fmt: skip
        first += said_first(site, known, now)
        read_again = _reader(site, service, journal, clock)
        reread = Reread(outside.wake)
        put, urge = outside.inbox.put, courier.urge
        with (
            board_beside(site, site.board, service, outside.wake, voice.say,
                         lambda: outside.inbox.dropped, courier.waiting, reread.ask),
            calendars_beside(site, service, put, clock, urge) as look_again,
        ):  # fmt: skip
            return serve(service, voice, first, outside.wake, days, read_again,
                         lambda: outside.hears, reread, look_again,
                         shared=journal.fenced)  # fmt: skip
    finally:
        courier.close()
        if hub is not None:
            hub.close()
        outside.close()


def _hub(site: SiteFile, service: Service, outside: RealOutside) -> Hub | None:
    """The site at its hub, where it has one; told of everything after whoever else is."""
    if site.hub is None or site.mqtt is None:
        return None
    # Few sites have one.
    from carerules.service.hub import Hub  # noqa: PLC0415
    from carerules.service.leftover import note_shown  # noqa: PLC0415

    note_shown(site)
    hub = Hub(site, service.world, outside.inbox.put, outside.now, lambda: service.faulted)
    tell = service.tell

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        tell(event, outcomes, world)
        hub.tell(event, outcomes, world)

    service.tell = told
    return hub


def _leftover(site: SiteFile) -> Leftover | None:
    """What a hub was shown before the site file had `[hub]` no more, on its way to be gone."""
    if site.hub is not None or site.mqtt is None or not (site.state / "hub.json").exists():
        return None
    from carerules.service.leftover import Leftover, noted  # noqa: PLC0415

    shown = noted(site)
    return None if shown is None else Leftover(site, shown, lambda line: utter(line, err=True))


def _ways(site: SiteFile) -> str:
    ways = [f"broker {site.mqtt.show()}"] if site.mqtt else []
    ways += [f"asks {', '.join(site.called)}"] if site.called else []
    return "; ".join(ways) or "no broker: entries by hand only"


def _reader(
    site: SiteFile, service: Service, journal: KeptJournal, clock: LineClock
) -> Callable[[Supervisor], str]:
    """Reads the rules anew and has the service take them up; what came of it, in one line."""

    def read_again(supervisor: Supervisor) -> str:
        rules = read_rules(site)
        if rules.setup is not None:
            journal.save_plan(rules.fingerprint, rules.loaded.sources)
        known = Fed(fed(journal), supervisor.alive)
        return take_up(service, rules, lambda new: restore(known, new, clock.now()), clock.offset)

    return read_again


def _also_urged(tell: Teller, service: Service, courier: Courier) -> Teller:
    """What no journal can hold any more goes to the courier directly."""

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        tell(event, outcomes, world)
        if service.faulted:
            if isinstance(event, Stopped):
                courier.urge(Notice("journal", f"{service.faulted}; everything was switched off",
                                    urgent=True))  # fmt: skip
            for notice in notices_of(outcomes):
                courier.urge(notice)

    return told


def _tell_forgotten(site: SiteFile, journal: KeptJournal, voice: Voice, courier: Courier) -> None:
    """A plug that was left on, and that the site file has no more: nobody else will say OFF."""
    for plug in journal.left_on():
        if plug not in site.site.plugs:
            text = f"plug {plug} was on when the service last ended, and the site file has it no "
            text += "more: go there and see that it is off"
            voice.say(text)
            courier.urge(Notice(f"forgotten {plug}", text, urgent=True))


def left_behind(site: SiteFile) -> list[str]:
    """Bring off what an earlier run may have left on, where a start ends before it has its journal.
    Nothing is switched of a site that was never served, nor of one that is being served now."""
    try:
        if not is_there(journal_path(site)):
            return []
        with closing(open_journal(journal_path(site), owner=True)) as journal:
            return brought_off(site, journal, NO_START) if _was_served(journal) else []
    except JournalBusy:
        return []
    except JournalError as error:
        return brought_off(site, None, NO_START, error)


def _was_served(journal: KeptJournal) -> bool:
    # Not merely an empty journal: a plug may have been proved before the first start.
    return any(isinstance(event, Started) for _, event in journal.events())


def brought_off(
    site: SiteFile, journal: KeptJournal | None, because: str = "the journal cannot be used",
    fault: JournalError | None = None,
) -> list[str]:  # fmt: skip
    """A start begins with OFF, also one that its journal ends, or a plug that cannot be asked any
    more: nobody else knows what is on. What became of it, a line for each plug.

    `fault`: why there is no journal, where that is still to be said.
    """
    if not site.has_wires or not site.site.plugs:
        return []
    if journal is not None:
        if journal.hold() is Hold.ANOTHERS:
            return []  # by now, and that one has its plugs
        report = bring_all_off(site, LEAVE_WITHIN, because, hold=journal.hold, owner=journal.fence)
    elif isinstance(site.journal, Path):
        report = bring_all_off(site, LEAVE_WITHIN, because)
    else:  # of a site that machines share another one may be the owner, and at work
        told = [] if fault is None else [str(fault)]
        return [*told, "whose site it is cannot be seen: no plug was switched"]
    return [
        *([] if report.lost is None else [report.lost]),
        *(f"{name}: read back off" for name in report.proven),
        *(f"{one.name}: NOT read back off: go there and pull it" for one in report.unproven),
    ]
