"""What is true only while there is too little to look back on: told as such, and so in the engine.

A `for` is false until its condition has been known for so long (docs/semantics.md, "Gaps"). So
`not (C for D)` is true after the first reading and after each silence, even of a C that is never
false. Who has everything known all along finds it never true: so does trying out every history.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from prove_kit import HERON, MONDAY, SIGNALS, codes, plan_of, proofs_of
from random_plans import ever_true

from carerules.domain.moment import MINUTE, LocalTime
from carerules.domain.quantity import Known, Truth
from carerules.engine import Facts
from carerules.engine.expression import make_ready
from carerules.lang.prove import prove

ANY_CHARGE = "(pack.soc < 40 or pack.soc >= 40)"
ANY_WARMTH = "(pack.temperature < 20 °C or pack.temperature >= 20 °C)"

ONLY_AT_FIRST = [
    f"not ({ANY_CHARGE} for 1 h)",
    f"not ({ANY_WARMTH} for 1 h)",
    f"not ({ANY_CHARGE} for 1 h) and pack.soc > 20",
    f"not (({ANY_CHARGE} for 1 h) for 1 h)",
    f"(not ({ANY_CHARGE} for 2 h)) for 1 h",
    f"(not ({ANY_CHARGE} for 1 h)) in last 1 h",
]
AT_OTHER_TIMES_TOO = [
    f"not ({ANY_CHARGE} for 1 h) or pack.soc > 60",
    "not (pack.soc >= 40 for 1 h)",
    "not (during 06:00-22:00 for 2 h)",
    "not (during 06:00-22:00 in last 2 h)",
]


def engine_says(when: str, known: tuple[tuple[int, int], ...]) -> list[tuple[int, Truth]]:
    """The truth minute by minute; charge and warmth are known between these minutes only."""
    (rule,) = plan_of(f'rule a when {when}: notify "a"\n').rules
    ready = make_ready(rule.when, SIGNALS)
    memory = list(ready.fresh)
    found = []
    for minute in range(known[-1][1]):
        now = MONDAY + minute * MINUTE
        fresh = any(start <= minute < end for start, end in known)
        readings = {
            "pack.soc": Known(50.0, 0.0, now, "stage"),
            "pack.temperature": Known(20.0, 0.0, now, "stage"),
        } if fresh else {}  # fmt: skip
        facts = Facts(readings, {}, {}, {}, (), LocalTime(ZoneInfo("UTC")))
        found.append((minute, ready.run(facts, now, memory)[0]))
    return found


def yes(when: str, known: tuple[tuple[int, int], ...]) -> list[int]:
    return [minute for minute, truth in engine_says(when, known) if truth is Truth.YES]


@pytest.mark.parametrize("when", ONLY_AT_FIRST)
def test_what_is_true_only_at_first_is_told_as_such(when: str) -> None:
    rules = f'rule a when {when}: notify "a"\n'
    assert codes(proofs_of(rules)) == ["only-at-first"]
    (rule,) = plan_of(rules).rules
    assert not ever_true([rule.when])


@pytest.mark.parametrize("when", ONLY_AT_FIRST)
def test_and_the_engine_fires_then_and_at_no_other_time(when: str) -> None:
    day = ((5, 24 * 60),)
    true = yes(when, day)
    assert true
    assert max(true) < 5 + 121


def test_a_silence_is_a_beginning_too() -> None:
    """So such a rule can be meant: it fires whenever a sensor is heard again."""
    known = ((0, 300), (330, 600))
    assert yes(ONLY_AT_FIRST[1], known) == [*range(60), *range(330, 390)]
    assert "error" not in [
        one.severity.value
        for one in proofs_of(f'rule a when {ONLY_AT_FIRST[1]}: notify "a"\n').diagnostics()
    ]


@pytest.mark.parametrize("when", AT_OTHER_TIMES_TOO)
def test_what_is_true_at_other_times_too_is_not(when: str) -> None:
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == []


@pytest.mark.parametrize(
    "when",
    [f"{ANY_CHARGE} for 1 h", f"not (not {ANY_CHARGE}) for 1 h"],
)
def test_what_is_false_only_at_first_is_always_true(when: str) -> None:
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == ["always-true"]
    assert [t for m, t in engine_says(when, ((0, 200),)) if m >= 60] == [Truth.YES] * 140


def test_a_never_that_forbids_only_at_first() -> None:
    assert codes(proofs_of(f"never charge when {ONLY_AT_FIRST[0]}\n")) == ["only-at-first"]


def test_what_meets_only_at_first_is_no_rival() -> None:
    """The part that can be true at other times too is looked at; the rest is not."""
    rules = (
        f"rule a when pack.soc > 60 or not ({ANY_CHARGE} for 1 h): drain to 50\n"
        "rule b when pack.soc {}: drain to 20\n"
    )
    assert codes(proofs_of(rules.format("between 30 and 55"))) == []
    assert codes(proofs_of(rules.format("> 55"))) == ["rivals"]


def test_an_action_that_is_free_at_first_is_not_always_vetoed() -> None:
    never = f"never drain when ({ANY_CHARGE} for 1 h) or pack.soc > 95\n"
    plan = plan_of(never + "when pack.soc > 60: drain to 50\n")
    (found,) = prove(plan, SIGNALS, (HERON,)).interlocks
    assert found.meeting is found.meeting.AT_START


def test_what_would_be_so_for_one_instant_only_is_left_open() -> None:
    """Two hours to go and no less, all the time, and no more at some moment: only who puts the use
    off in that very millisecond sees it."""
    rules = (
        "rule a when time until use >= 2 h for 1 h: drain to 50\n"
        "rule b when time until use <= {} h in last 1 h: drain to 20\n"
    )
    assert codes(proofs_of(rules.format(2))) == ["not-decided"]
    assert codes(proofs_of(rules.format(3))) == ["rivals"]
    rules = (
        "rule a when not (time since use > 2 h in last 1 h): drain to 50\n"
        "rule b when time since use >= {} h in last 1 h: drain to 20\n"
    )
    assert codes(proofs_of(rules.format(2))) == ["not-decided"]
    assert codes(proofs_of(rules.format(1))) == ["rivals"]


def test_hours_are_counted_from_the_first_look() -> None:
    """Who begins at noon has not yet seen two hours of day."""
    when = "not (during 06:00-22:00 for 2 h) and during 12:00-13:00"
    assert codes(proofs_of(f'rule a when {when}: notify "a"\n')) == ["only-at-first"]
