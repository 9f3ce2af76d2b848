"""The parser of the language: from the tables beside the grammar (`tests/lang/make_tables.py`).

Knows how the tables are written. Does not know what is parsed, nor what is said of a slip.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any

from carerules.lang.automaton import Rule, Tables, Terminal, Words
from carerules.lang.build import Builder
from carerules.lang.words import GRAMMAR

ALWAYS = ("NAME", "SIGNAL", "RATE")
"""A word is looked at as a whole, wherever it stands: `nevercharge` is not `never charge`. Where no
name may come, the beginning of a longer word would be taken for a word of the language."""

OPTIONS: Mapping[str, Any] = {"parser": "lalr", "lexer": "contextual", "maybe_placeholders": False}
"""With what the tables are made."""


@cache
def grammar() -> Tables:
    """The tables, as they are used, until they are forgotten."""
    return read_tables(Builder())


def read_tables(builder: Builder) -> Tables:
    """The tables, with what makes the syntax tree."""
    told = json.loads((files("carerules.lang") / "care.json").read_text(encoding="utf-8"))
    data, memo = told["data"]["parser"], told["memo"]
    rules = {number: _rule(one, builder) for number, one in memo.items() if "origin" in one}
    terminals = [_terminal(one) for one in memo.values() if "pattern" in one]
    table = data["parser"]
    names = table["tokens"]
    states = {
        int(state): {
            names[name]: rules[str(to["@"])] if complete else int(to)
            for name, (complete, to) in moves.items()
        }
        for state, moves in table["states"].items()
    }
    words = Words(terminals, data["lexer_conf"]["ignore"], ALWAYS, states)
    return Tables(states, table["start_states"]["start"], table["end_states"]["start"], words)


def forget_grammar() -> None:
    """Give back the 2 MB that reading takes; the next text has them made anew, in 25 ms."""
    grammar.cache_clear()


def fingerprint(version: str) -> str:
    """What tables are made of: a version of the library, this grammar, and the options."""
    return f"{version} {sha256(f'{OPTIONS} {GRAMMAR}'.encode()).hexdigest()[:16]}"


def _terminal(told: Mapping[str, Any]) -> Terminal:
    pattern, word = told["pattern"], told["pattern"]["__type__"] == "PatternStr"
    assert not pattern["flags"], "no terminal of this language has any"
    text = pattern["value"]
    width = len(text) if word else pattern["_width"][1]
    return Terminal(told["name"], text, told["priority"], width, word)


def _rule(told: Mapping[str, Any], builder: Builder) -> Rule:
    """What is filtered out is left out, what `_is_named_so` is taken apart, and a `?` that holds
    one thing is that: as the grammar's language has it."""
    expansion = told["expansion"]
    parts = [
        (at, one["__type__"] == "NonTerminal" and one["name"].startswith("_"))
        for at, one in enumerate(expansion)
        if one["__type__"] == "NonTerminal" or not one["filter_out"]
    ]
    made = getattr(builder, told["alias"] or told["origin"]["name"], _as_they_are)
    alone = told["options"]["expand1"] and not told["alias"]
    return Rule(told["origin"]["name"], len(expansion), _builds(parts, made, alone=alone))


def _builds(
    parts: list[tuple[int, bool]], made: Callable[[list[Any]], Any], *, alone: bool
) -> Callable[[list[Any]], Any]:
    def build(values: list[Any]) -> Any:
        children: list[Any] = []
        for at, apart in parts:
            if not apart:
                children.append(values[at])
            elif children:
                children += values[at]
            else:  # nobody else has it: a long row is not copied with each of its members
                children = values[at]
        return children[0] if alone and len(children) == 1 else made(children)

    return build


def _as_they_are(children: list[Any]) -> list[Any]:
    return children
