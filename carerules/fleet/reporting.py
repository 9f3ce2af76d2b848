"""What the packs of one bunch came to, and what a site's rules did: as plain sums.

Knows tapes and tables. Does not know who asks. Everything is whole numbers, so that it comes to the
same in whichever order bunches are done.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import nsmallest
from pathlib import Path
from typing import Any, TypeAlias, TypedDict, cast

import numpy as np

from carerules.adapters.tapefile import read_table
from carerules.domain.moment import DAY
from carerules.fleet.bunch import read_bunch
from carerules.fleet.folder import TapeBunchShape, TapePackShape, TapeShape
from carerules.replay import Column, Tape
from carerules.report.fleet import RETIRE_MAX
from carerules.report.month import EDGES, END_BELOW, FALL_LEAST, PLAN_BELOW, READ_EVERY

CYCLE_EDGES = (1, 3, 6, 10, 20, 30)
"""Full cycles in 30 days: rarely used, weekly, several a week, daily (no source)."""
HEALTH_EDGES = (50, 60, 70, 80, 90)
"""Percent of the label: 80 and 50 are where a new one is planned, and where one is taken out."""
_FINE = 1_000_000
"""Cycles are summed in millionths."""

Worn: TypeAlias = tuple[float, str, str, str, bool]
"""Health (-1: barred, whatever it is), site, pack, why, and whether now."""


class KindTold(TypedDict):
    """The sum over the packs of one chemistry; times in ms, `fell` in millionths of a cycle."""

    packs: int
    time: int
    levels: list[int]
    unknown: int
    fell: int
    cycles: list[int]
    health: list[int]
    health_unknown: int
    barred: int


class ReportTold(TypedDict):
    """A bunch: its sums by chemistry, and the packs that are worn the most. `now`, `soon`: how many
    are due to be retired."""

    rows: int
    kinds: dict[str, KindTold]
    worn: list[Worn]
    now: int
    soon: int


class WorkTold(TypedDict):
    """A site's rules: fired, done, ended otherwise, energy in mWh; and how many vetoes.

    `known` false: the export has no such tables."""

    known: bool
    rules: dict[str, list[int]]
    vetoes: int


def report_bunch(folder: Path, listed: TapeShape, bunch: TapeBunchShape, site: str) -> ReportTold:
    """The sums of a bunch. Raises TapeFileError for files that are not whole."""
    tape = read_bunch(folder, listed, bunch, ("pack.soc", "pack.health"))
    times, unknown, fell = _levels(tape)
    health = _last(tape, "pack.health")
    listed_packs = {one.name: one for one in listed.packs}
    kinds: dict[str, KindTold] = {}
    worn: list[Worn] = []
    for at, name in enumerate(bunch.packs):
        pack = listed_packs[name]
        row = kinds.setdefault(pack.chemistry, _nothing())
        row["packs"] += 1
        row["time"] += tape.ends - tape.begins
        row["levels"] = [old + int(new) for old, new in zip(row["levels"], times[at], strict=True)]
        row["unknown"] += int(unknown[at])
        row["fell"] += (cycles := round(float(fell[at]) / 100 * _FINE))
        month = cycles / _FINE * 30 * DAY / max(1, tape.ends - tape.begins)
        row["cycles"][int(np.searchsorted(CYCLE_EDGES, month, side="right"))] += 1
        share = float(health[at])
        if np.isnan(share):
            row["health_unknown"] += 1
        else:
            row["health"][int(np.searchsorted(HEALTH_EDGES, share, side="right"))] += 1
        row["barred"] += bool(pack.retired or pack.barred)
        worn += _worn(site, pack, share)
    now = sum(one[4] for one in worn)
    rows = sum(len(column.moment) for column in tape.columns.values())
    return ReportTold(rows=rows, kinds=kinds, worn=worst(worn), now=now, soon=len(worn) - now)


def _worn(site: str, pack: TapePackShape, share: float) -> Iterator[Worn]:
    """Whether it should go; of a health that is unknown neither comparison holds."""
    holds = f"it holds {share:.0f} % of its label"
    if why := pack.retired or pack.barred:
        yield -1.0, site, pack.name, why, True
    elif share < END_BELOW:
        yield share, site, pack.name, f"{holds}: retire it", True
    elif share < PLAN_BELOW:
        yield share, site, pack.name, f"{holds}: plan a new one", False


def worst(worn: list[Worn]) -> list[Worn]:
    """The most worn so many."""
    return nsmallest(RETIRE_MAX, worn)


def _nothing() -> KindTold:
    return KindTold(
        packs=0, time=0, levels=[0] * (len(EDGES) - 1), unknown=0, fell=0,
        cycles=[0] * (len(CYCLE_EDGES) + 1), health=[0] * (len(HEALTH_EDGES) + 1),
        health_unknown=0, barred=0,
    )  # fmt: skip


def added(one: KindTold, other: KindTold) -> KindTold:
    """The two together, whatever is summed: numbers, and rows of numbers place by place."""
    mine, theirs = cast(dict[str, Any], one), cast(dict[str, Any], other)
    both = {
        name: [old + new for old, new in zip(told, theirs[name], strict=True)]
        if isinstance(told, list) else told + theirs[name]
        for name, told in mine.items()
    }  # fmt: skip
    return cast(KindTold, both)


def _levels(tape: Tape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each pack: ms at each level, ms unknown, points fallen. Read as `report` reads a site:
    each ten minutes, a value standing for the time until the next."""
    packs = len(tape.packs)
    times = np.zeros((packs, len(EDGES) - 1), np.int64)
    unknown, fell = np.zeros(packs, np.int64), np.zeros(packs)
    looks = np.arange(-(-tape.begins // READ_EVERY) * READ_EVERY, tape.ends, READ_EVERY)
    column = tape.columns.get("pack.soc")
    if column is None:
        return times, unknown + len(looks) * READ_EVERY, fell
    level = np.empty((packs, len(looks)))
    for at in range(packs):
        level[at] = _values(column, at, looks)
    known = ~np.isnan(level)
    unknown += (~known).sum(axis=1) * READ_EVERY
    np.clip(level, 0.0, 100.0, out=level)
    band = np.searchsorted(EDGES[1:-1], level, side="right")
    for number in range(len(EDGES) - 1):
        times[:, number] = ((band == number) & known).sum(axis=1) * READ_EVERY
    return times, unknown, _fallen(level)


def _values(column: Column, pack: int, looks: np.ndarray) -> np.ndarray:
    part = slice(int(column.first[pack]), int(column.first[pack + 1]))
    moment = column.moment[part]
    row = np.searchsorted(moment, looks, side="right") - 1
    found = np.full(len(looks), np.nan)
    there = row >= 0
    row = row[there]
    value = column.value[part][row]
    if column.slope is not None:
        since = moment if column.since is None else column.since[part]
        value = value + column.slope[part][row] * (looks[there] - since[row])
    found[there] = value
    return found


def _fallen(level: np.ndarray) -> np.ndarray:
    """Points that each fell, of falls of at least `FALL_LEAST`; an unknown ends what went before.

    All packs at once, a look after the other: what counts as the last height depends on the past.
    """
    fell = np.zeros(len(level))
    high = np.full(len(level), np.nan)
    for now in np.ascontiguousarray(level.T):
        drop = high - now
        falls = drop >= FALL_LEAST
        fell[falls] += drop[falls]
        # Where either is unknown neither comparison holds, and the level begins anew.
        stays = (drop > 0) & ~falls
        high = np.where(stays, high, now)
    return fell


def _last(tape: Tape, signal: str) -> np.ndarray:
    """Each pack's value at the end; NaN: it is unknown."""
    column = tape.columns.get(signal)
    found = np.full(len(tape.packs), np.nan)
    if column is not None:
        for at in range(len(found)):
            found[at] = _values(column, at, np.array([tape.ends]))[0]
    return found


def report_rules(folder: Path) -> WorkTold:
    """What a site's rules did, off its tables `decisions` and `jobs`. Raises TapeFileError."""
    decided = read_table(folder / "decisions.parquet", ("kind", "rule"))
    jobs = read_table(folder / "jobs.parquet", ("rule", "ending", "energy_wh"))
    rules: dict[str, list[int]] = {}
    vetoes = 0
    if decided is None or jobs is None:
        return WorkTold(known=False, rules=rules, vetoes=0)
    for kind, rule in zip(decided["kind"], decided["rule"], strict=True):
        vetoes += kind == "veto"
        if kind == "fired":
            rules.setdefault(rule, [0] * 4)[0] += 1
    for rule, ending, energy_wh in zip(jobs["rule"], jobs["ending"], jobs["energy_wh"],
                                       strict=True):  # fmt: skip
        if ending is None:
            continue
        row = rules.setdefault(rule, [0] * 4)
        row[1 if ending == "done" else 2] += 1
        row[3] += round((energy_wh or 0.0) * 1_000)
    return WorkTold(known=True, rules=rules, vetoes=vetoes)
