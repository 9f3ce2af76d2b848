"""What pydantic refused, in the words of the site file's author.

Knows pydantic's kinds of error. Does not know any key: what is wanted comes from the schema.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sized
from typing import Any

from pydantic import ValidationError

from carerules.config.meant import value_meant
from carerules.config.problem import (
    Key,
    Problem,
    found,
    line_of,
    nearest,
    nearest_name,
    quoted,
    show_key,
)
from carerules.config.schema import keys_at, schema_at, toml
from carerules.config.values import REFUSED
from carerules.domain.spelling import counted

SECRETS = frozenset({"password", "passwd", "secret", "token", "api_key", "apikey"})
"""Keys under which people put secrets: their value is never shown, and a file is asked for."""

HEAD = frozenset({"name", "zone", "rules", "state", "keep_samples", "log"})
"""Keys of the head of the file, which stand in the table above them once one has begun."""

SHORT_MAX = 60
"""A longer value is not said again in the mend."""


def problems_of(error: ValidationError, file: str, lines: Mapping[Key, int]) -> Iterator[Problem]:
    """Each mistake that pydantic found, in the order of its keys, and each once."""
    mistakes = [(_key(mistake), mistake) for mistake in error.errors(include_url=False)]
    nameless = sorted({key[0] for key, mistake in mistakes if _is_nameless(key, mistake)})
    missing = {key for key, mistake in mistakes if mistake["type"] == "missing"}
    # A key that is misspelt is not missing as well.
    misspelt = {
        meant
        for key, mistake in mistakes
        if mistake["type"] == "extra_forbidden" and (meant := _meant(key, missing)) in missing
    }
    for kind in nameless:
        said, wanted = f"`[{kind}]` without a name", f"a heading for each {kind}"
        yield Problem(file, line_of(lines, (kind,)), (), said, wanted, f"write `[{kind}.NAME]`")
    for key, mistake in mistakes:
        if key in misspelt or (
            key[0] in nameless and key[1:2] and key[1] in keys_at((key[0], "x"))
        ):
            continue
        said, wanted, mend = _worded(key, mistake["type"], mistake)
        # A list's element has no line of its own.
        yield Problem(file, line_of(lines, key), _shown(key), said, wanted, mend)


def _key(mistake: Any) -> Key:
    return tuple(str(part) for part in mistake["loc"] if part != "[key]")


def _is_nameless(key: Key, mistake: Any) -> bool:
    """Whether a pack's keys stand where packs stand by their names: `[pack]` for `[pack.heron]`."""
    return len(key) == 2 and mistake["type"] == "model_type" and _is_inner(key)


def _is_inner(key: Key) -> bool:
    return len(key) > 1 and key[1] in keys_at((key[0], "NAME"))


def _meant(key: Key, missing: Collection[Key]) -> Key:
    """The key that an unknown one stands for: of its table, or of the head of the file."""
    if key[-1] in HEAD:
        return (key[-1],)
    lacking = [one[-1] for one in missing if one[:-1] == key[:-1]]
    return (*key[:-1], nearest_name(key[-1], lacking))


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
    said, wanted = f"an unknown key {quoted(name)}", "a key of this table"
    if name in HEAD and name not in known and len(key) > 1:
        return said, wanted, "it belongs to the head of the file, above the first `[...]`"
    return said, wanted, nearest(name, known)


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
    """What to write: the value itself in the kind that is wanted, else an example, named as one."""
    schema = schema_at(key) or {}
    if "enum" in schema:
        close = nearest(str(value), schema["enum"])
        return close if close.startswith("did") else ""
    if not key or key[-1].isdigit():
        return ""  # an element of a list has no key of its own
    if schema.get("type") == "object" and isinstance(value, list) and len(key) > 1:
        return f"write `[{show_key(key)}]`, with one bracket on each side"
    if schema.get("type") == "object" and len(key) == 1:
        heading = f"[{key[0]}.NAME]" if "patternProperties" in schema else f"[{key[0]}]"
        return f"write `{heading}` as a heading, and its keys below"
    if schema.get("type") == "array" and isinstance(value, str):
        parts = [part.strip() for part in value.split(",") if part.strip()]
        short = 0 < len(value) <= SHORT_MAX and value.isprintable()
        return f"write `{key[-1]} = {toml(parts)}`" if short and parts else ""
    meant = value_meant(value, schema)
    # Of a number for a text that has a meaning of its own, quotes alone would make nothing good.
    if meant and not (meant.startswith('"') and isinstance(value, int) and "description" in schema):
        return f"write `{key[-1]} = {meant}`"
    if "examples" not in schema:
        return ""
    return f"such as `{key[-1]} = {toml(schema['examples'][0])}`"


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
