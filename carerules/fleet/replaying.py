"""Rules over one bunch, as plain data: what is asked goes in, counts and firings come out.

Knows texts of rules and tapes. Does not know who asks, nor on which machine this runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from heapq import nlargest
from pathlib import Path
from typing import Any, TypeAlias, TypedDict

from carerules.domain.condition import NumberOfPacks, values, walk
from carerules.domain.moment import Moment
from carerules.domain.plan import Plan, Rule
from carerules.domain.signal import Signal, catalogue
from carerules.fleet.bunch import read_bunch
from carerules.fleet.folder import TapeBunchShape, TapeShape, TapeSignalShape
from carerules.lang import load
from carerules.replay import replay, signals_in
from carerules.report.replayed import FIRINGS_MAX, Became, Change, changes_of

Texts: TypeAlias = tuple[tuple[str, str], ...]
"""Rule files and all that they take in: name and text."""
FleetChange: TypeAlias = tuple[int, str, str, str, Change, int | None]
"""When, by the wall in UTC (ms); site, pack, rule, what became of it, when it was before."""


class RuleFiles(TypedDict):
    """Texts, and those of them that were named."""

    texts: Texts
    named: tuple[str, ...]


class ReplayAsked(TypedDict):
    """What one bunch is asked; `instead_of`: the rules to compare with. `signals`: what rules may
    ask of any site beside the built-in ones."""

    site: str
    since: Moment | None
    until: Moment | None
    rules: RuleFiles
    instead_of: RuleFiles | None
    signals: list[dict[str, Any]]


class ReplayTold(TypedDict):
    """What it came to. `counts`: by rule, how often each change; `packs`: in how many packs the
    rule fires; `last`: by the wall in UTC (ms); `firings`: the newest."""

    rows: int
    counts: dict[str, dict[str, int]]
    packs: dict[str, int]
    last: dict[str, int]
    by_engine: dict[str, str]
    firings: list[FleetChange]


def counts_packs(rule: Rule) -> bool:
    """Whether it looks at other packs, too: a bunch has not all of them."""
    wholes = (rule.when, rule.rearm_when)
    return any(
        isinstance(value, NumberOfPacks)
        for whole in wholes if whole is not None
        for part in walk(whole) for value in values(part)
    )  # fmt: skip


@lru_cache(maxsize=16)
def plan_of(texts: Texts, named: tuple[str, ...], own: tuple[Signal, ...]) -> Plan:
    """The rules of the texts that look at one pack alone. They were checked where they were named.

    `own`: signals beside the built-in ones. Raises `ValueError` where they have errors here.
    """
    at_hand = dict(texts)
    loaded = load({name: at_hand[name] for name in named}, catalogue=catalogue(own),
                  fetch=at_hand.get)  # fmt: skip
    if loaded.plan is None:
        raise ValueError("the rules have errors here, and had none where they were named")
    return Plan(tuple(rule for rule in loaded.plan.rules if not counts_packs(rule)))


def replay_bunch(
    folder: Path, listed: TapeShape, bunch: TapeBunchShape, asked: ReplayAsked
) -> ReplayTold:
    """Every firing of a bunch, counted; the newest of them one by one.

    Raises TapeFileError for files that are not whole.
    """
    spoken = tuple(TapeSignalShape.model_validate(one).signal() for one in asked["signals"])
    signals = catalogue((*spoken, *(one.signal() for one in listed.signals)))
    sides = [asked["rules"]] + ([] if asked["instead_of"] is None else [asked["instead_of"]])
    plans = [plan_of(one["texts"], one["named"], spoken) for one in sides]
    reads = {name for plan in plans for name in reads_of(plan)}
    tape = read_bunch(folder, listed, bunch, reads)
    packs = listed.chosen(bunch)
    played = [replay(plan, packs, tape, signals) for plan in plans]
    since = listed.begins if asked["since"] is None else asked["since"]
    inside = range(since, (listed.ends if asked["until"] is None else asked["until"]) + 1)
    firings = [[one for one in done.firings if one.at in inside] for done in played]
    changes: list[Became] = [(one, "same", None) for one in firings[0]]
    if len(plans) > 1:
        changes = changes_of(firings[1], firings[0])
    by_engine = {name: why for done in played for name, why in done.online.items()}
    rows = sum(len(column.moment) for column in tape.columns.values())
    return _summed(asked["site"], rows, listed, changes, by_engine)


def reads_of(plan: Plan) -> Iterator[str]:
    """Every signal that some rule looks at."""
    for rule in plan.rules:
        for whole in (rule.when, rule.rearm_when):
            if whole is not None:
                yield from signals_in(whole)


def _summed(
    site: str, rows: int, listed: TapeShape, changes: Sequence[Became], by_engine: dict[str, str]
) -> ReplayTold:
    offset = listed.offsets[-1][1]
    counts: dict[str, dict[str, int]] = {}
    last: dict[str, int] = {}
    packs: dict[str, set[str]] = {}
    for (pack, rule, at), change, _ in changes:
        own = counts.setdefault(rule, {})
        own[change] = own.get(change, 0) + 1
        if change != "gone":
            last[rule] = max(last.get(rule, 0), at + offset)
            packs.setdefault(rule, set()).add(pack)
    firings: list[FleetChange] = [
        (at + offset, site, pack, rule, change, None if was is None else was + offset)
        for (pack, rule, at), change, was in changes
    ]
    return ReplayTold(
        rows=rows, counts=counts, packs={rule: len(names) for rule, names in packs.items()},
        last=last, by_engine=by_engine, firings=newest(firings),
    )  # fmt: skip


def newest(firings: Iterable[FleetChange]) -> list[FleetChange]:
    """The newest so many, the newest first."""
    return nlargest(FIRINGS_MAX, firings, key=lambda one: one[:5])
