"""The tables of keys in docs/site-file.md, made from the schema, so that they cannot go stale.

Knows the marks between which a table stands. Does not know the text around them.
`python -m carerules.config.reference docs/site-file.md` makes them anew; with `--check` it only
looks, and says so with its exit code.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence

from carerules.adapters.remade import remade
from carerules.config.problem import Key
from carerules.config.schema import schema_at, toml

TABLES: tuple[str, ...] = (
    "site",
    "pack.NAME",
    "pack.NAME.limits",
    "station.NAME",
    "station.NAME.load",
    "plug.NAME",
    "feed.NAME",
    "signal.NAME",
    "channel.NAME",
    "use.NAME",
    "calendar.NAME",
    "calendar.NAME.event.NAME",
    "journal",
    "mqtt",
    "hub",
    "planning",
    "board",
    "virtual",
    "virtual.pack.NAME",
)
"""Every table of a site file; `station.NAME.charger` has the keys of `load`."""

_PLACE = re.compile(r"(<!-- keys: (\S+) -->\n).*?(<!-- end -->)", re.DOTALL)


def refreshed(text: str) -> str:
    """The text with each table between its marks made anew.

    Raises KeyError for a mark that names no table.
    """
    return _PLACE.sub(lambda match: match[1] + "\n" + key_table(match[2]) + "\n" + match[3], text)


def key_table(table: str) -> str:
    """The keys of a table: each with an example as it is written, and its meaning. Raises
    `KeyError` for a table that no site file has."""
    key: Key = () if table == "site" else tuple(table.split("."))
    schema = schema_at(key)
    if schema is None or table not in TABLES:
        raise KeyError(table)
    required = schema.get("required", ())
    rows = ["| key | for example | meaning |", "| --- | --- | --- |"]
    for name in schema["properties"]:
        part = schema_at((*key, name)) or {}
        shown = part.get("examples") or ([part["default"]] if "default" in part else [])
        example = f"`{toml(shown[0])}`" if shown else f"tables `[{_heading(key, name, part)}]`"
        must = "**Required.** " if name in required else ""
        meaning = f"{must}{part['description']}".replace("\n", " ").replace("|", "\\|")
        rows.append(f"| `{name}` | {example} | {meaning} |")
    return "\n".join(rows) + "\n"


def _heading(key: Key, name: str, part: dict[str, object]) -> str:
    by_name = "patternProperties" in part or isinstance(part.get("additionalProperties"), dict)
    names = ("NAME",) if by_name else ()
    return ".".join((*key, name, *names))


def main(arguments: Sequence[str]) -> int:
    """Make the files anew, or with `--check` only compare; 1 where one is not as it would be."""
    return remade(
        arguments, lambda file: refreshed(file.read_text(encoding="utf-8")),
        "python -m carerules.config.reference",
    )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
