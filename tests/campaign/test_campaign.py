"""The safety contract through nights of troubles; and that the campaign would see it broken.

A failing night prints the command that plays it again. The figures are those of the model only: 0
breaches in n nights say, with 95 % confidence, that fewer than 3 in n break it there (the rule of
three). `.ci/run` plays five thousand more.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from itertools import islice
from pathlib import Path

import pytest
from click.testing import CliRunner
from plants import PLANTS, Plant, breaks, first_night

from carerules.campaign import BOUNDS, TROUBLES, Night, Played, each_moment, play, played
from carerules.cli import main

NIGHTS = 60


def sound(night: Night) -> Played:
    one = play(night)
    assert not one.breaches, (one.breaches, one.troubles, night.again)
    return one


@pytest.mark.parametrize("kind", TROUBLES)
def test_one_night_of_each_trouble(kind: str) -> None:
    one = sound(Night(2, 6, kind))
    assert one.troubles[0].startswith(kind)


def test_nights_of_up_to_three_troubles() -> None:
    nights = [sound(Night(1, number)) for number in range(NIGHTS)]
    # Nights in which nothing is ever on would prove nothing.
    assert sum(one.ons for one in nights) > NIGHTS / 2
    assert sum(one.worst.closed_s for one in nights) > 100 * NIGHTS
    assert sum(one.kills for one in nights) > NIGHTS / 20
    assert {len(one.troubles) for one in nights} == {1, 2, 3}


def test_each_trouble_at_each_step_of_one_night() -> None:
    whole = list(each_moment(1, 3, ["machine killed"]))
    assert len(whole) > 30
    assert len({night.at for night in whole}) == len(whole)
    for night in whole[::12]:
        one = sound(night)
        assert len(one.troubles) == 1
        assert one.kills == 1 or night.at is None


@pytest.mark.parametrize("plant", PLANTS, ids=lambda plant: plant.name)
def test_a_planted_fault_is_found(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    assert plant.bound in BOUNDS
    assert not breaks(plant, plant.first), "an honest program breaks no bound in that night"
    plant.plant(monkeypatch)
    # The night that found it last; should nights be drawn otherwise now, it is looked for anew.
    if not breaks(plant, plant.first):
        assert first_night(plant) is not None, plant.name


def test_there_are_twenty_five_plants_and_each_bound_is_broken_by_one() -> None:
    assert len(PLANTS) >= 25
    assert {plant.bound for plant in PLANTS} == set(BOUNDS)
    assert len({plant.name for plant in PLANTS}) == len(PLANTS)


# ---- a night is its seed's, and no more --------------------------------------------------------


def test_a_night_is_the_same_night_in_any_process() -> None:
    line = [sys.executable, "-m", "carerules", *Night(7, 630).again.split()[1:], "--json"]
    told = {
        subprocess.run(
            line, capture_output=True, text=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": hashing},
        ).stdout
        for hashing in ("0", "17")
    }  # fmt: skip
    assert len(told) == 1
    story = json.loads(told.pop())
    assert len(story["story"]) > 5


def test_nights_over_two_processes_come_out_the_same_and_in_order() -> None:
    nights = [Night(3, number) for number in range(60)]
    alone = [(one.night.number, one.steps, one.ons) for one in played(nights[:5])]
    spread = [(one.night.number, one.steps, one.ons) for one in played(nights, jobs=2)]
    assert [number for number, _, _ in spread] == list(range(60))
    assert spread[:5] == alone


# ---- the command -------------------------------------------------------------------------------


def test_the_command_sums_up() -> None:
    run = CliRunner().invoke(main, ["campaign", "--nights", "5", "--seed", "2", "--json"])
    assert run.exit_code == 0, run.output
    told = json.loads(run.stdout)
    assert (told["nights"], told["nights_broken"]) == (5, 0)
    assert told["nights_per_s"] > 0
    assert told["at_most_share"] == pytest.approx(3 / 5)
    text = CliRunner().invoke(main, ["campaign", "--nights", "5", "--seed", "2"]).output
    assert "no breach: fewer than 0.6 of such nights" in text
    assert all(len(line) <= 80 for line in text.splitlines()), text


def test_the_command_shows_a_broken_night_and_how_to_play_it_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plant = next(plant for plant in PLANTS if plant.bound == "told")
    plant.plant(monkeypatch)
    run = CliRunner().invoke(main, [
        "campaign", "--nights", str(plant.first + 1), "--trouble", plant.trouble, "--json",
    ])  # fmt: skip
    assert run.exit_code == 1
    told = json.loads(run.stdout)
    assert told["nights_broken"] >= 1
    again = told["broken"][-1]["again"]
    assert again == f'carerules campaign --seed 1 --night {plant.first} --trouble "{plant.trouble}"'
    words = ["campaign", "--night", str(plant.first), "--trouble", plant.trouble]
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 1
    assert "breaches: " in told.output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--trouble", "plug melts"], "found the trouble `plug melts`, wanted a known one; mend:"),
        (["--at", "5"], "found `--at` alone, wanted `--night` and `--trouble` with it"),
        (["--nights", "0"], "0"),
    ],
)
def test_what_is_typed_wrongly_is_told_in_a_line(words: list[str], says: str) -> None:
    run = CliRunner().invoke(main, ["campaign", *words])
    assert run.exit_code == 2
    assert says in run.output
    assert len(run.output.strip().splitlines()) == 1


def test_the_list_names_every_trouble_and_bound() -> None:
    told = CliRunner().invoke(main, ["campaign", "--list"]).output
    assert all(name in told for name in (*TROUBLES, *BOUNDS))
    assert all(len(line) <= 80 for line in told.splitlines())


def test_the_page_names_every_trouble_and_bound() -> None:
    page = (Path(__file__).parents[2] / "docs" / "reliability.md").read_text("utf-8")
    rows = re.findall(r"^\| (\w+) \| (.*) \|$", page, re.M)
    rooms = ("plug", "wire", "telemetry", "machine", "people")
    named = [f"{room} {name}" for room in rooms for name in dict(rows)[room].split(", ")]
    assert sorted(named) == sorted(TROUBLES)
    assert {name: says for name, says in rows if name in BOUNDS} == dict(BOUNDS)


def test_series_are_lazy() -> None:
    def nights():
        yield Night(1, 0)
        raise AssertionError("asked for a night that nobody wanted")

    assert [one.night.number for one in islice(played(nights()), 1)] == [0]
