"""Ten packs, one plug, no telemetry, and somebody who comes by twice a day and reads the list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import pytest

from carerules.cli.virtual import virtual_outside, virtual_world, visited
from carerules.config import SiteFile, read_site
from carerules.domain.decision import JobEnded, Notice, Outcome
from carerules.domain.event import A_PERSON, Answered, Event, Happened, Placed, Sample, Started
from carerules.domain.moment import DAY, HOUR, Moment
from carerules.domain.quantity import Known
from carerules.loop import World, new_world
from carerules.report.tally import Tally
from carerules.service import Service, read_rules

ONE_PLUG = Path(__file__).parents[2] / "examples" / "one-plug" / "site.toml"
DAYS = 28
MADE_FULL = "dunlin"  # of iron phosphate, whose rules let it be full for a month


@dataclass
class Played:
    """A site that was played to its end, and the lowest that any cell truly came down to."""

    after: World
    tally: Tally
    began: Moment
    events: list[Event] = field(default_factory=list)
    ended: list[JobEnded] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    drained_to: dict[str, float] = field(default_factory=dict)
    broken_off: set[tuple[str, Moment]] = field(default_factory=set)


def one_plug(path: Path = ONE_PLUG) -> SiteFile:
    site = read_site(path)
    assert isinstance(site, SiteFile)
    return site


@cache
def played(*minutes: int) -> Played:
    return _play(one_plug(), minutes, DAYS)


def _play(site: SiteFile, minutes: tuple[int, ...], days: int) -> Played:
    assert site.virtual is not None
    site = replace(site, virtual=replace(site.virtual, visits=minutes))
    setup = read_rules(site).setup
    assert setup is not None
    world = virtual_world(site)
    outside = virtual_outside(world, None)
    known = new_world(setup, world.now)
    found = Played(known, Tally(), world.now)
    found.tally.begin(known)

    def told(event: Event, outcomes: Sequence[Outcome], now: World) -> None:
        found.tally.add(outcomes, now)
        found.events.append(event)
        for one in outcomes:
            if isinstance(one, JobEnded):
                found.ended.append(one)
            if isinstance(one, Notice):
                found.notices.append(one)
        taken_off = isinstance(event, Placed) and event.station is None
        if taken_off and any(job.rounds for job in now.packs[event.pack].jobs):
            found.broken_off.add((event.pack, event.heard))
        name = now.hangs.get("shelf")
        if name is not None and now.plugs["shelf-load"].on_at is not None:
            lowest = min(world.bench.packs[name].cell_v)
            found.drained_to[name] = min(lowest, found.drained_to.get(name, lowest))

    service = Service(known, outside, None, told, idle=HOUR)
    visited(service, site, world, outside)
    found.after = service.run([Started(world.now)], world.now + days * DAY)
    return found


def charge(world: World, name: str) -> float:
    soc = world.packs[name].soc
    assert isinstance(soc, Known), name
    return soc.value_at(world.now)


TWICE = (8 * 60, 20 * 60)


def test_all_come_to_storage_by_one_plug_and_the_list() -> None:
    found = played(*TWICE)
    for name in found.after.packs:
        if name != MADE_FULL:
            assert charge(found.after, name) < 55, name
    assert not [one for one in found.ended if one.ending.value in ("failed", "refused")]
    assert not [one for one in found.notices if one.urgent]


def test_no_cell_truly_comes_below_its_floor() -> None:
    found = played(*TWICE)
    assert len(found.drained_to) >= 8
    for name, lowest_v in found.drained_to.items():
        assert lowest_v > found.after.setup.site.packs[name].limits.cell_v_floor, name


def test_without_anybody_the_packs_lie_full() -> None:
    alone, heeded = played(), played(*TWICE)
    names = [name for name in alone.after.packs if name != MADE_FULL]
    full = sum(alone.tally.packs[name].full for name in names)
    assert full > 2 * sum(heeded.tally.packs[name].full for name in names)


def test_they_come_at_those_times_and_at_no_other() -> None:
    found = played(*TWICE)
    local = found.after.local
    read = [one for one in found.events if isinstance(one, Sample) and one.source == A_PERSON]
    assert len(read) >= 12
    hung = [one for one in found.events if isinstance(one, Placed) and one.station == "shelf"]
    hung = [one for one in hung if one.heard > found.began]  # where it hung from the beginning
    times = {local.read(one.heard).strftime("%H:%M") for one in (*read, *hung)}
    assert times == {"08:00", "20:00"}
    assert len({one.pack for one in hung}) >= 8


@pytest.mark.parametrize("minutes", [(0,), (23 * 60 + 59,), (60, 61, 62)])
def test_a_visit_may_be_at_any_minute(minutes: tuple[int, ...]) -> None:
    found = _play(one_plug(), minutes, days=3)
    times = sorted({one.heard for one in found.events if isinstance(one, Sample)})
    assert times
    assert all(found.after.local.read(at).second == 0 for at in times)
    assert {_minute(found.after, at) for at in times} <= set(minutes)


def _minute(world: World, at: Moment) -> int:
    shown = world.local.read(at)
    return 60 * shown.hour + shown.minute


def test_a_question_is_answered_and_a_charge_that_no_plug_may_is_done_by_hand(
    tmp_path: Path,
) -> None:
    text = ONE_PLUG.read_text(encoding="utf-8")
    (tmp_path / "site.toml").write_text(text, encoding="utf-8")
    (tmp_path / "packs.care").write_text(
        "rule asked on pack heron\n    when pack.soc > 50 %:\n"
        '        ask "drain {pack}?" within 20 h\n        drain to 45 %\n'
        "rule filled on pack teal\n    when pack.soc < 80 %: charge to 100 %\n",
        encoding="utf-8",
    )
    found = _play(one_plug(tmp_path / "site.toml"), TWICE, days=2)
    answers = [one for one in found.events if isinstance(one, Answered)]
    assert len(answers) == 1
    assert answers[0].yes
    assert charge(found.after, "heron") < 56
    full = [one for one in found.events if isinstance(one, Happened) and one.what == "full"]
    assert {one.pack for one in full} == {"teal"}
    assert charge(found.after, "teal") > 98


def test_whoever_comes_hangs_one_pack_on_a_station_and_leaves_one_that_is_at_work() -> None:
    """Nine packs want the one station: the oldest job first, one a visit, none taken off early."""
    found = played(*TWICE)
    moves = [one for one in found.events if isinstance(one, Placed) and one.heard > found.began]
    for at in {one.heard for one in moves}:
        assert len([one for one in moves if one.heard == at and one.station is not None]) <= 1
    out = {(one.pack, one.heard) for one in found.events if isinstance(one, Happened)}
    assert found.broken_off <= out, "only a use takes a pack off that is being drained"
