"""Every field of every documented shape, as lines: `log 1: lines[].text: string`.

`python tests/cli/shape_fields.py` adds to `shape_fields.txt` what is new. A line is never taken out
of the file: it is what programs of others may rely on within one shape number.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel

KEPT = Path(__file__).with_name("shape_fields.txt")


def lines_of(name: str, shape: type[BaseModel]) -> Iterator[str]:
    schema = shape.model_json_schema(mode="serialization")
    number = schema["properties"]["shape"]["const"]
    for path, kind in _fields(schema, schema.get("$defs", {}), ""):
        yield f"{name} {number}: {path}: {kind}"


def _fields(
    schema: Mapping[str, Any], defs: Mapping[str, Any], path: str, within: tuple[int, ...] = ()
) -> Iterator[tuple[str, str]]:
    """A shape that holds itself is gone into once."""
    if id(schema) in within:
        return
    for key, value in schema.get("properties", {}).items():
        here = f"{path}.{key}" if path else key
        kinds = [_resolved(one, defs) for one in value.get("anyOf", [value])]
        yield here, " | ".join(sorted(_kind(one) for one in kinds))
        for one in kinds:
            inside, there = one, here
            while inside.get("type") == "array":
                items = inside.get("items") or {}
                inside, there = _resolved(items, defs), f"{there}[]"
            yield from _fields(inside, defs, there, (*within, id(schema)))


def _resolved(schema: Mapping[str, Any], defs: Mapping[str, Any]) -> Mapping[str, Any]:
    return defs[schema["$ref"].rsplit("/", 1)[1]] if "$ref" in schema else schema


def _kind(schema: Mapping[str, Any]) -> str:
    kind = str(schema.get("type", "any"))
    if "format" in schema:
        kind += f" ({schema['format']})"
    return kind


def now() -> list[str]:
    from test_json_shapes import SHAPES

    return sorted({line for name, shape in SHAPES.items() for line in lines_of(name, shape)})


def kept() -> list[str]:
    return KEPT.read_text("utf-8").splitlines()


if __name__ == "__main__":
    before = kept() if KEPT.exists() else []
    KEPT.write_text("".join(f"{line}\n" for line in sorted({*before, *now()})), encoding="utf-8")
