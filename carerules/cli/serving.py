"""A service from its first event until it is told to leave, whatever kind of site it is of.

Knows signals and the supervisor. Does not know where events come from, or what is decided.
"""

from __future__ import annotations

import gc
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

from carerules.adapters import HOST, KeptJournal, Supervisor, give_back
from carerules.cli.aside import Aside
from carerules.cli.common import utter
from carerules.cli.voice import Style, Voice, voice_of
from carerules.domain.event import Event
from carerules.domain.moment import HOUR, SECOND, Duration
from carerules.domain.ports import Journal, Outside
from carerules.loop import World
from carerules.service import Desk, Service, all_off
from carerules.service.reload import Reread

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What asks it to leave: a person, a supervisor, a terminal that closes."""

SEARCHES_A_WHOLE = 20_000
"""Searches of what is young for cycles, before all that is held is searched. At 2000 messages a
second a whole search stopped everything for up to half a second, each two seconds; the world has no
cycles, which is why it can wait (benchmarks/latency.py)."""
SEARCH_EACH: Duration = 6 * HOUR
"""It may not wait for ever: a page of the board that is left open and broken off leaves 88 objects
in cycles (measured), which by the number above alone may come to gigabytes."""
GIVE_BACK_EACH: Duration = 10 * SECOND
"""What a page's first view, a calendar or rules read again took lies free between things that stay:
half a megabyte. To give it back takes a tenth of a millisecond."""


def service_of(
    world: World, outside: Outside, journal: Journal,
    file: KeptJournal, style: Style, *, idle: int,
) -> tuple[Service, Voice]:  # fmt: skip
    """A service from this world on, and how it speaks. `file` is where people's entries wait."""
    voice = voice_of(style, lambda: service.world)
    service = Service(
        world, outside, journal, voice, desk=Desk(file, HOST.awake_ms), idle=idle
    )  # fmt: skip
    return service, voice


def serve(
    service: Service,
    voice: Voice,
    first: Sequence[Event],
    wake: Callable[[], None],
    days: float | None,
    read_again: Callable[[Supervisor], str] | None = None,
    hears: Callable[[], bool] = lambda: True,
    reread: Reread | None = None,
    look_again: Callable[[], None] | None = None,
    *,
    shared: bool = False,
) -> list[str]:
    """Run until a signal, or so many days; what is wrong at the end, a line each.

    A service that is supervised has no terminal that could close: to it SIGHUP means that the rules
    are to be read again, and that `look_again` is called. With a journal that several machines
    share (`shared`) it leaves when that fails, too: another one may go on with the site.
    """
    asked, aside = _Asked(), Aside()
    supervisor = Supervisor(HOST.awake_ms, well=hears)

    def leave(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP and supervisor.is_there and read_again is not None:
            asked.read = True
            aside.do(wake)
            return
        if asked.leave:
            raise KeyboardInterrupt  # asked twice: OFF is sent once more, and that is all
        asked.leave = True
        supervisor.stopping()
        said = f"{signal.Signals(number).name}: everything off, then leaving"
        aside.do(wake, lambda: utter(said, err=True))

    before = {number: signal.signal(number, leave) for number in ENDING}

    tidy = tidying(HOST.awake_ms)

    def between() -> None:
        tidy()
        if read_again is not None:
            _read_again(asked, lambda: read_again(supervisor), look_again, reread)

    def leave_now() -> bool:
        return asked.leave or (shared and bool(service.faulted))

    service.leave, service.alive, service.between = leave_now, supervisor.alive, between
    until = None if days is None else first[0].heard + round(days * 86_400 * SECOND)
    supervisor.ready(f"{service.world.setup.site.name}: listening")
    try:
        with _searching_seldom():
            service.run(first, until)
    except KeyboardInterrupt:
        pass  # OFF has been sent once more; what was read back shows below
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        supervisor.close()
        aside.wait()
    return _at_the_end(service, voice)


@dataclass(slots=True)
class _Asked:
    """What signals have asked for: plain words, since a flag of `threading` has a lock, and the
    handler may run while the main thread has it."""

    leave: bool = False
    read: bool = False


@contextmanager
def _searching_seldom() -> Iterator[None]:
    usual = gc.get_threshold()
    gc.set_threshold(*usual[:2], SEARCHES_A_WHOLE)
    try:
        yield
    finally:
        gc.set_threshold(*usual)


def tidying(now: Callable[[], int]) -> Callable[[], None]:
    """To be called often: each `GIVE_BACK_EACH` of `now` (ms) it gives back what memory is free,
    and each `SEARCH_EACH` it searches all that is held."""
    given = searched = now()

    def tidy() -> None:
        nonlocal given, searched
        if now() - searched >= SEARCH_EACH:
            gc.collect()
            searched = now()
        if now() - given >= GIVE_BACK_EACH:
            give_back()
            given = now()

    return tidy


def _read_again(
    asked: _Asked,
    read_again: Callable[[], str],
    look_again: Callable[[], None] | None,
    reread: Reread | None,
) -> None:
    """What people asked to be read anew, by a signal or on the board's page."""
    if asked.read:
        asked.read = False
        utter(f"SIGHUP: {read_again()}", err=True)
        if look_again is not None:
            look_again()
            utter("SIGHUP: the calendars are looked at again", err=True)
    said = None if reread is None else reread.heed(read_again)
    if said:
        utter(f"the board: {said}", err=True)


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
