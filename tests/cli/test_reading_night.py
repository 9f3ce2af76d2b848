"""`why PACK --at MOMENT` of a night that was played: its story is the journal's.

The night runs on the virtual site, through the real loop and a real journal, with a restart in the
midst of a drain. What is compared with is read off the journal's own rows, or was kept while the
night was played; never what the command itself goes through.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest
from reading_kit import LOCAL, SITE, T0, carerules

from carerules.adapters import SqliteJournal
from carerules.cli.virtual import virtual_outside, virtual_world
from carerules.config import SiteFile, read_site
from carerules.domain.decision import Fired, JobBegan, JobEnded, JobMoved, Outcome, Veto
from carerules.domain.event import Event, Placed, Started
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, Moment
from carerules.domain.quantity import Known
from carerules.loop import World
from carerules.report import WhyShape
from carerules.report.page import show_s
from carerules.report.shapes import RuleShape
from carerules.service import Service, dump_world, read_rules, restore

PLAYED = """\
[virtual]
seed = 3
start = 2026-11-30T18:00:00
[virtual.pack.heron]
soc = "100 %"
[virtual.pack.egret]
soc = "25 %"
"""
NIGHT = """\
rule full-too-long on pack heron
    because "a pack left full loses capacity"
    when pack.soc >= 95 for 3 h:
        drain to 80 %

rule empty on pack egret
    when pack.soc < 40 for 2 h: charge to 60 %

rule dark
    when during 23:00-05:00 for 30 min: notify "{pack}: it is dark"

never drain on pack heron when during 21:00-21:20
"""
BREAK = T0 + 4 * HOUR  # in the midst of the drain
BACK = BREAK + 12 * MINUTE
END = T0 + 14 * HOUR
PACKS = ("heron", "egret")
PLACED = [Placed(T0, "heron", "A"), Placed(T0, "egret", "B")]


@dataclass(frozen=True)
class Lived:
    """What was in the service's memory after an event."""

    heard: Moment
    world: World


@dataclass(frozen=True)
class Night:
    """A site's file, what its journal holds of the night, and what was lived through."""

    path: Path
    rows: tuple[tuple[Moment, Outcome], ...]
    lived: tuple[Lived, ...]

    def world(self, moment: Moment) -> World:
        return [one.world for one in self.lived if one.heard <= moment][-1]

    def until(self, moment: Moment, pack: str) -> list[tuple[Moment, Outcome]]:
        mine = (one for one in self.rows if getattr(one[1], "pack", "") == pack)
        return [one for one in mine if one[0] <= moment]

    def why(self, moment: Moment, pack: str) -> tuple[WhyShape, str]:
        at = LOCAL.read(moment).replace(tzinfo=None).isoformat(timespec="milliseconds")
        read, told = (
            carerules(self.path, "why", pack, "--at", at, *more) for more in (("--json",), ())
        )
        assert (read.exit_code, told.exit_code) == (0, 0), read.output + told.output
        return WhyShape.model_validate_json(read.output), told.output


def played(folder: Path) -> Night:
    path = folder / "site.toml"
    path.write_text(SITE + PLAYED, encoding="utf-8")
    (folder / "shed.care").write_text(NIGHT, encoding="utf-8")
    site = read_site(path)
    assert isinstance(site, SiteFile), [problem.show() for problem in site]
    setup = read_rules(site).setup
    assert setup is not None
    lived: list[Lived] = []

    def tell(event: Event, _outcomes: object, world: World) -> None:
        lived.append(Lived(event.heard, world))

    stage = virtual_world(site)
    for begins, ends in ((T0, BREAK), (BACK, END)):
        journal = SqliteJournal.open(site.state / "journal.db", owner=True)

        def keep(world: World, journal: SqliteJournal = journal) -> None:
            journal.save_snapshot(journal.last_seq, dump_world(world))
            journal.commit()

        stage.advance(begins)
        if begins == T0:
            for event in PLACED:
                stage.tell(event)
        known = restore(journal, setup, begins)
        service = Service(known, virtual_outside(stage, None), journal, tell, snapshot=keep)
        first: list[Event] = [Started(begins, 0, max(0, begins - known.now))]
        if begins == T0:
            first += PLACED
        service.run(first, ends)
        journal.close()
    journal = SqliteJournal.open(site.state / "journal.db", owner=False)
    heard = {seq: event.heard for seq, event in journal.events(0)}
    rows = tuple((heard[seq], outcome) for seq, outcome in journal.outcomes(0))
    journal.close()
    return Night(path, rows, tuple(lived))


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    return played(tmp_path_factory.mktemp("night"))


def moments(night: Night) -> list[Moment]:
    """Ten at which something was decided, and ten at any other time, as a person would ask."""
    chance = Random(7)
    decided = sorted({at for at, row in night.rows if isinstance(row, (Fired, Veto, JobEnded))})
    assert len(decided) >= 6
    moved = sorted({at for at, row in night.rows if isinstance(row, JobMoved)} - set(decided))
    some = [*decided, *moved][:10]
    minutes = range(T0 // MINUTE + 30, END // MINUTE)
    other = [chance.choice(minutes) * MINUTE for _ in range(20 - len(some))]
    return sorted({*some, *other})


@pytest.mark.parametrize("pack", PACKS)
def test_the_story_of_twenty_moments_is_the_journal_s(night: Night, pack: str) -> None:
    asked = moments(night)
    assert len(asked) == 20
    seen: set[str] = set()
    for moment in asked:
        shape, told = night.why(moment, pack)
        assert shape.exact
        at = LOCAL.moment(shape.at.replace(tzinfo=None))
        assert moment <= at < moment + MINUTE
        seen |= {
            *jobs_are(night, shape, at), *rules_are(night, shape, at),
            *decisions_are(night, shape, moment), *words_are(shape, told),
        }  # fmt: skip
    # Else the night held nothing of what is to be compared.
    assert seen >= {"waiting", "fired", "runs", "due", "veto", "Fired", "JobMoved"}
    assert ("moving energy" in seen) is (pack == "heron")


def jobs_are(night: Night, shape: WhyShape, at: Moment) -> Iterator[str]:
    """Jobs and their phases are those that the journal's rows come to."""
    open_jobs: dict[str, str] = {}
    for _, row in night.until(at, shape.pack):
        match row:
            case JobBegan(job):
                open_jobs[job] = "ready"
            case JobMoved(job, phase=phase):
                open_jobs[job] = phase
            case JobEnded(job):
                del open_jobs[job]
            case _:
                pass
    assert {one.job: one.phase for one in shape.jobs} == open_jobs, shape.at
    yield from open_jobs.values()


def rules_are(night: Night, shape: WhyShape, at: Moment) -> Iterator[str]:
    world = night.world(at)
    rows = night.until(at, shape.pack)
    quiet = world.starting_since is None and not world.ended
    for rule, state in zip(shape.rules, world.packs[shape.pack].rules, strict=True):
        fired = [when for when, row in rows if isinstance(row, Fired) and row.rule == rule.rule]
        assert rule.fired is (not state.armed), (rule.rule, shape.at)
        if rule.fired:
            assert fired
            yield "fired"
        if rule.rule != "dark":
            assert rule.when.ran_s is not None
            ran = timedelta(seconds=rule.when.ran_s) / timedelta(milliseconds=1)
            assert ran == min(held(night, shape.pack, rule.rule, at), WANTED[rule.rule]), shape.at
            yield "runs"
        yield from next_is(night, shape, rule, at)
        vetoes = [row for _, row in rows if isinstance(row, Veto)]
        waits = any(one.rule == rule.rule and one.phase == "waiting" for one in shape.jobs)
        if waits and quiet and vetoes:
            assert rule.obstacle is not None, shape.at
            assert rule.obstacle.interlock == vetoes[-1].interlock, shape.at
            assert vetoes[-1].found in rule.obstacle.what
            yield "veto"


WANTED = {"full-too-long": 3 * HOUR, "empty": 2 * HOUR}


def held(night: Night, pack: str, rule: str, at: Moment) -> Duration:
    """How long the level that the rule asks for has been there, by what was lived through."""
    since: Moment | None = None
    for one in night.lived:
        if one.heard > at:
            break
        soc = one.world.packs[pack].soc
        level = soc.value if isinstance(soc, Known) else 60.0
        there = level >= 95 if rule == "full-too-long" else level < 40
        since = (one.heard if since is None else since) if there else None
    return 0 if since is None else at - since


def next_is(night: Night, shape: WhyShape, rule: RuleShape, at: Moment) -> Iterator[str]:
    """What is foreseen is what then came: nothing else happens in this night."""
    comes = [
        when for when, row in night.rows
        if isinstance(row, Fired) and row.rule == rule.rule and row.pack == shape.pack and when > at
    ]  # fmt: skip
    foreseen = None if rule.fires_at is None else LOCAL.moment(rule.fires_at.replace(tzinfo=None))
    if comes:
        assert foreseen == comes[0], (rule.rule, shape.at)
        yield "due"
    elif foreseen is not None:
        assert foreseen > END


def decisions_are(night: Night, shape: WhyShape, moment: Moment) -> Iterator[str]:
    """Each row of the journal in the minute (or, with seconds, in the second) has its line."""
    within = SECOND if moment % MINUTE else MINUTE
    lines = [line.text for line in shape.decisions]
    rows = [row for at, row in night.until(moment + within - 1, shape.pack) if at >= moment]
    for row in rows:
        match row:
            case Fired(rule):
                wanted = f"rule {rule} fires"
            case Veto(interlock=interlock, found=found):
                wanted = f"({interlock}): {found}"
            case JobBegan(line="notify" | "chore"):
                continue  # done at once: its own words are the line
            case JobBegan(line=line):
                wanted = f"to do: {line}"
            case JobMoved(line=line, phase=phase):
                wanted = f"{line}: {phase}"
            case JobEnded(ending=ending):
                wanted = ending.value
            case _:
                continue
        assert any(wanted in line for line in lines), (shape.at, wanted, lines)
        yield type(row).__name__
    plugs = [
        at for at, row in night.rows if hasattr(row, "plug") and moment <= at < moment + within
    ]
    if not rows and not plugs:
        assert lines == [], shape.at


def words_are(shape: WhyShape, told: str) -> Iterator[str]:
    """The words for a person say what the JSON says, within 80 columns."""
    assert all(len(row) <= 80 for row in told.split("\n"))
    flat = " ".join(told.split())
    for rule in shape.rules:
        assert f"rule {rule.rule}: {rule.holds}{', has fired' if rule.fired else ''}" in flat
        ran, wanted = rule.when.ran_s, rule.when.wanted_s
        assert ran is not None
        assert wanted is not None
        assert f"{rule.when.words}: {rule.when.holds} ({show_s(ran)} of {show_s(wanted)})" in flat
        if rule.obstacle is not None:
            assert f"in its way now: {rule.obstacle.interlock}: {rule.obstacle.what}" in flat
    for job in shape.jobs:
        assert f"({job.job}, rule {job.rule}): {job.phase}" in flat
    assert ("decided then:" in flat) is bool(shape.decisions)
    for line in shape.decisions:
        assert " ".join(line.text.split()) in flat
    yield "words"
