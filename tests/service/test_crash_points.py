"""kill -9 just before and just after each write of the journal in a night, and what comes of it.

Each row is a process that really dies (`crash_night.py`); what must hold is in `crash_checks.py`:
every start begins with OFF, read back before any rule runs; nothing fires twice; nothing that was
told, put on the to-do list, or that a plug was switched on for, is lost; `for` counts from its true
start. SQLite's word for what a death leaves: sqlite.org/atomiccommit.html.

And a disk that begins to fail before any write (`crash_disk.py`; sqlite.org/rescode.html for what
SQLite makes of it): everything off, nothing on, people told, and what was kept still to be read.

`CARERULES_CRASH_PAIRS=5000` also kills so many recoveries at points of theirs (CI: 40);
`CARERULES_CRASH_DISK=1` fails the disk before each write (CI: each 15th).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest
from crash_disk import DEATHS, FAILURES
from crash_plants import PLANTS

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PAIRS = int(os.environ.get("CARERULES_CRASH_PAIRS", "40"))
DISK_EACH = int(os.environ.get("CARERULES_CRASH_DISK", "15"))
MEMORY = Path("/dev/shm")  # a death leaves the same there as on a disk; only power loss does not


Order = Sequence[int] | dict[str, Any]
"""The points of deaths; or `how` a disk fails, and where it begins to."""


def play(orders: Sequence[Order], *plants: str) -> list[dict[str, Any]]:
    """What came of each: lives that die at these points, and one more that does not."""
    env = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{HERE}"}
    where = str(MEMORY) if MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        run = subprocess.run(
            [sys.executable, str(HERE / "crash_night.py"), folder, *plants],
            input="\n".join(json.dumps(order) for order in orders),
            text=True, capture_output=True, env=env, check=False,
        )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return [json.loads(line) for line in run.stdout.splitlines()]


@pytest.fixture(scope="module")
def points() -> list[str]:
    """The points of a night in which nobody dies."""
    night = play([[]])[0]
    assert night["wrong"] == []
    return list(night["names"])


def test_the_points_are_around_every_kind_of_write(points: list[str]) -> None:
    around = {(words[0], " ".join(words[1:])) for words in (name.split() for name in points)}
    for what in (
        "CREATE TABLE events", "PRAGMA user_version =", "INSERT INTO plans", "write Started",
        "write Sample", "write PlugReport", "write Happened", "write Ended", "BEGIN IMMEDIATE",
        "INSERT INTO events", "INSERT INTO outcomes", "INSERT INTO snapshots", "COMMIT",
        "save_snapshot", "DELETE FROM snapshots", "DELETE FROM events", "answer_entry",
        "UPDATE entries SET",
    ):  # fmt: skip
        assert ("before", what) in around
        assert ("after", what) in around
    assert len(points) > 400


def test_killed_at_each_point(points: list[str]) -> None:
    rows = play([[number] for number in range(1, len(points) + 1)])
    assert len(rows) == len(points)
    assert [row["deaths"] for row in rows if "survived" in row] == []
    wrong = [(row["deaths"], points[row["deaths"][0] - 1], row["wrong"])
             for row in rows if row["wrong"]]  # fmt: skip
    assert wrong == []


@pytest.mark.parametrize("how", DEATHS)
def test_killed_inside_a_commit(points: list[str], how: str) -> None:
    """By the kernel, in the call itself: SQLite has written part of it, or all of it and not yet
    said so; in the second case what was decided is durable, and was told to nobody."""
    commits = [number for number, name in enumerate(points, 1) if name == "before COMMIT"]
    assert len(commits) > 15
    rows = play([{"how": how, "at": [number]} for number in commits])
    assert [row["deaths"] for row in rows if "survived" in row] == []
    assert [(row["deaths"], row["wrong"]) for row in rows if row["wrong"]] == []


def test_killed_again_while_it_recovers(points: list[str]) -> None:
    """The second death comes among the first writes of the recovery: sixty of them are in it."""
    dice = Random(5)
    pairs = {(dice.randint(1, len(points)), dice.randint(1, 60)) for _ in range(PAIRS)}
    rows = play(sorted(pairs))
    # A recovery that begins at the night's end has fewer writes.
    died = [row for row in rows if "survived" not in row]
    assert len(died) > 0.8 * len(pairs)
    assert [(row["deaths"], row["wrong"]) for row in rows if row["wrong"]] == []


@pytest.mark.parametrize("how", FAILURES)
def test_a_disk_that_fails_before_a_write(points: list[str], how: str) -> None:
    before = [number for number, name in enumerate(points, 1) if name.startswith("before")]
    assert len(before) > 200
    rows = play([{"how": how, "at": [number]} for number in before[::DISK_EACH]])
    wrong = [(row["deaths"], points[row["deaths"][0] - 1], row["wrong"])
             for row in rows if row["wrong"]]  # fmt: skip
    assert wrong == []


@pytest.mark.parametrize("how", FAILURES)
def test_a_service_that_takes_no_notice_of_a_disk_that_fails_is_found(
    points: list[str], how: str
) -> None:
    commits = [number for number, name in enumerate(points, 1) if name == "before commit"]
    rows = play([{"how": how, "at": [number]} for number in commits[::4]], "looks_away")
    assert any("after the disk failed" in one for row in rows for one in row["wrong"])
    assert any("it was told" in one for row in rows for one in row["wrong"])


@pytest.mark.parametrize(
    ("plant", "words"),
    [
        ("never_durable", "told and lost"),
        ("no_off_first", "was not read back off"),
        ("knows_nothing", "times"),
        ("answers_later", "one entry became 2 facts"),
        ("counts_anew", "late, at most"),
        ("forgets_chores", "on the list"),
    ],
)
def test_a_fault_of_ours_is_found(points: list[str], plant: str, words: str) -> None:
    assert plant in PLANTS
    near = {"answers_later": "answer_entry"}.get(plant)
    numbers = [
        number for number, name in enumerate(points, 1)
        if (near is None and number % 50 == 7) or (near is not None and near in name)
    ]  # fmt: skip
    # The points after an answer, too: it is in them that it is not yet durable.
    numbers += [numbers[-1] + more for more in (5, 10, 15, 20)]
    rows = play([[number] for number in numbers], plant)
    assert any(words in one for row in rows for one in row["wrong"]), [r["wrong"] for r in rows]
