"""TOML as people write it: read, or told where it is none, and what was probably meant there.

Knows TOML, and the slips of those who rarely write it. Does not know any key of ours.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

from carerules.domain.frozen import guarded
from carerules.domain.spelling import printable, without_secrets

Meant: TypeAlias = tuple[str, str, str]
"""What was wanted, the mend, and the row as it was probably meant; empty: nobody can tell."""


@guarded
class TomlFault:
    """Where a text is no TOML: line and column, from 1, and 0 where none can be named.

    `found` is the row as its author wrote it; empty: the text ended. `meant` is that row with the
    slip mended; empty where nobody can tell what was meant.
    """

    line: int
    column: int
    found: str
    wanted: str
    mend: str
    meant: str = ""


def read_toml(text: str) -> Mapping[str, Any] | TomlFault:
    """The tables of the text, or the first place where it is no TOML. Never raises."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        return TomlFault(0, 0, "brackets hundreds deep", "tables and lists a few deep", "")
    except tomllib.TOMLDecodeError as error:
        return _fault(text, str(error))
    except ValueError:  # Python's own bound on digits
        said = "a whole number of hundreds of digits"
        return TomlFault(0, 0, said, "a number that means something", "")


def _fault(text: str, said: str) -> TomlFault:
    rows = text.split("\n")
    place = re.search(r"\(at line (\d+), column (\d+)\)", said)
    line, column = (int(place[1]), int(place[2])) if place else (len(rows), 0)
    row = rows[line - 1].rstrip("\r") if 0 < line <= len(rows) else ""
    why = re.sub(r" \(at .*\)$", "", said, flags=re.DOTALL)
    if not row.strip():
        return TomlFault(line, column, "", *_said(why))
    slips = (look(row, column, why) for look in SLIPS)
    meant = next((slip for slip in slips if slip and slip[2] != row), None)
    return TomlFault(line, column, row.strip(), *(meant or (*_said(why), "")))


TOML_SAYS = (
    ("Cannot declare", "each table once", "put its keys under one heading"),
    ("Cannot mutate", "each table once", "put its keys under one heading"),
    ("Cannot overwrite", "each key once", "take one of the two out"),
    ("Duplicate inline", "each key once", "take one of the two out"),
    ("Illegal character '\\n'", "a text that ends on its line", 'close it with `"`'),
    ("Unterminated string", "a text that ends", "close it with its quotes"),
    ("Unescaped '\\'", "`\\\\` for each backslash", "or write `/`, or take `'` for the quotes"),
    ("Invalid hex value", "`\\\\` for each backslash", "or write `/`, or take `'` for the quotes"),
    ("Expected '='", "`key = value`", "a text goes in quotes, a comment after `#`"),
    ("Expected newline", "nothing behind the value", "a text goes in quotes, a comment after `#`"),
    ("Expected ']'", "a name of letters (a to z), digits, `-` and `_`", "close it with `]`"),
    ("Invalid initial", "`{ key = value, key = value }` in one row", "no comma before `}`"),
    ("Invalid date", "a day and a time that there are", "such as `2025-03-01T08:00:00`"),
    ("Invalid value", "a value", "a text goes in quotes; a list in `[ ]`"),
    ("Invalid statement", "`key = value` or `[table]`", "a comment begins with `#`"),
)
"""What Python's TOML reader says, and what is wanted and mended then."""


def _said(why: str) -> tuple[str, str]:
    for words, wanted, mend in TOML_SAYS:
        if why.startswith(words):
            return wanted, mend
    plain = why.partition("\n")[0][:100]
    return "TOML", f"{plain[:1].lower()}{plain[1:]}"


# ---- slips -------------------------------------------------------------------------------------

_CURLY = str.maketrans("“”„‟«»″‘’‚‛‹›`´", '"""""""""""""""')
_KEY = r"[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*"
_ROW = re.compile(rf"\s*({_KEY})\s*([=:])\s*(.*?)\s*(?:\s#.*)?")
_WIDE_KEY = re.compile(r"(\s*)([^\W\d][\w-]*)(\s*=.*)")
_WORDS = {
    **dict.fromkeys(("true", "yes", "on", "ja", "oui"), "true"),
    **dict.fromkeys(("false", "no", "off", "nein", "non"), "false"),
}


def _invisible(row: str, column: int, _why: str) -> Meant | None:
    """Spaces that are none, marks of byte order, control characters: nobody sees them."""
    at = row[column - 1 : column]
    category = unicodedata.category(at) if at else ""
    if at in (" ", "\t", "\r") or category not in ("Cc", "Cf", "Zs"):
        return None
    with_blank = " " if category == "Zs" else ""
    mend = f"take U+{ord(at):04X} at column {column} out, and type the row anew"
    return "no invisible character", mend, row.replace(at, with_blank)


def _line_ends(row: str, _column: int, _why: str) -> Meant | None:
    if "\r" not in row:
        return None
    return "rows that end with a line feed", "save it with the line ends of Unix or Windows", ""


def _curly(row: str, _column: int, _why: str) -> Meant | None:
    """Quotes as a word processor sets them."""
    straight = row.translate(_CURLY)
    if straight == row or not _is_toml(straight):
        return None
    return 'straight quotes (`"`)', _write(straight), straight


def _twice(row: str, _column: int, why: str) -> Meant | None:
    """The second of two keys; passed over, so that the rest is read."""
    wanted, mend = _said(why)
    is_key = why.startswith("Cannot overwrite") and not row.lstrip().startswith("[")
    return (wanted, mend, f"# {row}") if is_key else None


def _comment(row: str, _column: int, _why: str) -> Meant | None:
    match = re.match(r"\s*(;|//|--|/\*|%|<!--)", row)
    return None if match is None else ("a comment after `#`", "begin the row with `#`", f"# {row}")


def _heading(row: str, _column: int, why: str) -> Meant | None:
    """`[pack.grey heron]`, `[pack.häher]`, `[pack.heron`."""
    if why.startswith("Cannot"):
        return None  # well written, and a second time
    match = re.fullmatch(r"\s*\[([^\[\]\"']+)(\]?)\s*(?:#.*)?", row)
    if match is None:
        return None
    parts = [part.strip() for part in match[1].split(".")]
    quoted = ".".join(p if re.fullmatch(r"[A-Za-z0-9_-]+", p) else f'"{p}"' for p in parts)
    meant = f"[{quoted}]"
    if not all(parts) or not _is_toml(meant):
        return None
    wanted = "a heading that ends with `]`" if not match[2] else "other names in quotes"
    return wanted, _write(meant), meant


def _wide_key(row: str, _column: int, _why: str) -> Meant | None:
    """A key with letters that only a quoted key may have."""
    match = _WIDE_KEY.fullmatch(row)
    if match is None or match[2].isascii():
        return None
    meant = f'{match[1]}"{match[2]}"{match[3]}'
    wanted = "a key of letters (a to z), digits, `-` and `_`"
    return (wanted, "look at its spelling", meant) if _is_toml(meant) else None


def _value(row: str, _column: int, _why: str) -> Meant | None:
    """`key = value` with a value that is none, or with a colon."""
    match = _ROW.fullmatch(row)
    if match is None:
        return None
    key, sign, value = match.groups()
    wanted = "`key = value`" if sign == ":" else ""
    if re.fullmatch(r"\d{4}-\d\d-\d\d", value):  # of the right form, and no such day
        return "a day that there is, as year-month-day", "such as `2025-03-01`", ""
    if not _is_toml(f"k = {value}"):
        kind, value = _literal(value)
        wanted = wanted or kind
    meant = f"{key} = {value}"
    return (wanted, _write(meant), meant) if wanted and _is_toml(meant) else None


def _literal(value: str) -> tuple[str, str]:
    """What kind of value was wanted, and the value as it was probably meant."""
    bare = value.rstrip(",; ")
    if bare != value and _is_toml(f"k = {bare}"):
        return "nothing behind the value", bare
    if (word := _WORDS.get(bare.casefold())) is not None:
        return "`true` or `false`", word
    if re.fullmatch(r"0\d+", bare):
        return "a number without zeros before it", bare.lstrip("0") or "0"
    if match := re.fullmatch(r"(\d{4}-\d\d-\d\d)[T ](\d?\d:\d\d)", bare):
        return "a time with its seconds", f"{match[1]}T{match[2]:0>5}:00"
    if match := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", bare):
        return "a date as year-month-day", f"{match[3]}-{match[2]:0>2}-{match[1]:0>2}"
    if re.fullmatch(r"\d{1,4}([/.-]\d{1,4}){1,2}", bare):
        return "a date as year-month-day, such as `2025-03-01`", f'"{bare}"'
    if bare.startswith("{"):
        return _inline(bare)
    if match := re.fullmatch(r"\[([^\[\]{}\"'#]*)\]", bare):
        parts = ", ".join(f'"{part.strip()}"' for part in match[1].split(",") if part.strip())
        return "texts in quotes", f"[{parts}]"
    if bare and not re.search(r"[\"'\[\]{}\\#]", bare):
        return "a text in quotes", f'"{bare}"'
    return "", value


_INNER = re.compile(r"([\w-]+\s*=\s*)([^\s\"',{}\[\]][^\"',{}\[\]]*?)(?=\s*[,}])")


def _inline(value: str) -> tuple[str, str]:
    """A small table in braces: a comma at its end, or texts without quotes in it."""
    match = re.fullmatch(r"\{(.*?),\s*\}", value)
    if match is not None:
        return "no comma before `}`", f"{{{match[1]} }}"
    point = re.sub(r"(=\s*[+-]?\d+),(\d+\s*[,}])", r"\1.\2", value)
    if point != value and _is_toml(f"k = {point}"):
        return "a point before the fraction", point

    def in_quotes(one: re.Match[str]) -> str:
        return one[0] if _is_toml(f"k = {one[2]}") else f'{one[1]}"{one[2]}"'

    meant = _INNER.sub(in_quotes, value)
    return ("a text in quotes", meant) if meant != value else ("", value)


SLIPS: tuple[Callable[[str, int, str], Meant | None], ...] = (
    _line_ends, _invisible, _curly, _twice, _comment, _heading, _wide_key, _value,
)  # fmt: skip
"""Looked at in this order, with the row, the column and what Python says; the first one holds."""


def _is_toml(row: str) -> bool:
    try:
        tomllib.loads(row)
    except (ValueError, RecursionError):
        return False
    return True


def _write(row: str) -> str:
    # Between quotes a tab is TOML; in a message it is a blank, like all that nobody sees.
    return f"write `{printable(without_secrets(row.strip()).replace(chr(9), ' '))}`"
