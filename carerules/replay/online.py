"""The engine itself, taken along a tape: for what the algebra does not cover.

Knows looks. Does not know how a condition is reckoned. Each row of the tape is a look, and so is
each moment at which an answer could change by itself; of one instant, in the order heard.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from heapq import merge
from math import isnan
from typing import NamedTuple

from carerules.domain.moment import NEVER, LocalTime, Moment
from carerules.domain.pack import Pack
from carerules.domain.plan import Plan
from carerules.domain.quantity import Known, Reading, Truth, Unknown
from carerules.domain.signal import Catalogue
from carerules.engine import (
    Bound,
    CountState,
    Facts,
    RuleState,
    bind_all,
    count,
    evaluate,
    fresh_counts,
    fresh_states,
    ready_to_fire,
)
from carerules.replay.tape import Column, Tape, Told


class Look(NamedTuple):
    """What a pack heard at once, and when; `number` is the pack's place among the packs."""

    moment: Moment
    order: int
    number: int
    readings: tuple[tuple[str, Reading], ...] = ()
    told: Told | None = None


@dataclass(slots=True)
class _One:
    """A pack on its way along the tape."""

    name: str
    bound: Bound
    rules: tuple[RuleState, ...]
    counts: tuple[CountState, ...]
    readings: dict[str, Reading]
    told: Told
    due: Moment = NEVER


def fire_online(
    plan: Plan, packs: Mapping[str, Pack], tape: Tape, signals: Catalogue
) -> Iterator[tuple[str, str, Moment]]:
    """Where the engine lets each rule fire: rule, pack, moment."""
    return _Run(plan, packs, tape, signals).fired()


class _Run:
    def __init__(
        self, plan: Plan, packs: Mapping[str, Pack], tape: Tape, signals: Catalogue
    ) -> None:
        self._tape, self._signals = tape, signals
        self._packs: list[_One] = []
        bounds = bind_all(plan, {name: packs[name] for name in tape.packs}, signals)
        for name, bound in bounds.items():
            states, counts = fresh_states(bound), fresh_counts(bound)
            nothing = Told(tape.begins, 0, {}, ())
            self._packs.append(_One(name, bound, states, counts, {}, nothing))
        self._numbers: dict[str, int] = {}
        self._recounted = False

    def fired(self) -> Iterator[tuple[str, str, Moment]]:
        """Each firing, in order of time."""
        tape = self._tape
        for one in self._packs:
            one.due = tape.begins
        for look in merge(*(self._looks(at) for at in range(len(self._packs))), key=_when):
            yield from self._pass(look.moment)
            one = self._packs[look.number]
            one.readings.update(look.readings)
            if look.told is not None:
                one.told = look.told
            yield from self._look_and_recount(one, look.moment)
        yield from self._pass(tape.ends + 1)

    def _pass(self, until: Moment) -> Iterator[tuple[str, str, Moment]]:
        """What comes due before `until`, the earliest first."""
        while True:
            one = min(self._packs, key=lambda one: one.due, default=None)
            if one is None or one.due >= until:
                return
            yield from self._look_and_recount(one, one.due)

    def _look_and_recount(self, one: _One, at: Moment) -> Iterator[tuple[str, str, Moment]]:
        yield from self._look(one, at)
        if self._recounted:
            self._recounted = False
            for asking in self._packs:
                if asking.bound.reads_counts:
                    yield from self._look(asking, at)

    def _look(self, one: _One, at: Moment) -> Iterator[tuple[str, str, Moment]]:
        facts = Facts(
            one.readings, one.readings, one.readings, one.told.happened, one.told.uses,
            _local(self._tape, at), self._numbers,
        )  # fmt: skip
        rules, due = evaluate(one.bound, one.rules, facts, at)
        after: list[RuleState] = []
        for bound, state in zip(one.bound.rules, rules, strict=True):
            fires = ready_to_fire(state)
            after.append(state._replace(armed=False) if fires else state)
            if fires:
                yield bound.rule.name, one.name, at
        one.rules = tuple(after)
        if one.bound.counted:
            before = one.counts
            one.counts, its_due = count(one.bound, before, facts, at)
            due = min(due, its_due)
            for old, new in zip(before, one.counts, strict=True):
                change = (new.truth is Truth.YES) - (old.truth is Truth.YES)
                if change:
                    self._numbers[new.key] = self._numbers.get(new.key, 0) + change
                    self._recounted = True
        changes = (since for since, _ in self._tape.local if since > at)
        one.due = min(due, one.bound.watch.stale_at(one.readings, at), next(changes, NEVER))

    def _looks(self, number: int) -> Iterator[Look]:
        """The rows of one pack, those of one place in time together."""
        tape = self._tape
        rows = [_rows(name, column, number) for name, column in tape.columns.items()]
        told = tape.told.get(tape.packs[number], ())
        rows.append(Look(one.moment, one.order, number, (), one) for one in told)
        whole: Look | None = None
        for look in merge(*rows, key=_when):
            if whole is not None and _when(whole) == _when(look):
                whole = whole._replace(
                    readings=whole.readings + look.readings, told=look.told or whole.told
                )
                continue
            if whole is not None:
                yield whole
            whole = look
        if whole is not None:
            yield whole


def _when(look: Look) -> tuple[Moment, int]:
    return look.moment, look.order


def _rows(name: str, column: Column, number: int) -> Iterator[Look]:
    for row in range(int(column.first[number]), int(column.first[number + 1])):
        moment = int(column.moment[row])
        value = float(column.value[row])
        since = moment if column.since is None else int(column.since[row])
        slope = 0.0 if column.slope is None else float(column.slope[row])
        known: Reading = Known(value, 0.0, since, "", slope)
        if isnan(value):
            known = Unknown("never seen")
        order = 0 if column.order is None else int(column.order[row])
        yield Look(moment, order, number, ((name, known),))


def _local(tape: Tape, at: Moment) -> LocalTime:
    return [local for since, local in tape.local if since <= at or since == tape.local[0][0]][-1]
