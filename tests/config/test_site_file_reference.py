"""The site file's JSON Schema and its reference say what the reader does."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel, Field
from site_cases import PRELUDE

from carerules.config import SiteFile, read_site_text
from carerules.config.model import VirtualTable
from carerules.config.reference import TABLES, key_table, main, refreshed
from carerules.config.schema import keys_at, site_schema
from carerules.config.things import FeedTable, PlugTable

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples" / "river-survey"
REFERENCE = ROOT / "docs" / "site-file.md"


def as_editors_see(value: Any) -> Any:
    """TOML's dates as text, which is what JSON Schema can speak of."""
    if isinstance(value, dict):
        return {key: as_editors_see(part) for key, part in value.items()}
    if isinstance(value, list):
        return [as_editors_see(part) for part in value]
    return value.isoformat() if isinstance(value, dt.date | dt.time) else value


@pytest.mark.parametrize(("kind", "table"), [("plug", PlugTable), ("feed", FeedTable)])
def test_a_plugs_own_keys_are_those_of_the_schema(kind: str, table: type[BaseModel]) -> None:
    """What is none of them is a variable of its profile; the reader goes by the table."""
    assert keys_at((kind, "A-load")) == table.model_fields.keys() != set()


def wrong_in(text: str) -> list[str]:
    validator = Draft202012Validator(site_schema())
    found = validator.iter_errors(as_editors_see(tomllib.loads(text)))
    return [".".join(str(part) for part in error.path) for error in found]


def test_the_schema_is_one() -> None:
    # Source: the JSON Schema 2020-12 meta-schema, in the jsonschema package.
    Draft202012Validator.check_schema(site_schema())
    assert site_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("file", ["site.toml", "site-mqtt.toml"])
def test_the_example_fits_the_schema(file: str) -> None:
    assert wrong_in((EXAMPLES / file).read_text(encoding="utf-8")) == []


# What the reader refuses by itself, the schema must refuse for the editor, in the same place.
REFUSED = [
    ("[pack.egret]\nchemistry = 3\ncells = 6\ncapacity = '1 Ah'\n", "pack.egret.chemistry"),
    ("[pack.egret]\nchemistry = 'lipo'\ncells = 300\ncapacity = '1 Ah'\n", "pack.egret.cells"),
    ("[pack.egret]\nchemistry = 'lipo'\ncells = 6\ncapacity = '1 V'\n", "pack.egret.capacity"),
    ("[pack.egret]\nchemistry = 'lipo'\ncells = 6\n", "pack.egret"),
    ("[pack.'grey heron']\nchemistry = 'lipo'\ncells = 6\ncapacity = '1 Ah'\n", "pack"),
    ("[use.a]\nstart = 2026-12-05T08:00:00\npacks = []\n", "use.a.packs"),
    ("[plug.B]\nprofile = 'generic-json'\ntopic = 7\n", "plug.B.topic"),
    ("[signal.x]\nunit = 'percent'\nmeaning = 'x'\n", "signal.x.unit"),
    ("[virtual.pack.heron]\nsoc = 101\n", "virtual.pack.heron.soc"),
]


@pytest.mark.parametrize(("more", "place"), REFUSED)
def test_schema_and_reader_refuse_the_same(more: str, place: str) -> None:
    assert not isinstance(read_site_text(PRELUDE + more, "site.toml"), SiteFile)
    assert wrong_in(PRELUDE + more) == [place]


def undescribed(schema: Mapping[str, Any]) -> Iterator[str]:
    """Each `Table.key` of a schema that has no description."""
    tables = {"": schema, **schema.get("$defs", {})}
    for name, table in tables.items():
        for key, part in table.get("properties", {}).items():
            if not part.get("description", "").strip():
                yield f"{name}.{key}" if name else key


def test_every_key_has_a_description() -> None:
    assert list(undescribed(site_schema())) == []


def test_a_key_without_a_description_would_be_found() -> None:
    class Planted(VirtualTable):
        loud: bool = False
        late: bool = Field(default=False, description=" ")

    assert list(undescribed(Planted.model_json_schema())) == ["loud", "late"]


def test_no_null_and_no_word_of_pythons_in_the_schema() -> None:
    text = str(site_schema())
    assert "'null'" not in text
    assert "Table'" not in text


# ---- the reference -----------------------------------------------------------------------------


def test_the_reference_has_every_key_as_the_reader_has_it() -> None:
    text = REFERENCE.read_text(encoding="utf-8")
    assert refreshed(text) == text, "run: python -m carerules.config.reference docs/site-file.md"
    for table in TABLES:
        assert f"<!-- keys: {table} -->\n\n{key_table(table)}" in text


def test_the_tables_of_the_reference_are_all_there_are() -> None:
    schema = site_schema()
    every = {frozenset(table["properties"]) for table in (schema, *schema["$defs"].values())}
    shown = {
        frozenset(row.split("`")[1] for row in key_table(table).splitlines()[2:])
        for table in TABLES
    }
    assert shown == every


def test_a_stale_reference_is_noticed(tmp_path: Path) -> None:
    file = tmp_path / "site-file.md"
    file.write_text(REFERENCE.read_text(encoding="utf-8").replace("`cells`", "`cell`", 1))
    assert main(["--check", str(file)]) == 1
    assert main([str(file)]) == 0
    assert main(["--check", str(file)]) == 0


def test_the_smallest_file_of_the_reference_can_be_read() -> None:
    text = REFERENCE.read_text(encoding="utf-8")
    smallest = text.split("```toml\n")[1].split("```")[0]
    assert isinstance(read_site_text(smallest, "site.toml"), SiteFile)
