"""A small site, rule text, and a world that is stepped by events: what the tests of the loop share.

A story is a line of words. `0s soc=96; 10m t=21; 24h` has a charge stated at the beginning, a
temperature ten minutes later, and ends a day after the beginning. Its facts:

    soc=96 t=21 v=22.4 cells=3.7,3.8,...   a sample of the pack
    late=10s                               the facts before it were true so much earlier
    room=35 smoke=1                        a sample of the room
    use=36h                                a use is planned so long after the beginning
    +charge                                something happened to the pack
    on=bench off_bench                     the pack is hung on a station, or taken off
    tick twice                             an extra look; the last sample is heard once more
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from woken_kit import asleep

from carerules.battery import shipped_chemistries
from carerules.domain.decision import AskPlug, Fired, Outcome, SwitchOff, SwitchOn
from carerules.domain.event import (
    Event,
    Happened,
    Placed,
    PlugReport,
    Sample,
    SiteSample,
    Started,
    Tick,
    UsePlanned,
    Value,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Site, Socket, Station, Use
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.loop import Dues, Setup, World, make_setup, new_world, next_due, step

BEGIN: Moment = 1_764_892_800_000  # Friday 5 December 2025, midnight UTC
CHEMISTRIES = shipped_chemistries()
SIGNALS = catalogue()
CELLS = 6

_UNITS = {"ms": 1, "s": SECOND, "m": MINUTE, "h": HOUR, "d": DAY}


def span(text: str) -> int:
    """`24h`, `1h30m`, `10m1ms` in milliseconds."""
    parts = re.findall(r"(\d+(?:\.\d+)?)(ms|s|m|h|d)", text)
    assert "".join(a + b for a, b in parts) == text, f"`{text}` is no span"
    return sum(round(float(number) * _UNITS[unit]) for number, unit in parts)


def show_span(moment: Moment, begin: Moment = BEGIN) -> str:
    """The moment as a span since the beginning, in the largest units."""
    left, words = moment - begin, ""
    for unit, size in (("d", DAY), ("h", HOUR), ("m", MINUTE), ("s", SECOND), ("ms", 1)):
        count, left = divmod(left, size)
        words += f"{count}{unit}" if count else ""
    return words or "0s"


# ---- the site --------------------------------------------------------------------------------


def make_site(
    packs: Sequence[str] = ("heron",),
    stations: Sequence[str] = (),
    zone: str = "UTC",
    blind: bool = False,
    **plug: Any,
) -> Site:
    """Packs of six lipo cells and 16 Ah; each station has a load of 60 W and a charger of 200 W."""
    limits = CHEMISTRIES["lipo"].limits
    return Site(
        name="river survey",
        local=LocalTime(ZoneInfo(zone)),
        packs={name: Pack(name, "lipo", CELLS, 16.0, limits) for name in packs},
        stations={
            name: Station(
                name, Socket(f"{name}-load", 60.0), Socket(f"{name}-charger", 200.0), blind=blind
            )
            for name in stations
        },
        plugs={
            f"{name}-{side}": Plug(f"{name}-{side}", "kit", **plug)
            for name in stations
            for side in ("load", "charger")
        },
        virtual=True,
    )


def plan_of(rules: str) -> Plan:
    """The plan of rule text; a mistake in it is a mistake of the test."""
    loaded = load({"kit.care": rules}, catalogue=SIGNALS)
    assert loaded.plan is not None, "\n".join(one.show(rules) for one in loaded.diagnostics)
    return loaded.plan


def setup_of(rules: str, site: Site | None = None) -> Setup:
    return make_setup(site or make_site(), CHEMISTRIES, SIGNALS, plan_of(rules))


# ---- a world that is stepped -----------------------------------------------------------------


@dataclass
class Stage:
    """A world, and all that was heard and decided in it. Plugs obey unless they are taken away.

    `now` is where time has come to. `obey`: each plug does as it is told and says so 200 ms later.
    """

    world: World
    now: Moment = BEGIN
    obey: bool = True
    log: list[tuple[Event, Sequence[Outcome]]] = field(default_factory=list)
    on: dict[str, Moment | None] = field(default_factory=dict)
    feeds: dict[str, Callable[[Moment], Event | None]] = field(default_factory=dict)
    power_w: dict[str, float] = field(default_factory=dict)
    _answers: list[tuple[Moment, str]] = field(default_factory=list)
    step: Callable[[World, Event], tuple[World, Sequence[Outcome]]] = step
    feed_each: int = 10 * SECOND
    dues: Dues = field(default_factory=Dues)

    def hear(self, event: Event) -> Sequence[Outcome]:
        """One event; its `heard` must not lie behind."""
        assert event.heard >= self.now
        self.now = event.heard
        before = self.world
        self.world, outcomes = self.step(before, event)
        # Whatever a test is about: who keeps the dues up as it goes on says what the whole says.
        self.dues.follow(before, self.world)
        assert self.dues.next(self.world) == next_due(self.world)
        assert asleep(self.world) == [], "nothing is due for it, and it would go on"
        self.log.append((event, outcomes))
        for outcome in outcomes:
            self._perform(outcome)
        return outcomes

    def until(self, moment: Moment, *, ticking: bool = True) -> None:
        """Time goes on: answers of plugs, feeds, and a tick whenever one is due."""
        while True:
            due = next_due(self.world) if ticking else moment
            answer = min((at for at, _ in self._answers), default=moment)
            fed = (self.now // self.feed_each + 1) * self.feed_each if self.feeds else moment
            at = max(self.now, min(due, answer, fed, moment))
            if at == answer and self._answers and answer <= moment:
                self._say(at)
            elif self.feeds and at == fed:
                self.now = at
                for feed in self.feeds.values():
                    event = feed(at)
                    if event is not None:
                        self.hear(event)
                if at >= moment:
                    return
            elif at >= moment:
                self.hear(Tick(moment))
                return
            else:
                self.hear(Tick(at))

    def _perform(self, outcome: Outcome) -> None:
        if not self.obey:
            return
        match outcome:
            case SwitchOn(plug, lease_s):
                self.on[plug] = self.now + (lease_s or 10**9) * SECOND
            case SwitchOff(plug):
                self.on[plug] = None
            case AskPlug(plug):
                pass
            case _:
                return
        self._answers.append((self.now + 200, plug))

    def _say(self, at: Moment) -> None:
        _, plug = answer = min(self._answers)
        self._answers.remove(answer)
        deadline = self.on.get(plug)
        on = deadline is not None and deadline > at
        usual = 60.0 if plug.endswith("load") else 200.0
        power: float | None = self.power_w.get(plug, usual) if on else 0.0
        if not self.world.setup.site.plugs[plug].metered:
            power = None
        left = (deadline - at) / SECOND if on and deadline else None
        self.hear(PlugReport(at, plug, on, power, left))

    # ---- what was decided ----------------------------------------------------------------------

    def all(self, *kinds: type) -> list[Any]:
        """Every outcome of these kinds, in order."""
        return [one for _, outcomes in self.log for one in outcomes if isinstance(one, kinds)]

    def timed(self, *kinds: type) -> list[tuple[str, Any]]:
        """Every outcome of these kinds, with when it was decided."""
        return [
            (show_span(event.heard), one)
            for event, outcomes in self.log
            for one in outcomes
            if isinstance(one, kinds)
        ]

    def fired(self) -> list[str]:
        """`rule@24h`: each rule that fired, and since when its condition was true."""
        return [f"{one.rule}@{show_span(one.since)}" for one in self.all(Fired)]

    def lines(self) -> list[str]:
        """All that was decided, told as the journal would."""
        return [f"{show_span(event.heard)} {one}" for event, outs in self.log for one in outs]

    @property
    def jobs(self) -> list[Any]:
        return [job for state in self.world.packs.values() for job in state.jobs]


def stage_of(rules: str, site: Site | None = None, **kept: Any) -> Stage:
    """A stage whose service has just begun."""
    stage = Stage(new_world(setup_of(rules, site), BEGIN), **kept)
    stage.hear(Started(BEGIN))
    return stage


def with_rules(world: World, rules: str) -> Setup:
    """The site of a world under other rules."""
    return make_setup(world.setup.site, CHEMISTRIES, SIGNALS, plan_of(rules))


# ---- stories ---------------------------------------------------------------------------------


def sample(
    at: Moment, pack: str = "heron", *, heard: Moment | None = None, cell: float | None = None,
    spread: float = 0.003, **values: float,
) -> Sample:  # fmt: skip
    """A sample; `soc=96`, `temperature=21`, and all cells at `cell` volts."""
    return Sample(
        at if heard is None else heard, at, pack,
        tuple(Value(f"pack.{name}", value) for name, value in values.items()), "kit",
        (cell,) * CELLS if cell is not None else (), spread,
    )  # fmt: skip


_SIGNAL = {"soc": "pack.soc", "t": "pack.temperature", "v": "pack.voltage", "a": "pack.current",
           "cap": "pack.capacity", "mohm": "pack.resistance"}  # fmt: skip
_ROOM = {"room": "site.temperature", "smoke": "site.smoke"}


def events_of(story: str, pack: str = "heron", begin: Moment = BEGIN) -> list[Event]:
    """The events of a story, without its end."""
    return list(_events(story, pack, begin))


def _events(story: str, pack: str, begin: Moment) -> Iterator[Event]:
    last: Event | None = None
    for scene in story.split(";"):
        when, *words = scene.split()
        at, values, cells, late, room = begin + span(when), [], (), 0, []
        others: list[Event] = []
        for word in words:
            name, _, value = word.partition("=")
            if name in _SIGNAL:
                values.append(Value(_SIGNAL[name], float(value)))
            elif name in _ROOM:
                room.append(Value(_ROOM[name], float(value)))
            elif name == "cells":
                cells = tuple(map(float, value.split(",")))
            elif name == "late":
                late = span(value)
            elif name == "use":
                others.append(UsePlanned(at, Use("survey", begin + span(value), frozenset({pack}))))
            elif name.startswith("+"):
                others.append(Happened(at, at, pack, name[1:], "kit"))
            elif name == "on":
                others.append(Placed(at, pack, value))
            elif name == "off_bench":
                others.append(Placed(at, pack, None))
            elif name == "tick":
                others.append(Tick(at))
            elif name == "twice":
                assert isinstance(last, Sample)
                others.append(replace(last, heard=at))
            else:
                raise AssertionError(f"`{word}` is no word of a story")
        if values or cells:
            last = Sample(at, at - late, pack, tuple(values), "kit", cells, 0.003)
            yield last
        if room:
            yield SiteSample(at, at - late, tuple(room), "kit")
        yield from others


def end_of(story: str, begin: Moment = BEGIN) -> Moment:
    return begin + span(story.rsplit(";", maxsplit=1)[-1].split(maxsplit=1)[0])


def play(
    rules: str, story: str, *, site: Site | None = None, ticking: bool = True,
    begin: Moment = BEGIN,
) -> Stage:  # fmt: skip
    """A story gone through under rules, to its end."""
    stage = Stage(new_world(setup_of(rules, site), begin), begin)
    stage.hear(Started(begin))
    run(stage, events_of(story, begin=begin), end_of(story, begin), ticking=ticking)
    return stage


def run(stage: Stage, events: Iterable[Event], end: Moment, *, ticking: bool = True) -> None:
    for event in events:
        # What is due at the very moment of an event is looked at with it, not before it.
        if ticking and event.heard - 1 > stage.now:
            stage.until(event.heard - 1)
        stage.hear(event)
    stage.until(end, ticking=ticking)
