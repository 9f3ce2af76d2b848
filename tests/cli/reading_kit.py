"""A small site and its journal, made by stepping the world by hand: no service, no clock.

Mon 30 Nov 2026 18:00 in Lisbon (UTC all winter): two packs come to two stations. heron is said to
be full at 18:01, a day later its rule fires and a drain begins.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from click.testing import CliRunner, Result

from carerules.adapters import SqliteJournal
from carerules.cli import main
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Outcome
from carerules.domain.event import (
    Ended,
    Event,
    Happened,
    Placed,
    PlugReport,
    Sample,
    Started,
    Tick,
    UsePlanned,
    Value,
)
from carerules.domain.moment import HOUR, MINUTE, SECOND, LocalTime, Moment
from carerules.domain.pack import Use
from carerules.loop import World, new_world, step
from carerules.service import dump_world, read_rules, restore, worth_keeping

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[pack.egret]
chemistry = "lipo"
cells = 4
capacity = "8 Ah"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[plug.B-charger]
profile = "generic-json"
topic = "shed/b-charger"
[station.A]
load = { plug = "A-load", power = "60 W" }
[station.B]
charger = { plug = "B-charger", power = "180 W" }
"""

VIRTUAL = "[virtual]\nstart = 2026-11-30T18:00:00\n"
REAL = '[mqtt]\nhost = "127.0.0.1"\n'

RULES = """\
rule full-too-long on lipo packs
    because "a pack left full loses capacity"
    when pack.soc >= 95 for 24 h and time until use > 24 h:
        drain to 80 %

rule ready on pack egret
    when time until use <= 6 h and pack.soc < 90 %:
        ask "charge {pack}?" within 1 h
        charge to 100 % by use

rule warm on pack heron
    when pack.temperature > 40 °C for 5 min: notify "{pack} is warm"

never charge when pack.temperature < 5 °C
"""

LOCAL = LocalTime(ZoneInfo("Europe/Lisbon"))
T0 = LOCAL.moment(datetime(2026, 11, 30, 18))
FULL = T0 + MINUTE
FIRES = FULL + 24 * HOUR
USE = LOCAL.moment(datetime(2026, 12, 5, 8))


def make_site(folder: Path, *, virtual: bool = True, rules: str = RULES) -> Path:
    path = folder / "site.toml"
    path.write_text(SITE + (VIRTUAL if virtual else REAL), encoding="utf-8")
    (folder / "shed.care").write_text(rules, encoding="utf-8")
    return path


def carerules(site: Path, *words: str, env: dict[str, str] | None = None) -> Result:
    """The command line, in this process; a traceback of ours is let through."""
    arguments = [*words, "--site", str(site)]
    return CliRunner(env=env).invoke(main, arguments, catch_exceptions=False)


@dataclass
class Story:
    """What a service would have journalled; each step is kept beside what it decided."""

    path: Path
    site: SiteFile
    world: World
    journal: SqliteJournal
    told: list[tuple[Event, tuple[Outcome, ...], World]] = field(default_factory=list)

    def go(self, *events: Event) -> None:
        for event in events:
            self.world, outcomes = step(self.world, event)
            kept = [outcome for outcome in outcomes if worth_keeping(outcome)]
            if kept or not isinstance(event, Tick):
                self.journal.write(event, kept)
            self.told.append((event, tuple(kept), self.world))
        self.journal.commit()

    def snapshot(self) -> None:
        self.journal.save_snapshot(self.journal.last_seq, dump_world(self.world))
        self.journal.commit()

    def restart(self, now: Moment) -> None:
        """The service leaves, and another comes up from the journal."""
        self.go(Ended(self.world.now))
        self.go(*off_reports(self.world.now + 100))
        self.snapshot()
        self.close()
        self.journal = SqliteJournal.open(self.journal_path, owner=True)
        self.world = restore(self.journal, self.world.setup, now)
        self.go(Started(now, 0, now - self.world.now), *off_reports(now + 200))

    @property
    def journal_path(self) -> Path:
        return self.site.state / "journal.db"

    def close(self) -> None:
        self.journal.close()

    def __del__(self) -> None:
        self.close()  # the lock is a number that nothing else gives back; there are only so many

    def run(self, *words: str) -> Result:
        return carerules(self.path, *words)


def begin(folder: Path, *, virtual: bool = True, rules: str = RULES) -> Story:
    path = make_site(folder, virtual=virtual, rules=rules)
    site = read_site(path)
    assert isinstance(site, SiteFile), [problem.show() for problem in site]
    setup = read_rules(site).setup
    assert setup is not None
    journal = SqliteJournal.open(site.state / "journal.db", owner=True)
    story = Story(path, site, new_world(setup, T0), journal)
    story.go(Started(T0), *off_reports(T0 + 200))
    story.go(
        Placed(T0 + SECOND, "heron", "A"),
        Placed(T0 + SECOND, "egret", "B"),
        UsePlanned(T0 + SECOND, Use("Saturday survey", USE, frozenset({"heron", "egret"}))),
    )
    return story


def off_reports(at: Moment) -> tuple[PlugReport, ...]:
    return tuple(PlugReport(at, plug, False, 0.0) for plug in ("A-load", "B-charger"))


def seen_heron(
    at: Moment, cell_v: float = 4.19, temperature: float = 21.0, current: float = 0.0
) -> Sample:
    values = (
        Value("pack.voltage", 6 * cell_v, 0.01),
        Value("pack.current", current, 0.01),
        Value("pack.temperature", temperature, 0.3),
    )
    return Sample(at, at, "heron", values, "test bench", (cell_v,) * 6)


def full_heron(folder: Path, *, virtual: bool = True, rules: str = RULES) -> Story:
    """heron is full and egret was read off at 60 %; nothing has fired."""
    story = begin(folder, virtual=virtual, rules=rules)
    story.go(Happened(FULL, FULL, "heron", "full", "a person"))
    at = FULL + MINUTE
    story.go(Sample(at, at, "egret", (Value("pack.soc", 60.0, 5.0),), "a person"))
    return story


def draining_heron(folder: Path, *, rules: str = RULES) -> Story:
    """A day later: the rule has fired, and the load is on."""
    story = full_heron(folder, rules=rules)
    story.go(seen_heron(FIRES - 5 * SECOND), Tick(FIRES))
    story.go(PlugReport(FIRES + SECOND, "A-load", True, 58.0, 89.0))
    return story
