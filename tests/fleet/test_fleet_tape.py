"""A tape on the disk: the same as in memory, whole packs in a bunch, and nothing half written."""

from __future__ import annotations

import json
import math
import stat
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as arrow
import pytest
from fleet_kit import MILDER, Story, carerules, exported, north, south, told
from pyarrow import parquet
from reading_kit import RULES

from carerules.adapters import Problem
from carerules.adapters.tapefile import TapeFileError, read_seen
from carerules.cli.reader import reader_at
from carerules.fleet import open_fleet, write_tape
from carerules.fleet.bunch import read_bunch
from carerules.fleet.folder import read_list
from carerules.fleet.reporting import _fallen
from carerules.replay import Column, Recording, record


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = north(tmp_path_factory.mktemp("north"))
    yield story
    story.close()


def recording_of(story: Story) -> Recording:
    with reader_at(story.path) as reader:
        world = reader.now().world
        told = ((event, decided) for _, event, decided in reader.told())
        made = record(told, reader.setup, reader.setup.signals, world.now)
    assert made is not None
    return made


def same(one: Column, other: Column) -> bool:
    def whole(column: Column) -> list[np.ndarray]:
        length = len(column.moment)
        return [
            column.first, column.moment, column.value,
            np.zeros(length, np.int64) if column.order is None else column.order,
            column.moment if column.since is None else column.since,
            np.zeros(length) if column.slope is None else column.slope,
        ]  # fmt: skip

    return all(
        np.array_equal(left, right, equal_nan=True)
        for left, right in zip(whole(one), whole(other), strict=True)
    )


@pytest.mark.parametrize("bunch_packs", [1, 2, 100])
def test_what_is_read_is_what_was_recorded(story: Story, tmp_path: Path, bunch_packs: int) -> None:
    made = recording_of(story)
    with reader_at(story.path) as reader:
        world = reader.now().world
        listed = write_tape(tmp_path, made, world, (), None, bunch_packs=bunch_packs)
    assert read_list(tmp_path) == listed
    assert [one.packs for one in listed.bunches] == {
        1: [["heron"], ["egret"]], 2: [["heron", "egret"]], 100: [["heron", "egret"]],
    }[bunch_packs]  # fmt: skip
    tape, begin = made.tape, 0
    for bunch in listed.bunches:
        read = read_bunch(tmp_path, listed, bunch, tape.columns)
        end = begin + len(bunch.packs)
        assert read.told == {name: tape.told[name] for name in bunch.packs}
        assert (read.begins, read.ends, read.local) == (tape.begins, tape.ends, tape.local)
        for name, column in tape.columns.items():
            first = column.first[begin : end + 1]
            part = slice(int(first[0]), int(first[-1]))
            wanted = Column(first - first[0], column.moment[part], column.value[part],
                            column.order[part], column.since[part], column.slope[part])  # fmt: skip
            assert len(wanted.moment) == 0 or same(read.columns[name], wanted), name
        begin = end
    assert sum(len(column.moment) for column in tape.columns.values()) > 20


def test_an_export_with_a_tape_is_for_its_owner_only_and_is_not_written_over(
    story: Story, tmp_path: Path
) -> None:
    to = tmp_path / "fleet" / "north"
    assert exported(story, to).exit_code == 0
    for file in to.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file.name
    again = exported(story, to)
    assert again.exit_code == 2
    assert "--overwrite" in again.stderr
    assert again.stderr.count("\n") == 1
    (to / "seen-0007.parquet").write_bytes(b"of a larger site")
    assert exported(story, to, "--overwrite").exit_code == 0
    assert not (to / "seen-0007.parquet").exists()


def test_csv_has_no_tape(story: Story, tmp_path: Path) -> None:
    shown = carerules("export", story.path, "--to", tmp_path / "x", "--tape")
    assert shown.exit_code == 2
    assert "--format parquet" in shown.stderr


def test_the_fleet_says_what_replay_of_each_site_says(tmp_path: Path) -> None:
    """Two sites, each held against `carerules replay` of its own journal; packs of one name in two
    sites are two packs."""
    (tmp_path / "n").mkdir()
    (tmp_path / "s").mkdir()
    stories = {"north": north(tmp_path / "n"), "south": south(tmp_path / "s")}
    old, new = tmp_path / "old.care", tmp_path / "new.care"
    old.write_text(RULES, "utf-8")
    new.write_text(MILDER, "utf-8")
    wanted, counts = set(), {}
    try:
        for name, story in stories.items():
            exported(story, tmp_path / "fleet" / name)
            alone = told("replay", "--site", story.path, "--rules", new)
            wanted |= {(name, one["pack"], one["rule"], one["at"], one["change"], one["was_at"])
                       for one in alone["firings"]}  # fmt: skip
            for one in alone["rules"]:
                row = counts.setdefault(one["rule"], [0, 0])
                row[0] += one["in_force"] or 0
                row[1] += one["in_file"] or 0
    finally:
        for story in stories.values():
            story.close()
    fleet = told("replay", "--fleet", tmp_path / "fleet", "--rules", new, "--instead-of", old)
    found = {(one["site"], one["pack"], one["rule"], one["at"], one["change"], one["was_at"])
             for one in fleet["firings"]}  # fmt: skip
    assert found == wanted
    assert {change for *_, change, _ in wanted} >= {"added", "moved", "gone"}
    summed = {one["rule"]: [one["before"] or 0, one["after"] or 0] for one in fleet["rules"]}
    assert summed == counts
    by = {one["rule"]: one for one in fleet["rules"]}
    assert (by["warm"]["packs"], by["warm"]["last_at"]) == (0, None), "it no longer fires"
    assert (by["full-too-long"]["packs"], by["full-too-long"]["moved"]) == (2, 2)
    assert (fleet["sites"], fleet["packs"]) == (2, 4)
    assert {site for site, *_ in found} == {"north", "south"}


def test_a_rule_that_counts_packs_is_left_out_by_name(story: Story, tmp_path: Path) -> None:
    exported(story, tmp_path / "fleet" / "north")
    rules = tmp_path / "a.care"
    rules.write_text(
        'rule many when number of packs where (pack.soc > 50 %) > 1: notify "many"\n'
        'rule one when pack.soc > 95 % for 1 h: notify "one"\n', "utf-8",
    )  # fmt: skip
    by = {one["rule"]: one for one in told("replay", "--fleet", tmp_path / "fleet", "--rules",
                                           rules)["rules"]}  # fmt: skip
    assert by["many"]["after"] is None
    assert "counts packs" in by["many"]["left_out"]
    assert by["one"]["after"] == 1
    shown = carerules("replay", "--fleet", tmp_path / "fleet", "--rules", rules)
    assert "many was left out" in " ".join(shown.output.split())


def test_rules_that_no_site_can_have_are_refused_with_their_line(
    story: Story, tmp_path: Path
) -> None:
    exported(story, tmp_path / "fleet" / "north")
    rules = tmp_path / "a.care"
    rules.write_text('rule x on pack ostrich when pack.soc > 5 %: notify "x"\n', "utf-8")
    shown = carerules("replay", "--fleet", tmp_path / "fleet", "--rules", rules)
    assert shown.exit_code == 2
    assert "ostrich" in shown.output
    assert carerules("replay", "--fleet", tmp_path / "fleet").exit_code == 2
    assert carerules("replay", "--cluster", "tcp://127.0.0.1:1").exit_code == 2


# ---- what is not whole -----------------------------------------------------------------------


def spoil(path: Path, how: str) -> None:
    if how == "cut":
        path.write_bytes(path.read_bytes()[:-20])
        return
    table = parquet.read_table(path)
    if how == "other columns":
        parquet.write_table(table.select(["pack", "value"]), path)
    elif how == "turned":
        parquet.write_table(table.take(list(range(table.num_rows))[::-1]), path)
    elif how == "one group":
        parquet.write_table(table, path)
    elif how == "a stranger":
        names = arrow.array(["ostrich"] * table.num_rows).dictionary_encode()
        at = table.schema.get_field_index("pack")
        parquet.write_table(
            table.set_column(at, table.schema.field(at), names), path, row_group_size=1
        )


@pytest.mark.parametrize("how", ["cut", "other columns", "turned", "one group", "a stranger"])
def test_a_file_that_is_not_whole_is_refused_in_one_line(
    story: Story, tmp_path: Path, how: str
) -> None:
    to = tmp_path / "fleet" / "north"
    exported(story, to)
    rules = tmp_path / "a.care"
    rules.write_text(RULES, "utf-8")
    spoil(to / "seen-0000.parquet", how)
    shown = carerules("replay", "--fleet", tmp_path / "fleet", "--rules", rules)
    assert shown.exit_code == 1, shown.output
    assert "not whole" in shown.stderr
    assert shown.stderr.count("\n") == 1
    with pytest.raises(TapeFileError):
        read_seen(to / "seen-0000.parquet", ["heron", "egret"], {"pack.soc", "pack.temperature"})


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"zone": "Moon/Tycho"}, "zone"),
        ({"shape": 2}, "shape"),
        ({"bunches": []}, "one bunch each"),
        ({"bunches": [{"seen": "../x.parquet", "told": "t.parquet", "packs": []}]}, "seen"),
        ({"ends": 0}, "no time"),
        ({"more": 1}, "more"),
    ],
)
def test_a_list_that_is_not_one_is_refused(
    story: Story, tmp_path: Path, change: dict[str, object], said: str
) -> None:
    to = tmp_path / "fleet" / "north"
    exported(story, to)
    flat = json.loads((to / "tape.json").read_text("utf-8"))
    (to / "tape.json").write_text(json.dumps({**flat, **change}), "utf-8")
    problem = open_fleet(tmp_path / "fleet")
    assert isinstance(problem, Problem)
    assert said in problem.show()
    shown = carerules("report", "--fleet", tmp_path / "fleet")
    assert shown.exit_code == 2
    assert shown.stderr.count("\n") == 1


def test_a_folder_without_a_tape_is_refused(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nowhere"):
        shown = carerules("report", "--fleet", folder)
        assert shown.exit_code == 2
        assert "--tape" in shown.stderr
        assert shown.stderr.count("\n") == 1


def test_more_sites_than_a_fleet_has_are_refused_and_none_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.fleet.gather.SITES_MAX", 1)
    for name in ("north", "south"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "tape.json").write_text("{}", "utf-8")
    problem = open_fleet(tmp_path)
    assert isinstance(problem, Problem)
    assert "2 sites" in problem.show()
    assert "at most 1" in problem.show()


# ---- the report ------------------------------------------------------------------------------


def test_the_report_of_one_site_is_that_of_its_month(tmp_path: Path) -> None:
    """The fleet's sums, off the tape, against `carerules report`, off the journal."""
    story = south(tmp_path)
    try:
        exported(story, tmp_path / "fleet" / "south")
        month = told("report", "--site", story.path)
    finally:
        story.close()
    fleet = told("report", "--fleet", tmp_path / "fleet")
    (kind,) = fleet["kinds"]
    times = [sum(pack["levels"][at]["time_s"] for pack in month["packs"]) for at in range(6)]
    assert [one["time_s"] for one in kind["levels"]] == times
    assert sum(one > 0 for one in times) >= 3, "the story has several levels"
    assert kind["unknown_s"] == sum(pack["unknown_s"] for pack in month["packs"])
    assert kind["cycles"] == pytest.approx(sum(pack["cycles"] for pack in month["packs"]), abs=0.01)
    assert kind["cycles"] > 0.3
    assert {one["rule"]: one["fired"] for one in month["rules"] if one["fired"]} == {
        one["rule"]: one["fired"] for one in fleet["rules"] if one["fired"]
    }
    worn = {one["pack"] for one in month["retire"]}
    assert worn == {one["pack"] for one in fleet["retire"]}
    lines = carerules("report", "--fleet", tmp_path / "fleet").output.splitlines()
    assert max(map(len, lines)) <= 80


EDGE = ("from_percent", "to_percent", "at_least", "below")


def numbers(told: object, at: str = "") -> dict[str, float]:
    """Every number of a shape that is no edge of a band, by its place there."""
    if isinstance(told, dict):
        rows = [(f"{at}.{name}", one) for name, one in told.items() if name not in EDGE]
    elif isinstance(told, list):
        rows = [(f"{at}[{place}]", one) for place, one in enumerate(told)]
    else:
        return {at: told} if isinstance(told, int | float) else {}
    return {place: value for where, one in rows for place, value in numbers(one, where).items()}


def test_the_report_of_two_sites_is_the_sum_of_each(tmp_path: Path) -> None:
    """Whatever is summed: a figure more is held here, too."""
    (tmp_path / "n").mkdir()
    (tmp_path / "s").mkdir()
    stories = {"north": north(tmp_path / "n"), "south": south(tmp_path / "s")}
    for name, story in stories.items():
        exported(story, tmp_path / "fleet" / name)
        exported(story, tmp_path / name / name)
        story.close()
    whole, *alone = (
        numbers(told("report", "--fleet", tmp_path / folder)["kinds"])
        for folder in ("fleet", "north", "south")
    )
    assert len(whole) > 10
    assert whole == pytest.approx({at: sum(one[at] for one in alone) for at in whole}, abs=0.01)
    assert all(any(one.values()) for one in alone)


@pytest.mark.parametrize(
    ("levels", "fell"),
    [
        ([50, 49, 50, 49, 50, 49], 0),  # the doubt of the reading is no cycle
        ([50, 49, 48, 47.5, 46], 4),
        ([50, 40, 60, 30], 40),
        ([50, math.nan, 40, 35], 5),  # what it did meanwhile is unknown
        ([math.nan] * 3, 0),
    ],
)
def test_falls_of_two_points_or_more_count(levels: list[float], fell: float) -> None:
    assert _fallen(np.array([levels, levels[::-1]]))[0] == pytest.approx(fell)


def test_a_site_without_its_tables_is_said(story: Story, tmp_path: Path) -> None:
    exported(story, tmp_path / "fleet" / "north")
    (tmp_path / "fleet" / "north" / "jobs.parquet").unlink()
    fleet = told("report", "--fleet", tmp_path / "fleet")
    assert fleet["rules"] == []
    assert "what rules did there is unknown" in fleet["limits"][0]
