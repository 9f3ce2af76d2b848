"""What pydantic refused, in the words of the site file's author.

Knows pydantic's kinds of error. Does not know any key: what is wanted comes from the schema.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sized
from typing import Any

from pydantic import ValidationError

from carerules.config.problem import Key, Problem, found, line_of, nearest, quoted
from carerules.config.schema import keys_at, schema_at, toml
from carerules.config.values import REFUSED
from carerules.domain.spelling import counted

SECRETS = frozenset({"password", "passwd", "secret", "token", "api_key", "apikey"})
"""Keys under which people put secrets: their value is never shown, and a file is asked for."""

SHORT_MAX = 60
"""A longer value is not said again in the mend."""


def problems_of(error: ValidationError, file: str, lines: Mapping[Key, int]) -> Iterator[Problem]:
    """Each mistake that pydantic found, in the order of its keys."""
    for mistake in error.errors(include_url=False):
        key = tuple(str(part) for part in mistake["loc"] if part != "[key]")
        said, wanted, mend = _worded(key, mistake["type"], mistake)
        # A list's element has no line of its own.
        yield Problem(file, line_of(lines, key), _shown(key), said, wanted, mend)


def _shown(key: Key) -> Key:
    return tuple(part for part in key if not part.isdigit())


def _worded(key: Key, kind: str, mistake: Any) -> tuple[str, str, str]:
    value, limits = mistake["input"], mistake.get("ctx", {})
    match kind:
        case _ if kind == REFUSED:
            return limits["found"], limits["wanted"], limits["mend"]
        case "missing":
            return _missing(key)
        case "extra_forbidden":
            return unknown_key(key, keys_at(key[:-1]))
        case "too_short" | "too_long" if isinstance(value, dict | list):
            bound = limits.get("max_length", limits.get("min_length"))
            word = "at most" if kind == "too_long" else "at least"
            what = "entry" if bound == 1 else "entries"
            return _so_many(value), f"{word} {bound} {what}", ""
        case "string_too_short":
            return found(value), "a text that is not empty", _example(key, value)
        case "greater_than_equal" | "less_than_equal" | "less_than":
            return found(value), _range(key), ""
        case _:
            return _written(value), _kind(key), _example(key, value)


def _so_many(value: Sized) -> str:
    return counted(len(value), "entry", "entries") if len(value) else f"an empty {found(value)[2:]}"


def unknown_key(key: Key, known: frozenset[str]) -> tuple[str, str, str]:
    """Found, wanted and mend for a key that a table does not have."""
    name = key[-1]
    if name.lower() in SECRETS:
        wanted = "no secret in the site file"
        mend = "put it in a file of mode 0600"
        return (
            quoted(name),
            wanted,
            mend + (" and name that in `password_file`" if "password_file" in known else ""),
        )
    return f"an unknown key {quoted(name)}", "a key of this table", nearest(name, known)


def _missing(key: Key) -> tuple[str, str, str]:
    said = f"no {quoted(key[-1])}"
    schema = schema_at(key) or {}
    if "patternProperties" in schema:
        return said, _meaning(key), f"add a table `[{key[-1]}.NAME]`"
    return said, _meaning(key), f"add `{key[-1]} = {toml((schema.get('examples') or ['...'])[0])}`"


def _meaning(key: Key) -> str:
    text: str = (schema_at(key) or {}).get("description", "a value")
    text = text.split("\n", maxsplit=1)[0].partition(". ")[0].rstrip(".")
    return text[:1].lower() + text[1:]


def _written(value: object) -> str:
    # Here the quotes may be what is wrong, so they are shown.
    return quoted(f'"{value}"') if isinstance(value, str) else found(value)


def _example(key: Key, value: object) -> str:
    schema = schema_at(key) or {}
    if "enum" in schema:
        close = nearest(str(value), schema["enum"])
        return close if close.startswith("did") else ""
    if "examples" not in schema or not key:
        return ""
    example = schema["examples"][0]
    short = isinstance(value, str) and 0 < len(value) <= SHORT_MAX and value.isprintable()
    if short and isinstance(example, list):
        example = [value]  # one of what was to be a list of them
    return f"write `{key[-1]} = {toml(example)}`"


def _range(key: Key) -> str:
    schema = schema_at(key) or {}
    low, high = schema.get("minimum", 0), schema.get("maximum")
    kind = "a whole number" if schema.get("type") == "integer" else "a number"
    return f"{kind} from {low} to {high}" if high is not None else f"{kind} of at least {low}"


def _kind(key: Key) -> str:
    """What kind of value the schema asks for, in words."""
    schema = schema_at(key) or {}
    if "enum" in schema:
        return "one of " + ", ".join(f"`{word}`" for word in schema["enum"])
    match schema.get("type"):
        case "integer" | "number":
            return _range(key)
        case "boolean":
            return "`true` or `false`"
        case "array":
            return "a list"
        case "object":
            return f"a table, {_meaning(key)}" if len(key) < 2 else "a table"
        case "string" if schema.get("format") == "date":
            return "a date without quotes"
        case "string" if schema.get("format") == "date-time":
            return "a date and time without quotes"
        case _:
            return "a text in quotes"
