"""What can be written at a place: words of the language, signals, names, units.

Knows what the grammar would take, and the names of rules and site. Does not know what is meant.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Literal, TypeAlias

from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.frozen import guarded
from carerules.domain.quantity import (
    C_RATE,
    CHARGE_LEVEL,
    DURATION,
    POWER,
    UNITS,
    WARMTH,
    Dimension,
)
from carerules.domain.wording import DAY_NAMES
from carerules.lang import KEYWORDS
from carerules.lang.ahead import ahead
from carerules.lang.names import outline
from carerules.lang.reference import reference
from carerules.lsp.features.explain import form_of
from carerules.lsp.features.hover import signal_text
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Position, Range

ItemKind: TypeAlias = Literal["keyword", "action", "signal", "name", "unit", "text"]

ITEMS_MAX = 500
"""Nobody reads a longer list; typing one more letter makes it short."""


@guarded
class Item:
    """One choice: what is written, in place of the word that was begun; `detail` in a few words."""

    text: str
    kind: ItemKind
    detail: str
    range: Range
    more: str = ""


def completion(sight: Sight, at: Position) -> list[Item]:
    """What fits at a place, the likeliest kinds first; nothing inside a comment."""
    document = sight.document
    offset = document.offset(at)
    _, start, _ = document.row_of(offset)
    row = document.text[start:offset]
    if _in_comment(row):
        return []
    quoted = _open_text(row)
    begun = _begun(row if quoted is None else quoted)
    where = document.range(offset - len(begun), offset)
    if quoted is not None:
        return [
            Item(text, "text" if kind == "text" else kind, detail, where, more)
            for text, kind, detail, more in _in_text(sight, row, quoted, begun)
        ]
    chosen = _Choice(sight, document.text[: offset - len(begun)])
    return [Item(*one[:3], where, one[3]) for one in chosen.all()][:ITEMS_MAX]


def _in_comment(row: str) -> bool:
    return "#" in re.sub(r'"[^"]*("|$)', "", row)


def _open_text(row: str) -> str | None:
    """What stands behind a quotation mark that is still open; None: there is none."""
    parts = row.split('"')
    return parts[-1] if len(parts) % 2 == 0 else None


def _begun(row: str) -> str:
    found = re.search(r"[^\W\d][\w.-]*$", row)
    return found[0] if found else ""


_Row: TypeAlias = tuple[str, ItemKind, str, str]


# ---- inside a text -----------------------------------------------------------------------------


def _in_text(sight: Sight, row: str, quoted: str, begun: str) -> Iterator[_Row]:
    """The files of a `use`, the tags of the site, and what fills a hole."""
    before = row[: len(row) - len(quoted) - 1].rstrip()
    if before == "use":
        for name in sorted(sight.together.files):
            yield name, "text", "a rule file", ""
    elif before.endswith("tagged"):
        for tag in sorted(sight.together.names.tags or ()):
            yield tag, "text", "a tag", ""
    elif quoted[: len(quoted) - len(begun)].rstrip().endswith("{"):
        yield "pack", "keyword", "the name of the pack", ""
        yield from _signals(sight)


def _signals(sight: Sight) -> Iterator[_Row]:
    for signal in sight.together.signals.values():
        unit = "" if signal.dimension == DURATION else f", {signal.dimension.unit}"
        yield signal.name, "signal", f"{signal.meaning}{unit}", signal_text(signal)


# ---- by what the grammar would take ------------------------------------------------------------

_DAYS = tuple(day.capitalize() for day in DAY_NAMES)
_DURATION_AFTER = frozenset({"FOR", "LAST", "OVER", "WITHIN", "EVERY", "REST", "HOLD", "AFTER"})


class _Choice:
    """The choices behind a text, by what the grammar would take there."""

    def __init__(self, sight: Sight, before: str) -> None:
        self.sight = sight
        look = ahead(before)
        self.wanted, self.words = look.wanted, look.words
        self.last = self.words[-1] if self.words else None
        self.story = bool(self.words) and self.words[0].type == "SCENARIO"

    def all(self) -> Iterator[_Row]:
        if self.last is not None and self.last.type == "FIGURE":
            yield from self._units()
        if "NAME" in self.wanted:
            yield from self._names()
        if "SIGNAL" in self.wanted:
            yield from _signals(self.sight)
        yield from self._keywords()

    # ---- words of the language ---------------------------------------------------------------

    def _keywords(self) -> Iterator[_Row]:
        actions = {entry.form.split()[0]: entry for entry in reference() if entry.kind == "action"}
        texts = [word.text for word in self.words]
        doing = "RETIRE" in self.wanted
        for word in sorted(one.lower() for one in self.wanted if one.lower() in KEYWORDS):
            if doing and word in actions:
                entry = actions[word]
                yield word, "action", entry.meaning, entry.form
                continue
            form = form_of([*texts, word], len(texts), scenario=self.story)
            yield word, "keyword", "" if form is None else form.meaning, form.form if form else ""

    # ---- names -------------------------------------------------------------------------------

    def _names(self) -> Iterator[_Row]:
        for what, names in self._fitting():
            yield from ((name, "name", what, "") for name in sorted(set(names)))

    def _fitting(self) -> Iterator[tuple[str, Iterable[str]]]:
        last = self.last.type if self.last is not None else ""
        known = self.sight.together.names
        if "FIGURE" in self.wanted:
            yield "a value", self.given("let")
        elif last in ("RULE", "LET", "GROUP", ""):
            return
        elif last == "SINCE":
            yield ("a day", _DAYS) if "CLOCK" in self.wanted else ("an event", self.events())
        elif (at := _AFTER.get(self._head())) is not None:
            yield at[0], at[1](self)
        elif "PACKS" in self.wanted:
            yield "a group", self.given("group")
            yield "a chemistry", known.chemistries or ()
            yield "a tag", known.tags or ()
        elif "CLOCK" in self.wanted and last in ("AT", "ON"):
            yield "a day", _DAYS
        elif last in ("ON", "COMMA") and not self.story:
            yield "a day", DAY_NAMES
        elif self.story:
            yield "a pack", self.packs_here()
            if last == "NAME":
                yield "an event", PERSON_EVENTS

    def _head(self) -> str:
        """The word that says what kind of name comes: the last one, or that before a list."""
        words = list(self.words)
        while len(words) >= 2 and words[-1].type == "COMMA" and words[-2].type == "NAME":
            words = words[:-2]
        types = [word.type for word in words[-2:]]
        if types in (["CHEMISTRY", "IS"], ["ROLE", "IS"]):
            return types[0]
        if types[-1:] == ["BY"] and "USE" in self.wanted and not self.story:
            return ""
        return types[-1] if types else ""

    def given(self, kind: str) -> list[str]:
        """Names that the file gives, or for rules any of the files."""
        outlines = self.sight.outlines
        files = outlines.values() if kind == "rule" else [self.sight.outline]
        return [one.name for file in files for one in file.names if one.kind == kind and one.gives]

    def events(self) -> set[str]:
        marked = {
            one.name for file in self.sight.outlines.values() for one in file.names
            if one.kind == "event" and one.gives
        }  # fmt: skip
        return marked | set(PERSON_EVENTS)

    def packs_here(self) -> set[str]:
        """The packs that the scenario has given so far; where none is, those of the site."""
        given = {
            after.text for before, after in zip(self.words, self.words[1:], strict=False)
            if before.type == "PACK" and after.type == "NAME"
        }  # fmt: skip
        return given or set(self.sight.together.names.packs or ())

    def settings(self) -> list[str]:
        """The lets of the file that this `use` takes in."""
        file = next((word.text for word in self.words if word.type == "STRING"), "")
        text = self.sight.together.fetch(file)  # this `use` is not complete, and took in nothing
        names = () if text is None else outline(text, file).names
        return [one.name for one in names if one.kind == "let" and one.gives]

    # ---- units -------------------------------------------------------------------------------

    def _units(self) -> Iterator[_Row]:
        wanted = self._dimension()
        for symbol, unit in UNITS.items():
            if unit.dimension == WARMTH or (wanted is not None and unit.dimension != wanted):
                continue
            if any(word.type == "SLOPE" for word in self.words):
                yield from ((f"{symbol}/{time}", "unit", "change over time", "")
                            for time in ("d", "wk"))  # fmt: skip
            else:
                yield symbol, "unit", unit.dimension.name, ""

    def _dimension(self) -> Dimension | None:
        """What is measured by the number just written; None: any."""
        words = self.words[:-1]
        compared = False
        for word in reversed(words):
            compared = compared or word.type in ("OP", "BETWEEN", "ABOVE", "BELOW")
            if word.type in _DURATION_AFTER and not compared:
                return DURATION
            if word.type == "TO":
                return CHARGE_LEVEL
            if word.type == "MOST":
                drains = any(one.type == "DRAIN" for one in words)
                return POWER if drains else C_RATE
            if word.type == "SIGNAL":
                signal = self.sight.together.signals.get(word.text)
                return signal.dimension if signal is not None else None
            if word.type in ("SINCE", "UNTIL", "USE"):
                return DURATION
            if word.type in ("COLON", "SEMI", "WHEN"):
                return None
        return None


_Names: TypeAlias = Callable[[_Choice], Iterable[str]]

_AFTER: dict[str, tuple[str, _Names]] = {
    "OVER": ("a rule", lambda choice: choice.given("rule")),
    "BY": ("a rule", lambda choice: choice.given("rule")),
    "PACK": ("a pack", lambda choice: choice.sight.together.names.packs or ()),
    "CHEMISTRY": ("a chemistry", lambda choice: choice.sight.together.names.chemistries or ()),
    "IS": ("a chemistry", lambda choice: choice.sight.together.names.chemistries or ()),
    "ROLE": ("a role", lambda choice: choice.sight.together.names.roles or ()),
    "COUNT": ("an event", lambda choice: choice.events()),
    "MARK": ("an event", lambda choice: choice.events()),
    "TO": ("a channel", lambda choice: choice.sight.together.names.channels or ()),
    "EXPECT": ("a pack", lambda choice: choice.packs_here()),
    "OF": ("a pack", lambda choice: choice.packs_here()),
    "WITH": ("a value of that file", lambda choice: choice.settings()),
}
"""What kind of name comes behind a word."""
