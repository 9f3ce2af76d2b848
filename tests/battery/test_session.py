"""Charges read off a plug's power, at 1 s to 5 min between reports, with gaps and with accidents.

The traces are our own: a pack as a rest curve with a resistance, a charger with steady current,
then steady voltage to a twentieth of the capacity (the end of charge in IEC 61960 tests, from
memory), an efficiency and a draw of its own. Shapes of accidents: common practice, no source.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from benchpack import LFP, LIPO, MINUTE, START

from carerules.battery import Chemistry
from carerules.battery.session import (
    EFFICIENCY,
    REPORT_MAX,
    Habit,
    Session,
    broken_off,
    efficiency_seen,
    heard,
    standing_by,
)
from carerules.domain.moment import HOUR, SECOND, Moment

CELLS, CAPACITY_AH = 6, 16.0
OWN_W, SHARE = 2.5, 0.88
Trace = list[tuple[Moment, float]]
"""Moments and watts at the wall."""


@dataclass
class Filling:
    """A pack being filled; `charge` of 1."""

    charge: float
    chemistry: Chemistry = LIPO
    most_a: float = 7.0
    ohm: float = 0.05
    into_wh: float = 0.0

    def second(self, seconds: float) -> float:
        """Watts into the pack over so many seconds; 0 when the charger has ended."""
        rest_v = CELLS * float(
            np.interp(self.charge, self.chemistry.fractions, self.chemistry.volts)
        )
        amps = min(self.most_a, (CELLS * self.chemistry.volts[-1] - rest_v) / self.ohm)
        if amps <= CAPACITY_AH / 20:
            return 0.0
        watts = amps * (rest_v + amps * self.ohm)
        self.charge += amps * seconds / 3600 / CAPACITY_AH
        self.into_wh += watts * seconds / 3600
        return watts


def filled(
    start: float = 0.3, *, chemistry: Chemistry = LIPO, hours: float = 4.0, ohm: float = 0.05
) -> tuple[Trace, Filling]:
    """Each second of a charge to its end, from ten minutes before to the end of `hours`."""
    pack, trace = Filling(start, chemistry, ohm=ohm), []
    for second in range(round(hours * 3600)):
        watts = pack.second(1.0) if second >= 600 else 0.0
        trace.append((START + second * SECOND, watts / SHARE + OWN_W))
    return trace, pack


def each(trace: Trace, every_s: int, chance: Random | None = None) -> Trace:
    """Every so many seconds, off by up to a tenth where chance is given."""
    kept, due = [], trace[0][0]
    for at, watts in trace:
        if at >= due:
            kept.append((at, watts))
            wander = chance.uniform(-0.1, 0.1) if chance else 0.0
            due = at + round(every_s * SECOND * (1 + wander))
    return kept


def follow(
    trace: Sequence[tuple[Moment, float]], habit: Habit | None = None, usual_w: float = 200.0
) -> Iterator[Session]:
    session, habit = Session(), habit or Habit()
    for at, watts in trace:
        session = heard(session, habit, usual_w, at, on=True, power_w=watts)
        habit = standing_by(habit, session, watts, usual_w)
        yield session


def end(trace: Trace, habit: Habit | None = None) -> Session:
    return list(follow(trace, habit))[-1]


CADENCES = [1, 10, 30, 60, 150, 300]


@pytest.mark.parametrize("every_s", CADENCES)
@pytest.mark.parametrize("start", [0.05, 0.3, 0.6, 0.85])
def test_a_charge_to_the_end_of_its_taper_is_full(every_s: int, start: float) -> None:
    trace, pack = filled(start, hours=5.0)
    session = end(each(trace, every_s, Random(every_s)))
    assert session.ending == "full", session
    assert not session.runs
    habit = Habit(SHARE, 0.02, OWN_W, 20)
    # straight lines between reports: five minutes are coarse at both ends
    assert session.pack_wh(habit) == pytest.approx(pack.into_wh, rel=0.02 + every_s / 3_000)


@pytest.mark.parametrize("every_s", CADENCES)
def test_its_phases_come_in_order(every_s: int) -> None:
    trace, _ = filled(0.3)
    phases = [session.phase for session in follow(each(trace, every_s))]
    changes = [
        phase for index, phase in enumerate(phases) if index == 0 or phases[index - 1] != phase
    ]
    assert changes == ["idle", "steady", "taper", "idle"]


def test_iron_phosphate_with_its_short_taper_is_full_as_well() -> None:
    # 25 mΩ a cell with the slow part of its sag: the taper takes a minute and a half
    trace, _ = filled(0.3, chemistry=LFP, ohm=0.15)
    assert end(each(trace, 10)).ending == "full"


def test_a_charger_whose_own_draw_is_unknown_and_not_small_ends_all_the_same() -> None:
    # 2.5 W of a 20 W charger are 12 %: not low by themselves, but they stand still
    trace, _ = filled(0.6)
    small = [(at, OWN_W + (watts - OWN_W) / 9) for at, watts in trace if at >= START + 600 * SECOND]
    seen = list(follow(each(small, 30), usual_w=20.0))
    assert seen[-1].ending == "full"


@pytest.mark.parametrize("noise", [0.01, 0.03])
def test_noise_changes_nothing(noise: float) -> None:
    trace, _ = filled(0.4)
    chance = Random(8)
    noisy = [(at, watts * (1 + chance.gauss(0, noise / 2))) for at, watts in each(trace, 5)]
    assert end(noisy).ending == "full"


def test_pauses_of_seconds_are_not_the_end() -> None:
    # the charger lets go for two seconds each minute to read the voltage
    trace, _ = filled(0.4)
    paused = [(at, OWN_W if at // SECOND % 60 < 2 else watts) for at, watts in trace]
    seen = list(follow(paused))
    assert seen[-1].ending == "full"
    assert sum(a.runs and not b.runs for a, b in pairwise(seen)) == 1


def test_what_rushes_in_at_first_is_no_peak() -> None:
    trace, _ = filled(0.4)
    begin = START + 600 * SECOND
    rushing = [(at, 3 * watts if at - begin in range(3 * SECOND) else watts) for at, watts in trace]
    assert end(rushing).ending == "full"


# ---- what is not full ------------------------------------------------------------------------

CUT = START + 90 * MINUTE


def pulled(trace: Trace) -> Trace:
    """The pack is taken off the charger in mid charge."""
    return [(at, watts if at < CUT else OWN_W) for at, watts in trace]


def unplugged(trace: Trace) -> Trace:
    """The charger is pulled out of its plug."""
    return [(at, watts if at < CUT else 0.0) for at, watts in trace]


def in_the_taper(trace: Trace) -> Trace:
    """The pack is taken off early in its taper."""
    peak = max(watts for _, watts in trace)
    top = next(i for i, (_, watts) in enumerate(trace) if watts == peak)
    cut = next(at for at, watts in trace[top:] if watts < 0.6 * peak)
    return [(at, watts if at < cut else OWN_W) for at, watts in trace]


@pytest.mark.parametrize("every_s", CADENCES)
@pytest.mark.parametrize("accident", [pulled, unplugged, in_the_taper])
def test_a_charge_that_is_broken_off_is_not_full(
    accident: Callable[[Trace], Trace], every_s: int
) -> None:
    trace, _ = filled(0.1)
    session = end(each(accident(trace), every_s))
    assert session.ending == "interrupted", session


@pytest.mark.parametrize("every_s", CADENCES)
def test_a_charge_that_is_stopped_by_hand_is_not_full(every_s: int) -> None:
    trace, _ = filled(0.1)
    running = end(each([one for one in trace if one[0] < CUT], every_s))
    session = heard(running, Habit(), 200.0, CUT, on=False, power_w=0.0)
    assert session.ending == "stopped"
    assert session.wall_wh > 50


def test_a_charge_that_goes_on_within_half_an_hour_is_the_same() -> None:
    trace, _ = filled(0.1)
    paused = [
        (at + (20 * MINUTE if at >= CUT else 0), watts) for at, watts in trace
        if not CUT <= at < CUT  # the pause itself is below
    ]  # fmt: skip
    gap = [(CUT + minute * MINUTE, OWN_W) for minute in range(1, 20)]
    seen = list(follow(each(sorted([*paused, *gap]), 30)))
    begins = {session.began for session in seen if session.began is not None}
    assert len(begins) == 1
    assert seen[-1].ending == "full"


@pytest.mark.parametrize("minutes", [10, 45, 75])
def test_a_gap_over_the_fall_leaves_it_in_doubt(minutes: int) -> None:
    trace, _ = filled(0.3)
    done = next(at for at, watts in trace[601:] if watts <= OWN_W)
    holes = [
        one for one in each(trace, 30) if not done - minutes * MINUTE <= one[0] < done + MINUTE
    ]
    session = end(holes)
    assert session.ending == "in doubt"
    assert "no report while the power fell" in session.doubt
    assert session.gap_wh > 0


def test_a_gap_while_the_current_is_steady_does_no_harm() -> None:
    trace, _ = filled(0.1)
    holed = [one for one in each(trace, 30) if not CUT <= one[0] < CUT + 20 * MINUTE]
    assert end(holed).ending == "full"


def two_packs(first: float, second: float, delay: int = 0) -> Trace:
    """Two packs side by side at one charger with two outlets."""
    one, other = Filling(first), Filling(second)
    trace = []
    for second_no in range(5 * 3600):
        watts = one.second(1.0) if second_no >= 600 else 0.0
        watts += other.second(1.0) if second_no >= 600 + delay else 0.0
        trace.append((START + second_no * SECOND, watts / SHARE + OWN_W))
    return trace


@pytest.mark.parametrize("every_s", CADENCES)
@pytest.mark.parametrize(("first", "second"), [(0.1, 0.6), (0.3, 0.7)])
def test_two_packs_at_one_charger_are_not_taken_for_one(
    first: float, second: float, every_s: int
) -> None:
    session = end(each(two_packs(first, second), every_s))
    assert session.ending == "in doubt"
    assert "wanted a taper that falls" in session.doubt


@pytest.mark.parametrize("every_s", CADENCES)
def test_a_second_pack_put_on_later_is_seen_at_once(every_s: int) -> None:
    session = end(each(two_packs(0.1, 0.1, delay=3_000), every_s))
    assert session.ending == "in doubt"
    assert "wanted one pack on the charger" in session.doubt


def test_a_charger_that_only_stands_by_begins_nothing() -> None:
    trace = [(START + minute * MINUTE, OWN_W) for minute in range(600)]
    assert end(trace).began is None


@pytest.mark.parametrize("power_w", [float("nan"), float("inf"), -5.0, 1e9])
def test_a_power_that_is_no_number_changes_nothing(power_w: float) -> None:
    trace, _ = filled(0.3)
    session = end(each(trace, 30)[:100])
    assert heard(session, Habit(), 200.0, session.at + 1, on=True, power_w=power_w) == session


def test_reports_out_of_order_and_twice_change_nothing() -> None:
    trace, _ = filled(0.3)
    session = end(each(trace, 30)[:100])
    assert heard(session, Habit(), 200.0, session.at - 1, on=True, power_w=0.0) == session
    again = heard(session, Habit(), 200.0, session.at, on=True, power_w=session.power_w)
    assert again.wall_wh == session.wall_wh


def test_a_pack_that_is_changed_ends_it_in_doubt() -> None:
    trace, _ = filled(0.3)
    session = broken_off(end(each(trace, 30)[:100]), CUT, "the pack was changed")
    assert (session.ending, session.runs) == ("in doubt", False)


# ---- what a charger teaches ------------------------------------------------------------------


def test_a_chargers_own_draw_is_learned_while_it_charges_nothing() -> None:
    habit, session = Habit(), Session()
    trace, _ = filled(0.5)
    for at, watts in each(trace, 30):
        session = heard(session, habit, 200.0, at, on=True, power_w=watts)
        habit = standing_by(habit, session, watts, 200.0)
    assert habit.standby_w == pytest.approx(OWN_W, abs=0.05)
    assert habit.into_pack_w(OWN_W) == pytest.approx(0, abs=0.05)


def test_a_chargers_efficiency_is_learned_from_full_charges() -> None:
    habit = Habit(standby_w=OWN_W, standby_count=20)
    assert habit.efficiency == EFFICIENCY
    for start in (0.2, 0.4, 0.1, 0.3):
        trace, pack = filled(start)
        habit = efficiency_seen(habit, end(each(trace, 30), habit), pack.into_wh, 0.04)
    assert habit.efficiency == pytest.approx(SHARE, abs=0.01)
    assert 0.02 <= habit.doubt < 0.03


@pytest.mark.parametrize("times", [0.2, 1.5])
def test_an_efficiency_that_no_charger_has_is_not_learned(times: float) -> None:
    habit = Habit(standby_w=OWN_W, standby_count=20)
    trace, pack = filled(0.2)
    session = end(each(trace, 30), habit)
    assert efficiency_seen(habit, session, times * pack.into_wh, 0.04) == habit


def test_a_charge_with_a_gap_teaches_no_efficiency() -> None:
    habit = Habit(standby_w=OWN_W, standby_count=20)
    trace, pack = filled(0.2)
    holed = [one for one in each(trace, 30) if not CUT <= one[0] < CUT + 30 * MINUTE]
    session = end(holed, habit)
    assert session.gap_wh > 0
    assert efficiency_seen(habit, session, pack.into_wh, 0.04) == habit


def test_energy_over_a_gap_is_counted_and_kept_apart() -> None:
    session = Session()
    for minute, watts in ((0, 100.0), (1, 100.0), (31, 100.0)):
        at = START + minute * MINUTE
        session = heard(session, Habit(), 200.0, at, on=True, power_w=watts)
    assert session.wall_wh == pytest.approx(100 * 31 / 60)
    assert session.gap_wh == pytest.approx(50)
    assert 30 * MINUTE > REPORT_MAX
    assert session.on_ms == 31 * MINUTE < HOUR


@pytest.mark.parametrize("minutes", [1, 5])
def test_one_report_in_the_fall_is_a_meter_that_averages(minutes: int) -> None:
    # pulled off in mid report: the meter's mean of that time lies low, between the two
    watts = [2.5, 180.0, 182.0, 184.0, 186.0, 40.0, 2.5, 2.5, 2.5]
    trace = [(START + index * minutes * MINUTE, power) for index, power in enumerate(watts)]
    assert end(trace).ending == "interrupted"
