"""`carerules health`: words of a journal, of a site that never ran, and what is refused."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from reading_kit import FULL, Story, begin, draining_heron, full_heron

from carerules.cli import health
from carerules.domain.decision import Marked
from carerules.domain.event import Placed, PlugReport, Sample, Tick, Value
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND
from carerules.report.health import health_of


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = draining_heron(tmp_path_factory.mktemp("health"))
    at = story.world.now + DAY
    for n in range(8):  # a person enters a capacity each week: 16 Ah, and 0.05 less each time
        value = Value("pack.capacity", 16.0 - 0.05 * n, 0.1)
        story.go(Sample(at + 7 * n * DAY, at + 7 * n * DAY, "heron", (value,), "a person"))
    last = at + 50 * DAY
    cells = (4.0, 4.0, 3.9, 4.0, 4.0, 4.0)
    for minute in range(0, 40, 2):
        now = last + minute * MINUTE
        current = (Value("pack.current", 0.0),)
        story.go(Sample(now, now, "heron", current, "its electronics", cells))
    story.go(Tick(last + HOUR))
    story.snapshot()
    yield story
    story.close()


def test_it_says_what_was_measured(story: Story) -> None:
    shown = story.run("health", "heron", "--json")
    assert shown.exit_code == 0, shown.output
    (pack,) = json.loads(shown.stdout)["packs"]
    assert pack["capacity_measured"] == 8
    assert pack["capacity_ah"] == pytest.approx(15.75)  # the median of the last five
    # 0.05 Ah a week on 16 Ah: 16.3 points a year
    assert pack["fall_percent_year"]["mid"] == pytest.approx(0.05 / 16 * 100 * 365 / 7, rel=0.01)
    assert [one["percent"] for one in pack["reaches"]] == [80, 50]
    assert pack["imbalance_v"] == pytest.approx(0.1)
    assert pack["imbalance_percent"] > 5
    assert pack["lying"]["above_80_percent_s"] >= 86_400  # full for a day before the drain


def test_what_goes_to_standard_error_is_not_in_the_json(
    story: Story, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Any thread of the process may write there meanwhile: who reads JSON reads standard output."""

    def noisy(*about: Any) -> Any:
        print("a library has something to say", file=sys.stderr)
        return health_of(*about)

    monkeypatch.setattr(health, "health_of", noisy)
    shown = story.run("health", "heron", "--json")
    assert "something to say" in shown.stderr
    assert json.loads(shown.stdout)["packs"][0]["capacity_measured"] == 8


def test_it_fits_a_terminal_and_promises_nothing(story: Story) -> None:
    shown = story.run("health")
    assert shown.exit_code == 0
    lines = shown.output.splitlines()
    assert max(map(len, lines)) <= 80
    assert "costs are the band over published cells" in shown.output
    assert "egret: 8 Ah on the label" in shown.output
    assert "±" in shown.output


def metered_heron(folder: Path, *, told_by: str = "a person", taken_off: bool = False) -> Story:
    """Full, 58 W at the load's plug for 3 h 20 (193 Wh of some 360), read by hand a day later."""
    story = full_heron(folder) if told_by == "a person" else begin(folder)
    at = FULL + HOUR
    if told_by == "the plug":  # as the end of a taper is told
        story.journal.write(Tick(FULL), [Marked("heron", "full")])
    for minute in range(0, 200, 4):
        story.go(PlugReport(at + minute * MINUTE, "A-load", True, 58.0, 89.0))
    end = at + 200 * MINUTE
    story.go(Placed(end, "heron", None) if taken_off else PlugReport(end, "A-load", False, 0.0))
    later = at + DAY
    hand = Value("pack.voltage", 22.75, 0.12)  # 3.79 V a cell: about half full
    story.go(Sample(later, later, "heron", (hand,), "a person"), Tick(later + HOUR))
    story.snapshot()
    return story


@pytest.mark.parametrize(
    ("told_by", "taken_off"), [("a person", False), ("the plug", False), ("a person", True)]
)
def test_energy_at_the_plug_counts_where_no_current_is_measured(
    tmp_path: Path, told_by: str, taken_off: bool
) -> None:
    story = metered_heron(tmp_path, told_by=told_by, taken_off=taken_off)
    shown = story.run("health", "heron", "--json")
    words = story.run("health", "heron").output
    story.close()
    (pack,) = json.loads(shown.stdout)["packs"]
    assert pack["capacity_by_energy"] is True
    # 193 Wh at 23.8 V are 8.1 Ah, half of the label
    assert abs(pack["capacity_ah"] - 16) < 2 * pack["capacity_spread_ah"]
    assert pack["capacity_spread_ah"] > 1.6
    assert "1 measured, by energy at the plug" in " ".join(words.split())
    assert max(map(len, words.splitlines())) <= 80


def test_what_uses_cost_stands_beside_what_lying_costs(story: Story) -> None:
    """Facts of the trade (common practice, no source): fifty deep uses may cost 5 %. What the
    published cells of each chemistry say is held in tests/battery/test_ageing_against_models.py."""
    shown = story.run("health", "--json")
    for pack in json.loads(shown.stdout)["packs"]:
        cost = pack["fifty_uses_percent"]
        assert 0 < cost["low"] < 5 <= cost["high"] < 8
    words = " ".join(story.run("health", "egret").output.split())
    assert f"fifty uses {cost['low']:.3f} to {cost['high']:.3f} % of a new pack" in words


def test_another_pack_is_refused(story: Story) -> None:
    shown = story.run("health", "gull")
    assert shown.exit_code == 2
    assert "wanted a pack of the site file" in shown.output


@pytest.mark.parametrize("words", ["check", "status", "health"])
def test_no_start_loads_the_library_for_bulk(story: Story, words: str) -> None:
    code = (
        "import sys; from click.testing import CliRunner; from carerules.cli import main;"
        f"print(CliRunner().invoke(main, {[words, '--site', str(story.path)]!r}).exit_code);"
        "print({'numpy', 'scipy'} & set(sys.modules))"
    )
    if words == "check":
        code = code.replace("'--site', ", "")
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.split("\n")[:2] == ["0", "set()"]


def test_a_resistance_that_rises_is_told(tmp_path: Path) -> None:
    """A step of 8 A each week: 5 mΩ a cell at first, a tenth of a milliohm more each time."""
    story = full_heron(tmp_path)
    at = FULL + HOUR
    for week in range(9):
        mohm = 5.0 + 0.1 * week
        for second, amps in ((0, 0.0), (1, -8.0), (2, 0.0)):
            now = at + 7 * week * DAY + second * SECOND
            volts = 6 * (3.9 + amps * mohm / 1_000)
            values = (Value("pack.current", amps), Value("pack.voltage", volts, 0.01))
            story.go(Sample(now, now, "heron", values, "its electronics"))
    story.snapshot()
    flat = json.loads(story.run("health", "heron", "--json").stdout)["packs"][0]
    words = " ".join(story.run("health", "heron").output.split())
    named = health_row(story.run("status", "heron").output)
    story.close()
    band = flat["resistance_rises_percent_year"]
    assert band["mid"] == pytest.approx(100 * 0.1 / 5.8 * 365 / 7, rel=0.01)  # 90 % a year
    assert "mΩ a cell at 25 °C, by steps of current, +90 % a year" in words
    assert "mΩ a cell, +90 % a year" in named


# ---- at a glance, in the status ----------------------------------------------------------------


def health_row(shown: str) -> str:
    lines = shown.splitlines()
    index = next((i for i, line in enumerate(lines) if line.startswith("  health")), None)
    if index is None:
        return ""
    row = [lines[index]]
    for line in lines[index + 1 :]:
        if not line.startswith(" " * 11):
            break
        row.append(line)
    return " ".join(" ".join(row).split()).removeprefix("health ")


def test_the_status_of_a_pack_says_its_health(story: Story) -> None:
    shown = story.run("status", "heron").output
    row = health_row(shown)
    # a person's last word: 15.65 Ah of 16; one cell at 3.9 V, the others at 4.0
    assert row.startswith("15.7 Ah, 98 ± 1 % of the label; cells ")
    assert row.endswith(" points of charge apart at rest; cell 3 is WEAK")
    assert max(map(len, shown.splitlines())) <= 80
    flat = json.loads(story.run("status", "heron", "--json").stdout)["packs"][0]["health"]
    assert flat["capacity_percent"] == pytest.approx(100 * 15.65 / 16)
    assert flat["imbalance_percent"] > 5


def test_the_status_of_all_says_only_what_is_worth_a_look(story: Story) -> None:
    shown = story.run("status").output
    assert health_row(shown).startswith("cells ")  # heron's; egret's is unknown
    assert shown.count("  health") == 1


def test_a_pack_of_which_nothing_was_measured_says_so_where_it_is_named(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    named, all_of_them = story.run("status", "heron").output, story.run("status").output
    story.close()
    assert health_row(named) == "capacity not measured yet"
    assert "  health" not in all_of_them


def test_a_tired_pack_and_a_weak_cell_are_told(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    at = FULL + HOUR
    for day in range(3):
        now = at + day * DAY
        for minute in range(0, 44, 4):
            heard = now + minute * MINUTE
            cells = (3.9, 3.9, 3.8, 3.9, 3.9, 3.9)
            current = (Value("pack.current", 0.0 if minute else -2.0),)
            story.go(Sample(heard, heard, "heron", current, "its electronics", cells))
    now = at + 4 * DAY
    story.go(Sample(now, now, "heron", (Value("pack.capacity", 13.0, 0.4),), "a person"))
    story.snapshot()
    named, all_of_them = story.run("status", "heron").output, story.run("status").output
    story.close()
    assert health_row(all_of_them).startswith("13 Ah, 81 ± 2 % of the label; cells ")
    assert health_row(named).endswith("cell 3 is WEAK")
