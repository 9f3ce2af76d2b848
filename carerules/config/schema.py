"""The site file's JSON Schema for editors, and what it tells the reader of a wrong file.

Knows JSON Schema. Does not know what any key means beyond its description.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any, TypeAlias

from pydantic.json_schema import GenerateJsonSchema

from carerules.config.model import SiteTable
from carerules.config.problem import Key

Schema: TypeAlias = dict[str, Any]


def site_schema() -> Schema:
    """JSON Schema (draft 2020-12) of a site file, every key with its description.

    A date or time, which TOML has of its own, stands as text, as editors see it.
    """
    made = SiteTable.model_json_schema()
    tables = {name.removesuffix("Table"): _plain(table) for name, table in made["$defs"].items()}
    body = _plain({key: value for key, value in made.items() if key != "$defs"})
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        **body,
        "title": "carerules site file",
    } | {"$defs": tables}


def _plain(schema: Any) -> Any:
    """Without what only pydantic means by it: a null that TOML lacks, titles made of key names."""
    if isinstance(schema, list):
        return [_plain(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    kept = {key: value for key, value in schema.items() if key != "title"}
    if kept.get("default") is None or isinstance(kept.get("default"), dict):
        kept.pop("default", None)
    if "const" in kept:
        kept["enum"] = [kept.pop("const")]  # one of one, so far
    if "patternProperties" in kept:
        kept["additionalProperties"] = False
    if "$ref" in kept:
        kept["$ref"] = re.sub(r"Table$", "", kept["$ref"])
    options = [option for option in kept.get("anyOf", ()) if option != {"type": "null"}]
    if len(options) == 1:
        del kept["anyOf"]
        kept = {**options[0], **kept}
        return _plain(kept)
    return {
        key: {name: _plain(part) for name, part in value.items()}
        if key in ("properties", "patternProperties")
        else value
        if key in ("examples", "default", "description", "required", "enum")
        else _plain(value)
        for key, value in kept.items()
    }


@cache
def _schema() -> Schema:
    return site_schema()


def schema_at(key: Key) -> Schema | None:
    """The part of the schema that is about the key; None for a key that no table has."""
    part: Schema = _resolved(_schema())
    for word in key:
        inner = part.get("properties", {}).get(word)
        for schema in part.get("patternProperties", {}).values():
            # A name that does not fit its pattern is wrong by itself; the table under it is known.
            inner = inner or schema
        if inner is None and isinstance(part.get("additionalProperties"), dict):
            inner = part["additionalProperties"]
        if inner is None and word.isdigit() and "items" in part:
            inner = part["items"]
        if inner is None:
            return None
        part = _resolved(inner)
    return part


def _resolved(schema: Schema) -> Schema:
    if "$ref" not in schema:
        return schema
    table: Schema = _schema()["$defs"][schema["$ref"].rpartition("/")[2]]
    # What is said of the key beats what is said of the table.
    return {**table, **{key: value for key, value in schema.items() if key != "$ref"}}


def keys_at(key: Key) -> frozenset[str]:
    """The keys that a table can hold; none where its keys are names."""
    return frozenset((schema_at(key) or {}).get("properties", ()))


def toml(value: object) -> str:
    """An example or default of the schema as it stands in a site file."""
    match value:
        case bool():
            return str(value).lower()
        case str() if re.fullmatch(r"\d{4}-\d\d-\d\d(T\d\d:\d\d:\d\d)?", value):
            return value
        case str():
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        case list():
            return "[" + ", ".join(toml(part) for part in value) + "]"
        case dict():
            return "{ " + ", ".join(f"{key} = {toml(part)}" for key, part in value.items()) + " }"
        case float() if value.is_integer():
            return str(int(value))
        case _:
            return str(value)
