"""Whatever the bytes: a site file, or problems that a person can read; never a traceback."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from site_cases import PRELUDE

from carerules.config import Problem, SiteFile, read_site, read_site_text
from carerules.config.schema import site_schema

EXAMPLE = Path(__file__).parents[2] / "examples" / "river-survey" / "site-mqtt.toml"
LINES = EXAMPLE.read_text(encoding="utf-8").splitlines()


def holds(read: SiteFile | tuple[Problem, ...]) -> None:
    if isinstance(read, SiteFile):
        assert read.site.packs
        return
    assert read
    for problem in read:
        shown = problem.show()
        assert len(shown.split("\n")) == (2 if problem.mend else 1)
        assert shown.replace("\n", "").isprintable()
        assert problem.found
        assert problem.wanted
        assert problem.line >= 0


@settings(deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "site.toml"
        file.write_bytes(data)
        holds(read_site(file))


@settings(deadline=None)
@given(st.data())
def test_the_example_with_a_stretch_of_bytes_changed(data: st.DataObject) -> None:
    text = EXAMPLE.read_bytes()
    start = data.draw(st.integers(0, len(text)))
    stop = min(len(text), start + data.draw(st.integers(0, 40)))
    changed = text[:start] + data.draw(st.binary(max_size=12)) + text[stop:]
    holds(read_site_text(changed.decode("utf-8", "replace"), "site.toml"))


VALUES = st.one_of(
    st.sampled_from(
        ["nan", "inf", "-inf", "0", "-1", "true", "[]", "{}", "[[]]", "[{}]", '""', '"\\u0000"',
         "0001-01-01", "9999-12-31T23:59:59.999999", "0001-01-01T00:00:00+23:59", "07:32:00",
         "1e308", "9" * 400, "0x" + "f" * 80, '"heron"', '"lipo"', '"999999999 Ah"', '"-0 W"',
         '"\\u202e60 W"', '"' + "x" * 300 + '"', '{ plug = {} }', '{ plug = ["A-load"] }',
         '"generic-json"', '"../own.toml"', '"/dev/null"', '["river.care", 1, {}]']
    ),
    st.integers().map(str),
    st.text(st.characters(codec="utf-8", exclude_characters='"\\\n\r\t', exclude_categories=["Cc"]),
            max_size=20).map(lambda text: f'"{text}"'),
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_the_example_with_other_values(data: st.DataObject) -> None:
    rows = list(LINES)
    places = [n for n, row in enumerate(rows) if "=" in row and not row.startswith(("#", "["))]
    for place in data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=4)):
        rows[place] = f"{rows[place].split('=')[0]}= {data.draw(VALUES)}"
    # With the folder, so that paths are looked up as well.
    holds(read_site_text("\n".join(rows), "site.toml", EXAMPLE.parent))


KEYS = sorted({key for table in site_schema()["$defs"].values() for key in table["properties"]})
TABLES = ["pack.heron", "pack.x", "pack", "station.A", "station.A.load", "plug.A-load", "feed.x",
          "signal.x", "use.x", "mqtt", "virtual", "virtual.pack.heron", "notices", "pack.x.limits",
          '"pack"."h\\"n"', "plug.A-load.topic.x", "zone", '"".""', "[pack]"]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(TABLES),
    st.lists(st.tuples(st.sampled_from(KEYS), VALUES), max_size=5, unique_by=lambda row: row[0]),
)
def test_any_key_in_any_table(table: str, rows: list[tuple[str, str]]) -> None:
    added = "".join(f"{key} = {value}\n" for key, value in rows)
    holds(read_site_text(f"{PRELUDE}[{table}]\n{added}", "site.toml"))
