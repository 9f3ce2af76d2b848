"""People who come by at certain times of the day, and do what is on the to-do list.

Knows the list, and hands. Does not know why anything stands on it. Without them a virtual site
shows what comes of rules that nobody heeds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from carerules.domain.action import Charge, DayWindow
from carerules.domain.decision import Command
from carerules.domain.event import A_PERSON, Answered, Attended, Event, Placed, Sample, Value
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, Duration, Moment
from carerules.domain.pack import Side
from carerules.domain.ports import Outside
from carerules.domain.quantity import Known
from carerules.engine import Job, Phase, inside, wants_place
from carerules.loop import World, pack_on
from carerules.sim.world import VirtualSite

STAYS: Duration = 2 * HOUR
"""How long whoever finds something to do stays with the packs (our choice)."""
NEAR: Duration = DAY
"""So long before a use a pack is charged for it by hand (our choice)."""
BY_HAND_FROM = 95.0
"""A charger without a plug of ours fills the pack: it does no job that ends below this, % (our
choice)."""
DAY_MINUTES = 24 * 60


class Visits:
    """`domain.ports.Outside`, before one that is played: `enter` has it hear something now.

    `known` says what the service knows; `minutes` are the minutes of the day of the visits.
    """

    def __init__(
        self, outside: Outside, site: VirtualSite, minutes: Sequence[int],
        enter: Callable[[Event], None], known: Callable[[], World],
    ) -> None:  # fmt: skip
        self._outside, self._site, self._enter, self._known = outside, site, enter, known
        self._windows = [DayWindow(one, (one + 1) % DAY_MINUTES) for one in minutes]
        self._next = self._after(outside.now())

    def now(self) -> Moment:
        """As the outside's."""
        return self._outside.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        """As the outside's, woken when somebody comes."""
        now = self._outside.now()
        if now >= self._next:
            self._next = self._after(now)
            for event in done_by(self._known(), self._site, now):
                self._enter(event)
        return self._outside.wait(min(due, self._next))

    def perform(self, command: Command) -> None:
        """As the outside's."""
        self._outside.perform(command)

    def close(self) -> None:
        """As the outside's."""
        self._outside.close()

    def _after(self, now: Moment) -> Moment:
        local = self._site.site.local
        begins = NEVER
        for window in self._windows:
            within, edge = inside(window, now, local)
            if within:  # it begins again tomorrow
                _, edge = inside(window, edge, local)
            begins = min(begins, edge)
        return begins


def done_by(world: World, site: VirtualSite, now: Moment) -> Iterator[Event]:
    """What whoever comes now does: what jobs ask for, the oldest first, and reading the packs of
    which nothing is known. Where there is anything to do they stay for a while."""
    jobs = sorted(
        (job for state in world.packs.values() for job in state.jobs if not site.in_hand(job.pack)),
        key=lambda job: (job.fired_at, job.id),
    )
    taken: set[str] = set()
    hanging = {job.pack for job in jobs if world.packs[job.pack].station is not None}
    busy = hanging - {job.pack for job in jobs if wants_place(job)}
    for job in jobs:
        if job.phase is Phase.ASKING:
            yield Answered(now, job.id, yes=True)
        elif wants_place(job) and job.side is Side.LOAD:
            yield from _put_on(world, job, now, busy, taken)
        elif job.phase is Phase.WAITING and job.stage is not None:
            yield _read(site, job.pack, now)
        elif charges_by_hand(world, job, now):
            site.crew.charge(job.pack, now)
    for name, state in world.packs.items():
        if not isinstance(state.soc, Known) and not site.in_hand(name):
            yield _read(site, name, now)
    if jobs:
        yield Attended(now, now + STAYS)


def _read(site: VirtualSite, pack: str, now: Moment) -> Sample:
    """Its voltage, as somebody reads it off a meter and types it in."""
    volts = Value("pack.voltage", round(site.voltage(pack), 2))
    return Sample(now, now, pack, (volts,), A_PERSON)


def charges_by_hand(world: World, job: Job, now: Moment) -> bool:
    """Whether the job waits for a charge that no plug may give or can, and a person with a charger
    does: nobody sees its cells, or there is no charger; for a use that is near, or for none."""
    if job.phase is not Phase.WAITING or not isinstance(job.action, Charge):
        return False
    if job.action.target < BY_HAND_FROM:
        return False
    state = world.packs[job.pack]
    near = any(now <= start <= now + NEAR for start in state.uses)
    cell = state.estimate.readings.get("pack.cell.max")
    seen = isinstance(cell, Known) and now - cell.at <= MINUTE
    stations = world.setup.site.stations.values()
    able = seen and any(station.charger is not None for station in stations)
    return not able and (near or not job.action.by_use)


def _put_on(
    world: World, job: Job, now: Moment, busy: set[str], taken: set[str]
) -> Iterator[Event]:
    """The pack is put where there is what it waits for, unless one that is at work hangs there."""
    if job.pack in busy or job.side is None:
        return
    for name, station in world.setup.site.stations.items():
        there = pack_on(world, name)
        if name in taken or station.socket(job.side) is None or there in busy:
            continue
        taken.add(name)
        busy.add(job.pack)
        if there is not None:
            yield Placed(now, there, None)
        yield Placed(now, job.pack, name)
        return


if TYPE_CHECKING:
    _SEAM: type[Outside] = Visits  # the checker's word that it fits
