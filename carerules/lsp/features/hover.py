"""What the word under the pointer means: its unit, its form, its value in words.

Knows names, forms and numbers. Does not know what any pack is doing now.
"""

from __future__ import annotations

import re

from carerules.domain.frozen import guarded
from carerules.domain.moment import show_duration
from carerules.domain.pack import Pack
from carerules.domain.quantity import COUNT, DURATION, SWITCH, show
from carerules.domain.signal import Signal
from carerules.domain.spelling import counted
from carerules.lang.names import Mention
from carerules.lang.reference import reference
from carerules.lsp.features.explain import form_at
from carerules.lsp.features.names import definitions_of, statement_of
from carerules.lsp.features.numbers import (
    CLOCK,
    clock_in_words,
    in_words,
    numbers_in,
    time_in_words,
)
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Position, Range

NAMES_SHOWN = 12
"""Packs named in one line; more would hide the text below."""


@guarded
class Hover:
    """What to show, in Markdown, and the words that it is about."""

    text: str
    range: Range


def hover(sight: Sight, at: Position) -> Hover | None:
    """What stands at a place; None: nothing that could be explained."""
    document = sight.document
    offset = document.offset(at)
    line, start, end = document.row_of(offset)
    row = document.text[start:end]
    column = offset - start
    if (hash_at := _comment(row)) is not None and column > hash_at:
        return None
    mention = sight.mention_at(offset)
    if mention is not None and (text := _name(mention, sight)):
        return Hover(text, document.range_of(mention.span))
    found = _clock(row, column) or _number(row, column) or _keyword(sight, row, column, line)
    if found is None:
        return None
    text, first, last = found
    return Hover(text, document.range(start + first, start + last))


def _comment(row: str) -> int | None:
    """Where the comment of a row begins; None: it has none."""
    for match in re.finditer(r'"[^"]*"|#', row):
        if match[0] == "#":
            return match.start()
    return None


# ---- names -------------------------------------------------------------------------------------


def _name(one: Mention, sight: Sight) -> str:
    match one.kind:
        case "signal":
            signal = sight.together.signals.get(one.name)
            return "" if signal is None else signal_text(signal)
        case "let" | "setting" | "group" | "rule" | "scenario":
            return _given(one, sight)
        case "event":
            return f"**{one.name}**: {_event(one.name)}"
        case "pack":
            return _pack(one, sight)
        case "kind" | "chemistry" | "tag" | "role":
            return _given(one, sight) or _kind(one, sight)
        case "file":
            return _file(one, sight)
        case "day":
            return f"**{one.name}**: a day of the week, by the site's clock"
        case "channel":
            return f"**{one.name}**: where the notice goes; channels are set up in the site file"


def signal_text(signal: Signal) -> str:
    """A signal's meaning, unit, range, and how long a reading of it counts."""
    unit = {DURATION: "a time", SWITCH: "on or off", COUNT: "a count"}.get(
        signal.dimension, f"in {signal.dimension.unit}"
    )
    lines = [f"**{signal.name}**: {signal.meaning}", "", f"{signal.dimension.name}, {unit}"]
    if signal.dimension not in (DURATION, SWITCH):
        low, high = (show(value, signal.dimension) for value in (signal.low, signal.high))
        lines[-1] += f", from {low} to {high}"
    if signal.max_age is None:
        lines += ["", "kept: it holds until something changes it"]
    else:
        age = show_duration(signal.max_age)
        lines += ["", f"measured: a reading older than {age} counts as unknown"]
    return "\n".join(lines)


def _event(name: str) -> str:
    rows = [entry for entry in reference() if entry.kind == "event"]
    said = [one.meaning for one in rows if one.form == name or name in one.meaning.split()]
    return said[0] if said else "an event that a rule marks"


def _given(one: Mention, sight: Sight) -> str:
    """The statement that gives the name, with the comment above it."""
    for given in definitions_of(one, sight):
        found = statement_of(given, sight)
        if found is None:
            continue
        statement, rows = found
        shown = _head(rows) if statement.kind in ("rule", "scenario") else rows
        parts = ["```care", *shown, "```"]
        numbers = numbers_in(rows[-1].partition("#")[0])
        if statement.kind == "let" and numbers and (words := in_words(numbers[0].pieces)):
            parts += ["", words]
        if given.span.file != sight.file:
            parts += ["", f"in `{given.span.file}`"]
        return "\n".join(parts)
    return ""


def _head(rows: list[str]) -> list[str]:
    """A rule down to what it does, a scenario down to its name; at most eight rows."""
    return rows[:8] if len(rows) <= 8 else [*rows[:7], "    ..."]


def _packs(sight: Sight) -> list[Pack]:
    site = sight.together.setting
    return [] if site is None else list(site.site.packs.values())


def _pack(one: Mention, sight: Sight) -> str:
    if one.within:
        return f"**{one.name}**: a pack of this scenario"
    pack = next((pack for pack in _packs(sight) if pack.name == one.name), None)
    if pack is None:
        return f"**{one.name}**: a pack of the site"
    labels = [*(f'tagged "{tag}"' for tag in sorted(pack.tags)), *([pack.role] * bool(pack.role))]
    also = f"; {', '.join(labels)}" if labels else ""
    return (f"**{pack.name}**: {pack.chemistry}, {counted(pack.cells, 'cell')} in series, "
            f"{pack.capacity_ah:g} Ah{also}")  # fmt: skip


def _kind(one: Mention, sight: Sight) -> str:
    names = sorted(pack.name for pack in _packs(sight) if one.name in _labels(pack, one.kind))
    word = "chemistry or tag" if one.kind == "kind" else one.kind
    if sight.together.setting is None:
        return f"**{one.name}**: a {word}; which packs have it says the site file"
    shown = ", ".join(names[:NAMES_SHOWN]) + (", ..." if len(names) > NAMES_SHOWN else "")
    return f"**{one.name}**: a {word} of {shown or 'no pack of the site'}"


def _labels(pack: Pack, kind: str) -> frozenset[str]:
    match kind:
        case "chemistry":
            return frozenset({pack.chemistry})
        case "tag":
            return pack.tags
        case "role":
            return frozenset({pack.role})
        case _:
            return pack.tags | {pack.chemistry}


def _file(one: Mention, sight: Sight) -> str:
    outline = sight.outlines.get(one.name)
    if outline is None:
        return ""
    rules = [statement for statement in outline.statements if statement.kind == "rule"]
    nevers = sum(statement.kind == "never" for statement in outline.statements)
    lets = [statement.name for statement in outline.statements if statement.kind == "let"]
    ships = "ships with the project" if one.name in sight.together.fixed else "of this folder"
    text = f"**{one.name}**: {ships}; {counted(len(rules), 'rule')}, {counted(nevers, 'never')}"
    return text + (f"\n\nwith: {', '.join(lets)}" if lets else "")


# ---- numbers and words -------------------------------------------------------------------------


def _clock(row: str, column: int) -> tuple[str, int, int] | None:
    for match in CLOCK.finditer(row):
        if not match.start() <= column <= match.end():
            continue
        hours = [int(part) for part in match.groups() if part is not None]
        if any(
            hour > 23 or minute > 59 for hour, minute in zip(hours[::2], hours[1::2], strict=True)
        ):
            return None
        text = f"**{match[0]}**: {clock_in_words(hours[0], hours[1])}"
        if len(hours) == 4:
            minutes = (hours[2] * 60 + hours[3] - hours[0] * 60 - hours[1]) % (24 * 60)
            text += f" to {clock_in_words(hours[2], hours[3])}, {time_in_words(minutes * 60_000)}"
            text += ", past midnight" if hours[2:] < hours[:2] else ""
        return f"{text}, by the site's clock", match.start(), match.end()
    return None


def _number(row: str, column: int) -> tuple[str, int, int] | None:
    for number in numbers_in(row):
        if not number.start <= column <= number.end:
            continue
        written = row[number.start : number.end]
        words = in_words(number.pieces)
        if not words:
            return (
                f"**{written}**: a number without a unit takes that of what it stands beside",
                number.start,
                number.end,
            )
        return f"**{written}**: {words}", number.start, number.end
    return None


def _keyword(sight: Sight, row: str, column: int, line: int) -> tuple[str, int, int] | None:
    in_scenario = any(
        one.kind == "scenario" and one.span.line <= line <= one.span.end_line
        for one in sight.outline.statements
    )
    found = form_at(row, column, scenario=in_scenario)
    if found is None:
        return None
    word, entry = found
    first = next(
        one.start() for one in re.finditer(rf"(?<![\w.-]){word}(?![\w.-])", row)
        if one.start() <= column <= one.end()
    )  # fmt: skip
    text = "\n".join(["```care", entry.form, "```", "", entry.meaning])
    return text, first, first + len(word)
