"""What is wrong with a site file, and on which line each key stands.

Knows keys, lines and wording. Does not know what any key means.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from typing import TypeAlias

from carerules.config.otherwords import KEYS, OtherWords, other_word_for
from carerules.domain.frozen import guarded
from carerules.domain.spelling import alike, printable, without_secrets

Key: TypeAlias = tuple[str, ...]

PROBLEMS_MAX = 100  # nobody reads more at one sitting; the next run shows the rest
NAMES_SEARCHED_MAX = 1_000  # all zones of the world are 600; a site has fewer of anything
FOUND_WIDTH_MAX = 60  # with key and wording a message still fits two lines of a terminal


@guarded
class Problem:
    """One mistake in a site file. `line` is 1-based; 0 where no line can be named. `column` is told
    where the text is no TOML; elsewhere 0, as the key says more."""

    file: str
    line: int
    key: Key
    found: str
    wanted: str
    mend: str = ""
    column: int = 0

    def show(self) -> str:
        """`site.toml:12: pack.heron.cells: found `300`, wanted ...` and the mend below it."""
        place = printable(self.file)
        for number in (self.line, self.column):
            place += f":{number}" if number else ""
        key = f"{show_key(self.key)}: " if self.key else ""
        text = f"{place}: {key}found {self.found}, wanted {self.wanted}"
        return f"{text}\n  mend: {self.mend}" if self.mend else text


def quoted(text: str) -> str:
    """The author's own words in backticks, on one line, not too long, and without a password."""
    text = without_secrets(text)
    short = text if len(text) <= FOUND_WIDTH_MAX else text[: FOUND_WIDTH_MAX - 1] + "…"
    return f"`{printable(short)}`"


def found(value: object) -> str:
    """A value of a TOML file as its author would name it."""
    match value:
        case bool():
            return f"`{str(value).lower()}`"
        case int() if abs(value) >= 1 << 64:
            return "a number of more than 64 bits"
        case int() | float():
            return f"`{value}`"
        case str():
            return quoted(value) if value else "an empty text"
        case dt.datetime() | dt.date() | dt.time():
            return f"`{value.isoformat()}`"
        case dict():
            return "a table"
        case list():
            return "a list"
        case _:
            return "nothing"


SHOWN_MAX = 12  # names of what there is: every key of a plug, in two rows of a terminal


def nearest(word: str, known: Iterable[str], words: OtherWords = KEYS) -> str:
    """`did you mean ...?`, or which names there are; nothing where there are none. `words`: other
    words for names that may be known."""
    names = sorted(known)
    if len(names) > NAMES_SEARCHED_MAX:
        return ""
    if close := nearest_name(word, names, words):
        return f"did you mean `{close}`?"
    if not names:
        return ""
    shown = ", ".join(f"`{name}`" for name in names[:SHOWN_MAX])
    return f"there are {shown}" + (" and more" if len(names) > SHOWN_MAX else "")


def nearest_name(word: str, known: Iterable[str], words: OtherWords = KEYS) -> str:
    """The known name that is meant by another; empty where none is like it."""
    names = sorted(known)
    return other_word_for(word, names, words) or next(iter(alike(word, names)), "")


_BARE = re.compile(r"[A-Za-z0-9_-]+")


def show_key(key: Key) -> str:
    """The key as it is written: `use."Saturday survey".packs`."""

    def part(word: str) -> str:
        return word if _BARE.fullmatch(word) else f'"{quoted(word)[1:-1]}"'

    return ".".join(part(word) for word in key)


# ---- lines -------------------------------------------------------------------------------------

_BLANK = re.compile(r"[ \t\r\n]+")
_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\\n]|\\.)*)"|'([^'\n]*)'|([A-Za-z0-9_-]+))\s*""")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|[\[\]{}\n=,]",
    re.DOTALL,
)


def lines_of_keys(text: str) -> Mapping[Key, int]:
    """The line of each table and key, the first where one stands twice.

    Python's TOML reader keeps no places, so this reads the text once more, and only for places:
    it takes for granted that the text is good TOML. Keys inside inline tables are found too.
    """
    lines: dict[Key, int] = {}
    table: Key = ()
    at, line = 0, 1
    while at < len(text):
        blank = _BLANK.match(text, at)
        if blank is not None:
            at, line = blank.end(), line + blank[0].count("\n")
        if text.startswith("[", at):
            table = _key_at(text, at + (2 if text.startswith("[[", at) else 1))[0]
            _note(lines, table, line)
            end = _end_of_line(text, at)
        elif at < len(text) and text[at] != "#":
            key, after = _key_at(text, at)
            _note(lines, table + key, line)
            end = _skip_value(text, after, line, table + key, lines)
        else:
            end = _end_of_line(text, at)
        line += text.count("\n", at, end)
        at = max(end, at + 1)
    return lines


def line_of(lines: Mapping[Key, int], key: Key) -> int:
    """The line of the key, or of the nearest table around it; 0 where there is none."""
    for length in range(len(key), 0, -1):
        if key[:length] in lines:
            return lines[key[:length]]
    return 0


def _note(lines: dict[Key, int], key: Key, line: int) -> None:
    # `a.b.c = 1` also tells where `a.b` stands.
    for length in range(1, min(len(key), 8) + 1):
        lines.setdefault(key[:length], line)


def _end_of_line(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def _key_at(text: str, at: int) -> tuple[Key, int]:
    key: list[str] = []
    while match := _KEY_PART.match(text, at):
        basic, literal, bare = match.groups()
        key.append(_unescaped(basic) if basic is not None else literal or bare or "")
        at = match.end()
        if not text.startswith(".", at):
            break
        at += 1
    return tuple(key), at


def _unescaped(text: str) -> str:
    # Only what a key is likely to hold; a rarer escape costs the line number, no more.
    return text.replace('\\"', '"').replace("\\\\", "\\")


def _skip_value(text: str, at: int, line: int, key: Key, lines: dict[Key, int]) -> int:
    """The place after the value that begins at `at`, noting the keys of inline tables."""
    # One entry for each open bracket: the key of the inline table, or None for a list.
    open_: list[Key | None] = []
    expecting_key = False
    inner = key
    begin = at
    while True:
        if expecting_key:
            part, after = _key_at(text, at)
            if part and open_ and (table := open_[-1]) is not None:
                inner = table + part
                _note(lines, inner, line + text.count("\n", begin, at))
                at = after
            expecting_key = False
        token = _TOKEN.search(text, at)
        if token is None:
            return len(text)
        at = token.end()
        match token[0]:
            case "\n" if not open_:
                return at
            case "[":
                open_.append(None)
            case "{":
                open_.append(inner)
                expecting_key = True
            case "]" | "}":
                if open_:
                    open_.pop()
            case ",":
                expecting_key = bool(open_) and open_[-1] is not None
