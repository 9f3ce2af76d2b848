"""The journal as tables: what each says, in both formats, never over another's file."""

from __future__ import annotations

import csv
import json
import os
import stat
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as arrow
import pytest
from click.testing import CliRunner, Result
from pyarrow import parquet
from reading_kit import (
    FIRES,
    FULL,
    HOUR,
    LOCAL,
    MINUTE,
    SECOND,
    T0,
    Story,
    draining_heron,
    full_heron,
    seen_heron,
)

from carerules.adapters import tablefile
from carerules.cli import main
from carerules.domain.event import ClockSet, PlugReport, Rejected, Tick
from carerules.domain.signal import catalogue
from carerules.report.tables import Tables

NAMES = {"samples", "cells", "room", "plugs", "events", "decisions", "jobs", "notices"}


def export(story: Story, to: Path, *words: str) -> Result:
    return CliRunner().invoke(
        main, ["export", str(story.path), "--to", str(to), *words], catch_exceptions=False
    )


def table(to: Path, name: str) -> list[dict[str, str]]:
    with (to / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.fixture
def story(tmp_path: Path) -> Story:
    return draining_heron(tmp_path)


def test_each_table_has_its_file_and_its_columns_say_their_units(
    story: Story, tmp_path: Path
) -> None:
    to = tmp_path / "new" / "tables"
    told = export(story, to, "--json")
    assert told.exit_code == 0, told.output
    made = json.loads(told.stdout)
    assert {one["table"] for one in made["files"]} == NAMES
    assert {file.name for file in to.iterdir()} == {f"{name}.csv" for name in NAMES}
    for one in made["files"]:
        assert one["rows"] == len(table(to, one["table"]))
    (egret, heron) = table(to, "samples")
    assert egret["soc_percent"] == "60.0"
    assert egret["soc_spread_percent"] == "5.0"
    assert egret["voltage_v"] == ""
    assert float(heron["voltage_v"]) == pytest.approx(6 * 4.19)
    assert heron["temperature_c"] == "21.0"
    assert heron["source"] == "test bench"
    # Lisbon keeps UTC in winter (IANA time zone database), so the wall's 18:01 is 18:01 UTC.
    assert utc(heron["at_utc"]) == datetime(2026, 12, 1, 18, 0, 55, tzinfo=UTC)
    assert [row["cell"] for row in table(to, "cells")] == ["1", "2", "3", "4", "5", "6"]
    reports = table(to, "plugs")
    assert {row["on"] for row in reports} == {"true", "false"}
    assert reports[-1]["power_w"] == "58.0"


def test_decisions_and_jobs_are_there_with_what_they_are_about(
    story: Story, tmp_path: Path
) -> None:
    to = tmp_path / "tables"
    export(story, to)
    kinds = [row["kind"] for row in table(to, "decisions")]
    assert {"fired", "job-began", "switch-on", "switch-off", "off-proven"} <= set(kinds)
    fired = next(row for row in table(to, "decisions") if row["kind"] == "fired")
    assert (fired["pack"], fired["rule"]) == ("heron", "full-too-long")
    (job,) = table(to, "jobs")
    assert (job["job"], job["line"], job["ended_utc"]) == ("heron-1", "drain to 80 %", "")
    assert utc(job["began_utc"]) == LOCAL.read(FIRES)
    events = [row["kind"] for row in table(to, "events")]
    assert events.count("placed") == 2
    assert "happened" in events


def test_a_job_that_ended_is_one_row_with_both_ends(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    at = FIRES
    while story.world.packs["heron"].jobs and at < FIRES + 3 * HOUR:
        at += 20 * SECOND
        story.go(
            replace(seen_heron(at, cell_v=3.95, current=-2.5)),
            PlugReport(at, "A-load", True, 58.0, 89.0), Tick(at + SECOND),
        )  # fmt: skip
        if any(outcome.__class__.__name__ == "SwitchOff" for outcome in story.told[-1][1]):
            break
    story.go(PlugReport(at + 2 * SECOND, "A-load", False, 0.0), Tick(at + 30 * MINUTE))
    to = tmp_path / "tables"
    export(story, to)
    jobs = table(to, "jobs")
    ended = [row for row in jobs if row["ended_utc"]]
    assert len(jobs) == len({row["job"] for row in jobs})
    for row in ended:
        assert utc(row["ended_utc"]) >= utc(row["began_utc"])
        assert float(row["energy_wh"]) >= 0


def test_parquet_has_the_same_rows_with_types(story: Story, tmp_path: Path) -> None:
    story.go(Rejected(FIRES + 2 * SECOND, "=1+1", "@x"))
    export(story, tmp_path / "csv")
    told = export(story, tmp_path / "parquet", "--format", "parquet")
    assert told.exit_code == 0, told.output
    for name in NAMES:
        rows = table(tmp_path / "csv", name)
        read = parquet.read_table(tmp_path / "parquet" / f"{name}.parquet")
        assert read.num_rows == len(rows), name
        if rows:
            assert read.column_names == list(rows[0])
        for column in read.column_names:
            kind = read.schema.field(column).type
            if column.endswith("_utc"):
                assert kind == arrow.timestamp("ms", tz="UTC")
            for plain, value in zip(rows, read[column].to_pylist(), strict=True):
                assert same(plain[column], value), (name, column, plain[column], value)


def same(plain: str, value: Any) -> bool:
    if value is None:
        return plain == ""
    if isinstance(value, bool):
        return plain == str(value).lower()
    if isinstance(value, datetime):
        return utc(plain) == value
    if isinstance(value, (int, float)):
        return float(plain) == value
    return plain.removeprefix("'") == value.removeprefix("'")


def test_a_stretch_has_what_was_heard_in_it(story: Story, tmp_path: Path) -> None:
    whole, part = tmp_path / "whole", tmp_path / "part"
    export(story, whole)
    told = export(
        story, part, "--from", "2026-11-30T18:01", "--until", "2026-12-01T18:01", "--json"
    )
    assert told.exit_code == 0, told.output
    for name in NAMES - {"jobs"}:
        wanted = [
            row for row in table(whole, name)
            if LOCAL.read(FULL) <= utc(row["heard_utc"]) < LOCAL.read(FIRES)
        ]  # fmt: skip
        assert table(part, name) == wanted, name
    assert len(table(part, "samples")) == 2
    turned = export(story, part, "--from", "2026-12-01T18:00", "--until", "2026-12-01T17:00")
    assert turned.exit_code == 2
    assert turned.stderr.count("\n") == 1


def test_times_follow_the_wall_clock_over_its_steps() -> None:
    tables = Tables(LOCAL, catalogue())
    step = ClockSet(T0 + HOUR, offset=-2 * HOUR)
    before = list(tables.rows(1, Rejected(T0, "x", "y"), ()))
    (_, row), *_ = tables.rows(2, step, ())
    after = list(tables.rows(3, Rejected(T0 + HOUR, "x", "y"), ()))
    assert before[0][1][1] == LOCAL.read(T0)
    assert row[1] == after[0][1][1] == LOCAL.read(T0) - timedelta(hours=1)


def test_nothing_is_written_over_unless_told(story: Story, tmp_path: Path) -> None:
    to = tmp_path / "tables"
    to.mkdir()
    mine = to / "notices.csv"
    mine.write_text("mine", "utf-8")
    refused = export(story, to)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.stderr
    assert refused.stderr.count("\n") == 1
    assert [file.name for file in to.iterdir()] == ["notices.csv"]
    assert mine.read_text("utf-8") == "mine"
    dangling = to / "jobs.csv"
    mine.unlink()
    dangling.symlink_to(tmp_path / "elsewhere")
    assert export(story, to).exit_code == 2
    assert export(story, to, "--overwrite").exit_code == 0
    assert not (tmp_path / "elsewhere").exists()
    assert not dangling.is_symlink()


def test_a_disk_that_fails_leaves_no_half_table(
    story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tablefile._Csv, "write", full)
    told = export(story, tmp_path / "tables")
    assert told.exit_code == 1
    assert "no space left" in told.stderr
    assert list((tmp_path / "tables").iterdir()) == []
    nowhere = export(story, story.path / "below-a-file")
    assert nowhere.exit_code == 1
    assert "Traceback" not in nowhere.output


def test_files_are_for_their_owner_only(story: Story, tmp_path: Path) -> None:
    to = tmp_path / "tables"
    before = os.umask(0)
    try:
        export(story, to)
    finally:
        os.umask(before)
    assert stat.S_IMODE(to.stat().st_mode) == 0o700
    for file in to.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file.name


EVIL = ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(1)", "\t=1", 'a"b', "a\r\nb", "a,b", "half \ud800"]


@pytest.mark.parametrize("words", EVIL, ids=ascii)
def test_what_strangers_sent_is_no_formula_and_stays_one_field(tmp_path: Path, words: str) -> None:
    # Source: RFC 4180; OWASP, "CSV Injection": no field begins with = + - @, tab or CR.
    story = full_heron(tmp_path)
    source = words.encode("utf-8", "replace").decode()
    story.go(replace(seen_heron(FULL + HOUR), source=source))
    to = tmp_path / "tables"
    export(story, to)
    shown = table(to, "samples")[-1]["source"]
    assert not shown.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert shown.removeprefix("'") == source


def test_batches_are_bounded(story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tablefile, "BATCH_ROWS", 10)
    sizes: list[int] = []
    write = tablefile._Csv.write

    def seen(self: Any, rows: Any) -> None:
        sizes.append(len(rows))
        write(self, rows)

    monkeypatch.setattr(tablefile._Csv, "write", seen)
    for number in range(95):
        story.go(seen_heron(FIRES + 10 * SECOND + number))
    export(story, tmp_path / "tables")
    assert max(sizes) == 10
    assert len(table(tmp_path / "tables", "samples")) == 97


def test_without_pyarrow_csv_works_and_parquet_says_what_it_needs(
    story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    told = export(story, tmp_path / "parquet", "--format", "parquet")
    assert told.exit_code == 2
    assert "carerules[export]" in told.stderr
    assert list((tmp_path / "parquet").iterdir()) == []
    assert export(story, tmp_path / "csv").exit_code == 0


def test_a_site_that_never_ran_gives_empty_tables_and_no_journal(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    for file in story.site.state.iterdir():
        file.unlink()
    assert export(story, tmp_path / "tables").exit_code == 0
    assert table(tmp_path / "tables", "samples") == []
    assert not story.journal_path.exists()


def test_every_column_is_in_the_docs() -> None:
    words = (Path(__file__).parents[2] / "docs" / "api.md").read_text("utf-8")
    for one in Tables(LOCAL, catalogue()).all():
        assert f"`{one.name}`" in words, one.name
        for column in one.columns:
            if one.name != "room" and "_spread_" not in column.name:
                assert f"`{column.name}`" in words, (one.name, column.name)
