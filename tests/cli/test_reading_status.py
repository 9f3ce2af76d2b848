"""`status` and `uses list`: what they say of a journal, and that they only look."""

from __future__ import annotations

import json
import os
import sqlite3
from pathlib import Path

import pytest
from reading_kit import (
    FIRES,
    FULL,
    LOCAL,
    T0,
    begin,
    carerules,
    draining_heron,
    full_heron,
    make_site,
    seen_heron,
)

from carerules.adapters import Sources, owner_of
from carerules.config import SiteFile, read_site
from carerules.domain.event import Placed, PlugReport, Rejected, Stopped, Value
from carerules.domain.event import Sample as Measured
from carerules.domain.moment import HOUR, MINUTE
from carerules.service.reading import reader_of


def lines_of(output: str, label: str) -> list[str]:
    return [line.strip() for line in output.splitlines() if line.strip().startswith(f"{label} ")]


def rows_of(journal: Path) -> dict[str, list[object]]:
    tables = ("events", "outcomes", "entries", "snapshots", "plans", "meta")
    with sqlite3.connect(journal) as database:
        return {name: database.execute(f"SELECT * FROM {name}").fetchall() for name in tables}


def test_a_site_that_never_ran_is_shown_and_no_file_is_made(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    shown = carerules(site, "status")
    assert shown.exit_code == 0
    assert "no service has run here yet" in shown.output
    assert lines_of(shown.output, "charge") == ["charge   unknown: never seen"] * 2
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize("virtual", [True, False])
def test_before_the_first_run_what_the_site_file_says_is_shown(
    tmp_path: Path, virtual: bool
) -> None:
    """As the first start will have it: where packs hang, and what they are planned for."""
    site = make_site(tmp_path, virtual=virtual)
    use = '[use."gauge round"]\nstart = 2098-12-05T08:00:00\npacks = ["egret"]\n'
    text = site.read_text("utf-8").replace('capacity = "16 Ah"', 'capacity = "16 Ah"\nplace = "A"')
    site.write_text(f"{text}{use}", "utf-8")
    shown = carerules(site, "status").output
    assert "heron: lipo, 6 cells, on A" in shown
    assert "egret: lipo, 4 cells, on no station" in shown
    assert "gauge round" in carerules(site, "uses", "list").output


def test_charge_says_its_spread_and_whose_word_it_is_and_since_when(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    heron, egret = lines_of(story.run("status").output, "charge")
    assert heron == "charge   100 % ± 2 %, said to be full on Mon 30 Nov 18:01"
    assert egret == "charge   60 % ± 5 %, a person on Mon 30 Nov 18:02"


def test_what_a_pack_waits_for_and_how_far_it_has_run(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    later = FULL + 18 * HOUR + 12 * MINUTE
    story.go(seen_heron(later))
    assert lines_of(story.run("status", "heron").output, "waits") == [
        "waits    full-too-long: 18 h 12 min of 24 h, fires Tue 01 Dec 18:01"
    ]


def test_a_rule_that_another_part_holds_back_does_not_wait_for_its_time(tmp_path: Path) -> None:
    rules = "rule both when pack.soc >= 95 for 24 h and pack.temperature > 60 °C: drain to 80\n"
    story = full_heron(tmp_path, rules=rules)
    story.go(seen_heron(FULL + HOUR))
    assert lines_of(story.run("status", "heron").output, "waits") == []


def test_what_is_under_way_and_the_plug_that_is_on(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.snapshot()
    shown = story.run("status", "heron").output
    assert "doing    drain to 80 % (heron-1, rule full-too-long): moving energy" in shown
    assert lines_of(shown, "load") == ["load     A-load on since Tue 01 Dec 18:01, 58 W (0 s ago)"]
    assert lines_of(shown, "waits") == [], "it has fired, and waits for nothing"
    assert lines_of(shown, "charge")[0].startswith(
        "charge   100 % ± 2 %, rest voltage on Tue 01 Dec 18:00; read 25.14 V, 21 °C"
    )
    assert lines_of(shown, "next use") == [
        "next use Saturday survey, Sat 05 Dec 08:00, in 3 d 13 h"
    ]


def test_a_voltage_is_shown_while_it_is_fresh_and_no_longer(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(seen_heron(FULL + HOUR))
    assert "read 25.14 V, 21 °C" in story.run("status", "heron").output
    story.go(Placed(FULL + HOUR + 11 * MINUTE, "egret", None))
    assert "25.14 V" not in story.run("status", "heron").output


PLUG_REPORTS = [
    ("read back off", PlugReport(T0 + HOUR, "A-load", False, 0.0), "A-load off, read back"),
    ("on though nobody asked", PlugReport(T0 + HOUR, "A-load", True, 60.0), "NOT proved off"),
]


@pytest.mark.parametrize(("what", "report", "words"), PLUG_REPORTS, ids=lambda v: str(v)[:24])
def test_a_plug_is_off_only_when_it_was_read_back(
    tmp_path: Path, what: str, report: PlugReport, words: str
) -> None:
    story = begin(tmp_path)
    story.go(report)
    story.snapshot()
    assert words in lines_of(story.run("status").output, "load")[0]


def test_a_plug_that_was_never_heard_is_not_proved_off(tmp_path: Path) -> None:
    shown = carerules(make_site(tmp_path), "status").output
    assert lines_of(shown, "load") == ["load     A-load NOT proved off; it was never heard"]


def test_what_is_barred_stopped_refused_and_left_out_is_said(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    late = Measured(FIRES + HOUR, T0, "heron", (Value("pack.soc", 50.0, 5.0),), "late feed")
    story.go(late, Rejected(FIRES + HOUR, "shed/a", "no number"), Stopped(FIRES + HOUR, "a person"))
    low = Measured(
        FIRES + 2 * HOUR, FIRES + 2 * HOUR, "egret", (), "test bench", (3.0, 2.4, 3.0, 3.0)
    )
    story.go(low)
    story.snapshot()
    shown = " ".join(story.run("status").output.split())
    assert "everything is stopped (a person): `carerules release site` when looked at" in shown
    assert "1 message or entry refused; 1 sample left out as too late" in shown
    assert "quarantined: seen at 2.40 V a cell" in shown
    flat = json.loads(story.run("status", "--json").stdout)
    assert (flat["refused"], flat["left_out"], flat["stopped"]) == (1, 1, "a person")
    assert flat["packs"][1]["barred"].startswith("quarantined")


def test_one_pack_alone_comes_with_its_station_alone(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    flat = json.loads(story.run("status", "egret", "--json").stdout)
    assert [pack["pack"] for pack in flat["packs"]] == ["egret"]
    assert [station["station"] for station in flat["stations"]] == ["B"]


def test_every_line_fits_eighty_columns_and_carries_no_colour(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.go(Rejected(FIRES + HOUR, "shed/" + "x" * 300, "no number at all, " * 9))
    story.snapshot()
    for words in (("status",), ("why", "heron"), ("log", "--all"), ("uses", "list")):
        shown = carerules(story.path, *words, env={"NO_COLOR": "1"}).output
        assert max(map(len, shown.splitlines())) <= 80, words
        assert "\x1b" not in shown


def test_whether_a_service_runs_is_read_off_the_lock(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    assert owner_of(story.journal_path) == os.getpid()
    flat = json.loads(story.run("status", "--json").stdout)
    assert flat["service"] == {
        "running": True, "pid": os.getpid(), "last_wrote": "2026-11-30T18:02:00Z",
    }  # fmt: skip
    story.close()
    assert owner_of(story.journal_path) is None
    shown = story.run("status").output
    assert "no service runs; one last wrote Mon 30 Nov 18:02" in shown
    flat = json.loads(story.run("status", "--json").stdout)
    assert flat["service"]["running"] is False


def test_waiting_entries_are_counted_in_and_nothing_is_written(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    assert story.run("record", "egret", "charged").exit_code == 0
    assert story.run("place", "egret", "--off").exit_code == 0
    before = rows_of(story.journal_path)
    shown = story.run("status", "egret")
    assert "100 % ± 2 %, said to be full on Mon 30 Nov 18:02" in shown.output
    assert "egret: lipo, 4 cells, on no station" in shown.output
    assert "2 entries not yet taken in" in shown.output
    for words in (("why", "egret"), ("log",), ("uses", "list"), ("why", "heron", "--at", "18:01")):
        assert story.run(*words).exit_code == 0
    assert rows_of(story.journal_path) == before


def test_rules_do_not_fire_by_being_looked_at(tmp_path: Path) -> None:
    story = full_heron(tmp_path, virtual=False)
    story.close()
    site = read_site(story.path)
    assert isinstance(site, SiteFile)
    later = LOCAL.moment(LOCAL.read(FIRES)) + HOUR
    sources = Sources(lambda: later, lambda: later, lambda: later, lambda: "boot")
    journal = type(story.journal).open(story.journal_path, owner=False)
    view = reader_of(site, story.journal_path, journal, sources).now()
    journal.close()
    assert view.world.packs["heron"].jobs == ()
    assert view.world.jobs_made == 0
    assert view.world.packs["heron"].rules[0].armed


@pytest.mark.parametrize("hours", [0, 1, 18, 30])
def test_on_a_real_site_time_goes_on_though_no_service_runs(tmp_path: Path, hours: int) -> None:
    """A kept charge has no gap: the `for` runs on by the clock (docs/semantics.md)."""
    story = full_heron(tmp_path, virtual=False)
    story.close()
    site = read_site(story.path)
    assert isinstance(site, SiteFile)
    now = FULL + MINUTE + hours * HOUR
    sources = Sources(lambda: now, lambda: now, lambda: now, lambda: "boot")
    journal = type(story.journal).open(story.journal_path, owner=False)
    world = reader_of(site, story.journal_path, journal, sources).now().world
    journal.close()
    assert world.now == now
    assert world.packs["heron"].rules[0].truth.name == ("YES" if now >= FIRES else "NO")


def test_a_damaged_row_is_left_out_and_said(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Placed(FULL + HOUR, "egret", None))
    story.close()
    with sqlite3.connect(story.journal_path) as database:
        database.execute("UPDATE events SET body = '[{\"heard\":' WHERE kind = 'happened'")
    shown = story.run("status")
    assert shown.exit_code == 0
    assert "1 row of the journal does not read back and is left out" in shown.output
    assert lines_of(shown.output, "charge")[0] == "charge   unknown: never seen"
    assert "egret: lipo, 4 cells, on no station" in shown.output


def test_with_broken_rules_the_packs_are_still_shown(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    (tmp_path / "shed.care").write_text("rule broken\n    when pack.sock > 9: drain to\n", "utf-8")
    shown = story.run("status")
    assert shown.exit_code == 0
    assert "the rules have errors, so none is shown: see `carerules check`" in shown.output
    assert lines_of(shown.output, "charge")[0].startswith("charge   100 %")
    refused = story.run("why", "heron")
    assert refused.exit_code == 2
    assert "pack.sock" in refused.output


def test_uses_are_listed_soonest_first(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    story.run("uses", "add", "gauge round", "2026-12-03T09:00", "egret")
    shown = story.run("uses", "list").output.splitlines()
    assert shown == [
        "Thu 03 Dec 09:00  gauge round (egret)",
        "Sat 05 Dec 08:00  Saturday survey (egret, heron)",
    ]


def test_a_name_that_is_not_there_gets_the_nearest(tmp_path: Path) -> None:
    refused = carerules(make_site(tmp_path), "status", "herno")
    assert refused.exit_code == 2
    assert refused.output == (
        "found `herno`, wanted a pack of the site file; mend: did you mean `heron`?\n"
    )
