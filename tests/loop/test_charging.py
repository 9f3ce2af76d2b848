"""A charge through a metered plug ends in what it was, without a person's entry.

The pack here is our own: a rest curve, a resistance, a charger with steady current and then steady
voltage to a twentieth of the capacity, 88 % of the wall's energy and 2.5 W for itself.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from kit import BEGIN, CELLS, CHEMISTRIES, HOUR, MINUTE, SECOND, Stage, make_site, sample, stage_of

from carerules.domain.decision import Ending, JobEnded, Marked, Notice
from carerules.domain.event import Attended, Cancelled, Happened, Placed, PlugReport
from carerules.domain.quantity import Known
from carerules.loop import learn
from carerules.service.image import dump, load

LIPO = CHEMISTRIES["lipo"]
SHARE, OWN_W, OHM, CAPACITY_AH = 0.88, 2.5, 0.05, 16.0
FILL = "rule fill\n    when pack.soc < 60 %: charge to 100 %\n"
COUNTS = 'rule counts\n    when count charge in last 7 d >= 1: notify "{pack} was charged"\n'


class Bench:
    """A pack that is filled while its charger is on, and a stage that sees its volts and plug."""

    def __init__(self, rules: str = FILL + COUNTS, start: float = 50.0) -> None:
        self.charge, self.at, self.into_wh = start / 100, BEGIN, 0.0
        self.pulled = self.off_charger = False
        self.stage = stage_of(rules, make_site(stations=("bench",)))
        self.stage.power_w["bench-charger"] = OWN_W
        self.stage.hear(Placed(BEGIN + 1, "heron", "bench"))
        self.stage.hear(Attended(BEGIN + 2, BEGIN + 12 * HOUR))
        self.stage.hear(sample(BEGIN + 3, soc=start, spread=0.003))
        self.stage.feeds["heron"] = self.feed

    def feed(self, at: int) -> Any:
        seconds, self.at = (at - self.at) / 1000, at
        on = self.stage.world.plugs["bench-charger"].on is True
        amps, rest_v = 0.0, float(np.interp(self.charge, LIPO.fractions, LIPO.volts))
        if on and not self.pulled and not self.off_charger:
            amps = min(7.0, (CELLS * LIPO.volts[-1] - CELLS * rest_v) / OHM)
            if amps <= CAPACITY_AH / 20:
                amps, self.off_charger = 0.0, True
        watts = amps * (CELLS * rest_v + amps * OHM)
        self.charge += amps * seconds / 3600 / CAPACITY_AH
        self.into_wh += watts * seconds / 3600
        self.stage.power_w["bench-charger"] = watts / SHARE + OWN_W
        return sample(at, temperature=21, cell=rest_v + amps * OHM / CELLS)

    def until(self, moment: int) -> Bench:
        self.stage.until(moment)
        return self

    @property
    def soc(self) -> Known:
        reading = self.stage.world.packs["heron"].soc
        assert isinstance(reading, Known)
        return reading

    def times(self, what: str) -> int:
        return len(self.stage.world.packs["heron"].happened.get(what, ()))

    @property
    def session(self) -> Any:
        return self.stage.world.stations["bench"].session


def nobody_said_so(stage: Stage) -> bool:
    return not [event for event, _ in stage.log if isinstance(event, Happened)]


def test_a_charge_through_a_metered_plug_is_known_to_be_full() -> None:
    bench = Bench().until(BEGIN + 5 * HOUR)
    assert bench.off_charger, "the charger came to its end"
    assert bench.session.ending == "full"
    assert (bench.times("full"), bench.times("charge")) == (1, 1)
    assert bench.stage.fired().count("counts@" + bench.stage.fired()[-1].split("@")[1]) == 1
    assert bench.soc.value == pytest.approx(100, abs=2)
    assert nobody_said_so(bench.stage)
    marked = [(one.pack, one.event) for one in bench.stage.all(Marked)]
    assert sorted(marked) == [("heron", "charge"), ("heron", "full")]


def test_the_estimate_says_who_knows_that_it_is_full() -> None:
    # No volts after the charger's end: nothing else can say it.
    bench = Bench()
    while not bench.off_charger:
        bench.until(bench.stage.now + MINUTE)
    bench.until(bench.stage.now + 30 * SECOND)
    assert bench.soc.source == "charged full"
    assert bench.soc.spread == pytest.approx(2.0)


def test_a_charger_that_finds_nothing_to_do_far_below_the_target_has_failed() -> None:
    """Another pack hangs on it, a full one, or none: the pack that is read stays where it is."""
    bench = Bench()
    bench.off_charger = True
    bench.until(BEGIN + 30 * MINUTE)
    (ended,) = bench.stage.all(JobEnded)
    assert ended.ending is Ending.FAILED
    why = "the charger is at its end, yet heron reads 50 %"
    assert ended.why == f"{why}: see that heron hangs on it"
    assert [one.urgent for one in bench.stage.all(Notice) if ended.why in one.text] == [True]
    assert (bench.times("full"), bench.times("charge")) == (0, 0)


def test_a_charger_that_ends_at_an_owners_ceiling_is_done() -> None:
    """4.1 V a cell are some 90 %: it goes as far as the owner lets it."""
    bench = Bench(start=89.0, rules=FILL.replace("60 %", "95 %"))
    bench.off_charger = True
    bench.until(BEGIN + 30 * MINUTE)
    (ended,) = bench.stage.all(JobEnded)
    assert ended.ending is Ending.DONE


def test_a_charger_that_its_plugs_timer_opened_has_not_come_to_its_end() -> None:
    """Nobody renewed the lease: no power is no taper, and the pack is not charged."""
    bench = Bench().until(BEGIN + HOUR)
    while bench.stage.now - bench.stage.world.plugs["bench-charger"].said_at < 10 * SECOND:
        bench.until(bench.stage.now + SECOND)
    bench.stage.obey = False
    bench.stage.hear(PlugReport(bench.stage.now, "bench-charger", on=False, power_w=0.0))
    ended = bench.stage.all(JobEnded)[-1]
    assert ended.ending is Ending.FAILED
    assert "switched off by somebody else" in ended.why
    assert bench.times("full") == 0


def pull(bench: Bench) -> None:
    bench.pulled = True


def call_off(bench: Bench) -> None:
    bench.stage.hear(Cancelled(bench.stage.now, "heron-1"))


@pytest.mark.parametrize("accident", [pull, call_off])
def test_a_charge_that_is_broken_off_is_counted_and_not_full(
    accident: Callable[[Bench], None],
) -> None:
    bench = Bench(start=20.0).until(BEGIN + 90 * MINUTE)
    assert bench.session.runs
    accident(bench)
    bench.until(bench.stage.now + 40 * MINUTE)
    assert not bench.session.runs
    assert bench.session.ending in ("interrupted", "stopped")
    assert (bench.times("full"), bench.times("charge")) == (0, 1)
    assert not [one for one in bench.stage.all(JobEnded) if one.ending.value == "failed"]


def test_a_charge_to_a_target_below_full_is_counted_once_and_not_full() -> None:
    rules = "rule some\n    when pack.soc < 60 %: charge to 75 %\n"
    bench = Bench(rules).until(BEGIN + 3 * HOUR)
    assert bench.times("charge") == 1
    assert bench.times("full") == 0


def test_a_charge_in_two_lines_is_one_charge() -> None:
    rules = "rule some\n    when pack.soc < 60 %:\n        charge to 65 %\n        charge to 80 %\n"
    bench = Bench(rules).until(BEGIN + 3 * HOUR)
    assert bench.charge > 0.78
    assert bench.times("charge") == 1


def test_a_pack_that_is_changed_in_mid_charge_is_in_doubt_and_said_so() -> None:
    bench = Bench(start=20.0).until(BEGIN + 90 * MINUTE)
    bench.stage.hear(Placed(bench.stage.now, "heron", "bench"))  # put on anew: off and on again
    bench.until(bench.stage.now + 2 * MINUTE)
    assert bench.times("full") == 0
    notices = [one.text for one in bench.stage.all(Notice) if one.key == "charge bench"]
    assert notices == ["heron: whether it is full is unknown, the charge at bench was not read: "
                       "the pack was changed"]  # fmt: skip


def test_what_a_charger_takes_for_itself_and_how_good_it_is_are_learned() -> None:
    bench = Bench(start=20.0)
    # what the pack holds before is known from a rest, not only from a word
    low = float(np.interp(0.20, LIPO.fractions, LIPO.volts))
    bench.stage.hear(sample(BEGIN + 4, soc=20.0, cell=low))
    bench.until(BEGIN + 5 * HOUR)
    habit = bench.stage.world.stations["bench"].habit
    assert bench.session.ending == "full"
    assert habit.doubt < 0.05
    assert abs(habit.efficiency - SHARE) <= 2 * habit.doubt
    before = bench.session.start_soc
    assert before == pytest.approx(20, abs=3)


def test_a_session_lives_through_a_restart() -> None:
    bench = Bench().until(BEGIN + HOUR)
    place = bench.stage.world.stations["bench"]
    assert place.session.runs
    assert load(dump(place)) == place


def test_what_is_gone_through_again_counts_no_charge_twice() -> None:
    bench = Bench().until(BEGIN + 5 * HOUR)
    fresh = stage_of(FILL + COUNTS, make_site(stations=("bench",)))
    world = fresh.world
    for event, outcomes in bench.stage.log:
        if event.heard > world.now:
            world = learn(world, event, outcomes)
    assert len(world.packs["heron"].happened["charge"]) == 1
    assert len(world.packs["heron"].happened["full"]) == 1
    assert world.stations["bench"].session.told
