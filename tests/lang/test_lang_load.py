"""The front door: files that take in one another, a site's names, and the order of what is told."""

import pytest
from lang_kit import CATALOGUE, NAMES, codes_of, fetch, loaded

from carerules.domain.diagnostic import Mend
from carerules.domain.quantity import VOLTAGE
from carerules.domain.selector import AnyOf, ChemistryIs, Named, RoleIs, Tagged
from carerules.domain.signal import Signal, catalogue
from carerules.lang import Names, load

RULE = "rule {name} when pack.soc > 95: drain to 80\n"


def test_rules_come_in_the_order_of_the_text() -> None:
    text = RULE.format(name="early") + 'use "storage"\n' + RULE.format(name="late")
    got = load(
        {"a.care": text, "b.care": RULE.format(name="end")},
        catalogue=CATALOGUE, names=NAMES, fetch=fetch,
    )  # fmt: skip
    assert got.plan is not None
    assert [rule.name for rule in got.plan.rules] == ["early", "stored", "late", "end"]
    assert list(got.sources) == ["a.care", "storage", "b.care"]
    assert got.sources["storage"] == fetch("storage")
    assert [rule.span.file for rule in got.plan.rules] == ["a.care", "storage", "a.care", "b.care"]


def test_a_setting_replaces_a_let() -> None:
    (plain,) = _drains('use "storage"')
    (changed,) = _drains('let mine = 40 %\nuse "storage" with stored = mine')
    assert (plain, changed) == (50.0, 40.0)


def _drains(text: str) -> list[float]:
    plan = loaded(text).plan
    assert plan is not None
    return [action.target for rule in plan.rules for action in rule.actions]  # type: ignore[union-attr]


def test_a_file_taken_in_twice_alike_counts_once() -> None:
    texts = {"a.care": 'use "storage"', "b.care": 'use "storage"'}
    got = load(texts, catalogue=CATALOGUE, names=NAMES, fetch=fetch)
    assert got.plan is not None
    assert len(got.plan.rules) == 1


def test_rule_names_are_one_of_a_kind_over_all_files() -> None:
    texts = {"a.care": RULE.format(name="same"), "b.care": RULE.format(name="same")}
    got = load(texts, catalogue=CATALOGUE)
    assert [(d.code, d.span.file) for d in got.diagnostics] == [("duplicate-name", "b.care")]
    assert got.plan is None


def test_over_reaches_into_every_file_before_and_after() -> None:
    first = "rule a over b, stored when pack.soc > 95: drain to 80\n"
    texts = {"a.care": first, "b.care": RULE.format(name="b") + 'use "storage"'}
    got = load(texts, catalogue=CATALOGUE, fetch=fetch)
    assert got.diagnostics == ()
    assert got.plan is not None
    assert got.plan.rules[0].over == {"b", "stored"}


def test_an_event_marked_in_one_file_is_known_in_another() -> None:
    texts = {
        "a.care": 'when time since wash > 30 d: chore "wash {pack}"',
        "b.care": "when pack.soc > 95: mark wash",
    }
    assert load(texts, catalogue=CATALOGUE).diagnostics == ()
    assert codes_of(texts["a.care"]) == ["unknown-event"]


def test_unnamed_rules_are_named_by_file_and_line() -> None:
    got = loaded("# one\n\nwhen pack.soc > 95: drain to 80", "site/river.care")
    assert got.plan is not None
    assert got.plan.rules[0].name == "river:3"


def test_a_file_that_takes_in_itself_under_another_name_is_a_circle() -> None:
    text = 'use "river"\n' + RULE.format(name="a")
    got = load({"site/river.care": text}, catalogue=CATALOGUE, fetch=lambda _: text)
    assert [found.code for found in got.diagnostics] == ["circle"]


def test_without_a_fetch_nothing_is_taken_in() -> None:
    got = load({"a.care": 'use "storage"'}, catalogue=CATALOGUE)
    assert [found.code for found in got.diagnostics] == ["unknown-file"]


@pytest.mark.parametrize(
    ("written", "meant", "safe"),
    [("lipoo", "lipo", False), ("LiPo", "lipo", True), ("shed", "shed.care", False)],
)
def test_a_file_that_is_misspelt_is_asked_back(written: str, meant: str, safe: bool) -> None:
    offered = ("lipo", "li-ion", "river.care", "shed.care")
    got = load({"river.care": f'use "{written}"\n'}, catalogue=CATALOGUE, offered=lambda: offered)
    (found,) = got.diagnostics
    assert found.mend == Mend(f'did you mean `use "{meant}"`?', f'"{meant}"', safe)


@pytest.mark.parametrize("written", ["graphite", "river.car"])
def test_a_file_like_no_other_and_the_file_itself_are_not_guessed(written: str) -> None:
    offered = ("lipo", "river.care")
    got = load({"river.care": f'use "{written}"\n'}, catalogue=CATALOGUE, offered=lambda: offered)
    (found,) = got.diagnostics
    assert found.mend is not None
    assert found.mend.replacement is None


# ---- names -------------------------------------------------------------------------------------

ANY = (
    "rule a on pack x when pack.soc > 95: drain to 80\n"
    "rule b on y packs when pack.soc > 95: drain to 80\n"
    'rule c on packs where chemistry is z and tagged "t" and role is r when pack.soc > 95: retire\n'
)


def test_names_that_are_unknown_are_not_complained_of() -> None:
    got = load({"a.care": ANY}, catalogue=CATALOGUE, names=Names())
    assert got.diagnostics == ()
    assert got.plan is not None
    kind = got.plan.rules[1].selector
    assert got.plan.rules[0].selector == Named("x")
    assert kind == AnyOf((ChemistryIs("y"), Tagged("y")))


def test_names_that_are_known_are_held_against_the_text() -> None:
    assert codes_of(ANY) == [
        "unknown-pack", "unknown-packs", "unknown-packs", "unknown-packs", "unknown-role",
    ]  # fmt: skip


def test_a_file_that_is_taken_in_may_speak_of_kinds_that_this_site_has_not() -> None:
    text = "rule a on packs where role is kite when pack.soc > 95: drain to 80"
    got = load({"a.care": 'use "k"'}, catalogue=CATALOGUE, names=NAMES, fetch=lambda _: text)
    assert got.plan is not None
    assert got.plan.rules[0].selector == RoleIs("kite")
    assert codes_of(text) == ["unknown-role"]


def test_a_signal_of_the_site_is_known_by_the_catalogue_alone() -> None:
    mast = Signal("site.mast-supply", VOLTAGE, None, 0, 60, "voltage at the mast")
    text = {"a.care": 'when site.mast-supply < 11.5: notify "mast at {site.mast-supply}"'}
    assert load(text, catalogue=catalogue([mast])).diagnostics == ()
    assert [d.code for d in load(text, catalogue=CATALOGUE).diagnostics] == ["unknown-signal"] * 2


# ---- what is told ------------------------------------------------------------------------------


def test_findings_come_in_the_order_of_files_and_lines() -> None:
    slips = "rule a over c when pack.soc > 95: drain to 80\nwhen pack.sock > 1: retire\nwhne x"
    got = load({"z.care": slips, "a.care": slips.replace("rule a", "rule b")}, catalogue=CATALOGUE)
    places = list(dict.fromkeys((d.span.file, d.span.line) for d in got.diagnostics))
    assert len(got.diagnostics) > len(places)
    assert places == [("z.care", 1), ("z.care", 2), ("z.care", 3), ("a.care", 1), ("a.care", 2),
                      ("a.care", 3)]  # fmt: skip


def test_a_warning_keeps_the_plan() -> None:
    got = loaded("let idle = 5 %\n" + RULE.format(name="a"))
    assert [found.code for found in got.diagnostics] == ["unused-name"]
    assert got.plan is not None


def test_what_an_unreadable_statement_would_have_defined_is_not_missed_again() -> None:
    text = (
        "let full = 95 % %\n"
        "group fours: packs where cells = = 4\n"
        "rule a when pack.soc > full: drain to to 80\n"
        "rule b when pack.soc > 99: mark wash wash\n"
        "rule c on fours packs over a when pack.soc > full and time since wash > 1 d: drain to 80\n"
    )
    assert [found.span.line for found in loaded(text).diagnostics] == [1, 2, 3, 4]


def test_one_slip_does_not_hide_the_next() -> None:
    slips = ["when pack.soc > : drain to 80", "when pack.soc > 95 drain", "rule", "let = 5 %"]
    good = RULE.format(name="good")
    text = "".join(f"{slip}\n{good.replace('good', f'good{at}')}" for at, slip in enumerate(slips))
    lines = {found.span.line for found in loaded(text).diagnostics}
    assert lines == {1, 3, 5, 7}
