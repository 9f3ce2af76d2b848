"""The plug's truth: its own timer to the millisecond, and each fault as its table says."""

from __future__ import annotations

import json

import pytest

from carerules.sim import MEANING, Fault, PlugTruth, Said


def run(fault: Fault | None, *, off: bool) -> tuple[bool, bool, Said | None, Said | None]:
    """ON for 90 s at 0 s, OFF or nothing at 10 s: contact and word at 11 s and at 91 s."""
    plug = PlugTruth()
    if fault is not None:
        plug.fail(fault)
    plug.switch_on(0, 90)
    if off:
        plug.switch_off(10_000)
    early, said_early = plug.closed, plug.says(11_000, 60.0 if plug.closed else 0.0)
    plug.expire(90_000)
    return early, plug.closed, said_early, plug.says(91_000, 60.0 if plug.closed else 0.0)


ON = Said(True, 60.0, 79.0)
OFF = Said(False, 0.0, None)

# fault, contact at 11 s and 91 s after ON and OFF, what it says at 11 s;
# contact at 11 s and 91 s after ON and no OFF, what it says at 91 s. Ours: see MEANING.
ROWS = [
    (None, False, False, OFF, True, False, OFF),
    (Fault.IGNORES_OFF, True, False, ON, True, False, OFF),
    (Fault.IGNORES_ON, False, False, OFF, False, False, OFF),
    (Fault.WELDED, True, True, Said(False, 60.0, None), True, True, Said(False, 60.0, None)),
    (Fault.LIES, True, False, OFF, True, False, OFF),
    (Fault.DIES, False, False, None, False, False, None),
    (Fault.MUTE, False, False, None, False, False, None),
    (Fault.HANGS, False, False, None, False, False, None),
    (Fault.TIMER_MISSING, False, False, OFF, True, True, Said(True, 60.0, 0.0)),
    (Fault.TIMER_LONG, False, False, OFF, True, True, Said(True, 60.0, 0.0)),
    (Fault.TIMER_NOT_RENEWED, False, False, OFF, True, False, OFF),
    (Fault.READS_LOW, False, False, OFF, True, False, OFF),
    (Fault.READS_NOTHING, False, False, OFF, True, False, OFF),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0].value if row[0] else "sound")
def test_each_fault_does_what_its_table_says(row: tuple[object, ...]) -> None:
    fault, early_off, late_off, said_off, early_on, late_on, said_on = row
    assert run(fault, off=True)[:3] == (early_off, late_off, said_off)
    early, late, _, said = run(fault, off=False)
    assert (early, late, said) == (early_on, late_on, said_on)


def test_every_fault_has_a_row_and_a_meaning() -> None:
    assert {row[0] for row in ROWS} | {Fault.REBOOTS} == {None, *Fault}
    assert set(MEANING) == set(Fault)


@pytest.mark.parametrize(("fault", "tells_w"), [(Fault.READS_LOW, 24.0), (Fault.READS_NOTHING, 0)])
def test_a_meter_that_tells_less_than_flows(fault: Fault, tells_w: float) -> None:
    plug = PlugTruth(faults=[fault])
    plug.switch_on(0, 90)
    assert plug.says(11_000, 60.0) == Said(True, tells_w, 79.0)
    plug.mend(fault)
    assert plug.says(11_000, 60.0) == ON


def test_a_plug_wakes_open() -> None:
    plug = PlugTruth()
    assert not plug.closed
    assert plug.says(0, 0.0) == OFF


def test_the_timer_opens_at_its_millisecond_and_not_before() -> None:
    plug = PlugTruth()
    plug.switch_on(1_000, 90)
    assert plug.deadline == 91_000
    assert not plug.expire(90_999)
    assert plug.closed
    assert plug.expire(91_000)
    assert not plug.closed
    assert plug.deadline is None


def test_each_word_starts_the_timer_anew_and_says_so() -> None:
    plug = PlugTruth()
    plug.switch_on(0, 90)
    plug.switch_on(20_000, 90)
    assert plug.deadline == 110_000
    assert plug.says(50_000, 60.0) == Said(True, 60.0, 60.0)
    plug.switch_on(60_000, None)
    assert plug.deadline is None


def test_a_timer_that_is_not_renewed_runs_out_from_the_first_word() -> None:
    plug = PlugTruth(faults=[Fault.TIMER_NOT_RENEWED])
    plug.switch_on(0, 90)
    plug.switch_on(80_000, 90)
    assert plug.deadline == 90_000


def test_a_long_timer_ends_forty_times_late() -> None:
    plug = PlugTruth(faults=[Fault.TIMER_LONG])
    plug.switch_on(0, 90)
    assert not plug.expire(3_599_999)
    assert plug.expire(3_600_000)


@pytest.mark.parametrize(
    ("fault", "closed"), [(Fault.DIES, False), (Fault.MUTE, True), (Fault.HANGS, True)]
)
def test_one_that_falls_silent_while_on(fault: Fault, closed: bool) -> None:
    plug = PlugTruth()
    plug.switch_on(0, 90)
    plug.fail(fault)
    plug.switch_off(5_000)
    assert plug.closed is closed
    assert plug.says(6_000, 60.0) is None
    plug.expire(90_000)
    assert plug.closed is (fault is Fault.HANGS)


def test_one_that_reboots_does_it_once_and_comes_back_open() -> None:
    plug = PlugTruth(faults=[Fault.REBOOTS])
    plug.switch_on(0, 90)
    assert not plug.closed
    assert plug.says(7_999, 0.0) is None
    plug.switch_on(7_999, 90)
    assert not plug.closed
    assert plug.says(8_000, 0.0) == OFF
    plug.switch_on(8_000, 90)
    assert plug.closed


def test_a_mended_weld_opens_with_the_next_off() -> None:
    plug = PlugTruth(faults=[Fault.WELDED])
    plug.switch_on(0, 90)
    plug.switch_off(1_000)
    plug.mend(Fault.WELDED)
    assert plug.closed
    plug.switch_off(2_000)
    assert not plug.closed


def test_one_without_a_meter_says_no_power() -> None:
    plug = PlugTruth(metered=False)
    plug.switch_on(0, None)
    assert plug.says(0, 60.0) == Said(True, None, None)


def test_a_snapshot_is_plain_and_goes_on() -> None:
    plug, other = PlugTruth(faults=[Fault.LIES, Fault.TIMER_LONG]), PlugTruth()
    plug.switch_on(5, 90)
    other.restore(json.loads(json.dumps(plug.snapshot())))
    assert other.snapshot() == plug.snapshot()
    assert other.faults == plug.faults
    assert other.says(1_000, 3.0) == plug.says(1_000, 3.0)
