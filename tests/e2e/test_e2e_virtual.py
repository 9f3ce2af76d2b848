"""The virtual river survey as processes: two days, twenty interruptions, ten kills, a full disk."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sys
from collections import Counter
from pathlib import Path
from random import Random
from time import sleep

from e2e_kit import ENTRY, ROOT, TRACEBACK, Program, Stage, side_by_side, sound

from carerules.adapters import SqliteJournal
from carerules.domain.decision import Fired, JobBegan

EXAMPLE = ROOT / "examples" / "river-survey"
SPEED = 20_000
READY_WITHIN_S = 60.0
"""A start goes through the facts since the last snapshot."""


def survey(folder: Path) -> Path:
    """The example's site, copied: its state then lies in the copy."""
    shutil.copytree(EXAMPLE, folder, ignore=shutil.ignore_patterns("state*"))
    return folder / "site.toml"


def all_off(program: Program) -> None:
    """It said, at the end, that every plug was read back off."""
    lines = [line for line in program.text().splitlines() if line]
    assert lines[-1] == "all 4 plugs read back off", program.text()[-3_000:]
    assert TRACEBACK not in program.text(), program.text()[-3_000:]


@side_by_side
def test_two_days_of_the_river_survey(stage: Stage) -> None:
    site = survey(stage.folder / "survey")
    service = stage.service(site, "--speed", SPEED, "--for", 2)
    assert service.ends(120) == 0, service.text()[-3_000:]
    assert "VIRTUAL SITE, seed 7" in service.text()
    assert "nothing real is switched" in service.flat()
    assert "carerules is not a protective device" in service.text()
    assert "A-load on, off by its own timer after 90 s without word" in service.flat()
    assert service.wide <= 80, "it keeps to the terminal's width"
    all_off(service)


DRAINS = "load on, off by its own timer"
BUSY = """rule busy
    when pack.soc >= 90 % for 10 min:
        drain to 60 %
        rest 10 min
"""
"""A drain of hours that begins after minutes: most interruptions fall into it."""


def busy_survey(folder: Path) -> Path:
    site = survey(folder)
    (folder / "river.care").write_text(BUSY)
    return site


@side_by_side
def test_twenty_interruptions(stage: Stage) -> None:
    site = busy_survey(stage.folder / "survey")
    chance, draining = Random(20), 0
    for number in range(20):
        service = stage.service(site, "--speed", SPEED)
        service.awaits("started", READY_WITHIN_S)
        if number == 0:
            service.awaits(DRAINS, READY_WITHIN_S)
        sleep(chance.uniform(0, 1.2))
        assert service.leave(signal.SIGINT, 60) == 0, service.text()[-3_000:]
        all_off(service)
        draining += DRAINS in service.text()
    # How many more depends on how fast the machine plays.
    assert draining >= 1, "no interruption fell into a drain"
    _each_run_fired_once(stage, "survey")


@side_by_side
def test_ten_kills(stage: Stage) -> None:
    site = busy_survey(stage.folder / "survey")
    chance, draining = Random(10), 0
    for number in range(10):
        service = stage.service(site, "--speed", SPEED)
        service.awaits("started", READY_WITHIN_S)
        if number == 0:
            service.awaits(DRAINS, READY_WITHIN_S)
        sleep(chance.uniform(0.1, 1.5))
        service.kill()
        sound(service)
        draining += DRAINS in service.text()
    assert draining >= 1, "the kills fell into drains"
    last = stage.service(site, "--speed", SPEED, "--for", 0.5)
    assert last.ends(120) == 0, last.text()[-3_000:]
    all_off(last)
    _each_run_fired_once(stage, "survey")


def _each_run_fired_once(stage: Stage, name: str) -> None:
    journal = SqliteJournal.open(stage.folder / name / "state" / "journal.db", owner=False)
    try:
        kept = [outcome for _, outcome in journal.outcomes()]
    finally:
        journal.close()
    runs = Counter((one.key, one.pack, one.since) for one in kept if isinstance(one, Fired))
    assert runs, "something fired at all"
    assert [run for run, times in runs.items() if times > 1] == []
    jobs = Counter(one.job for one in kept if isinstance(one, JobBegan))
    assert [job for job, times in jobs.items() if times > 1] == []


@side_by_side
def test_a_full_disk(stage: Stage) -> None:
    """The state lies on 400 KiB that fill up: everything off, said so, and no peace at the end."""
    site = survey(stage.folder / "survey")
    state = site.parent / "state"
    state.mkdir()
    # A mount namespace of its own: the mount goes with the process, and needs no root.
    inner = 'mount -t tmpfs -o size=400k none "$1" && shift && exec "$@"'
    outer = ["unshare", "-m", *(["-r"] if os.getuid() else []), "sh", "-c", inner, "sh", str(state)]
    command = [*outer, sys.executable, "-c", ENTRY, "run", str(site), "--speed", str(SPEED)]
    service = Program("service", command, stage.folder)
    stage.programs.append(service)
    service.awaits("started", READY_WITHIN_S)
    full = service.awaits("the disk is full", 60)
    assert "everything stopped" in service.flat()
    sleep(2)
    said = [line.text for line in tuple(service.said) if line.at > full.at]
    assert not [text for text in said if re.search(r"-load on|-charger on", text)], said
    assert service.leave(signal.SIGTERM) == 1, service.text()[-3_000:]
    assert "the journal cannot be written" in service.text().splitlines()[-1]
    assert TRACEBACK not in service.text(), service.text()[-3_000:]


@side_by_side
def test_a_week_is_rehearsed_twice_alike(stage: Stage) -> None:
    site = survey(stage.folder / "survey")
    first = stage.start("rehearse", site, "--days", 7, "--seed", 1)
    second = stage.start("rehearse", site, "--days", 7, "--seed", 1)
    short = [stage.start("rehearse", site, "--days", 1, "--seed", seed) for seed in (1, 2)]
    for program in (first, second, *short):
        assert program.ends(170) == 0, program.text()
        sound(program)

    def told(program: Program) -> str:
        return re.sub(r"samples in [0-9.]+ s", "samples", program.text())

    assert told(first) == told(second)
    bare = [re.sub(r"seed \d", "", told(program)) for program in short]
    assert bare[0] != bare[1], "another seed is another world"
    table = first.text()
    assert "VIRTUAL: river survey, seed 1, 7 days" in table
    for pack in ("heron", "egret", "cormorant", "dipper", "teal", "wigeon", "grebe", "coot"):
        assert re.search(rf"^{pack} ", table, re.MULTILINE), table
    stored = re.search(r"^lipo-stored +(\d+)", table, re.MULTILINE)
    assert stored, table
    assert int(stored[1]) >= 1, "two packs that hang full on loads are brought to storage"
    assert not (site.parent / "state").exists(), "a rehearsal keeps nothing"


def test_the_run_command_of_the_readme(stage: Stage) -> None:
    """Its `carerules` part, as it stands there; the install part is tried on a fresh machine."""
    readme = (ROOT / "README.md").read_text("utf-8")
    block = re.search(r"<!-- run -->\n```sh\n(.+)\n```", readme)
    assert block, "README.md has a run command between its markers, on one line"
    command = block[1].split("&&")[-1].split()
    assert command[0] == ".venv/bin/carerules"
    survey(stage.folder / "examples" / "river-survey")
    service = stage.start(*command[1:], name="service")
    head = service.awaits("VIRTUAL")
    assert "nothing real is switched" in service.flat() or head
    service.awaits("started")
    service.awaits(" decided ")
    assert service.leave(signal.SIGINT) == 0, service.text()
    all_off(service)
