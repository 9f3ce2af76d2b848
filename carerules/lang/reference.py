"""Every form of the language as rows for a manual: how it is written, what it means, an example.

Knows words for people. Does not know how anything is read. Each example is a whole file that is
read without complaint; a test reads them all, and sees that no keyword, action or unit is left out.
They speak of a pack `heron`, a tag `smart`, a role `boat`, a channel `phone`, and a signal
`site.meter` in Wh, which a site file declares.
"""

from __future__ import annotations

import re
from typing import Literal, TypeAlias

from carerules.domain import quantity as q
from carerules.domain.action import ACTIONS
from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.frozen import guarded
from carerules.lang import reference_forms as r
from carerules.lang.words import KEYWORDS

Kind: TypeAlias = Literal[
    "statement", "head", "selector", "filter", "condition", "value", "unit", "event", "action",
    "ending", "scenario", "change", "expectation", "keyword",
]  # fmt: skip


@guarded
class Entry:
    """One row: `form` in capitals names what is put in its place; `example` is a whole file."""

    kind: Kind
    form: str
    meaning: str
    example: str


def reference() -> tuple[Entry, ...]:
    """All rows, kind by kind, in the order of a manual; keywords come last, by the alphabet."""
    forms = (
        *_rows("statement", r.STATEMENTS, "{}"),
        *_rows("head", r.HEADS, "{}"),
        *_rows("selector", r.SELECTORS, "rule full on {} when pack.soc > 95 for 1 d: drain to 80"),
        *_rows("filter", r.FILTERS,
               "rule full on packs where {} when pack.soc > 95 for 1 d: drain to 80"),
        *_rows("condition", r.CONDITIONS, 'when {}: notify "{{pack}}"'),
        *_rows("value", r.VALUES, 'when {}: notify "{{pack}}"'),
        *_units(),
        *_rows("event", tuple((event, r.EVENTS[event], event) for event in PERSON_EVENTS),
               'when time since {} > 90 d: notify "{{pack}}"'),
        *(Entry("action", row.form, row.meaning, "when {}: {}".format(*r.ACTIONS[kind]))
          for kind, row in ACTIONS.items()),
        *_rows("ending", r.ENDINGS, "when pack.soc > 95 for 1 d:\n    drain to 80\n    {}"),
        *_rows("scenario", r.LINES, _RULE + 'scenario "a weekend"\n    {}'),
        *_rows("change", r.CHANGES, _RULE + 'scenario "a weekend"\n'
               "    given pack heron at 60 %\n    at Sat 18:00: {}, expect nothing"),
        *_rows("expectation", r.EXPECTATIONS, _RULE + "rule low when pack.soc < 30: charge to 40\n"
               'scenario "a weekend"\n'
               "    given pack heron at 100 % since Fri 18:00\n    at Sat {}"),
    )  # fmt: skip
    return (*forms, *_keywords(forms))


_RULE = "rule full when pack.soc > 95 for 1 d: drain to 80\n"


def _rows(kind: Kind, rows: r.Rows, around: str) -> tuple[Entry, ...]:
    return tuple(Entry(kind, form, meaning, around.format(one)) for form, meaning, one in rows)


# A signal of each kind, to write its units behind.
_ASKED = {
    q.CHARGE_LEVEL: "pack.soc", q.VOLTAGE: "pack.voltage", q.CURRENT: "pack.current",
    q.CAPACITY: "pack.capacity", q.ENERGY: "site.meter", q.POWER: "pack.power",
    q.RESISTANCE: "pack.resistance", q.TEMPERATURE: "pack.temperature", q.DURATION: "pack.rested",
}  # fmt: skip


def _units() -> tuple[Entry, ...]:
    found: list[Entry] = []
    for symbol, unit in q.UNITS.items():
        if unit.dimension == q.WARMTH:
            continue  # there are differences of temperatures in rates only
        also = [other for other, canonical in q.SPELLINGS.items() if canonical == symbol]
        meaning = unit.dimension.name + (f"; also {', '.join(also)}" if also else "")
        example = f"when pack.soc < 40: charge to 60 at most 0.5 {symbol}"
        if unit.dimension in _ASKED:
            example = f"when {_ASKED[unit.dimension]} > 9 {symbol}: retire"
        found.append(Entry("unit", symbol, meaning, example))
    rate = 'when slope of pack.cell.spread over 30 d > 1 mV/d: notify "{pack}"'
    return (*found, Entry("unit", "UNIT/TIME", "change over time, such as mV/d or %/wk", rate))


def _keywords(forms: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Each reserved word with the first form that has it."""
    found: list[Entry] = []
    for word in sorted(KEYWORDS):
        pattern = re.compile(rf"(?<![\w.-]){word}(?![\w.-])")
        home = next(
            (e for e in forms if pattern.search(e.form) and pattern.search(e.example)), None
        )
        assert home is not None, word
        found.append(Entry("keyword", word, f"a word of `{home.form}`", home.example))
    return tuple(found)
