"""Plugs that are asked, one thread for each: commands out, answers in.

Knows that OFF goes first, that a late command is worse than none, and when to ask. Does not know
how a request travels, and decides nothing.

At most one OFF, one ON and one question wait for a plug: the newer takes the older one's place,
and OFF throws away the ON that waits. OFF waits for nothing: a question or an ON that is under
way is broken off. An ON that the plug takes all the same, and later, is found at the next question.
So nothing piles up before a plug that is slow or gone, and no plug waits for another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field
from functools import partial
from threading import Condition, Thread

from carerules.adapters.address import AddressError, Login, read_host, read_login
from carerules.adapters.doors import Message, PlugDoor, read_plug
from carerules.adapters.httpline import HttpLine
from carerules.adapters.inbox import Lane, Put
from carerules.adapters.lanline import LanLine, library
from carerules.adapters.line import CallError, Left, Line, LoginError
from carerules.adapters.payload import Body, Missing, UnreadableError, shown
from carerules.adapters.plug import ON_EXPIRY_S, Unsaid, Wire, say
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import Answer, PlugProfile
from carerules.adapters.template import fill
from carerules.adapters.topics import doors_of
from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.event import Event, PlugLink, Rejected
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.pack import Plug

CALL_MAX: Duration = 3 * SECOND
"""A plug in the same house answers within a second, logging in included; one that does not is
away. An estimate, no source."""
ASK_EVERY_S = 10.0
"""As often as the generic plug speaks by itself: one that somebody else switched on is found."""
RETRY_S = 2.0
"""After a reconnect OFF must leave within 10 s (SAFETY 5)."""
LOGIN_RETRY_S = 60.0
"""After a refused login: some plugs lock out whoever tries again and again. Commands are sent all
the same. An estimate, no source."""
CLOSE_S_MAX = 2 * CALL_MAX / SECOND  # the call that is under way, and an OFF that waits behind it
HTTP_PORT = 80  # RFC 9110, section 4.2.1


def line_of(
    plug: Plug, profile: PlugProfile, login: Login, tell: Callable[[str], None] = lambda _: None
) -> Line | Problem:
    """The way to a plug by its profile; what is wrong with its login, or what is not installed.
    `tell`: what the way has to say that is no fault of a call."""
    assert profile.call is not None, "other plugs are reached over the broker"
    where = fill(profile.call.address, plug.variables)
    credentials = read_login(login, profile.call.user)
    if isinstance(credentials, Problem):
        return credentials
    if profile.call.way == "plugin":
        # Only who has one waits for what it takes.
        from carerules.adapters.pluginline import plugin_line  # noqa: PLC0415

        return plugin_line(plug, where, credentials, tell)
    address = read_host(where)
    assert not isinstance(address, Problem), "config has checked that the plug fits its profile"
    host, port = address
    if profile.call.way == "http":
        return HttpLine(host, port or HTTP_PORT, credentials)
    kasa = library()
    return kasa if isinstance(kasa, Problem) else LanLine(kasa, host, credentials)


@guarded
class Called:
    """The plugs that are asked, with their profiles and logins; others are left out."""

    plugs: Mapping[str, Plug]
    profiles: Mapping[str, PlugProfile]
    logins: Mapping[str, Login] = field(default_factory=dict)


class CalledWires:
    """The site's lines to the plugs that it asks. `perform` may be called by any thread."""

    def __init__(
        self, called: Called, put: Put, now: Callable[[], Moment], *, strict: bool = True
    ) -> None:
        """Nothing is asked before `start`. A plug whose line cannot be made raises `AddressError`;
        with `strict` false it is told, and the others are served."""
        self._workers: dict[str, Worker] = {}
        for name, plug in called.plugs.items():
            profile = called.profiles[plug.profile]
            login = called.logins.get(name, Login())
            line = line_of(plug, profile, login, partial(_told, put, name))
            if isinstance(line, Problem) and strict:
                raise AddressError(Problem(line.found, line.wanted, line.mend, f"plug {name}"))
            self._workers[name] = Worker(
                plug, profile, _Unmade(line) if isinstance(line, Problem) else line, put, now
            )

    def start(self) -> None:
        """Ask every plug how it is, and go on until `close`."""
        for worker in self._workers.values():
            worker.start()

    def perform(self, command: Command) -> None:
        """Give a command to the plug's own thread; returns at once."""
        self._workers[command.plug].take(command)

    def close(self) -> None:
        """End all threads; an OFF already given is sent first, an ON no more."""
        for worker in self._workers.values():
            worker.end()
        for worker in self._workers.values():
            worker.join()


@guarded
class _Unmade:
    """In a line's place, where none could be made."""

    problem: Problem

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        del topic, payload, left
        raise CallError(self.problem.show())

    def abort(self) -> None:
        pass

    def close(self) -> None:
        pass


class Worker:
    """One plug's thread: it sends what waits, the most urgent first, and asks when nothing does."""

    def __init__(
        self, plug: Plug, profile: PlugProfile, line: Line, put: Put, now: Callable[[], Moment]
    ) -> None:
        self._plug, self._profile, self._line = plug, profile, line
        self._put, self._now = put, now
        assert profile.ask is not None, "no profile with `call` is without it"
        topic = fill(profile.ask.topic, plug.variables)
        self._door: PlugDoor = doors_of(plug, profile)[topic]
        self._some = Condition()
        self._off: SwitchOff | None = None
        self._on: SwitchOn | None = None
        self._ask = True
        self._breakable = self._ending = False
        self._switched = 0
        self._up: bool | None = None
        self.ask_after_s = RETRY_S
        """How long after the last call it is asked again, where nothing else is to be sent."""
        # `daemon`: what a library does in a call must not keep the process from its end.
        self._thread = Thread(target=self._work, name=f"plug {plug.name}", daemon=True)

    def start(self) -> None:
        """Begin; the first question is asked at once."""
        self._thread.start()

    def take(self, command: Command) -> None:
        """Have a command sent next; OFF before all, and instead of an ON that waits."""
        with self._some:
            match command:
                case SwitchOff():
                    self._off, self._on = command, None
                    self._switched += 1
                    if self._breakable:
                        self._line.abort()
                case SwitchOn():
                    self._on = command
                    self._switched += 1
                case AskPlug():
                    self._ask = True
            self._some.notify()

    def end(self) -> None:
        """Send an OFF that waits, and nothing more."""
        with self._some:
            self._ending = True
            if self._breakable:
                self._line.abort()
            self._some.notify()

    def join(self) -> None:
        """Wait for the thread's end, for as long as a call and an OFF may take."""
        if self._thread.ident is not None:
            self._thread.join(CLOSE_S_MAX)

    # ---- on the plug's thread ------------------------------------------------------------------

    def _work(self) -> None:
        while (command := self._next()) is not None:
            try:
                self._send(command)
            except Exception as error:
                # A thread that ends would leave a plug without anybody to switch it off.
                self._refuse(f"a call failed: {quoted(error)}")
        self._line.close()

    def _next(self) -> Command | None:
        with self._some:
            while True:
                if self._off is not None:
                    command, self._off, self._breakable = self._off, None, False
                    return command
                if self._ending:
                    return None
                if self._on is not None:
                    waiting, self._on, self._breakable = self._on, None, True
                    return waiting
                if self._ask:
                    self._ask, self._breakable = False, True
                    return AskPlug(self._plug.name)
                if not self._some.wait(self.ask_after_s):
                    self._ask = True

    def _send(self, command: Command) -> None:
        wire = say(command, self._plug, self._profile)
        if isinstance(wire, Unsaid):
            self._refuse(wire.why)
        elif isinstance(command, AskPlug):
            self._question(wire)
        else:
            self._switch(command, wire)

    def _switch(self, command: SwitchOn | SwitchOff, wire: Wire) -> None:
        give_up = self._now() + CALL_MAX
        if isinstance(command, SwitchOn):
            stale = command.permit_at + ON_EXPIRY_S * SECOND
            if self._now() >= stale:
                age = (self._now() - command.permit_at) / SECOND
                self._refuse(f"an ON that is {age:.0f} s old is not sent")
                return
            give_up = min(give_up, stale)
        left = self._until(give_up)
        try:
            body = (
                self._call(wire, left)
                if isinstance(command, SwitchOn)
                else (self._line.call(wire.topic, wire.payload, left))
            )
            self._tell_up()
            wrong = _refusal(body, wire.answer)
        except CallError as error:
            if not (isinstance(command, SwitchOn) and self._switched_off()):
                self._tell_down(error)
            return
        if wrong is not None:
            self._refuse(wrong)
            if isinstance(command, SwitchOn):
                # It may be on without its timer.
                self.take(SwitchOff(self._plug.name, "it did not take an ON as it was said"))
        with self._some:
            self._ask = not self._ending

    def _question(self, wire: Wire) -> None:
        with self._some:
            switched = self._switched
        try:
            body = self._call(wire, self._until(self._now() + CALL_MAX))
        except CallError as error:
            if not self._switched_off():
                self._tell_down(error)
            return
        self._tell_up()
        with self._some:
            if switched != self._switched:
                # What it was before a command must not pass for what came of it.
                self._ask = not self._ending
                return
        message, door = Message(wire.topic, body), self._door
        self._put(Lane.PLUG, lambda heard: read_plug(door, message, heard))

    def _call(self, wire: Wire, left: Left) -> bytes:
        """A call that an OFF breaks off, at whatever step of it."""
        try:
            return self._line.call(
                wire.topic, wire.payload, lambda: 0.0 if self._switched_off() else left()
            )
        finally:
            with self._some:
                self._breakable = False

    def _switched_off(self) -> bool:
        """Whether an OFF waits: then no question and no ON is worth its time."""
        return self._off is not None or self._ending

    def _until(self, give_up: Moment) -> Left:
        return lambda: (give_up - self._now()) / SECOND

    # ---- what is told --------------------------------------------------------------------------

    def _tell_up(self) -> None:
        self.ask_after_s = ASK_EVERY_S
        if self._up is not True:
            self._up = True
            self._link(up=True)

    def _tell_down(self, error: CallError) -> None:
        self.ask_after_s = LOGIN_RETRY_S if isinstance(error, LoginError) else RETRY_S
        self._refuse(str(error))
        if self._up is not False:
            self._up = False
            self._link(up=False)

    def _link(self, *, up: bool) -> None:
        def read(heard: Moment) -> tuple[Event, ...]:
            return (PlugLink(heard, self._plug.name, up),)

        self._put(Lane.KEPT, read)

    def _refuse(self, why: str) -> None:
        _told(self._put, self._plug.name, why)


def _told(put: Put, plug: str, why: str) -> None:
    put(Lane.REFUSED, lambda heard: (Rejected(heard, f"plug {plug}", why),))


def _refusal(body: bytes, wanted: tuple[Answer, ...]) -> str | None:
    """What in the answer says that a command was not taken; None: it was."""
    document = Body(body)
    try:
        for row in wanted:
            found = document.at(row.pointer)
            if isinstance(found, Missing):
                return f"it does not take the command: no `{row.pointer}` in its answer"
            if row.word is not None and (type(found), found) != (type(row.word), row.word):
                return f"it does not take the command: `{row.pointer}` is {shown(found)}"
    except UnreadableError as why:
        return f"its answer: {why}"
    return None
