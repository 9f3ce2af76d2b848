"""Good rules: what they come to, how their parts bind, and when two of them mean the same."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lang_kit import HERE, dump, loaded, plan_of, rule_of, shown

from carerules.domain.action import DayWindow
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    CountIn,
    CountSince,
    Crosses,
    During,
    For,
    InLast,
    InSamples,
    Not,
    NumberOfPacks,
    OnDays,
    Or,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    values,
    walk,
)
from carerules.domain.moment import DAY, HOUR, MINUTE
from carerules.domain.plan import Rule
from carerules.domain.quantity import (
    CHARGE_LEVEL,
    COUNT,
    DURATION,
    SWITCH,
    TEMPERATURE,
    VOLTAGE,
    Quantity,
)
from carerules.domain.wording import wording


@pytest.mark.parametrize("path", sorted((HERE / "right").glob("*.care")), ids=lambda p: p.stem)
def test_the_whole_plan_is_as_written_down(path: Path) -> None:
    got = loaded(path.read_text(encoding="utf-8"), path.name)
    assert got.diagnostics == ()
    assert dump(got) == path.with_suffix(".plan").read_text(encoding="utf-8")


# ---- binding -----------------------------------------------------------------------------------

A, B, C = "pack.soc > 90", "pack.health > 50", "pack.age > 3 d"

# Each pair is one meaning: left as it is written, right with every parenthesis. `for` and `in last`
# bind tighter than `not`, `not` than `and`, `and` than `or` (docs/language.md).
BINDING = [
    (f"not {A} in at least 3 of last 5 samples", f"not (({A}) in at least 3 of last 5 samples)"),
    (
        f"{A} in at least 3 of last 5 samples and {B}",
        f"(({A}) in at least 3 of last 5 samples) and ({B})",
    ),
    (f"pack.soc rises above 90 or {B} and {C}", f"(pack.soc rises above 90) or (({B}) and ({C}))"),
    (
        f"max of pack.soc over 3 d > 90 for 2 h or {B}",
        f"((max of pack.soc over 3 d > 90) for 2 h) or ({B})",
    ),
    (f"{A} and {B} or {C}", f"(({A}) and ({B})) or ({C})"),
    (f"{A} or {B} and {C}", f"({A}) or (({B}) and ({C}))"),
    (f"not {A} and {B}", f"(not ({A})) and ({B})"),
    (f"not {A} or {B}", f"(not ({A})) or ({B})"),
    (f"not {A} for 2 h", f"not (({A}) for 2 h)"),
    (f"{A} for 2 h and {B}", f"(({A}) for 2 h) and ({B})"),
    (f"{A} for 2 h and {B} for 3 h", f"(({A}) for 2 h) and (({B}) for 3 h)"),
    (f"{A} or {B} for 2 h", f"({A}) or (({B}) for 2 h)"),
    (f"{A} in last 2 h or {B}", f"(({A}) in last 2 h) or ({B})"),
    (f"({A} or {B}) for 2 h", f"(({A}) or ({B})) for 2 h"),
    (f"(({A}) and {B}) and {C}", f"{A} and {B} and {C}"),
    (f"not not {A}", A),
    (f"{A} for 2 h and (({C}))", f"{A} for 2 h and {C}"),
    ("pack.soc between 20 and 30 and " + B, f"(pack.soc between 20 and 30) and {B}"),
]


@pytest.mark.parametrize(("plain", "spelled_out"), BINDING)
def test_how_the_parts_bind(plain: str, spelled_out: str) -> None:
    assert rule_of(f"when {plain}: retire").when == rule_of(f"when {spelled_out}: retire").when


def test_the_tables_pairs_are_not_all_one() -> None:
    meanings = [rule_of(f"when {plain}: retire").when for plain, _ in BINDING]
    assert len(set(meanings)) == len(meanings)


# ---- one meaning, one key ----------------------------------------------------------------------

BASE = "rule a on lipo packs when pack.soc >= 95 % for 24 h: drain to 80 %"

SAME = [
    "rule b on lipo packs when pack.soc >= 95 % for 24 h: drain to 80 %",
    "rule a on lipo packs when pack.soc >= 95 for 24h: drain to 80   # because",
    "rule a on lipo packs when pack.soc>=95% for 1 d: drain to 80",
    "rule a on lipo packs when pack.soc >= 95.0 percent for 1440 min: drain to 50",
    "rule a on lipo packs when 95 <= pack.soc for 23 h 60 min: drain to 80",
    "rule a on packs where chemistry is lipo when ((pack.soc >= 95) for 24 hours): drain to 80",
    "rule a on lipo packs\n    when pack.soc >= 95 for 1day:\n        rest 1 h",
    "let full = 95 %\nlet long = 24 h\n" + BASE.replace("95 %", "full").replace("24 h", "long"),
    'rule a on lipo packs because "why" when pack.soc >= 95 for 24 h: retire',
]  # fmt: skip
OTHER = [
    BASE.replace("95", "96"), BASE.replace(">=", ">"), BASE.replace("24 h", "25 h"),
    BASE.replace("for", "in last"), BASE.replace("lipo packs", "packs"),
    BASE.replace("lipo", "smart"), BASE.replace("pack.soc", "pack.health"),
    BASE.replace("for 24 h", ""),
    BASE.replace(": drain to 80 %", ":\n    drain to 80 %\n    rearm when pack.soc < 90"),
]  # fmt: skip


@pytest.mark.parametrize("text", SAME)
def test_one_meaning_has_one_key(text: str) -> None:
    assert rule_of(text).key == rule_of(BASE).key


def test_different_meanings_have_different_keys() -> None:
    keys = [rule_of(text).key for text in (BASE, *OTHER)]
    assert len(set(keys)) == len(keys)


# ---- units -------------------------------------------------------------------------------------

# Left and right are one value by the definition of the units. Source: NIST SP 811 (2008) for the
# degree Fahrenheit, minute, hour, day and the prefix milli; the week of seven days from ISO 8601.
UNITS = [
    ("pack.temperature > 41 °F", "pack.temperature > 5 °C"),
    ("pack.temperature > 212 degF", "pack.temperature > 100 degC"),
    ("pack.voltage > 16800 mV", "pack.voltage > 16.8 V"),
    ("pack.cell.min > 3300mV", "pack.cell.min > 3.3 V"),
    ("pack.current > 1500 mA", "pack.current > 1.5 A"),
    ("pack.capacity > 2500 mAh", "pack.capacity > 2.5 Ah"),
    ("pack.resistance > 0.005 ohm", "pack.resistance > 5 mohm"),
    ("pack.rested > 90 s", "pack.rested > 1 min 30 s"),
    ("pack.rested > 2 wk", "pack.rested > 14 d"),
    ("pack.rested > 36 h", "pack.rested > 1.5 d"),
    ("slope of pack.soc over 3 wk < -3.5 %/wk", "slope of pack.soc over 21 d < -0.5 %/d"),
    ("slope of pack.cell.spread over 3 d > 1 mV/h", "slope of pack.cell.spread over 72 h > 24mV/d"),
    ("slope of pack.voltage over 3 d > 0.1 V/day", "slope of pack.voltage over 3 d > 100 mV/d"),
    ("slope of pack.temperature over 1 h > 9 °F/h", "slope of pack.temperature over 1 h > 5 K/h"),
    (
        "slope of pack.temperature over 1 h > 1 °C/min",
        "slope of pack.temperature over 1 h > 60degC/h",
    ),
]


@pytest.mark.parametrize(("left", "right"), UNITS)
def test_units_of_one_kind_compare(left: str, right: str) -> None:
    assert rule_of(f"when {left}: retire").when == rule_of(f"when {right}: retire").when


def test_monday_is_day_nought() -> None:
    """ISO 8601: the week begins on Monday."""
    days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    found = [rule_of(f"when on {day}: retire").when for day in days]
    assert found == [OnDays((number,)) for number in range(7)]


# ---- what is written as `wording` says it is read back ------------------------------------------


SOC = SignalValue("pack.soc", CHARGE_LEVEL)
TEMP = SignalValue("pack.temperature", TEMPERATURE)
SPREAD = SignalValue("pack.cell.spread", VOLTAGE)


def _leaves() -> list[Condition]:
    smoke = SignalValue("site.smoke", SWITCH)
    return [
        Compare(SOC, ">=", Quantity(95.0, CHARGE_LEVEL)),
        Between(TEMP, Quantity(-5.5, TEMPERATURE), Quantity(45.0, TEMPERATURE)),
        Compare(SPREAD, ">", Quantity(0.03, VOLTAGE)),
        Compare(smoke, "=", Quantity(1.0, SWITCH)),
        Compare(TimeSince("inspection"), "<", Quantity(float(90 * DAY), DURATION)),
        Compare(TimeUntilUse(), "!=", Quantity(float(2 * DAY + 5 * HOUR), DURATION)),
        Compare(CountSince("charge", "calibration"), ">=", Quantity(20.0, COUNT)),
        Compare(CountIn("drain", 7 * DAY), "=", Quantity(3.0, COUNT)),
        Compare(OverWindow("slope", SPREAD, 30 * DAY), ">", Quantity(0.001, VOLTAGE.rate())),
        Compare(OverWindow("max", TEMP, 90 * MINUTE), "<=", OverWindow("mean", TEMP, 14 * DAY)),
        Between(OverWindow("min", SOC, HOUR), Quantity(20.0, CHARGE_LEVEL),
                Quantity(30.0, CHARGE_LEVEL)),
        Compare(NumberOfPacks(And((For(Compare(SOC, ">", Quantity(55.0, CHARGE_LEVEL)), HOUR),
                                   Not(During(DayWindow(60, 120)))))), ">=", Quantity(3.0, COUNT)),
        Crosses(SignalValue("pack.health", CHARGE_LEVEL), Quantity(80.0, CHARGE_LEVEL), False),
        Crosses(CountSince("use", "inspection"), Quantity(12.0, COUNT), True),
        During(DayWindow(22 * 60, 6 * 60 + 5)),
        During(DayWindow(23 * 60 + 59, 0)),  # `at 23:59`
        OnDays((0, 5, 6)),
    ]  # fmt: skip


def _asks_a_signal(condition: Condition) -> bool:
    return any(
        isinstance(value, SignalValue | OverWindow)
        for part in walk(condition)
        for value in values(part)
    )


@st.composite
def _conditions(draw: st.DrawFn) -> Condition:
    """Each leaf at most once, so that no two parts can contradict one another."""
    leaves = draw(st.permutations(_leaves()))
    parts: list[Condition] = leaves[: draw(st.integers(1, 6))]
    while True:
        at = draw(st.integers(0, len(parts) - 1))
        match draw(
            st.sampled_from(["not", "for", "in last", "in samples", "and", "or", "and", "or"])
        ):
            case "not" if not isinstance(parts[at], Not):
                parts[at] = Not(parts[at])
            case "for":
                parts[at] = For(parts[at], draw(st.integers(1, 120)) * MINUTE)
            case "in last":
                parts[at] = InLast(parts[at], draw(st.integers(1, 120)) * MINUTE)
            case "in samples" if _asks_a_signal(parts[at]):
                of = draw(st.integers(1, 100))
                parts[at] = InSamples(parts[at], draw(st.integers(1, of)), of)
            case ("and" | "or") as kind if at + 1 < len(parts):
                join = And if kind == "and" else Or
                flat = [p for part in parts[at : at + 2]
                        for p in (part.parts if isinstance(part, join) else (part,))]  # fmt: skip
                parts[at : at + 2] = [join(tuple(flat))]
            case _:
                pass
        if len(parts) == 1:
            return parts[0]


@settings(max_examples=150, deadline=None)
@given(_conditions())
def test_the_wording_of_a_condition_reads_back_as_that_condition(condition: Condition) -> None:
    assert rule_of(f"when {wording(condition)}: retire").when == condition


# ---- small things ------------------------------------------------------------------------------


def test_an_empty_file_is_an_empty_plan() -> None:
    for text in ("", "\n\n", "# only a comment", "   \n  # and blanks\n"):
        plan = plan_of(text)
        assert (plan.rules, plan.nevers) == ((), ())


def test_blank_lines_comments_and_line_ends_change_nothing() -> None:
    text = (HERE / "right" / "forms.care").read_text(encoding="utf-8")
    loose = "\n".join(f"{row}   # said\n\n#c\n   # d" if row else row for row in text.split("\n"))

    def bare(rules: tuple[Rule, ...]) -> list[str]:
        return [shown((rule.selector, rule.when, rule.actions, rule.stop_when)) for rule in rules]

    wanted = bare(plan_of(text).rules)
    assert bare(plan_of(loose).rules) == wanted
    assert bare(plan_of(text.replace("\n", "\r\n")).rules) == wanted
    assert bare(plan_of(text.replace("    ", "  ")).rules) == wanted


def test_a_condition_goes_on_in_parentheses() -> None:
    wide = rule_of("when (pack.soc > 90\n      and pack.health > 50) for 2 h:\n    drain to 80")
    assert wide.when == rule_of("when (pack.soc > 90 and pack.health > 50) for 2 h: rest 1 h").when


def test_a_no_break_space_is_a_space() -> None:
    assert (
        rule_of("when pack.soc > 95\u00a0% for 24\u202fh: drain to 80").when
        == rule_of("when pack.soc > 95 % for 24 h: drain to 80").when
    )
