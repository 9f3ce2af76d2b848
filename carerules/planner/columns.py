"""The problem as zeros and ones: a column for each way, beginning and arrival of each wish.

Knows what goes together. Does not know the solver.

A run's pack arrives by a move (as late as somebody is awake), because it hung there from the first
step on, or because it stayed after an earlier run; and it has the station from then to the end of
the run. While a pack stays between two runs, a hold of each step has the station. Each schedule is
a choice of columns, so that no schedule is cheaper than the cheapest choice; and where fractions of
columns are allowed, too, that is hardly lower.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from carerules.domain.frozen import guarded
from carerules.planner.arrange import awake_before_of, energy_of, lying
from carerules.planner.problem import PackTask, Problem, Run, Way


@guarded
class Column:
    """A run that may be chosen, how its pack arrives, and since which step it has the station.
    `after`: the number of the wish after whose run it stayed."""

    run: Run
    arrives: Literal["moved", "home", "stayed"]
    since: int
    after: int | None = None


@guarded
class Row:
    """Of these variables (each with its factor) the sum is at most `most`; `exact`: just that."""

    terms: tuple[tuple[int, int], ...]
    most: int
    exact: bool = False


@dataclass(slots=True)
class Table:
    """All of it. Variables are numbered, each 0 or 1: `columns` by their number, the others help.
    `prices` are what a chosen column adds to `base` (units)."""

    base: int
    columns: dict[int, Column] = field(default_factory=dict)
    prices: dict[int, int] = field(default_factory=dict)
    rows: list[Row] = field(default_factory=list)
    size: int = 0

    def variable(self) -> int:
        """One more variable: its number."""
        self.size += 1
        return self.size - 1

    def at_most(self, terms: Iterable[tuple[int, int]], most: int) -> None:
        """One more row."""
        self.rows.append(Row(tuple(terms), most))

    def equal(self, ones: Iterable[int], others: Iterable[int]) -> None:
        """One more row: as many of these variables as of those, by number."""
        terms = [*((one, 1) for one in ones), *((one, -1) for one in others)]
        self.rows.append(Row(tuple(terms), 0, exact=True))


def table_of(problem: Problem) -> Table:
    """The columns and rows of the problem."""
    building = _Building(problem)
    for pack in problem.packs:
        building.pack(pack)
    building.stations()
    return building.table


class _Building:
    def __init__(self, problem: Problem) -> None:
        left_out = sum(wish.weight for _, wish in problem.wishes())
        self.table = Table(lying(problem) + left_out)
        self._problem = problem
        self._awake_before = awake_before_of(problem)
        self._has: dict[tuple[str, int], list[int]] = defaultdict(list)
        self._draws: dict[int, list[tuple[int, int]]] = defaultdict(list)

    def stations(self) -> None:
        """One pack at a station, and all chargers within the circuit."""
        for has in self._has.values():
            if len(has) > 1:
                self.table.at_most(((one, 1) for one in has), 1)
        limit = self._problem.circuit_w
        if limit is not None:
            for draws in self._draws.values():
                if sum(watts for _, watts in draws) > limit:
                    self.table.at_most(draws, limit)

    # ---- one pack ------------------------------------------------------------------------------

    def pack(self, pack: PackTask) -> None:
        """The columns of its wishes, each met once at most, in order."""
        table = self.table
        mine = [self._columns(pack, number) for number in range(len(pack.wishes))]
        for number, columns in enumerate(mine):
            table.at_most(((one, 1) for one in columns), 1)
            if number and pack.wishes[number].follows:
                before = [(one, -1) for one in mine[number - 1]]
                table.at_most([*((one, 1) for one in columns), *before], 0)
        ends = {number: self._ends_after(mine[number]) for number in range(len(mine) - 1)}
        for number in range(1, len(mine)):
            self._after(pack, number, mine, ends)

    def _columns(self, pack: PackTask, number: int) -> list[int]:
        wish, found = pack.wishes[number], []
        for way in wish.ways:
            before = [
                earlier
                for earlier in range(number)
                if any(one.station == way.station for one in pack.wishes[earlier].ways)
            ]
            for first, end in way.begins:
                for begin in range(first, end):
                    run = Run(pack.name, number, way.station, begin, begin + way.steps)
                    price = energy_of(self._problem, way, begin) - wish.weight
                    price -= wish.saves * (self._problem.steps - wish.counts_from(begin, run.end))
                    since = self._awake_before[begin]
                    if since >= 0:
                        moved = price + self._problem.weights.move_units
                        found.append(self._column(Column(run, "moved", since), moved, way))
                    if pack.station == way.station:
                        found.append(self._column(Column(run, "home", 0), price, way))
                    for earlier in before:
                        stayed = Column(run, "stayed", begin, earlier)
                        found.append(self._column(stayed, price, way))
        return found

    def _column(self, column: Column, price: int, way: Way) -> int:
        one = self.table.variable()
        self.table.columns[one] = column
        self.table.prices[one] = price
        for step in range(column.since, column.run.end):
            self._has[way.station, step].append(one)
        if way.wall_w:
            for step in range(column.run.begin, column.run.end):
                self._draws[step].append((one, way.wall_w))
        return one

    # ---- its wishes, one after the other -------------------------------------------------------

    def _after(
        self, pack: PackTask, number: int, mine: Sequence[list[int]],
        ends: dict[int, list[int]],
    ) -> None:  # fmt: skip
        """A wish comes after the pack's earlier ones, and so does the move for it."""
        table, gap, steps = self.table, pack.wishes[number].gap, self._problem.steps
        columns = {one: table.columns[one] for one in mine[number]}
        begun = self._so_far({one: column.run.begin for one, column in columns.items()})
        moved = self._so_far(
            {one: column.since for one, column in columns.items() if column.arrives == "moved"}
        )
        for earlier in range(number):
            for step in range(steps):
                ended = ends[earlier]
                table.at_most([(begun[step], 1), (ended[max(0, step - gap)], 1)], 1)
                table.at_most([(moved[step], 1), (ended[step], 1)], 1)
            home = [(one, 1) for one, column in columns.items() if column.arrives == "home"]
            if home:
                table.at_most([*home, *((one, 1) for one in mine[earlier])], 1)
            staying = [one for one, column in columns.items() if column.after == earlier]
            for between in range(earlier + 1, number):
                table.at_most(((one, 1) for one in (*staying, *mine[between])), 1)
            for station in {columns[one].run.station for one in staying}:
                self._hold(
                    station,
                    [one for one in mine[earlier] if table.columns[one].run.station == station],
                    [one for one in staying if columns[one].run.station == station],
                )

    def _so_far(self, at: dict[int, int]) -> list[int]:
        """For each step a variable: whether one of the columns has come by then."""
        table, found = self.table, []
        coming: dict[int, list[int]] = defaultdict(list)
        for one, step in at.items():
            coming[step].append(one)
        for step in range(self._problem.steps):
            found.append(table.variable())
            table.equal([found[-1]], [*found[-2:-1], *coming[step]])
        return found

    def _ends_after(self, columns: Sequence[int]) -> list[int]:
        """For each step a variable: whether the run of one of the columns ends after it begins."""
        table, found = self.table, []
        ending: dict[int, list[int]] = defaultdict(list)
        for one in columns:
            ending[table.columns[one].run.end].append(one)
        for step in reversed(range(self._problem.steps)):
            found.append(table.variable())
            table.equal([found[-1]], [*found[-2:-1], *ending[step + 1]])
        return found[::-1]

    def _hold(self, station: str, before: Sequence[int], staying: Sequence[int]) -> None:
        """A pack that stays has the station from the end of a run to the beginning of the next."""
        table = self.table
        leaving: dict[int, list[int]] = defaultdict(list)
        coming: dict[int, list[int]] = defaultdict(list)
        for one in before:
            leaving[table.columns[one].run.end].append(one)
        for one in staying:
            coming[table.columns[one].run.begin].append(one)
        held: int | None = None
        for step in range(min([*leaving, *coming]), max(coming) + 1):
            hold = table.variable()
            was = [(held, -1)] if held is not None else []
            table.at_most(
                [*((one, 1) for one in coming[step]), (hold, 1), *was,
                 *((one, -1) for one in leaving[step])], 0,
            )  # fmt: skip
            self._has[station, step].append(hold)
            held = hold
