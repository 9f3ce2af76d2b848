"""A short night that is killed at one write of its journal, then begun again; and what must hold.

A program of its own (`python crash_night.py FOLDER`, orders on stdin, one JSON answer a line), so
that each life is a process that really dies of SIGKILL. It holds no thread, so it may fork.

The world is not the service: plugs and packs go on when the service dies. So the last thing that a
killed life does is to put the world's truth where the next finds it. Everything a life says to a
plug or to people goes to a log at once, by a write of its own: what was said stays said.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import signal
import sqlite3
import sys
import traceback
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from crash_checks import DOWN, NIGHT, failed, wrong
from crash_disk import FAILURES
from crash_plants import PLANTS
from crash_writes import POINTS, WatchedJournal, watched

from carerules.adapters import ClockAnchor, Recorded, SqliteJournal, dump_outcome
from carerules.cli.virtual import virtual_outside, virtual_world
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Command, Outcome
from carerules.domain.event import Event, Placed, Started
from carerules.domain.moment import MINUTE, SECOND, Moment
from carerules.domain.ports import JournalError
from carerules.loop import World
from carerules.service import Desk, Service, dump_world, read_rules, restore, worth_keeping
from carerules.sim import VirtualOutside

SITE = """name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "1 Ah"
place = "A"
[station.A]
load = { plug = "A-load", power = "60 W" }
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[virtual]
seed = 7
start = 2026-11-30T22:00:00
[virtual.pack.heron]
soc = "100 %"
"""
RULES = """rule too-full
    when pack.soc >= 99 % for 2 min: drain to 97 %
rule look
    when pack.temperature > 5 °C for 4 min: chore "look at {pack}"
rule warm
    when pack.temperature > 5 °C for 5 min: notify "warm"
rule written-down
    when count calibration since charge >= 1: notify "it was calibrated"
"""
ENTRY_AT = 200 * SECOND
IDLE = MINUTE
"""A real site waits for a second at most: ten times as many points, all of the same kinds."""


FAILS_FOR = 2 * MINUTE
"""A disk fails so long, which shows what there is to see; then a person mends it."""
AWAY = FAILS_FOR + IDLE + DOWN + 20 * SECOND
"""So long nothing is kept, then: until it is noticed, until it is mended, and on the way out."""
SERVICE: dict[str, Any] = {"restore": restore}
"""What a plant puts something else in the place of."""


# ---- one life --------------------------------------------------------------------------------


@dataclass
class Log:
    """What was said, on the disk before anybody can have heard it."""

    descriptor: int

    def say(self, *words: object) -> None:
        os.write(self.descriptor, (json.dumps(words) + "\n").encode())


@dataclass
class Wires:
    """The world's plugs, and a person who enters something at one moment of the night."""

    outside: VirtualOutside
    log: Log
    folder: Path
    begin: Moment
    entered: bool

    def now(self) -> Moment:
        return self.outside.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        at = self.begin + ENTRY_AT
        if not self.entered and not POINTS.failed:
            if self.now() >= at:
                self.entered = True
                with POINTS.elsewhere():
                    enter(self.folder, self.now())
                self.log.say("entered")
            else:
                due = min(due, at)
        return self.outside.wait(due)

    def perform(self, command: Command) -> None:
        self.log.say("perform", self.now(), *dump_outcome(command))
        self.outside.perform(command)

    def close(self) -> None:
        self.outside.close()


def enter(folder: Path, now: Moment) -> None:
    """`carerules record heron calibration`, as another program leaves it in the journal."""
    with closing(SqliteJournal.open(folder / "state" / "journal.db", owner=False)) as journal:
        at = datetime.fromtimestamp(now / 1_000, UTC)
        journal.add_entry(Recorded("heron", ("calibration",), at), now)


class Anchored:
    """The clock's anchor in each commit, as a real site has it."""

    def __init__(self, journal: SqliteJournal, wires: Wires) -> None:
        self.journal, self.wires = journal, wires

    def write(self, event: Event, outcomes: Iterable[Outcome]) -> None:
        self.journal.write(event, outcomes)

    def commit(self) -> None:
        now = self.wires.now()
        self.journal.commit(ClockAnchor(now, now, now, "night"))


def live(folder: Path, log: Log, die_at: int | None, how: str = "kill") -> list[str]:
    """From the opening of the journal to the end of the night; the points passed."""
    POINTS.die_at, POINTS.how, POINTS.names = die_at, how, []
    site = read_site(folder / "site.toml")
    assert isinstance(site, SiteFile)
    world = virtual_world(site)
    begin, truth = world.now, folder / "truth.json"
    entered = False
    if truth.exists():
        kept = json.loads(truth.read_text())
        world.restore(kept["world"])
        world.advance(world.now + DOWN)
        entered = kept["entered"]
    outside = virtual_outside(world, None)
    wires = Wires(outside, log, folder, begin, entered)

    def last_word() -> None:
        kept = {"world": world.snapshot(), "entered": wires.entered}
        truth.write_text(json.dumps(kept))
        if how in FAILURES:
            log.say("fails")

    POINTS.last_word = last_word
    log.say("life", world.now - begin)
    try:
        serve(folder, site, wires, log, begin)
    except JournalError as error:
        log.say("refused", str(error))
    log.say("end", [name for name, plug in world.bench.plugs.items() if plug.closed])
    if POINTS.failed:
        kept = {"world": world.snapshot(), "entered": wires.entered}
        truth.write_text(json.dumps(kept))
    return POINTS.names


def serve(folder: Path, site: SiteFile, wires: Wires, log: Log, begin: Moment) -> None:
    """What `carerules run` does with a site and its journal."""
    journal = WatchedJournal.open(folder / "state" / "journal.db", owner=True)
    rules = read_rules(site)
    assert rules.setup is not None
    journal.save_plan(rules.fingerprint, rules.loaded.sources)
    known = SERVICE["restore"](journal, rules.setup, wires.now())

    def tell(_event: Event, outcomes: Sequence[Outcome], _world: World) -> None:
        if service.faulted:
            log.say("faulted", service.faulted)
        for outcome in outcomes:
            durable = worth_keeping(outcome) and not service.faulted
            log.say("told", wires.now(), durable, *dump_outcome(outcome))

    kept = Anchored(journal, wires)
    service = Service(known, wires, kept, tell, desk=Desk(journal, wires.now), idle=IDLE)

    def snapshot(now: World) -> None:
        journal.save_snapshot(journal.last_seq, dump_world(now))
        kept.commit()
        journal.forget(journal.seq_at(now.now - site.keep_samples))

    service.snapshot = snapshot
    now = max(wires.now(), known.now)
    first: list[Event] = [Started(now, 0, DOWN)]
    # As on a real site: what the site file says of places counts at the very first start.
    if not any(isinstance(event, Started) for _, event in journal.events()):
        first += [Placed(now, pack, station) for pack, station in site.places.items()]
    mended: list[Moment] = []

    def leave() -> bool:
        if POINTS.failed and not mended:
            mended.append(wires.now() + FAILS_FOR)
        return bool(mended) and wires.now() >= mended[0]

    service.leave = leave
    service.run(first, begin + NIGHT)
    log.say("list", sorted(service.world.chores))
    journal.close()


# ---- lives in processes of their own ---------------------------------------------------------


def prepare(folder: Path) -> None:
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(SITE)
    (folder / "shed.care").write_text(RULES)


def life(folder: Path, die_at: int | None, how: str = "kill") -> list[str] | None:
    """One life in a child; the points it passed, or None: it died where it was to."""
    receive, send = os.pipe()
    child = os.fork()
    if child == 0:
        status = 70
        try:
            os.close(receive)
            log = Log(os.open(folder / "log", os.O_WRONLY | os.O_CREAT | os.O_APPEND))
            names = live(folder, log, die_at, how)
            with os.fdopen(send, "w") as pipe:
                json.dump(names, pipe)
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    os.close(send)
    with os.fdopen(receive) as pipe:
        told = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGKILL, signal.SIGSYS):
        return None
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"a life that ended with {os.waitstatus_to_exitcode(status)}")
    return list(json.loads(told))


def play(folder: Path, deaths: Sequence[int], how: str = "kill") -> dict[str, Any]:
    """Lives that end at these points, then one to the end of the night; what did not hold.

    A life may end before the point at which it was to die: that is told as `survived`.
    """
    prepare(folder)
    if how in FAILURES:
        life(folder, deaths[0], how)
        before = failed(folder)
        names = life(folder, None)
        return {"deaths": deaths, "wrong": [*before, *wrong(folder, AWAY)], "names": names}
    for number in deaths:
        names = life(folder, number, how)
        if names is not None:
            return {"deaths": deaths, "survived": len(names), "wrong": [], "names": names}
    names = life(folder, None)
    return {"deaths": deaths, "wrong": wrong(folder, len(deaths) * DOWN), "names": names}


def main() -> None:
    """Orders are points, or points and what happens there; each has a folder of its own."""
    root = Path(sys.argv[1])
    connect = sqlite3.connect
    sqlite3.connect = lambda *a, **k: connect(
        *a, **{**k, "factory": watched(k.get("factory", sqlite3.Connection))}
    )
    for name in sys.argv[2:]:
        PLANTS[name](SERVICE)
    # Once here, so that no child has to make what all of them need.
    prepare(root / "first")
    live(root / "first", Log(os.open(os.devnull, os.O_WRONLY)), None)
    gc.collect()
    gc.freeze()
    for number, line in enumerate(sys.stdin):
        folder = root / str(number)
        order = json.loads(line)
        words = (order["at"], order["how"]) if isinstance(order, dict) else (order,)
        print(json.dumps(play(folder, *words)), flush=True)
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
