"""`carerules forecast`: what it says, and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from reading_kit import Story, draining_heron

from carerules.battery import ConstantPower, at_warmth, forecast, shipped_chemistries
from carerules.cli import main
from carerules.domain.event import Sample, Value
from carerules.domain.moment import SECOND

PLAIN = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
"""


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = draining_heron(tmp_path_factory.mktemp("forecast"))
    yield story
    story.close()


def flat(story: Story, *words: str) -> dict[str, Any]:
    shown = story.run("forecast", *words, "--json")
    assert shown.exit_code == 0, shown.output
    said: dict[str, Any] = json.loads(shown.stdout)
    return said


def test_a_drain_is_what_the_formula_says(story: Story) -> None:
    """60 W out of six cells of 16 Ah, from full: station A's load stands for it."""
    said = flat(story, "heron", "drain", "80", "--soc", "100")
    lipo = shipped_chemistries()["lipo"]
    mohm, _ = at_warmth(lipo.resistance_mohm_ah / 16, 0.0, 21.0)  # the pack tells 21 °C
    ohm = 6 * mohm / 1_000
    wanted = forecast((lipo.fractions, lipo.volts), 6, 16.0, ohm, ConstantPower(60), 1.0, 0.8)
    assert said["by"] == "60 W"
    assert said["time_s"] == pytest.approx(wanted.time_s, rel=1e-6)
    assert said["energy_wh"] == pytest.approx(wanted.load_energy_wh, rel=1e-4)
    assert said["time_low_s"] < said["time_s"] < said["time_high_s"]
    assert said["path"][0]["voltage_v"] == pytest.approx(wanted.start_v, abs=1e-3)
    assert said["path"][-1]["voltage_v"] == pytest.approx(wanted.end_v, abs=1e-3)
    assert said["path"][-1]["after_s"] == pytest.approx(wanted.time_s, rel=1e-6)


def test_a_cold_pack_warms_itself_more(tmp_path: Path) -> None:
    """At 0 °C a cell has about 2.2 times the resistance (`battery/ohm`): so much more heat."""
    heat = {}
    for warm_c in (25.0, 0.0):
        (tmp_path / f"{warm_c:g}").mkdir()
        story = draining_heron(tmp_path / f"{warm_c:g}")
        at = story.world.now + SECOND
        story.go(Sample(at, at, "heron", (Value("pack.temperature", warm_c),), "a thermometer"))
        heat[warm_c] = flat(story, "heron", "drain", "80", "--soc", "100")["heat_wh"]
        story.close()
    assert heat[0.0] == pytest.approx(2.2 * heat[25.0], rel=0.02)


def test_the_band_is_the_inputs_doubt(story: Story) -> None:
    """Rated capacity ± 7 % and a load ± 5 %, both by two sigma: 14 and 10 % of time, about 17."""
    said = flat(story, "heron", "drain", "80", "--soc", "100")
    up = said["time_high_s"] / said["time_s"] - 1
    down = 1 - said["time_low_s"] / said["time_s"]
    assert 0.16 < down < 0.19
    assert 0.16 < up < 0.20


def test_a_charge_that_ends_before_its_target_says_so(story: Story) -> None:
    said = flat(story, "egret", "charge", "100", "--soc", "40", "--by", "8 A")
    assert 95 < said["ends_percent"] < 100
    assert said["taper_s"] > 0
    assert any("the charger ends at about" in one for one in said["remarks"])


def test_it_fits_a_terminal(story: Story) -> None:
    for words in (
        ("heron", "drain", "5", "--soc", "100"),
        ("egret", "charge", "90", "--soc", "1"),
    ):
        lines = story.run("forecast", *words).output.splitlines()
        assert max(map(len, lines)) <= 80
        assert "*" in next(line for line in lines if "|" in line)


def test_an_ohm_is_an_ohm(story: Story) -> None:
    milli, whole = (
        flat(story, "heron", "drain", "50", "--soc", "90", "--by", by)["time_s"]
        for by in ("2000 mohm", "2 ohm")
    )
    assert milli == whole
    assert 30 * 60 < whole < 36 * 60  # 6.4 Ah at about 11.5 A


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("gull", "drain", "80"), "wanted a pack of the site file"),
        (("heron", "drain", "80", "--soc", "70"), "found `70` % already, wanted more than 80 %"),
        (("heron", "charge", "80", "--soc", "90"), "found `90` % already, wanted less than 80 %"),
        (("heron", "drain", "low"), "found `low`, wanted a number with a unit of share"),
        (("heron", "drain", "180"), "found `180`, wanted 0 % to 100 %"),
        (("heron", "drain", "80", "--soc", "90", "--by", "60"), "found `60`, wanted a size"),
        (("heron", "charge", "95", "--soc", "9", "--by", "2 ohm"), "found `2 ohm`, wanted a size"),
        (("heron", "drain", "8", "--soc", "9", "--by", "90000 W"), "power: found `90000` W"),
        (("heron", "drain", "8", "--soc", "9", "--by", "-5 A"), "load: found `-5`"),
    ],
)
def test_what_is_refused(story: Story, words: tuple[str, ...], says: str) -> None:
    shown = story.run("forecast", *words)
    assert shown.exit_code == 2
    assert says in shown.output
    assert "Traceback" not in shown.output


def test_an_unknown_charge_is_asked_for(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text(PLAIN, encoding="utf-8")
    shown = CliRunner().invoke(main, ["forecast", "heron", "drain", "80", "--site", str(site)])
    assert shown.exit_code == 2
    assert "the charge of `heron` is unknown: never seen" in shown.output
    assert "--soc 95" in shown.output
    assert not (tmp_path / "state").exists()
