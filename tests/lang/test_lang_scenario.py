"""Scenarios as they are read: their time line, their packs, and what they may name."""

from datetime import datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lang_kit import CATALOGUE, NAMES, codes_of, loaded

from carerules.domain.moment import MINUTE
from carerules.domain.quantity import COUNT, Quantity
from carerules.domain.scenario import At, Occurs, Scenario, Set, UseAt
from carerules.domain.signal import Signal, catalogue
from carerules.lang import Names, load
from carerules.lang.scenario import WEEK_BEGINS

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def scenario_of(*lines: str, rules: str = "") -> Scenario:
    text = "\n    ".join([f'{rules}scenario "a"', *lines])
    got = loaded(text)
    assert got.diagnostics == (), [found.show(text) for found in got.diagnostics]
    (told,) = got.scenarios
    return told


def times(*lines: str) -> list[str]:
    told = scenario_of("given pack heron at 90 %", *lines)
    return [f"{line.time:%a %d %H:%M}" for line in told.lines]


# ---- when --------------------------------------------------------------------------------------


def test_the_week_begins_on_a_monday() -> None:
    """1 January 2026 is a Thursday (ISO 8601 calendar), so that 2 March is a Monday."""
    assert WEEK_BEGINS.strftime("%a %d %b %Y %H:%M") == "Mon 02 Mar 2026 00:00"


MOMENT = st.tuples(st.one_of(st.none(), st.integers(0, 6)), st.integers(0, 1439))


def _written(moment: tuple[int | None, int]) -> str:
    day, minute = moment
    clock = f"{minute // 60:02}:{minute % 60:02}"
    return clock if day is None else f"{DAYS[day]} {clock}"


@settings(max_examples=100, deadline=None)
@given(st.lists(MOMENT, min_size=1, max_size=12))
def test_each_line_is_the_next_such_time_at_or_after_the_line_before(
    moments: list[tuple[int | None, int]],
) -> None:
    told = scenario_of(*(f"at {_written(moment)}: expect nothing" for moment in moments))
    before = WEEK_BEGINS
    for line, (day, minute) in zip(told.lines, moments, strict=True):
        time = line.time
        assert (time.hour * 60 + time.minute, time.second) == (minute, 0)
        assert day is None or time.weekday() == day
        assert before <= time < before + timedelta(days=1 if day is None else 7)
        before = time
    assert told.start == told.lines[0].time


@settings(max_examples=100, deadline=None)
@given(st.permutations([("heron", 4, 1080), ("egret", 3, 0), ("grebe", 6, 1439)]))
def test_what_is_given_comes_in_any_order(order: list[tuple[str, int, int]]) -> None:
    lines = [f"given pack {pack} at 90 % since {_written((day, at))}" for pack, day, at in order]
    told = scenario_of(*lines, "at Sun 23:59: expect nothing")
    assert told.start == WEEK_BEGINS + timedelta(days=3)
    assert [change.pack for _, change in told.given if isinstance(change, Set)] == [
        "egret", "heron", "grebe",
    ]  # fmt: skip
    assert told.lines[0].time == WEEK_BEGINS + timedelta(days=6, minutes=1439)


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        (("at Sat 18:00: expect nothing", "after 6 h: expect nothing"),
         ["Sat 07 18:00", "Sun 08 00:00"]),
        (("after 90 min: expect nothing", "at 01:30: expect nothing", "at 01:29: expect nothing"),
         ["Mon 02 01:30", "Mon 02 01:30", "Tue 03 01:29"]),
        (("given use on Fri 09:00", "at Sat 18:00: expect nothing", "at Fri 10:00: expect nothing"),
         ["Sat 07 18:00", "Fri 13 10:00"]),
        (("given heron used since Sun 23:00", "at Mon 00:00: expect nothing",
          "after 2 h: expect nothing"), ["Mon 09 00:00", "Mon 09 01:00"]),
        (("given heron used since Mon 08:00", "given heron charged since Fri 18:00",
          "at Tue 10:00: expect nothing"), ["Tue 10 10:00"]),
        (("at sat 18:00: expect nothing", "at 18:00: expect nothing"),
         ["Sat 07 18:00", "Sat 07 18:00"]),
    ],
)  # fmt: skip
def test_times_of_lines(lines: tuple[str, ...], wanted: list[str]) -> None:
    assert times(*lines) == wanted


@pytest.mark.parametrize(
    ("given_", "wanted"),
    [
        ("given pack heron at 90 % since Fri 18:00", datetime(2026, 3, 9, 9)),
        ("given pack heron at 90 %", datetime(2026, 3, 9, 9)),  # from the first line on
        ("given pack heron at 90 % since Mon 08:00", datetime(2026, 3, 2, 9)),
    ],
)
def test_a_use_that_is_given_is_the_next_from_when_everything_is_given(
    given_: str, wanted: datetime
) -> None:
    told = scenario_of(given_, "given use on Mon 09:00", "at Sat 18:00: expect nothing")
    (use,) = [change for _, change in told.given if isinstance(change, UseAt)]
    assert use.start == wanted


def test_a_use_planned_on_a_line_is_after_that_line() -> None:
    told = scenario_of("given pack heron", "at Tue 10:00: use on Tue 09:00, expect nothing")
    assert told.lines[0].changes == (UseAt(datetime(2026, 3, 10, 9)),)


# ---- what it may name --------------------------------------------------------------------------


def test_a_rule_of_any_file_may_be_expected() -> None:
    texts = {
        "a.care": 'scenario "a"\n    given pack heron\n    after 1 h: expect heron drain by later',
        "b.care": "rule later when pack.soc > 95: drain to 80",
    }
    got = load(texts, catalogue=CATALOGUE, names=NAMES)
    assert got.diagnostics == ()
    assert [told.span.file for told in got.scenarios] == ["a.care"]


def test_scenarios_of_files_taken_in_come_in_the_order_of_the_text() -> None:
    inner = 'scenario "inner"\n    given pack kite is kite role x\n    after 1 h: expect nothing'
    text = inner.replace("inner", "first").replace("kite is kite", "kite") + '\nuse "k"\n'
    got = load({"a.care": text}, catalogue=CATALOGUE, names=NAMES, fetch=lambda _: inner)
    assert got.diagnostics == ()
    assert [(told.name, told.span.file) for told in got.scenarios] == [
        ("first", "a.care"), ("inner", "k"),
    ]  # fmt: skip


def test_with_an_error_anywhere_there_is_no_scenario() -> None:
    good = 'scenario "a"\n    given pack heron\n    after 1 h: expect nothing\n'
    assert len(loaded(good).scenarios) == 1
    assert loaded(good + "when pack.sock > 1: retire").scenarios == ()
    assert loaded(good + "let idle = 5 %").scenarios != ()  # a warning


def test_packs_are_its_own_and_none_of_the_sites() -> None:
    told = scenario_of("given pack kite at 90 %", "after 1 h: kite used, expect nothing")
    assert told.packs[0].pack == "kite"
    assert codes_of('scenario "a"\n    after 1 h: heron used, expect nothing') == ["unknown-pack"]


def test_signals_that_a_site_declares_and_events_that_a_rule_marks() -> None:
    doors = Signal("site.doors", COUNT, None, 0, 9, "doors open")
    text = (
        'when site.doors > 2 and time since airing > 1 d: notify "{site.doors} doors" again'
        " every 1 h\n"
        "when mean of site.doors over 1 d > 1: mark airing\n"
        'scenario "a"\n'
        "    given pack heron\n"
        "    after 1 h: site.doors = 3, heron airing, expect nothing"
    )
    got = load({"a.care": text}, catalogue=catalogue([doors]))
    assert got.diagnostics == ()
    line = got.scenarios[0].lines[0]
    assert isinstance(line, At)
    assert line.changes == (
        Set(None, "site.doors", Quantity(3.0, COUNT)), Occurs("heron", "airing"),
    )  # fmt: skip


def test_where_the_channels_are_unknown_any_will_do() -> None:
    text = {"a.care": 'when pack.health < 60: notify "worn" to fone'}
    assert load(text, catalogue=CATALOGUE).diagnostics == ()
    none = Names(channels=frozenset())
    assert [d.code for d in load(text, catalogue=CATALOGUE, names=none).diagnostics] == [
        "unknown-channel"
    ]


def test_a_time_of_hours_and_minutes_counts_from_the_start() -> None:
    told = scenario_of("given pack heron since Fri 18:00", "after 1 h 30 min: expect nothing")
    assert (told.lines[0].time - told.start) == timedelta(milliseconds=90 * MINUTE)
