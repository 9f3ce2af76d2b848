"""The runner of scenarios: what it must not take for what was expected."""

import re
from pathlib import Path

import pytest
from rules_kit import failed, read, verdicts

from carerules.lang.reference import reference

TWO_AT_ONCE = """
rule first when pack.soc > 90 for 2 h: notify "first"
rule second when pack.soc > 80 for 2 h: chore "second"

scenario "two rules fire at one moment"
    given pack heron at 95 % since Mon 08:00
    at Mon 10:00: expect heron {first}, expect heron {second}
"""


def _came_out(text: str) -> bool:
    (verdict,) = verdicts(read(text))
    assert not verdict.problem
    return verdict.ok


def test_what_was_told_belongs_to_the_rule_that_told_it() -> None:
    right = TWO_AT_ONCE.format(first="notify by first", second="chore by second")
    (verdict,) = verdicts(read(right))
    assert verdict.ok, failed(verdict)
    assert not _came_out(TWO_AT_ONCE.format(first="notify by second", second="chore by second"))
    assert not _came_out(TWO_AT_ONCE.format(first="notify by first", second="chore by first"))


WAITS = """
rule drain-it when pack.soc > 90 for 2 h: drain to 50

scenario "a chore only where a person has to do something"
    given pack heron {place} at 95 % since Mon 08:00
    at Mon 10:30: expect heron chore by drain-it
"""


def test_a_chore_that_the_bench_mends_by_itself_is_not_expected() -> None:
    """The bench tells readings only once energy is wanted: for a moment the job waits for them."""
    assert _came_out(WAITS.format(place="on no station"))
    assert not _came_out(WAITS.format(place=""))


UNREAD = """
rule hot when pack.temperature > 50 °C for 1 h: chore "{pack} is hot"

scenario "a pack whose charge nobody knows"
    given pack heron at 95 % since Mon 08:00
    at Mon 09:00: heron use, heron pack.temperature = TEMP °C
    at Thu 09:00: expect heron chore
"""


def test_that_nobody_reads_a_pack_is_no_rules_doing() -> None:
    """After a day the to-do list asks for it: that chore is not the one that a rule was to give."""
    assert _came_out(UNREAD.replace("TEMP", "55"))
    assert not _came_out(UNREAD.replace("TEMP", "20"))


def test_packs_tell_their_readings_while_another_ones_plug_answers() -> None:
    """Two jobs end in one refresh: the readings of the second are not told before the first's plug
    has answered. This broke off with an error."""
    text = """
rule down when pack.soc > 90 for 2 h: drain to 89
rule up when pack.soc > 92 for 3 h: notify "{pack}" again every 1 h

scenario "two packs at once"
    given pack heron at 95 % since Mon 08:00
    given pack egret at 95 % since Mon 08:00
    at Mon 10:01: expect heron drain by down, expect egret drain by down
    at Mon 11:30: expect nothing
    at Tue 11:30: expect nothing
"""
    (verdict,) = verdicts(read(text))
    assert verdict.ok, failed(verdict)


REFUSED = """
never charge when pack.temperature < {coldest} °C
rule up when pack.soc < 20 for 1 h: charge to 40

scenario "a cold hut"
    given pack heron at 15 % since Mon 08:00
    given heron pack.temperature = 9 °C
    given somebody present
    at Mon 10:00: expect heron charge refused
"""


def test_a_refusal_for_want_of_readings_is_none() -> None:
    """Before the bench first tells a reading, each job is refused for an instant."""
    assert _came_out(REFUSED.format(coldest=15))
    assert not _came_out(REFUSED.format(coldest=6))


ABSENT = """
rule half when pack.soc > 90 for 2 h and time until use > {soon}: drain to 50
rule low when pack.soc > 90 for 2 h: notify "{{pack}}"

scenario "a use in twelve days"
    given pack heron at 95 % since Mon 08:00
    given use in 12 d
    at Mon 10:00: expect heron {what}
"""


def _absent(what: str, soon: str = "10 d") -> bool:
    return _came_out(ABSENT.format(what=what, soon=soon))


def test_what_is_expected_to_be_absent_must_not_come() -> None:
    for kind in ("drain", "drain to 50", "drain by half", "drain to 50 by half", "notify"):
        assert _absent(kind), kind
        assert not _absent(f"no {kind}"), kind
    for kind in ("drain to 45", "drain by low", "charge", "notify by half", "quarantine"):
        assert not _absent(kind), kind
        assert _absent(f"no {kind}"), kind


def test_a_use_so_long_ahead_is_that_long_ahead() -> None:
    """Twelve days before the use are counted from what is given, two hours before the line."""
    assert _absent("drain", soon="11 d 21 h 59 min")
    assert _absent("no drain", soon="11 d 22 h 1 min")


# ---- what the language's own pages show --------------------------------------------------------

PAGE = (Path(__file__).parents[2] / "docs" / "language.md").read_text(encoding="utf-8")
SHOWN = [
    *re.findall(r"```care\n(.*?)```", PAGE, re.DOTALL),
    *(row.example for row in reference() if "scenario " in row.example),
]


@pytest.mark.parametrize("text", [text for text in dict.fromkeys(SHOWN) if "scenario " in text])
def test_a_scenario_that_is_shown_comes_out_as_it_says(text: str) -> None:
    own = [one for one in verdicts(read(text)) if one.scenario.span.file == "case.care"]
    assert own
    assert [failed(verdict) for verdict in own if not verdict.ok] == []


AT_ONCE = """
rule low when pack.soc < 30: chore "{{pack}} is low"
scenario "what is given is enough for it"
    given pack heron at 25 %
    after 1 h: expect {what}
"""


def test_what_was_decided_on_what_is_given_counts_for_the_first_line() -> None:
    assert _came_out(AT_ONCE.format(what="heron chore by low"))
    assert not _came_out(AT_ONCE.format(what="nothing"))
    assert not _came_out(AT_ONCE.format(what="heron no chore"))
