"""What is measured of a site, asked as a scraper and a supervisor ask."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from board_kit import FROM_HERE, TOKEN, browser, pages, status
from openmetrics_rules import faults
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from reading_kit import FIRES, FULL, SECOND, Story, draining_heron, full_heron, seen_heron

from carerules.adapters import Lane
from carerules.board import Access, Pages, RunningSource
from carerules.board.exposition import CONTENT_TYPE, POINTS_MAX, exposition
from carerules.board.metrics import STEP_S_MAX, families_of, unready
from carerules.config import BoardDoor
from carerules.config.things import PACKS_MAX
from carerules.domain.decision import Ending, Veto
from carerules.domain.event import PlugReport, Rejected
from carerules.report import StatusShape
from carerules.report.shapes import PlugShape, StationShape
from carerules.service.counts import INTERLOCKS, Counts, Vitals

PAGE = (Path(__file__).parents[2] / "docs" / "api.md").read_text("utf-8")
DOOR = BoardDoor("127.0.0.1", 8455)


class Clock:
    def __init__(self) -> None:
        self.ms = 5_000

    def __call__(self) -> int:
        return self.ms


def counted(story: Story, clock: Clock | None = None) -> Counts:
    counts = Counts(1_700_000_000_000, clock or Clock(), story.told[0][2])
    for event, outcomes, world in story.told:
        counts.tell(event, outcomes, world)
    return counts


def values(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    assert faults(text) == []
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def measured(story: Story, vitals: Vitals = Vitals()) -> Any:  # noqa: B008
    read = values(exposition(families_of(status(story), vitals)))

    def value(name: str, **labels: str) -> float | None:
        return read.get((f"carerules_{name}", tuple(sorted(labels.items()))))

    return value


def test_a_pack_and_its_plug_in_the_units_of_the_standard(tmp_path: Path) -> None:
    value = measured(draining_heron(tmp_path))
    assert value("pack_charge_ratio", pack="heron") == pytest.approx(0.99, abs=0.02)
    assert value("pack_charge_wanted_ratio", pack="heron") == pytest.approx(0.8)
    assert value("pack_voltage_volts", pack="heron") == pytest.approx(6 * 4.19)
    assert value("pack_cell_spread_volts", pack="heron") == 0.0
    assert value("pack_temperature_celsius", pack="heron") == 21.0
    assert value("pack_reading_age_seconds", pack="heron") == pytest.approx(6, abs=1)
    plug = {"station": "A", "plug": "A-load", "side": "load"}
    assert value("plug_on", **plug) == 1
    assert value("plug_proved_off", **plug) == 0
    assert value("plug_power_watts", **plug) == 58.0
    assert value("plug_state", **plug, carerules_plug_state="on") == 1
    assert value("plug_state", **plug, carerules_plug_state="off") == 0
    assert value("jobs", phase="moving energy") == 1


def test_what_is_unknown_has_no_series(tmp_path: Path) -> None:
    value = measured(full_heron(tmp_path))
    assert value("pack_voltage_volts", pack="egret") is None
    assert value("pack_health_ratio", pack="egret") is None
    assert value("step_age_seconds") is None
    assert value("samples_total") is None
    assert value("notices_pending") is None


def test_the_service_counts_since_it_began(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    clock = Clock()
    counts = counted(story, clock)
    refused = Rejected(FIRES + 2 * SECOND, "x", "y")
    veto = Veto("heron-1", "heron", "A", "dwell", "found", "wanted")
    counts.tell(refused, [veto, veto], story.world)
    clock.ms += 2_500
    value = measured(story, Vitals(counts.tally(), "", {"samples": 3}, 2))
    assert value("samples_total") == 2
    assert value("refused_total") == 1
    assert value("vetoes_total", interlock="dwell") == 2
    assert value("vetoes_total", interlock="floor") == 0
    assert value("rules_fired_total") == 1
    assert value("jobs_begun_total") == 1
    assert value("jobs_ended_total", ending="done") == 0
    assert value("commands_total", word="on") == 1
    assert value("inbox_drops_total", lane="samples") == 3
    assert value("inbox_drops_total", lane="kept") == 0
    assert value("notices_pending") == 2
    assert value("step_age_seconds") == 2.5
    assert value("samples_created") == 1_700_000_000


def test_energy_goes_on_where_a_plugs_own_count_begins_anew(tmp_path: Path) -> None:
    # 1 Wh = 3600 J (SI brochure, 9th edition, table 8: hour; joule = watt second).
    story = draining_heron(tmp_path)
    counts = counted(story)
    at = FIRES + SECOND
    world = story.world
    for energy_wh in (0.0, 1.0, 1.5, 0.0, 2.0):
        plug = replace(world.plugs["A-load"], energy_wh=energy_wh)
        there = replace(world, plugs={**world.plugs, "A-load": plug})
        counts.tell(PlugReport(at, "A-load", True, 58.0), (), there)
    value = measured(story, Vitals(counts.tally()))
    plug_labels = {"station": "A", "plug": "A-load", "side": "load"}
    assert value("plug_energy_joules_total", **plug_labels) == pytest.approx(3.5 * 3_600, rel=0.01)


def test_what_strangers_send_makes_no_new_series(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    counts = counted(story)
    lanes = {lane.value: 1 for lane in Lane}
    before = values(exposition(families_of(status(story), Vitals(counts.tally(), "", lanes, 0))))
    at = FULL + 120 * SECOND
    for number in range(200):
        evil = Rejected(at + number, f'evil-{number}"}}\n# EOF', "x")
        story.go(evil, replace(seen_heron(at + number), source=f"evil-{number}"))
    for event, outcomes, world in story.told:
        counts.tell(event, outcomes, world)
    after = values(exposition(families_of(status(story), Vitals(counts.tally(), "", lanes, 0))))
    new = {name for name, _ in after.keys() - before.keys()}
    assert all(name.startswith("carerules_pack_") for name in new), new
    assert len(after) - len(before) < 12


def test_the_largest_site_fits_its_bound(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    shape = status(story)
    packs = [shape.packs[0].model_copy(update={"pack": f"p{n}"}) for n in range(PACKS_MAX)]

    def plug(name: str) -> PlugShape:
        return shape.stations[0].plugs[0].model_copy(update={"plug": name})

    stations = [
        StationShape(station=f"s{n}", pack=None, locked=None,
                     plugs=[plug(f"a{n}"), plug(f"b{n}")])
        for n in range(PACKS_MAX)
    ]  # fmt: skip
    large = shape.model_copy(update={"packs": packs, "stations": stations})
    text = exposition(families_of(large, Vitals(counted(story).tally(), "", {}, 0)))
    assert 14_000 < len(text.splitlines()) < POINTS_MAX
    assert len(text) < 2_000_000


def test_each_interlock_and_ending_is_a_label_from_the_start(tmp_path: Path) -> None:
    tally = counted(full_heron(tmp_path)).tally()
    assert set(tally.vetoes) == set(INTERLOCKS)
    assert set(tally.jobs_ended) == set(Ending)


# ---- asked ---------------------------------------------------------------------------------------


def running(story: Story, counts: Counts, *, faulted: str = "", token: str | None = None) -> Pages:
    source = RunningSource(lambda: story.world, lambda: Vitals(counts.tally(), faulted, {}, 0))
    return Pages(story.site, source, Access(DOOR, token))


def test_metrics_have_the_type_of_the_standard(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    for made in (pages(story), running(story, counted(story))):
        answer = browser(made).get("/metrics")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == CONTENT_TYPE
        assert faults(answer.text) == []
        assert "carerules_pack_charge_ratio" in answer.text


def test_without_the_token_there_are_no_metrics_but_probes_answer(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    client = browser(running(story, counted(story), token=TOKEN))
    refused = client.get("/metrics")
    assert refused.status_code == 401
    assert refused.headers["content-type"] == "application/problem+json"
    assert refused.json()["status"] == 401
    shown = {"authorization": f"Bearer {TOKEN}"}
    assert client.get("/metrics", headers=shown).status_code == 200
    for probe in ("/alive", "/ready"):
        answer = client.get(probe)
        assert answer.status_code in (200, 503)
        assert "heron" not in answer.text
        assert "A-load" not in answer.text


def test_a_name_that_was_made_to_point_here_gets_no_metrics(tmp_path: Path) -> None:
    client = browser(pages(draining_heron(tmp_path)))
    for path in ("/metrics", "/alive", "/ready"):
        assert client.get(path, headers={"host": "evil.example:8455"}).status_code == 421
        assert client.post(path, headers=FROM_HERE).status_code == 405


def test_ready_is_a_loop_that_steps_a_journal_that_holds_and_plugs_read_back(
    tmp_path: Path,
) -> None:
    story = full_heron(tmp_path)
    clock = Clock()
    counts = counted(story, clock)
    shape = status(story)

    def why(
        shape: StatusShape = shape, counts: Counts = counts, faulted: str = ""
    ) -> Sequence[str]:
        return unready(shape, Vitals(counts.tally(), faulted))

    assert why() == []
    assert browser(running(story, counts)).get("/ready").text == "ready\n"
    clock.ms += int(1_000 * STEP_S_MAX) + 1
    assert why() == ["the loop has not stepped for more than 15 s"]
    assert browser(running(story, counts)).get("/ready").status_code == 503
    clock.ms = 5_000
    assert why(faulted="no space") == ["the journal cannot be written"]
    fresh = Counts(0, clock, story.world)
    assert why(counts=fresh) == [
        "the loop has not stepped yet",
        "not read back off since the start: 2 of 2 plugs",
    ]
    left = shape.model_copy(update={"service": shape.service.model_copy(update={"running": False})})
    assert why(left) == ["the service is leaving"]


def test_a_board_without_a_service_is_not_ready_but_lives(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    client = browser(pages(story))
    assert client.get("/alive").status_code == 200
    assert client.get("/ready").status_code == 503
    assert client.get("/ready").text == "no service runs\n"
    os.truncate(story.journal_path, 100)
    assert client.get("/ready").text == "the journal cannot be read\n"
    assert client.get("/metrics").status_code == 503
    assert client.get("/alive").status_code == 200


def test_each_family_has_its_row_in_the_docs_and_no_other_is_told_of(tmp_path: Path) -> None:
    """The page shortens: `carerules_pack_voltage_volts`, `_temperature_celsius`."""
    story = draining_heron(tmp_path)
    shape = status(story)
    pack = shape.packs[0]
    known = pack.health.model_copy(update={"capacity_percent": 90.0})
    shape = shape.model_copy(update={"packs": [pack.model_copy(update={"health": known})]})
    vitals = Vitals(counted(story).tally(), "", dict.fromkeys(Lane, 0), 0)
    there = {
        name
        for name, _ in values(exposition(families_of(shape, vitals)))
        if not name.endswith("_created")
    }
    rows = [row for row in PAGE.split("\n") if row.startswith("| `carerules_")]
    told = {word for row in rows for word in re.findall(r"`(_\w+|carerules_\w+)`", row)}

    def is_named(name: str, word: str) -> bool:
        return name == word if word.startswith("carerules") else name.endswith(word)

    assert {name for name in there if not any(is_named(name, word) for word in told)} == set()
    assert {word for word in told if not any(is_named(name, word) for name in there)} == set()
    assert len(told) > 30
