"""What can be written at a place."""

from __future__ import annotations

import pytest
from features_kit import RULES, cursor, put, seen

from carerules.lang.reference import reference
from carerules.lsp.features import alone, completion
from carerules.lsp.text import Position, Range


def offered(text: str, **more: object) -> list[str]:
    text, place = cursor(text)
    sight = seen(text, **more)  # type: ignore[arg-type]
    return [one.text for one in completion(sight, put(sight, place))]


@pytest.mark.parametrize(
    ("text", "wanted", "unwanted"),
    [
        ("|", {"rule", "when", "use", "let", "never", "group", "scenario"}, {"drain", "pack.soc"}),
        ("when |", {"pack.soc", "site.meter", "time", "count", "not"}, {"drain", "heron"}),
        ("when pack.|", {"pack.soc", "pack.cell.min", "pack.voltage"}, {"drain"}),
        ("when pack.soc |", {"is", "between", "rises"}, {"pack.soc", "drain"}),
        ("let full = 95 %\nwhen pack.soc > |", {"full", "pack.soc"}, {"drain"}),
        ("when pack.soc > 95 |", {"%", "for", "and"}, {"V", "h", "°C"}),
        ("when pack.temperature > 5 |", {"°C", "°F"}, {"%", "V"}),
        ("when pack.soc > 95 for 24 |", {"h", "min", "d"}, {"%", "V"}),
        ("when slope of pack.soc over 30 d > 1 |", {"%/d", "%/wk"}, {"h"}),
        ("when pack.soc > 95: |", {"drain", "charge", "notify", "retire"}, {"pack.soc", "rule"}),
        ("when pack.soc > 95: drain to 80 |", {"%", "at", "during"}, {"V"}),
        ("when pack.soc > 95: drain to 80 at most 60 |", {"W"}, {"%", "C"}),
        ("when pack.soc < 95: charge to 100 at most 1 |", {"C"}, {"W"}),
        ("when pack.soc > 95:\n    dr|", {"drain"}, {"rule"}),
        ("rule a |", {"on", "over", "when", "because"}, {"drain"}),
        ("group boats: packs where cells = 4\nrule a on |",
         {"boats", "lipo", "smart", "pack", "packs"}, {"heron"}),
        ("rule a on pack |", {"heron", "egret"}, {"lipo", "boats"}),
        ("rule b when pack.soc > 9: retire\nrule c when pack.soc > 8: retire\nrule a over b, |",
         {"b", "c"}, {"heron"}),
        ("rule a on packs where chemistry is |", {"lipo", "li-ion"}, {"boat", "heron"}),
        ("rule a on packs where role is |", {"boat"}, {"lipo"}),
        ('rule a on packs where tagged "|', {"smart"}, {"lipo"}),
        ("when time since |", {"charge", "use", "inspection"}, {"heron"}),
        ("when pack.soc > 5: mark done\nwhen time since |", {"done"}, set()),
        ("when on |", {"mon", "sun"}, {"heron"}),
        ('use "|', {"lipo", "shared.care"}, {"when"}),
        ('use "shared.care" with |', {"top"}, {"heron", "low"}),
        ('when pack.soc > 5: notify "{|', {"pack", "pack.soc"}, {"drain"}),
        ('when pack.soc > 5: notify "{pack.|', {"pack.soc"}, {"drain"}),
        ('scenario "a"\n    |', {"given", "at", "after"}, {"drain"}),
        ('scenario "a"\n    given pack heron at 60 %\n    at Sat 18:00: |', {"heron", "expect"},
         {"rule", "egret"}),
        ('scenario "a"\n    given pack heron at 60 % since |', {"Fri", "Sat"}, {"charge"}),
        ('scenario "a"\n    given pack heron at 60 %\n    at Sat 18:00: expect heron |',
         {"drain", "notify"}, {"rule"}),
        ('rule b when pack.soc > 9: retire\nscenario "a"\n    given pack heron at 60 %\n'
         "    at Sat 18:00: expect heron drain by |", {"b"}, {"heron"}),
    ],
)  # fmt: skip
def test_what_can_be_written(text: str, wanted: set[str], unwanted: set[str]) -> None:
    got = offered(text, others=RULES)
    assert wanted <= set(got)
    assert not unwanted & set(got)


@pytest.mark.parametrize(
    "text",
    ["# when |", 'when pack.soc > 5: notify "when |', "rule |", "let |", "group |",
     'when pack.soc > 5: retire # "|', "when when when |"],
)  # fmt: skip
def test_where_nothing_is_offered(text: str) -> None:
    assert offered(text) == []


def test_what_is_begun_is_replaced() -> None:
    text, place = cursor("# \U0001f50b\nwhen pack.cell.m|")
    sight = alone(text)
    items = completion(sight, put(sight, place))
    assert {one.range for one in items} == {Range(Position(1, 5), Position(1, 16))}


def test_each_item_says_what_it_is() -> None:
    text, place = cursor("when |")
    sight = seen(text)
    by_text = {one.text: one for one in completion(sight, put(sight, place))}
    assert by_text["pack.soc"].kind == "signal"
    assert "state of charge" in by_text["pack.soc"].detail
    assert "from 0 % to 100 %" in by_text["pack.soc"].more
    assert by_text["during"].kind == "keyword"
    assert by_text["during"].more == "during TIME-TIME"


def test_whatever_is_offered_goes_on_to_be_read() -> None:
    """At the place of every name of every example, what stands there is offered: with its site."""
    missed, looked = [], 0
    for entry in reference():
        text = entry.example
        sight = seen(text)
        for one in sight.outline.names:
            if one.gives or one.kind in ("channel", "file", "setting"):
                continue
            start, _ = sight.document.offsets_of(one.span)
            cut = seen(text[:start])
            names = [item.text for item in completion(cut, put(cut, start))]
            said = one.kind == "event" and one.name not in names  # `used` for `use`
            known = one.kind == "let" and one.name == "storage"  # of a file that is not there
            if one.name not in names and not said and not known:
                missed.append((text, one.kind, one.name))
            looked += 1
    assert missed == []
    assert looked > 200
