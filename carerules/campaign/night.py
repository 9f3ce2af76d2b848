"""One night: drawn from its seed, played by the real service, and judged by the observer.

Knows how a night is put together. Does not know any trouble by name. The same seed and number give
the same night, to the byte.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from random import Random

from carerules.campaign.begun import Begun
from carerules.campaign.bounds import Worst
from carerules.campaign.ground import BEGIN, chemistries, drawn, rules_of, setup_on
from carerules.campaign.journal import Killed
from carerules.campaign.stage import Stage
from carerules.campaign.troubles import TROUBLES
from carerules.campaign.troubles.people import comes, reads, said
from carerules.domain.action import Ask
from carerules.domain.decision import (
    AskPlug,
    ChoreOpened,
    Notice,
    OffProven,
    Outcome,
    StationLocked,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import Answered, Event, Released, Started, Stopped
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment
from carerules.engine import Job, Phase
from carerules.loop import Setup, World, new_world
from carerules.service import Service, SiteRules, restore
from carerules.service.reload import take_up
from carerules.sim import Noise, VirtualSite

COUNTS, WEIGHTS = (1, 2, 3), (4, 4, 2)
"""Two nights in five have one trouble, two have two, one has three."""
QUIET_END: Duration = 2 * MINUTE
"""No trouble begins so shortly before the end: it would be seen by nobody."""
DOWN_USUALLY: Duration = 40 * SECOND
"""How long a supervisor takes where the kill itself does not say."""
LOOKS_MAX = 1_000
"""At one moment: a flood of words is taken in one step, and each look is due later than its now."""
YES_SHARE, ANSWER_SHARE = 0.8, 0.9
"""Of those who are asked, and of their answers; a third of the answers comes too late."""
KNOWN_SHARE = 0.7
"""Of the packs with a feed: their charge is known from the start, as on most evenings."""
READ_AFTER: tuple[Duration, Duration] = (10 * SECOND, 90 * SECOND)
READ_V = 0.05
"""When somebody reads a pack that waits for it at the end of a stage, and how far off (our choice):
where nobody does it waits, and a night shows no more of it."""
NOISES = 32  # rings of noise that nights share: making one takes as long as playing a night


@guarded
class Night:
    """Which night: number `number` of the campaign `seed`. `trouble`: this kind is the first of its
    troubles, and the only one where `at` says when (ms into the night)."""

    seed: int
    number: int
    trouble: str = ""
    at: Duration | None = None

    @property
    def again(self) -> str:
        """The command that plays it again."""
        kind = f' --trouble "{self.trouble}"' if self.trouble else ""
        at = "" if self.at is None else f" --at {self.at}"
        return f"carerules campaign --seed {self.seed} --night {self.number}{kind}{at}"


@guarded
class Played:
    """What became of a night."""

    night: Night
    length: Duration
    troubles: tuple[str, ...]
    breaches: tuple[str, ...]
    story: tuple[str, ...]
    ons: int
    kills: int
    steps: int
    worst: Worst


def play(
    night: Night, *, tell: bool = False, stepped: Callable[[Moment], None] = lambda _: None
) -> Played:
    """Play a night; with its story, if it is to be told. `stepped` hears of each step's moment."""
    return _Playing(night, stepped).play(tell=tell)


class _Playing:
    def __init__(self, night: Night, stepped: Callable[[Moment], None]) -> None:
        self.night, self.stepped = night, stepped
        chance = Random(f"night {night.seed} {night.number}")
        self.ground, settings, length, second = drawn(chance)
        setup = setup_on(self.ground)
        seed = chance.randrange(1 << 32)
        noise = _noise(seed % NOISES)
        site = VirtualSite(setup.site, chemistries(), settings, seed, noise=noise)
        self.stage = Stage(site, setup, length, second)
        self.troubles: list[str] = []
        self.ons = self.kills = self.steps = self.looks = 0
        self.looked_at: Moment = BEGIN
        self.judged: object = None
        self.people = Random(f"people {night.seed} {night.number}")
        self.answer_by: dict[str, Moment] = {}
        for pack, begins in settings.packs.items():
            if not begins.feed or self.people.random() < KNOWN_SHARE:
                self.stage.at(BEGIN + SECOND, said(self.stage, pack, chance.gauss(0, 1)))
        self._draw_troubles(chance)

    def _draw_troubles(self, chance: Random) -> None:
        night, stage = self.night, self.stage
        kinds = list(TROUBLES)
        count = chance.choices(COUNTS, WEIGHTS)[0] if night.at is None else 1
        for place in range(count):
            kind = night.trouble if night.trouble and not place else chance.choice(kinds)
            after = chance.randrange(stage.length - QUIET_END)
            if night.at is not None:
                after = night.at
            self.troubles.append(f"{kind} at {after / SECOND:.1f} s")
            stage.at(BEGIN + after, TROUBLES[kind](stage, chance))
        if chance.random() < 0.6:
            its = Random(chance.random())
            stage.at(BEGIN + chance.randrange(stage.length // 2), lambda: comes(stage, its))

    def play(self, *, tell: bool) -> Played:
        stage = self.stage
        until = BEGIN + stage.length
        service = self._service(new_world(stage.setup, BEGIN))
        pending: Sequence[Event] = [Started(BEGIN)]
        while stage.now() < until:
            try:
                service.take(pending)
                self._stepped(service.world)
                if stage.down_until is not None:
                    raise Killed
                self._edit(service)
                due = min(service.due(), service.world.now + MINUTE, until)
                pending = stage.wait(due)
                self.steps += len(pending)
                self._moves_on()
            except Killed:
                if service.faulted:  # what could not be kept is forgotten: a stop, a question
                    stage.observer.stopped_at = None
                    stage.observer.asking.clear()
                service, pending = self._begun_anew(until)
        observer = stage.observer
        return Played(
            self.night, stage.length, tuple(self.troubles), tuple(observer.breaches),
            stage.story() if tell else (), self.ons, self.kills, self.steps, observer.worst,
        )  # fmt: skip

    def _edit(self, service: Service) -> None:
        """The rules are edited, and taken up as on a live site: everything off first."""
        stage = self.stage
        if not self._reread():
            return
        rules = SiteRules(rules_of(self.ground.rules), stage.setup)
        stage.say(take_up(service, rules, self._remembered, lambda: 0))
        stage.observer.wall = 0
        self._stepped(service.world)

    def _reread(self) -> bool:
        """Whether the rules were edited: the stage has the new ones then."""
        stage, edited = self.stage, self.stage.edited
        if edited is None:
            return False
        stage.edited = None
        self.ground = self.ground._replace(rules=edited)
        stage.setup = setup_on(self.ground)
        return True

    def _remembered(self, setup: Setup) -> World:
        return restore(self.stage.journal, setup, self.stage.now())

    def _moves_on(self) -> None:
        """A service that looks at one moment again and again is stuck, and the night with it."""
        stage = self.stage
        if stage.now() > self.looked_at:
            self.looked_at, self.looks = stage.now(), 0
        self.looks += 1
        if self.looks > LOOKS_MAX:
            stage.observer.breach("stuck", f"it looked {LOOKS_MAX} times at one moment")
            stage.world.advance(stage.now() + SECOND)

    # ---- the service, killed and begun anew --------------------------------------------------

    def _service(self, world: World) -> Service:
        journal = self.stage.journal
        return Service(world, self.stage, journal, self._told, snapshot=journal.snapshot)

    def _begun_anew(self, until: Moment) -> tuple[Service, Sequence[Event]]:
        stage = self.stage
        self.kills += 1
        since = stage.now()
        lasts, stage.down_until = stage.down_until or since + DOWN_USUALLY, None
        stage.say("killed")
        stage.journal.lose_pending()
        stage.is_down = True
        stage.observer.off_said |= stage.observer.off_wanted.keys()
        stage.observer.off_wanted.clear()
        while stage.now() < min(lasts, until):
            stage.wait(min(lasts, until))  # what it hears is heard by nobody
        stage.is_down = False
        stage.down_until, stage.hung_until = None, 0
        stage.observer.off_wanted.clear()  # whoever wanted it is gone, and has told nobody
        stage.observer.wall = 0
        self._reread()
        for _, event in stage.journal.events():  # a yes that was kept, though nobody was told of it
            if isinstance(event, Answered):
                self._answered(event)
        world = restore(stage.journal, stage.setup, stage.now())
        for job in (job for one in world.packs.values() for job in one.jobs):
            if not any(isinstance(action, Ask) for action in job.actions):
                stage.observer.asking.discard(job.id)  # of edited rules: it has another's name
        now = max(stage.now(), world.now)
        return self._service(world), [Started(now, 0, stage.now() - since)]

    # ---- what the observer has to know of it -------------------------------------------------

    def _stepped(self, world: World) -> None:
        observer = self.stage.observer
        observer.stepped_at = now = self.stage.now()
        observer.believed = world.packs
        self.stepped(now)
        if world.stations is self.judged:
            return
        self.judged = world.stations
        for name, station in world.stations.items():
            if not station.locked:
                observer.locked_at.pop(name, None)
            else:
                observer.locked_at.setdefault(name, now)

    def _told(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        stage = self.stage
        match event:
            case Released(what=what):
                stage.observer.locked.discard(what)
                if what == "site":
                    stage.observer.stopped_at = None
            case Stopped(by="a person"):
                stage.observer.stopped_at = stage.now()
            case Answered():
                self._answered(event)
            case _:
                pass
        for one in outcomes:
            match one:
                case SwitchOn(renewal=True) | AskPlug():
                    continue
                case SwitchOff(again=again) if again:
                    continue
                case SwitchOn(plug=plug):
                    self.ons += 1
                    station, _ = stage.world.bench.side_of[plug]
                    stage.observer.cap_wh[plug] = world.stations[station].dwell.energy_wh_max
                    its = _job(world, one.job)
                    if its is not None:  # else the journal failed, and the ON was never said
                        soc = world.packs[its.pack].soc
                        stage.observer.begun[plug] = Begun(its.id, its.pack, its.action, soc)
                case ChoreOpened(key=key):
                    self._asked(world, key)
                case Notice(key=key, text=text, urgent=True):
                    for plug in world.plugs:
                        if plug in text or plug in key:
                            stage.observer.told.add(plug)
                case OffProven(plug=plug):
                    stage.observer.told.discard(plug)
                case StationLocked(station=station):
                    stage.observer.locked.add(station)
            stage.say(one)

    def _answered(self, event: Answered) -> None:
        if event.yes and event.heard <= self.answer_by.get(event.job, 0):
            self.stage.observer.asking.discard(event.job)

    def _asked(self, world: World, name: str) -> None:
        """A job asks a person, who says yes or no, in time or too late, or nothing."""
        job = _job(world, name)
        if job is not None and job.stage is not None and job.phase is Phase.WAITING:
            # Drawn apart, so that nothing else of any night is drawn otherwise for it.
            its = Random(f"reads {self.night.seed} {self.night.number} {name}")
            act = reads(self.stage, job.pack, its.gauss(0, READ_V))
            self.stage.later(its.randrange(*READ_AFTER), act)
        if job is None or not isinstance(job.action, Ask):
            return
        stage, chance = self.stage, self.people
        stage.observer.asking.add(name)
        self.answer_by[name] = stage.now() + job.action.within
        yes, after = chance.random() < YES_SHARE, chance.randrange(round(1.5 * job.action.within))
        if chance.random() < ANSWER_SHARE:
            stage.later(after, lambda: [Answered(stage.now(), name, yes)])


def _job(world: World, name: str) -> Job | None:
    return next((job for one in world.packs.values() for job in one.jobs if job.id == name), None)


@lru_cache(NOISES)
def _noise(ring: int) -> Noise:
    return Noise(f"campaign {ring}")
