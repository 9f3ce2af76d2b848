"""`carerules run`: the service on a site, virtual or real, until it is told to leave.

Knows how the parts are put together. Does not know what any of them decides.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import FrameType

import click

from carerules.adapters import (
    HOST,
    AddressError,
    JournalBusy,
    KeptJournal,
    LineClock,
    Supervisor,
    open_journal,
)
from carerules.cli.boarding import board_beside, door_of
from carerules.cli.calendars import calendars_beside, put_before
from carerules.cli.common import FAILED, refuse, utter
from carerules.cli.sites import journal_path, site_at
from carerules.cli.texts import show_findings
from carerules.cli.virtual import keep_truth, take_up_truth, virtual_outside, virtual_world
from carerules.cli.voice import Style, Voice, greet, voice_of
from carerules.config import SiteFile
from carerules.domain.decision import Notice, Outcome
from carerules.domain.event import Event, Placed, Started, Stopped, Tick, UsePlanned
from carerules.domain.moment import SECOND, Moment
from carerules.domain.ports import JournalError, Outside
from carerules.loop import Setup, World
from carerules.loop.notices import notices_of
from carerules.service import (
    Desk,
    RealOutside,
    Service,
    Teller,
    all_off,
    dump_world,
    read_rules,
    restore,
)
from carerules.service.courier import Courier
from carerules.service.hub import Hub
from carerules.service.off import bring_all_off
from carerules.service.reload import Fed, Reread, take_up
from carerules.service.run import LEAVE_WITHIN

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What asks it to leave: a person, a supervisor, a terminal that closes."""
ANCHOR_EVERY = 30 * SECOND
"""Where nothing else is to be made durable, the clock's anchor is, so seldom: each commit wears a
card out, and after a reboot with a wall clock that stands the line is behind by this at most."""


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


@click.command("run")
@click.argument("site_path", metavar="SITE", type=click.Path(path_type=Path))
@click.option("--speed", type=click.FloatRange(min=0, min_open=True, max=100_000),
              help="Virtual time over real time (virtual sites only).")  # fmt: skip
@click.option("--board", "listen", metavar="HOST:PORT",
              help="Serve the page there, as `[board]` in the site file would.")  # fmt: skip
@click.option("--log", "style", type=click.Choice(["words", "json"]), default="words",
              envvar="CARERULES_LOG",
              help="How it tells: in words, or as a line of JSON each (docs/json.md).")  # fmt: skip
@click.option("--for", "for_days", type=click.FloatRange(min=0, min_open=True), metavar="DAYS",
              help="Leave after so many days on the site's line.")  # fmt: skip
def run_command(
    site_path: Path, speed: float | None, listen: str | None, style: Style, for_days: float | None
) -> None:
    """Run a site: listen, decide, switch, tell. Ctrl-C brings everything off and ends.

    Example: carerules run examples/river-survey/site.toml --speed 600
    """
    site = site_at(site_path)
    if speed is not None and site.virtual is None:
        refuse(f"`--speed {speed:g}`: {site_path} is no virtual site, and real time has one speed")
    site = replace(site, board=door_of(site, listen))
    rules = read_rules(site)
    show_findings(rules.loaded)
    if rules.setup is None:
        refuse(f"{site_path}: the rules have errors; nothing was started")
    try:
        journal = open_journal(journal_path(site), owner=True)
    except JournalBusy as error:
        refuse(str(error))
    except JournalError as error:
        refuse(str(error), *_brought_off(site))
    try:
        journal.save_plan(rules.fingerprint, rules.loaded.sources)
        run = _virtual if site.virtual is not None else _real
        wrong = run(site, rules.setup, journal, speed, for_days, style)
    except JournalError as error:
        refuse(str(error), *_brought_off(site), status=FAILED)
    finally:
        journal.close()
    if wrong:
        refuse(*wrong, status=FAILED)


def _brought_off(site: SiteFile) -> list[str]:
    """A start begins with OFF, also one that its journal ends: nobody else knows what is on. What
    became of it, a line for each plug."""
    if not site.has_wires or not site.site.plugs or not isinstance(site.journal, Path):
        return []  # of a site that machines share another one may be the owner, and at work
    try:
        report = bring_all_off(site, LEAVE_WITHIN, "the journal cannot be used")
    except AddressError as error:
        return [str(error)]
    return [
        *(f"{name}: read back off" for name in report.proven),
        *(f"{one.name}: NOT read back off: go there and pull it" for one in report.unproven),
    ]


def _virtual(
    site: SiteFile, setup: Setup, journal: KeptJournal, speed: float | None, days: float | None,
    style: Style,
) -> list[str]:  # fmt: skip
    assert site.virtual is not None
    world = virtual_world(site)
    known = restore(journal, setup, world.now)
    fresh = not take_up_truth(world, site.state, known.now)
    if fresh and journal.last_seq:
        refuse(f"`{site.state}` has a journal but not the virtual world that it is of",
               f"move `{site.state}` away to begin anew")  # fmt: skip
    pace = speed if speed is not None else site.virtual.speed
    outside = virtual_outside(world, pace)
    service, voice = _service(known, outside, journal, journal, style,
                              idle=max(SECOND, round(pace * SECOND)))  # fmt: skip
    greet(voice, site, f"VIRTUAL SITE, seed {world.seed}, at {pace:g} times real time: packs, "
                       "plugs and room are simulated, nothing real is switched")  # fmt: skip

    def snapshot(now: World) -> None:
        journal.save_snapshot(journal.last_seq, dump_world(now))
        journal.commit()
        journal.forget(journal.seq_at(now.now - site.keep_samples))
        keep_truth(world, site.state)

    service.snapshot, service.entered = snapshot, world.tell
    put_before(service, site, outside)
    first = [Started(max(outside.now(), known.now), 0)]

    def wake() -> None:
        with suppress(ValueError):  # so many wait already that it is awake
            outside.inject(Tick(outside.now()))

    with board_beside(site, site.board, service, wake, voice.say):
        return _serve(service, voice, first, wake, days)


def _real(
    site: SiteFile, setup: Setup, journal: KeptJournal, speed: float | None, days: float | None,
    style: Style,
) -> list[str]:  # fmt: skip
    del speed
    clock = LineClock(journal.clock())
    offset = clock.offset()
    site = site.with_lead(offset)
    # Not merely an empty journal: a plug may have been proved before the first start.
    first_time = not any(isinstance(event, Started) for _, event in journal.events())
    known = restore(journal, setup, clock.now())
    try:
        outside = RealOutside(site, clock, serves=True)
    except AddressError as error:
        refuse(str(error))
    anchored = AnchoredJournal(journal, clock)
    courier = Courier(journal_path(site), site, outside.now, outside.inbox.put)
    service, voice = _service(known, outside, anchored, journal, style, idle=SECOND)
    greet(voice, site, _ways(site))

    def snapshot(now: World) -> None:
        journal.save_snapshot(journal.last_seq, dump_world(now))
        anchored.commit()
        journal.forget(journal.seq_at(now.now - site.keep_samples))

    service.snapshot = snapshot
    service.tell = _also_urged(service.tell, service, courier)
    hub = _hub(site, service, outside)
    now = max(outside.now(), known.now)  # before anything can be heard, and stamped
    outside.start()
    courier.start()
    if hub is not None:
        hub.start()
    try:
        first: list[Event] = [Started(now, offset, clock.down)]
        first += [UsePlanned(now, use) for use in site.uses if known.uses.get(use.name) != use]
        if first_time:
            first += [Placed(now, pack, station) for pack, station in site.places.items()]
        read_again = _reader(site, service, journal, clock)
        reread = Reread(outside.wake)
        put, urge = outside.inbox.put, courier.urge
        with (
            board_beside(site, site.board, service, outside.wake, voice.say,
                         lambda: outside.inbox.dropped, courier.waiting, reread.ask),
            calendars_beside(site, service, put, clock, urge),
        ):  # fmt: skip
            return _serve(service, voice, first, outside.wake, days, read_again,
                          lambda: outside.hears, reread)  # fmt: skip
    finally:
        courier.close()
        if hub is not None:
            hub.close()
        outside.close()


def _hub(site: SiteFile, service: Service, outside: RealOutside) -> Hub | None:
    """The site at its hub, where it has one; told of everything after whoever else is."""
    if site.hub is None or site.mqtt is None:
        return None
    hub = Hub(site, service.world, outside.inbox.put, outside.now, lambda: service.faulted)
    tell = service.tell

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        tell(event, outcomes, world)
        hub.tell(event, outcomes, world)

    service.tell = told
    return hub


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
        fed = Fed(journal, supervisor.alive)
        return take_up(service, rules, lambda new: restore(fed, new, clock.now()), clock.offset)

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


def _service(
    world: World, outside: Outside, journal: AnchoredJournal | KeptJournal,
    file: KeptJournal, style: Style, *, idle: int,
) -> tuple[Service, Voice]:  # fmt: skip
    voice = voice_of(style, lambda: service.world)
    service = Service(
        world, outside, journal, voice, desk=Desk(file, HOST.awake_ms), idle=idle
    )  # fmt: skip
    return service, voice


def _serve(
    service: Service,
    voice: Voice,
    first: Sequence[Event],
    wake: Callable[[], None],
    days: float | None,
    read_again: Callable[[Supervisor], str] | None = None,
    hears: Callable[[], bool] = lambda: True,
    reread: Reread | None = None,
) -> list[str]:
    """Run until a signal, or so many days; what is wrong at the end, a line each.

    A service that is supervised has no terminal that could close: to it SIGHUP means that the rules
    are to be read again.
    """
    leaving, edited = threading.Event(), threading.Event()
    supervisor = Supervisor(HOST.awake_ms, well=hears)

    def leave(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP and supervisor.is_there and read_again is not None:
            edited.set()
            threading.Thread(target=wake, daemon=True).start()
            return
        if leaving.is_set():
            raise KeyboardInterrupt  # asked twice: OFF is sent once more, and that is all
        leaving.set()
        supervisor.stopping()
        # Waking takes a lock that the main thread may hold at this very instant.
        threading.Thread(target=wake, daemon=True).start()
        utter(f"{signal.Signals(number).name}: everything off, then leaving", err=True)

    before = {number: signal.signal(number, leave) for number in ENDING}

    def between() -> None:
        if edited.is_set() and read_again is not None:
            edited.clear()
            utter(f"SIGHUP: {read_again(supervisor)}", err=True)
        if reread is not None and read_again is not None:
            said = reread.heed(lambda: read_again(supervisor))
            if said:
                utter(f"the board: {said}", err=True)

    service.leave, service.alive, service.between = leaving.is_set, supervisor.alive, between
    until = None if days is None else first[0].heard + round(days * 86_400 * SECOND)
    supervisor.ready(f"{service.world.setup.site.name}: listening")
    try:
        service.run(first, until)
    except KeyboardInterrupt:
        pass  # OFF has been sent once more; what was read back shows below
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        supervisor.close()
    return _at_the_end(service, voice)


def _at_the_end(service: Service, voice: Voice) -> list[str]:
    plugs = service.world.plugs
    wrong = [service.faulted] if service.faulted else []
    if not all_off(service.world):
        left = [name for name, plug in plugs.items() if plug.on or not plug.proven_off]
        wrong.append(f"NOT read back off: {', '.join(left)}: go there and pull the plug by hand")
    elif plugs:
        voice.say(f"{'the plug was' if len(plugs) == 1 else f'all {len(plugs)} plugs'} "
                  "read back off")  # fmt: skip
    return wrong
