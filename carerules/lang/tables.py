"""The parser itself: from the tables beside the grammar if they are its own, else built anew.

Knows the parser library's tables. Does not know what is parsed, nor what is said of a slip.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Any, cast

from lark import Lark, Token, __version__

from carerules.lang.build import Builder
from carerules.lang.words import GRAMMAR


class WholeWords:
    """A word is looked at as a whole, wherever it stands: `nevercharge` is not `never charge`.

    The contextual lexer looks for what may come next only, and where no name may, it would take
    the beginning of a longer word for a word of the language.
    """

    always_accept = ("NAME", "SIGNAL", "RATE")

    @staticmethod
    def process(tokens: Iterator[Token]) -> Iterator[Token]:
        """The tokens as they come."""
        return tokens


OPTIONS: Mapping[str, Any] = {"parser": "lalr", "lexer": "contextual", "maybe_placeholders": False}


@cache
def grammar() -> Lark:
    """The parser: from the tables beside the grammar if they are its own, else built anew."""
    # Lark takes any object that has a method for each alternative; its annotation is narrower.
    ours: dict[str, Any] = {"transformer": Builder(), "postlex": WholeWords()}
    text = (files("carerules.lang") / "care.json").read_text(encoding="utf-8")
    tables = json.loads(text)
    if tables["fingerprint"] != fingerprint(__version__):
        return Lark(GRAMMAR, **OPTIONS, **ours)
    # What a stand-alone parser that the library generates does: the tables without the building.
    read = cast(Any, Lark)._load_from_dict
    parser = tables["data"]["parser"]["parser"]
    parser["tokens"] = _numbered(parser["tokens"])
    parser["states"] = {int(state): _numbered(moves) for state, moves in parser["states"].items()}
    return cast(Lark, read(tables["data"], _numbered(tables["memo"]), **ours))


def forget_grammar() -> None:
    """Give back the 2 MB that reading takes; the next text has them made anew, in 25 ms."""
    grammar.cache_clear()


def fingerprint(version: str) -> str:
    """What tables are made of: a version of the library, this grammar, and the options."""
    return f"{version} {sha256(f'{OPTIONS} {GRAMMAR}'.encode()).hexdigest()[:16]}"


def _numbered(table: Mapping[str, object]) -> dict[int, object]:
    """States, words and rules are numbered, and JSON has no numbers for keys."""
    return {int(key): value for key, value in table.items()}
