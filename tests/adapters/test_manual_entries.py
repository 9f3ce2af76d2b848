"""What a person types, and what it becomes.

The figures of hand meters: common practice, no source. Clock changes: the European rule (directive
2000/84/EC), the last Sunday of March and of October at 01:00 UTC.
"""

from __future__ import annotations

import re
import string
from datetime import UTC, datetime, timedelta

import pytest
from doors_kit import BERLIN, SITE
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import (
    Answer,
    Attend,
    Cancel,
    Entry,
    Measured,
    Place,
    Problem,
    Recorded,
    Release,
    Stop,
    UseAdd,
    UseDrop,
    Want,
    dump_entry,
    load_entry,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    parse_use,
    to_events,
)
from carerules.adapters.moments import read_future, read_past
from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.event import (
    Answered,
    Attended,
    Cancelled,
    Happened,
    Placed,
    Rejected,
    Released,
    Sample,
    Stopped,
    UseDropped,
    UsePlanned,
    Value,
    Wanted,
)
from carerules.domain.moment import HOUR, MINUTE, LocalTime
from carerules.domain.pack import Use

NOW = datetime(2026, 12, 5, 9, 30, tzinfo=BERLIN)
NOW_MS = round(NOW.timestamp() * 1_000)
LOCAL = LocalTime(BERLIN)


def record(text: str, pack: str = "heron", at: str | None = None) -> Entry | Problem:
    return parse_record(pack, text.split(), at, SITE, NOW)


def measured(text: str, pack: str = "heron") -> Measured:
    entry = record(text, pack)
    assert isinstance(entry, Measured), entry
    return entry


@pytest.mark.parametrize(
    ("word", "events"),
    [
        ("charged", ["charge", "full"]),
        ("used", ["use"]),
        ("swelling", ["swelling"]),
        ("inspected", ["inspection"]),
        ("calibrated", ["calibration"]),
    ],
)
def test_what_happened(word: str, events: list[str]) -> None:
    entry = record(word, at="08:00")
    assert isinstance(entry, Recorded)
    told = to_events(entry, NOW_MS, LOCAL)
    at = NOW_MS - 90 * MINUTE
    assert told == tuple(Happened(NOW_MS, at, "heron", what, "a person") for what in events)
    assert set(events) <= set(PERSON_EVENTS)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("voltage 15.0", Value("pack.voltage", 15.0, 0.08)),  # 0.02 V a cell of four
        ("voltage 15.0V", Value("pack.voltage", 15.0, 0.08)),
        ("voltage 15.0 V", Value("pack.voltage", 15.0, 0.08)),
        ("voltage 15000 mV", Value("pack.voltage", 15.0, 0.08)),
        ("soc 80", Value("pack.soc", 80.0, 5.0)),
        ("soc 80%", Value("pack.soc", 80.0, 5.0)),
        ("temperature 21", Value("pack.temperature", 21.0, 2.0)),
        ("temperature 77 °C", Value("pack.temperature", 77.0, 2.0)),
        ("temperature -5 °C", Value("pack.temperature", -5.0, 2.0)),
        ("temperature 69.8 °F", Value("pack.temperature", 21.0, 2.0)),
        ("capacity 14.8", Value("pack.capacity", 14.8, 0.74)),
        ("capacity 14800mAh", Value("pack.capacity", 14.8, 0.74)),
    ],
)
def test_what_was_measured(text: str, value: Value) -> None:
    found = measured(text).values
    assert [each.signal for each in found] == [value.signal]
    assert found[0].value == pytest.approx(value.value)
    assert found[0].spread == pytest.approx(value.spread)


@pytest.mark.parametrize(
    "text",
    ["cells 3.75 3.76 3.74 3.75", "cells 3.75V 3.76 3.74 3.75 V", "CELLS 3750mV 3.76 3.74 3.75"],
)
def test_cells(text: str) -> None:
    entry = measured(text)
    assert entry.cells == pytest.approx((3.75, 3.76, 3.74, 3.75))
    assert (entry.values, entry.cell_spread) == ((), 0.01)
    told = to_events(entry, NOW_MS, LOCAL)
    assert told == (Sample(NOW_MS, NOW_MS, "heron", (), "a person", entry.cells, 0.01),)


@pytest.mark.parametrize(
    ("text", "found", "mend"),
    [
        ("", "no words", "heron charged"),
        ("charrged", "`charrged`", "did you mean `charged`?"),
        ("volts 15", "`volts`", "did you mean `voltage`?"),
        ("full", "`full`", "did you mean `charged`?"),
        ("25.2", "`25.2`", "say what was read: `heron voltage 25.2`, or `heron soc 25.2`"),
        ("empty", "`empty`", "choose one of these words"),
        ("soc 0.8", "`0.8`", "write `80 %`, or `0.8 %`"),
        ("charged twice", "`twice`", "leave it out"),
        ("voltage", "nothing", "`voltage 15.0`"),
        ("voltage 15,0", "`15,0`", "`15.0`"),
        ("voltage nan", "`nan`", "`voltage 15.0`"),
        ("voltage inf", "`inf`", "`voltage 15.0`"),
        ("voltage 1e1", "`1e1`", "`voltage 15.0`"),
        ("voltage 15 A", "`15 A`", "`voltage 15.0`"),
        ("voltage -15", "`-15 V`", "whether it is this pack"),
        ("voltage 22.2", "`22.2 V`", "whether it is this pack"),  # a 6-cell pack's
        ("voltage 1.9", "`1.9 V`", "`cells`"),
        ("voltage 15200", "`15200 V`", "whether it is this pack"),  # mV without saying so
        ("voltage 3.8", "`3.8 V`", "one cell's"),
        ("cells 3.75 nan 3.75 3.75", "`nan`", "`cells 3.75"),
        ("cells 3750 3750 3750 3750", "`3750 V`", "one cell at a time"),
        ("cells 3.75 3.75 3.75", "3 values", "4 voltages"),
        ("cells 3.75 3.75 3.75 3.75 3.75", "5 values", "4 voltages"),
        ("cells 3,75 3,75 3,75 3,75", "`3,75`", "`3.75`"),
        ("cells 3.75 3.75 3.75 37.5", "`37.5 V`", "one cell at a time"),
        ("cells 3.75 3.75 3.75 -0.1", "`-0.1 V`", "one cell at a time"),
        ("soc 101", "`101 %`", "unit"),
        ("soc -1", "`-1 %`", "unit"),
        ("soc nan", "`nan`", "`soc 80`"),
        ("temperature nan", "`nan`", "`temperature 21`"),
        ("temperature 77", "`77`", "`77 °C` or `77 °F`"),  # a room in °F, or a fire
        ("temperature 300", "`300 °C`", "unit"),
        ("capacity -16", "`-16 Ah`", "unit"),
        ("capacity 16000", "`16000 Ah`", "write `16000 mAh`, if that is meant"),
        ("capacity 16000mah", "`16000mah`", "write `16000 mAh`"),
        ("voltage 15.2 volts", "`15.2 volts`", "write `15.2 V`"),
        ("temperature 21C", "`21C`", "write `21 °C`"),
        ("temperature 21 degrees", "`21 degrees`", "`temperature 21`"),  # of which kind?
        ("swolen", "`swolen`", "did you mean `swelling`?"),
        ("geladen", "`geladen`", "did you mean `charged`?"),
        ("egret charged", "`egret`", "one pack at a time"),
        ("charged at 8:00", "`at 8:00`", "write `--at 8:00`, if that is when"),
        ("cells 3.75", "1 value", "4 voltages"),
        ("capacity 0", "`0 Ah`", "unit"),
        (" ".join(["cells"] + ["3.75"] * 100), "too many words", "heron"),
        ("\x1b[31mred", "`·[31mred`", "choose one"),
    ],
)
def test_what_is_not_taken(text: str, found: str, mend: str) -> None:
    problem = record(text)
    assert isinstance(problem, Problem), problem
    assert problem.found == found
    assert mend in problem.mend
    assert problem.show().isprintable()


@pytest.mark.parametrize(
    ("start", "mend"),
    [
        ("saturday", "write its date, such as"),
        ("Sat 08:00", "write its date, such as"),
        ("tomorrow", "add the clock time: `tomorrow 08:00`"),
        ("8.12.2026", "the year comes first: `2026-12-08T08:00`"),
        ("2026-12-08", "add the clock time: `2026-12-08T00:00`"),
        ("8 am", "write the clock time with a colon"),
        ("12/08/2026", "write the year, the month, the day"),
        ("in 3 days", "write the year, the month, the day"),
    ],
)
def test_a_day_for_a_use_that_is_no_time_is_told_how_it_is_written(start: str, mend: str) -> None:
    read = parse_use("survey", start, ["heron"], SITE, NOW)
    assert isinstance(read, Problem)
    assert mend in (read.mend or "")
    assert "`tomorrow 18:00`" in read.wanted
    assert "yesterday" not in read.wanted
    if (offered := re.search(r": `(.+)`$", read.mend or "")) is not None:
        assert not isinstance(parse_use("survey", offered[1], ["heron"], SITE, NOW), Problem)


def test_harm_can_be_recorded() -> None:
    """A ruined or an overcharged pack is what a person must be able to tell of."""
    assert measured("cells 0.9 3.7 3.7 3.7").cells[0] == 0.9
    assert measured("voltage 17.6").values[0].value == 17.6  # 4.4 V a cell, above its 4.2


def test_who_counts_a_capacity_took_the_pack_through_a_whole_turn() -> None:
    """One thing done is one entry: the rule that asked for it need not hear of it twice."""
    told = to_events(measured("capacity 7.5"), NOW_MS, LOCAL)
    assert [type(one) for one in told] == [Sample, Happened]
    assert told[1] == Happened(NOW_MS, NOW_MS, "heron", "calibration", "a person")
    assert len(to_events(measured("soc 80"), NOW_MS, LOCAL)) == 1


def test_an_unknown_pack_is_named_with_those_there_are() -> None:
    problem = record("charged", pack="herron")
    assert isinstance(problem, Problem)
    assert problem.show() == (
        "found `herron`, wanted a pack of the site file; mend: it has `egret`, `heron`"
    )


WORDS = st.lists(
    st.one_of(
        st.sampled_from(
            [
                "charged",
                "voltage",
                "cells",
                "soc",
                "capacity",
                "temperature",
                "15",
                "3.7V",
                "V",
                "%",
            ]
        ),
        st.text(string.printable + "°Ω€\u200b\x00", max_size=12),
    ),
    max_size=8,
)


@given(WORDS, st.none() | st.text(max_size=20))
def test_whatever_is_typed_is_an_entry_or_a_problem(words: list[str], at: str | None) -> None:
    entry = parse_record("heron", words, at, SITE, NOW)
    if isinstance(entry, Problem):
        assert entry.show().isprintable()
        return
    assert load_entry(*dump_entry(entry)) == entry
    for event in to_events(entry, NOW_MS, LOCAL):
        assert not isinstance(event, Rejected)


@given(st.floats(-1, 40, allow_nan=False))
def test_a_voltage_is_taken_exactly_where_it_fits(volts: float) -> None:
    entry = record(f"voltage {volts:.4f}")
    written = float(f"{volts:.4f}")
    one_cell = 2.8 <= written <= 4.5  # from harm to a little above its ceiling
    fits = 4 * 0.5 <= written <= 4 * 4.5 and not one_cell
    assert isinstance(entry, Measured) == fits


# ---- times -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        (None, "2026-12-05T08:30Z"),
        ("08:00", "2026-12-05T07:00Z"),
        ("8:00", "2026-12-05T07:00Z"),
        ("today 08:00", "2026-12-05T07:00Z"),
        ("yesterday 18:00", "2026-12-04T17:00Z"),
        ("Yesterday  18:00", "2026-12-04T17:00Z"),
        ("2026-12-05T08:00", "2026-12-05T07:00Z"),
        ("2026-12-05 08:00:30", "2026-12-05T07:00:30Z"),
        ("2026-12-05T08:00Z", "2026-12-05T08:00Z"),
        ("2026-12-05T02:00-05:00", "2026-12-05T07:00Z"),
        ("09:30", "2026-12-05T08:30Z"),
        ("2026-07-05T08:00", "2026-07-05T06:00Z"),  # summer time
        ("2026-03-29T02:30", "2026-03-29T01:00Z"),  # skipped: the first instant after
        ("2026-10-25T02:30", "2026-10-25T00:30Z"),  # comes twice: the first
        ("2026-10-25T02:30+01:00", "2026-10-25T01:30Z"),  # the second, said so
    ],
)
def test_a_time_in_the_past(text: str | None, utc: str) -> None:
    assert read_past(text, NOW) == datetime.fromisoformat(utc)


@pytest.mark.parametrize(
    ("text", "found", "mend"),
    [
        ("10:00", "`10:00`, which lies ahead", "was it `yesterday 10:00`?"),
        ("tomorrow 08:00", "`tomorrow 08:00`, which lies ahead", "look at the date"),
        ("2027-12-05T08:00", "`2027-12-05T08:00`, which lies ahead", "look at the date"),
        ("1926-12-05T08:00", "`1926-12-05T08:00`", "look at the year"),
        ("0001-01-01T00:00", "`0001-01-01T00:00`", None),
        ("9999-12-31T23:59", "`9999-12-31T23:59`, which lies ahead", None),
        ("25:00", "`25:00`", "in 24 hours"),
        ("8", "`8`", "with a colon"),
        ("8:00 pm", "`8:00 pm`", "in 24 hours"),
        ("2026-12-05", "`2026-12-05`", "`2026-12-05T00:00`"),
        ("2026-13-05T08:00", "`2026-13-05T08:00`", "with a colon"),
        ("", "``", "with a colon"),
    ],
)
def test_a_time_that_is_not_taken(text: str, found: str, mend: str | None) -> None:
    problem = read_past(text, NOW)
    assert isinstance(problem, Problem)
    assert problem.found == found
    assert mend is None or mend in problem.mend


def test_in_the_hour_that_comes_twice_the_first_is_past_for_the_second() -> None:
    second = datetime(2026, 10, 25, 2, 10, fold=1, tzinfo=BERLIN)
    assert read_past("02:50", second) == datetime(2026, 10, 25, 0, 50, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("10:00", "2026-12-05T09:00Z"),
        ("08:00", "2026-12-06T07:00Z"),  # over for today
        ("tomorrow 08:00", "2026-12-06T07:00Z"),
        ("2027-01-02T08:00", "2027-01-02T07:00Z"),
    ],
)
def test_a_time_ahead(text: str, utc: str) -> None:
    assert read_future(text, NOW) == datetime.fromisoformat(utc)


@pytest.mark.parametrize("text", ["yesterday 08:00", "2026-12-05T09:30", "2126-01-01T08:00", "x"])
def test_a_time_ahead_that_is_not_taken(text: str) -> None:
    assert isinstance(read_future(text, NOW), Problem)


# ---- the other entries -----------------------------------------------------------------------


def test_an_entry_taken_late_keeps_its_time() -> None:
    entry = record("charged")
    assert isinstance(entry, Recorded)
    late = NOW_MS + 5 * HOUR
    assert [event.heard for event in to_events(entry, late, LOCAL)] == [late, late]
    assert {event.at for event in to_events(entry, late, LOCAL) if isinstance(event, Happened)} == {
        NOW_MS
    }


def test_the_lines_offset_is_applied() -> None:
    entry = record("used", at="08:00")
    assert isinstance(entry, Recorded)
    # The wall was set an hour forward since the line began: the wall leads by an hour.
    local = LocalTime(BERLIN, HOUR)
    (event,) = to_events(entry, NOW_MS - HOUR, local)
    assert isinstance(event, Happened)
    assert event.at == NOW_MS - 90 * MINUTE - HOUR


def test_what_lies_ahead_when_it_is_taken_up_is_refused() -> None:
    entry = record("used")
    assert isinstance(entry, Recorded)
    (event,) = to_events(entry, NOW_MS - HOUR, LOCAL)
    assert event == Rejected(
        NOW_MS - HOUR, "a person", "`2026-12-05 09:30` lies ahead of the clock"
    )
    (close,) = to_events(entry, NOW_MS - 30_000, LOCAL)
    assert isinstance(close, Happened)
    assert close.at == close.heard == NOW_MS - 30_000  # a watch that is half a minute fast


START = datetime(2026, 12, 7, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("entry", "event"),
    [
        (Place("heron", "A"), Placed(NOW_MS, "heron", "A")),
        (Place("heron", None), Placed(NOW_MS, "heron", None)),
        (
            UseAdd("survey", START, frozenset({"heron"})),
            UsePlanned(
                NOW_MS, Use("survey", round(START.timestamp() * 1_000), frozenset({"heron"}))
            ),
        ),
        (UseDrop("survey"), UseDropped(NOW_MS, "survey")),
        (Attend(30, NOW), Attended(NOW_MS, NOW_MS + 30 * MINUTE)),
        (Want("heron", "storage", NOW), Wanted(NOW_MS, "heron", "storage", 50.0)),
        (Want("heron", "ready", NOW), Wanted(NOW_MS, "heron", "ready", 100.0)),
        (Want("heron", "ready", NOW, 80.0), Wanted(NOW_MS, "heron", "ready", 80.0)),
        (Release("heron"), Released(NOW_MS, "heron")),
        (Stop("Mia"), Stopped(NOW_MS, "Mia")),
        (Cancel("job-1"), Cancelled(NOW_MS, "job-1")),
        (Answer("job-1", yes=True), Answered(NOW_MS, "job-1", yes=True)),
    ],
)
def test_entries_become_events(entry: Entry, event: object) -> None:
    assert to_events(entry, NOW_MS, LOCAL) == (event,)


def test_a_stay_is_counted_from_when_it_was_said() -> None:
    entry = parse_attend("30 min", NOW)
    assert isinstance(entry, Attend)
    assert to_events(entry, NOW_MS + 10 * MINUTE, LOCAL) == (
        Attended(NOW_MS + 10 * MINUTE, NOW_MS + 30 * MINUTE),
    )
    (over,) = to_events(entry, NOW_MS + 30 * MINUTE, LOCAL)
    assert isinstance(over, Rejected)


@pytest.mark.parametrize("text", ["0", "-5", "721", "soon", "", "1.5", "²", "99999"])
def test_a_stay_that_is_not_taken(text: str) -> None:
    assert isinstance(parse_attend(text, NOW), Problem)


def test_places_and_releases_know_the_site() -> None:
    assert parse_place("heron", "A", SITE) == Place("heron", "A")
    assert parse_place("heron", None, SITE) == Place("heron", None)
    assert isinstance(parse_place("heron", "B", SITE), Problem)
    assert isinstance(parse_place("stork", "A", SITE), Problem)
    assert parse_release("site", SITE) == Release("site")
    assert parse_release("A", SITE) == Release("A")
    assert isinstance(parse_release("B", SITE), Problem)


def test_uses() -> None:
    entry = parse_use("survey", "2026-12-07T09:00", ["heron", "egret"], SITE, NOW)
    assert entry == UseAdd("survey", START, frozenset({"heron", "egret"}))
    for name, start, packs in [
        ("", "tomorrow 09:00", ["heron"]),
        ("x" * 61, "tomorrow 09:00", ["heron"]),
        ("a\nb", "tomorrow 09:00", ["heron"]),
        ("survey", "yesterday 09:00", ["heron"]),
        ("survey", "tomorrow 09:00", []),
        ("survey", "tomorrow 09:00", ["stork"]),
    ]:
        assert isinstance(parse_use(name, start, packs, SITE, NOW), Problem)


@pytest.mark.parametrize(
    ("words", "charge", "spread"),
    [
        # An even distribution over one bar: its width over the square root of twelve.
        ("bars 3 of 4", 62.5, 25 / 12**0.5),
        ("bars 4/4", 87.5, 25 / 12**0.5),
        ("bars 1 of 5", 10.0, 20 / 12**0.5),
        ("bars 0 of 4", 6.25, 25 / 12**0.5),
    ],
)
def test_bars_that_are_lit_are_an_interval(words: str, charge: float, spread: float) -> None:
    entry = parse_record("heron", words.split(), None, SITE, NOW)
    assert isinstance(entry, Measured)
    (value,) = entry.values
    assert value.signal == "pack.soc"
    assert value.value == pytest.approx(charge)
    assert value.spread == pytest.approx(spread)


@pytest.mark.parametrize("words", ["bars", "bars 3", "bars 5 of 4", "bars 1 of 1", "bars x of 4"])
def test_bars_that_make_no_sense_are_refused(words: str) -> None:
    refused = parse_record("heron", words.split(), None, SITE, NOW)
    assert isinstance(refused, Problem)
    assert "`bars 3 of 4`" in refused.mend


def test_what_was_wanted_of_a_service_that_did_not_run_is_not_done_later() -> None:
    """Whoever asked may have left: only within a minute is it taken up."""
    for age, kind in ((timedelta(seconds=60), Wanted), (timedelta(seconds=61), Rejected)):
        (event,) = to_events(Want("heron", "ready", NOW - age), NOW_MS, LOCAL)
        assert isinstance(event, kind), event
