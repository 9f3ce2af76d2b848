"""Nights in which two machines share a site, in a simulation: the same seed, the same night.

The real service (`service.run`), the real step, the real journal, ownership and shares; a virtual
site with its plugs, a server (`fleet_server`), a broker that ends a connection when another one of
the same name comes. Each process runs in a thread of its own, but only one at a time, and hands on
only where the night says so: there it may be frozen, killed or cut off.

`Observer` sees what goes on the wire and the truth of the contacts, and knows the server's number.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from random import Random

import pytest
from fleet_server import LINGERS, Server, Session

from carerules.adapters import HOST, PostgresPlace, SiteSeen, ownership, postgres
from carerules.adapters.postgres import PostgresJournal, PostgresRows
from carerules.adapters.postgres_faults import faults
from carerules.campaign.ground import BEGIN, chemistries, drawn, setup_on
from carerules.domain.decision import Command, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import Event, Placed, PlugLink, PlugReport, Started, Tick
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment
from carerules.domain.ports import JournalError
from carerules.loop import World
from carerules.service import Service, dump_world, outside, restore, shares
from carerules.sim import Noise, VirtualSite

LENGTH: Duration = 13 * MINUTE
STEP: Duration = SECOND // 2
STARTS: Duration = 2 * SECOND
WITHIN: Duration = 30 * SECOND
"""The promise: from the failure of the owner to the next owner's first word."""
PLACE = PostgresPlace("postgresql://night/care", "night", "night")
POINTS = ("wait", "before commit", "after commit", "before an ON is held to its owner",
          "before an ON is on the wire")  # fmt: skip
FROZEN = (1, 5, 9, 13, 20, 60)
NOISES: dict[int, Noise] = {}


class Killed(BaseException):
    """The process is gone."""


class Process:
    """A thread that runs while it has the turn, and gives it back where it waits."""

    def __init__(self, body: Callable[[], None]) -> None:
        self._body = body
        self._go, self._back = threading.Semaphore(0), threading.Semaphore(0)
        self.killed = self.ended = False
        self.error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        self._go.acquire()
        try:
            if not self.killed:
                self._body()
        except (Killed, JournalError):
            pass
        except BaseException as error:
            self.error = error
        self.ended = True
        self._back.release()

    def turn(self) -> None:
        if not self.ended:
            self._go.release()
            self._back.acquire()
            if self.error is not None:
                raise self.error

    def pause(self) -> None:
        """From within: give the turn back."""
        self._back.release()
        self._go.acquire()
        if self.killed:
            raise Killed

    def kill(self) -> None:
        self.killed = True
        while not self.ended:
            self.turn()
        self._thread.join()


@dataclass
class Host:
    """One machine: its `serve`, and its service of the site."""

    number: int
    shares: shares.Shares
    watcher_frozen: Moment = 0
    service_frozen: Moment = 0
    down_until: Moment = 0
    cut_until: Moment = 0
    starts_at: Moment | None = None
    process: Process | None = None
    inbox: list[Event] = field(default_factory=list)
    rows: PostgresRows | None = None
    fence: int = 0
    connected: bool = False
    freeze: tuple[str, Duration] | None = None
    """At the next such point its service freezes for so long."""
    loses_answer: bool = False


class Observer:
    """What must hold, and what did not."""

    def __init__(self) -> None:
        self.breaches: list[str] = []
        self.said: list[tuple[Moment, int, int, bool, str]] = []
        self.opened: dict[str, Moment] = {}
        self.off_by: dict[str, tuple[int, Moment]] = {}
        self.highest = 0
        self.ons = self.late_offs = 0
        self.takeovers: list[Duration] = []

    def word(self, now: Moment, host: Host, command: Command) -> None:
        """A command that the broker takes."""
        fence, plug = host.fence, command.plug
        on = isinstance(command, SwitchOn)
        self.said.append((now, host.number, fence, on, plug))
        if isinstance(command, SwitchOff) and fence >= self.off_by.get(plug, (0, 0))[0]:
            self.off_by[plug] = (fence, now)
        if on:
            self.ons += 1
            if fence < self.highest:
                self.breaches.append(f"ON under number {fence} after a word under {self.highest}")
            by, at = self.off_by.get(plug, (0, 0))
            if by < fence:
                self.breaches.append(f"the first ON under number {fence} without an OFF before it")
            elif self.opened.get(plug, 0) < at:
                self.breaches.append(f"ON under number {fence}, and its OFF was not read back")
        elif isinstance(command, SwitchOff) and fence < self.highest:
            self.late_offs += 1
        self.highest = max(self.highest, fence)

    def report(self, event: PlugReport, now: Moment) -> None:
        if not event.on:
            self.opened[event.plug] = now


class Night:
    """One night. `broker_ends`: whether the broker ends a connection when the next owner comes
    under the same name; `freezes_on_the_wire`: whether a process may be frozen where only that
    still holds it."""

    begins: Callable[[Moment], Event] = staticmethod(lambda now: Started(now, 0))
    kinds: tuple[Callable[[Night, Host], None], ...]
    sees_lock = True
    points, frozen, name_share = POINTS, FROZEN, 0.7

    def __init__(self, seed: int) -> None:
        self.chance = chance = Random(f"fleet {seed}")
        began = drawn(Random(f"ground {seed}"))  # whatever else is drawn there, the rest stays
        ground, settings = began.ground, began.settings
        # Rules that are soon true, so that there is a load on when something happens.
        ground = ground._replace(rules=chance.choice((0, 0, 2)), rest=MINUTE, blind=False)
        settings = replace(settings, idle=20 * SECOND, room_c=20.0)
        self.setup = setup_on(ground)
        ring = chance.randrange(8)
        noise = NOISES.setdefault(ring, Noise(f"fleet {ring}"))
        self.world = VirtualSite(self.setup.site, chemistries(), settings,
                                 chance.randrange(1 << 32), noise=noise)  # fmt: skip
        self.placed = settings.packs
        self.broker_ends = chance.random() < self.name_share
        self.hosts = [Host(n, shares.Shares(["night"])) for n in (1, 2)]
        self.services: dict[int, int] = {}
        self.server_down: Moment = 0
        self.server = Server(self.now, self._reached, self._blocks)
        self.running: Host | None = None
        self.observer = Observer()
        self.troubles = sorted(
            (BEGIN + chance.randrange(4 * MINUTE, LENGTH - MINUTE), chance.choice(self.kinds))
            for _ in range(chance.choice((1, 2, 3, 4)))
        )
        self.story = [f"{(at - BEGIN) / SECOND:.1f} {kind.__name__}" for at, kind in self.troubles]
        self.freezes_on_the_wire = self.broker_ends
        self.lost_at: Moment | None = None
        self.calm_since: Moment = BEGIN

    # ---- time --------------------------------------------------------------------------------

    def now(self) -> Moment:
        return self.world.now

    def play(self) -> Observer:
        with pytest.MonkeyPatch.context() as patch:
            clock = type(HOST)(self.now, self.now, self.now, lambda: "night")
            patch.setattr(ownership, "HOST", clock)
            patch.setattr(postgres, "connected", self._connected)
            try:
                while self.now() < BEGIN + LENGTH:
                    self._step()
            finally:
                for host in self.hosts:
                    self._kill(host)
        self.observer.breaches += self.server.stale_commits
        return self.observer

    def _step(self) -> None:
        target = self.now() + STEP
        while self.now() < target:
            for event in self.world.advance_once(target):
                self._heard(event)
        while self.troubles and self.troubles[0][0] <= self.now():
            self.calm_since = self.now()
            self.troubles.pop(0)[1](self, self.chance.choice(self.hosts))
        self.server.passes()
        for host in self.chance.sample(self.hosts, 2):
            if self.now() >= host.down_until:
                self._watch(host)
                self._serve(host)
        self._looks()

    def _heard(self, event: Event) -> None:
        if isinstance(event, PlugReport):
            self.observer.report(event, self.now())
        for host in self.hosts:
            if host.process is not None and len(host.inbox) < 2_000:
                host.inbox.append(event)

    # ---- the machines ------------------------------------------------------------------------

    def _watch(self, host: Host) -> None:
        if self.now() < host.watcher_frozen or not self._reached(host.number):
            return
        if self.now() % SECOND:
            return
        self.services[host.number] = self.services.get(host.number, 0) + 1
        server = self.server
        held = server.holder is not None and self.sees_lock
        seen = {"night": SiteSeen(server.fence, server.beats, held)}
        mine = {"night"} if host.process is not None or host.starts_at is not None else set()
        for act in host.shares.look(self.now(), seen, self.services, host.number, mine):
            match act:
                case shares.Take():
                    host.starts_at = self.now() + STARTS
                case shares.Evict(_, fence, beats):
                    if host.process is not None:
                        self._kill(host)
                    server.evict(fence, beats)
                case shares.LetGo():
                    raise AssertionError("one site is never too many")

    def _serve(self, host: Host) -> None:
        if host.starts_at is not None and self.now() >= host.starts_at:
            host.starts_at = None
            host.inbox.clear()
            host.process = Process(lambda: self._body(host))
        if host.process is None or self.now() < host.service_frozen:
            return
        self.running = host
        host.process.turn()
        self.running = None
        if host.process.ended:
            self._gone(host)
            host.shares.failed("night", self.now())

    def _body(self, host: Host) -> None:
        """A service of the site, as `carerules run` has it."""
        self._pause(host)  # it is loaded
        journal = PostgresJournal(self._rows(host))
        host.connected = True
        if self.broker_ends:
            for other in self.hosts:
                other.connected = other is host
        world = restore(journal, self.setup, self.now())
        wires = Wires(self, host, journal)
        kept = Points(self, host, journal)

        def snapshot(now: World) -> None:
            journal.save_snapshot(journal.last_seq, dump_world(now))
            kept.commit()

        service = Service(world, wires, kept, lambda *_: None, desk=Desk(journal), idle=SECOND,
                          snapshot=snapshot, leave=lambda: bool(service.faulted))  # type: ignore[arg-type]  # fmt: skip
        now = max(self.now(), world.now)
        # It begins to listen; the plugs can be reached, which nobody else tells it.
        host.inbox[:] = [PlugLink(now, plug, up=True) for plug in self.setup.site.plugs]
        first: list[Event] = [self.begins(now)]
        if not journal.last_seq:
            first += [Placed(now, pack, state.station) for pack, state in self.placed.items()]
        service.run(first)

    def _rows(self, host: Host) -> PostgresRows:
        rows = PostgresRows.__new__(PostgresRows)
        rows._place, rows.name, rows.owned, rows.fenced = PLACE, "night", True, True
        rows._lost = None
        with faults("night"):
            session = Session(self.server, host.number)
            rows._connection = session  # type: ignore[assignment]
            try:
                rows._ownership = ownership.take(session, "night", "night")  # type: ignore[arg-type]
            except BaseException:
                session.close()
                raise
        host.rows, host.fence = rows, rows._ownership.fence
        return rows

    def _kill(self, host: Host) -> None:
        if host.process is not None:
            self.running = host
            host.process.kill()
            self.running = None
            self._gone(host)

    def _gone(self, host: Host) -> None:
        host.process, host.starts_at, host.connected = None, None, False
        host.service_frozen, host.freeze = 0, None
        if host.rows is not None:
            host.rows._connection.close()  # the kernel does
            host.rows = None

    # ---- what a process meets ----------------------------------------------------------------

    def _reached(self, number: int) -> bool:
        return self.now() >= max(self.server_down, self.hosts[number - 1].cut_until)

    def _connected(self, _place: PostgresPlace) -> Session:
        assert self.running is not None
        return Session(self.server, self.running.number)

    def _blocks(self, until: Moment) -> None:
        host = self.running
        assert host is not None
        while self.now() < until:
            self._pause(host)

    def _pause(self, host: Host) -> None:
        assert host.process is not None
        host.process.pause()

    def point(self, host: Host, name: str) -> None:
        """Where a process may be frozen."""
        if host.freeze is not None and host.freeze[0] == name:
            host.service_frozen = self.now() + host.freeze[1]
            self.calm_since = self.now()
            host.freeze = None
            while self.now() < host.service_frozen:
                self._pause(host)
            if not host.connected:
                return  # the library connects again, a second later; what is said by then is lost
        assert host.process is not None

    # ---- what is looked at -------------------------------------------------------------------

    def _looks(self) -> None:
        """How long nobody served the site, while somebody could have."""
        holder = self.server.holder
        owner = None if holder is None else self.hosts[holder.host - 1]
        served = owner is not None and self.now() >= max(owner.down_until, owner.service_frozen)
        able = [one for one in self.hosts if self._lives(one) and self._reached(one.number)]
        if served or not able:
            self.lost_at = None
        elif self.lost_at is None:
            self.lost_at = self.now()
        if self.lost_at is not None:
            since = self.now() - max(self.lost_at, self.calm_since)
            self.observer.takeovers.append(since)
            if since > WITHIN:
                self.observer.breaches.append("nobody served the site for more than 30 s")
                self.lost_at = None

    def _lives(self, host: Host) -> bool:
        return self.now() >= max(host.down_until, host.watcher_frozen, host.service_frozen)


class Wires:
    """`domain.ports.Outside` of one service: the program's own `may_send`, then the broker."""

    def __init__(self, night: Night, host: Host, journal: PostgresJournal) -> None:
        self.night, self.host, self.journal = night, host, journal

    def now(self) -> Moment:
        return self.night.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        night, host = self.night, self.host
        night.point(host, "wait")
        while not host.inbox and night.now() < due:
            night._pause(host)
        host.connected = host.connected or not night.broker_ends or _nobody_else(night, host)
        heard, host.inbox[:] = list(host.inbox), []
        return heard or [Tick(night.now())]

    def perform(self, command: Command) -> None:
        night, host = self.night, self.host
        assert host.process is not None
        if host.process.killed:
            return
        on = isinstance(command, SwitchOn)
        if on:
            night.point(host, "before an ON is held to its owner")
        if not outside.may_send(command, self.journal.hold()):
            return
        if on and night.freezes_on_the_wire:
            # Frozen here it may have been allowed what it says too late: the broker's connection
            # was ended by the next owner's.
            night.point(host, "before an ON is on the wire")
        if host.connected:
            night.observer.word(night.now(), host, command)
            night.world.send(command)

    def close(self) -> None:
        pass


def _nobody_else(night: Night, host: Host) -> bool:
    return not any(one.connected for one in night.hosts if one is not host)


class Points:
    """`domain.ports.Journal`: the program's own, with points at which its process may be frozen."""

    def __init__(self, night: Night, host: Host, journal: PostgresJournal) -> None:
        self.night, self.host, self.journal = night, host, journal

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        self.journal.write(event, outcomes)

    def commit(self) -> None:
        self.night.point(self.host, "before commit")
        if self.host.loses_answer and self.host.rows is not None:
            self.host.loses_answer = False
            self.night.calm_since = self.night.now()
            self.host.rows._connection.loses_answer = True  # type: ignore[attr-defined]
        self.journal.commit()
        self.night.point(self.host, "after commit")


class Desk:
    """Nobody enters anything; the ownership is proved at each look, as by the real one."""

    def __init__(self, journal: PostgresJournal) -> None:
        self.journal = journal

    def waiting(self) -> Sequence[object]:
        self.journal.check_in_place()
        return ()


# ---- troubles --------------------------------------------------------------------------------


def owner_or(night: Night, host: Host) -> Host:
    """The one that owns the site: what happens to the other one is seldom of interest."""
    holder = night.server.holder
    return host if holder is None or night.chance.random() < 0.2 else night.hosts[holder.host - 1]


def process_killed(night: Night, host: Host) -> None:
    night._kill(owner_or(night, host))


def machine_gone(night: Night, host: Host) -> None:
    host = owner_or(night, host)
    host.cut_until = host.down_until = night.now() + night.chance.choice((20, 60, 180)) * SECOND
    session = host.rows._connection if host.rows is not None else None
    night._kill(host)
    assert session is None or session.lingers is not None  # type: ignore[attr-defined]
    host.shares = shares.Shares(["night"])


def service_frozen(night: Night, host: Host) -> None:
    host = owner_or(night, host)
    if host.process is not None:
        host.freeze = night.chance.choice(night.points), night.chance.choice(night.frozen) * SECOND


def machine_frozen(night: Night, host: Host) -> None:
    host = owner_or(night, host)
    service_frozen(night, host)
    if host.freeze is not None:
        host.watcher_frozen = night.now() + host.freeze[1]


def database_cut_off(night: Night, host: Host) -> None:
    host = owner_or(night, host)
    host.cut_until = night.now() + night.chance.choice((3, 8, 15, 60)) * SECOND
    for session in night.server.sessions:
        if session.host == host.number:
            session.lingers = night.now() + LINGERS


def database_restarts(night: Night, _host: Host) -> None:
    night.server.restart()
    night.server_down = night.now() + night.chance.choice((0, 1, 10)) * SECOND


def database_hangs(night: Night, _host: Host) -> None:
    night.server_down = night.now() + night.chance.choice((2, 6, 20, 60)) * SECOND


def answer_lost(night: Night, host: Host) -> None:
    owner_or(night, host).loses_answer = True


def session_ended(night: Night, _host: Host) -> None:
    if night.server.holder is not None:
        night.server.end(night.server.holder)


KINDS = (process_killed, machine_gone, service_frozen, service_frozen, machine_frozen,
         database_cut_off, database_restarts, database_hangs, answer_lost,
         session_ended)  # fmt: skip
Night.kinds = KINDS
