"""The cheapest schedule by constraint programming; or the cheapest found, with a proven bound.

Knows the solver (OR-tools, extra `planner`). Does not know where the problem comes from.

Columns in fractions (`relaxed`) give a bound and a good beginning, putting wishes elsewhere one by
one makes that better, and constraint programming goes on from there. For that, each wish has one
optional interval for each way, and one for the time in which its pack has the station: from the
step at which a person hangs it there, or from the end of the pack's run before where it stays, to
the end of the run. Those do not overlap at a station.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from time import monotonic
from typing import Final

from ortools.sat.python import cp_model

from carerules.domain.pack import Side
from carerules.planner.arrange import lying, schedule_of
from carerules.planner.greedy import from_runs, improved
from carerules.planner.problem import PackTask, Problem, Run, Schedule, Way, Wish
from carerules.planner.relaxed import relaxed

MADE_BY: Final = "solver"
WORKERS = 8
"""Searches that take turns, in an order that does not depend on the machine."""
RELAXED_SHARE = 0.7
"""Of the time, at most, for the fractions: for thirty packs they take a second or two of a core."""
SEED = 1
"""Any other would do: the same one each time, so that the same night has the same plan."""
SECONDS_LEAST = 0.1


def cheapest(problem: Problem, start: Schedule, seconds: float) -> Schedule:
    """The cheapest schedule that is found in so many seconds, `start` at worst; with its bound.

    One that is proven before the time is up comes out the same each time; one that the clock cuts
    short may not.
    """
    until = monotonic() + seconds
    best, bounds = start, []
    loose = relaxed(problem, seconds * RELAXED_SHARE)
    if loose is not None:
        bounds.append(loose.bound)
        rounded = from_runs(problem, loose.runs)
        best = rounded if rounded.cost.total < best.cost.total else best
    if not bounds or best.cost.total > bounds[0]:
        best = improved(problem, best, lambda: monotonic() < until)
    if not bounds or best.cost.total > bounds[0]:
        model = _Model(problem)
        model.hint(best)
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = max(SECONDS_LEAST, until - monotonic())
        solver.parameters.random_seed = SEED
        solver.parameters.num_workers = WORKERS
        solver.parameters.interleave_search = True
        status = solver.solve(model.model)
        bounds.append(_bound(solver.best_objective_bound))
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            found = schedule_of(problem, model.runs(solver), MADE_BY)
            best = found if found.cost.total < best.cost.total else best
    return schedule_of(problem, best.runs, MADE_BY, min(max(bounds), best.cost.total))


def _bound(objective: float) -> int:
    """The bound in whole units: what is found costs a whole number, and the solver's is a float."""
    nearest = round(objective)
    return nearest if abs(objective - nearest) < 1e-3 else int(objective) + (objective > 0)


@dataclass(slots=True)
class _Slot:
    """A wish's variables: whether it is met, how, when, and since when its pack has the station."""

    wish: Wish
    met: cp_model.IntVar
    begin: cp_model.IntVar
    end: cp_model.IntVar
    since: cp_model.IntVar
    moved: cp_model.IntVar
    by: dict[str, cp_model.IntVar]


class _Model:
    def __init__(self, problem: Problem) -> None:
        self.model = cp_model.CpModel()
        self._problem = problem
        self._slots: dict[tuple[str, int], _Slot] = {}
        self._held: dict[str, list[cp_model.IntervalVar]] = {one: [] for one in problem.stations}
        self._drawn: list[tuple[cp_model.IntervalVar, int]] = []
        self._price: list[cp_model.LinearExprT] = []
        for (pack, number), wish in problem.wishes():
            self._slots[pack, number] = self._slot(f"{pack} {number}", wish)
        for task in problem.packs:
            self._in_order(task)
        for held in self._held.values():
            self.model.add_no_overlap(held)
        if problem.circuit_w is not None and self._drawn:
            intervals, watts = zip(*self._drawn, strict=True)
            self.model.add_cumulative(list(intervals), list(watts), problem.circuit_w)
        self.model.minimize(sum(self._price) + lying(problem))

    # ---- one wish ----------------------------------------------------------------------------

    def _slot(self, name: str, wish: Wish) -> _Slot:
        model, steps = self.model, self._problem.steps
        begin, end, since = (
            model.new_int_var(0, steps, f"{name} {what}") for what in ("begin", "end", "since")
        )
        met, moved = (model.new_bool_var(f"{name} {what}") for what in ("met", "moved"))
        slot = _Slot(wish, met, begin, end, since, moved, {})
        for way in wish.ways:
            if any(first < end for first, end in way.begins):
                slot.by[way.station] = self._way(name, slot, way)
        model.add(sum(slot.by.values()) == slot.met)
        model.add(slot.since <= slot.begin)
        for var in (slot.begin, slot.end, slot.since):
            model.add(var == 0).only_enforce_if(~slot.met)
        model.add_implication(slot.moved, slot.met)
        self._price_of(slot)
        return slot

    def _way(self, name: str, slot: _Slot, way: Way) -> cp_model.IntVar:
        model, steps = self.model, self._problem.steps
        taken = model.new_bool_var(f"{name} on {way.station}")
        begins = cp_model.Domain.from_intervals([(a, b - 1) for a, b in way.begins if a < b])
        model.add_linear_expression_in_domain(slot.begin, begins).only_enforce_if(taken)
        run = model.new_optional_fixed_size_interval_var(
            slot.begin, way.steps, taken, f"{name} run"
        )
        model.add(slot.end == slot.begin + way.steps).only_enforce_if(taken)
        has = model.new_int_var(0, steps, f"{name} has")
        self._held[way.station].append(
            model.new_optional_interval_var(slot.since, has, slot.end, taken, f"{name} held")
        )
        if way.wall_w:
            self._drawn.append((run, way.wall_w))
        return taken

    def _price_of(self, slot: _Slot) -> None:
        """What it adds to the price of all packs lying as they do now."""
        problem, wish = self._problem, slot.wish
        counts_from = slot.end if wish.side is Side.LOAD else slot.begin
        self._price += [
            wish.weight * (1 - slot.met),
            problem.weights.move_units * slot.moved,
            # Of a wish that is left out `counts_from` is 0, and it saves nothing.
            wish.saves * counts_from - wish.saves * problem.steps * slot.met,
        ]
        for way in wish.ways:
            taken = slot.by.get(way.station)
            if taken is None or not way.wall_w:
                continue
            through = _window_sums(problem.price, way.steps)
            if min(through) == max(through):
                self._price.append(way.wall_w * through[0] * taken)
                continue
            costs = [way.wall_w * one for one in through]
            costs += [costs[-1]] * (problem.steps + 1 - len(costs))
            energy = self.model.new_int_var(0, max(costs), "")
            there = self.model.new_int_var(min(costs), max(costs), "")
            self.model.add_element(slot.begin, costs, there)
            self.model.add(energy >= there).only_enforce_if(taken)
            self._price.append(energy)

    # ---- the wishes of one pack --------------------------------------------------------------

    def _in_order(self, pack: PackTask) -> None:
        """A pack's runs follow each other, and each is there by a move or because it stayed."""
        model = self.model
        awake = cp_model.Domain.from_values(
            [n for n, is_so in enumerate(self._problem.awake) if is_so]
        )
        slots = [self._slots[pack.name, number] for number in range(len(pack.wishes))]
        for number, slot in enumerate(slots):
            reasons = [slot.moved]
            model.add_linear_expression_in_domain(slot.since, awake).only_enforce_if(slot.moved)
            if pack.station in slot.by:
                first = model.new_bool_var("")
                reasons.append(first)
                model.add_implication(first, slot.by[pack.station])
                model.add(slot.since == 0).only_enforce_if(first)
                for earlier in slots[:number]:
                    model.add_implication(first, ~earlier.met)
            for at, earlier in enumerate(slots[:number]):
                both = [earlier.met, slot.met]
                model.add(slot.begin >= earlier.end + slot.wish.gap).only_enforce_if(both)
                model.add(slot.since >= earlier.end).only_enforce_if([*both, slot.moved])
                for station in slot.by.keys() & earlier.by.keys():
                    stays = model.new_bool_var("")
                    reasons.append(stays)
                    model.add_implication(stays, slot.by[station])
                    model.add_implication(stays, earlier.by[station])
                    model.add(slot.since == earlier.end).only_enforce_if(stays)
                    for between in slots[at + 1 : number]:
                        model.add_implication(stays, ~between.met)
            model.add(sum(reasons) == slot.met)
            if slot.wish.follows and number:
                model.add_implication(slot.met, slots[number - 1].met)

    # ---- in and out --------------------------------------------------------------------------

    def hint(self, start: Schedule) -> None:
        """Where the search begins."""
        runs = {(run.pack, run.wish): run for run in start.runs}
        for key, slot in self._slots.items():
            run = runs.get(key)
            self.model.add_hint(slot.met, run is not None)
            self.model.add_hint(slot.begin, run.begin if run else 0)
            self.model.add_hint(slot.end, run.end if run else 0)
            for station, taken in slot.by.items():
                self.model.add_hint(taken, run is not None and run.station == station)

    def runs(self, solver: cp_model.CpSolver) -> list[Run]:
        """The runs that were found."""
        found: list[Run] = []
        for (pack, number), slot in self._slots.items():
            for station, taken in slot.by.items():
                if solver.boolean_value(taken):
                    begin, end = solver.value(slot.begin), solver.value(slot.end)
                    found.append(Run(pack, number, station, begin, end))
        return found


def _window_sums(price: Sequence[int], steps: int) -> list[int]:
    """What a run of so many steps pays for a watt, by the step that it begins at."""
    return [sum(price[at : at + steps]) for at in range(len(price) - steps + 1)]
