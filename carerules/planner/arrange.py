"""From runs to a schedule: the moves that they need, and what it all costs.

Knows where packs hang and when somebody is awake. Does not know which runs are best.
A pack stays on a station until another is hung there. A move is made as late as it can be: at the
last step with somebody awake, up to the beginning of the run.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from carerules.domain.keptplan import MadeBy
from carerules.planner.problem import Cost, Move, Problem, Run, Schedule, Way, Wish


def moves_of(problem: Problem, awake_before: Sequence[int], runs: Iterable[Run]) -> (
    tuple[Move, ...] | None
):  # fmt: skip
    """The moves that the runs need (`awake_before`: steps, by `awake_before_of`); None: nobody is
    awake in time for one, or two runs collide."""
    holds = {pack.station: pack.name for pack in problem.packs if pack.station is not None}
    place = {pack.name: pack.station for pack in problem.packs}
    station_free = dict.fromkeys(problem.stations, 0)
    pack_free = dict.fromkeys(place, 0)
    moves: list[Move] = []
    for run in sorted(runs, key=lambda run: (run.begin, run.station)):
        earliest = max(station_free[run.station], pack_free[run.pack])
        if run.begin < earliest:
            return None
        before = holds.get(run.station)
        if before != run.pack or place[run.pack] != run.station:
            at = awake_before[run.begin]
            if at < earliest:
                return None
            off = before if before is not None and place[before] == run.station else None
            moves.append(Move(at, run.pack, run.station, off))
            if off is not None:
                place[off] = None
            holds[run.station], place[run.pack] = run.pack, run.station
        station_free[run.station] = pack_free[run.pack] = run.end
    return tuple(moves)


def awake_before_of(problem: Problem) -> tuple[int, ...]:
    """For each step the last one up to it with somebody awake; -1: there is none."""
    last, found = -1, []
    for step, awake in enumerate(problem.awake):
        last = step if awake else last
        found.append(last)
    return tuple(found)


def schedule_of(
    problem: Problem, runs: Iterable[Run], made_by: MadeBy, bound: int | None = None
) -> Schedule:
    """The schedule of runs that go together; `bound`: no schedule costs less units."""
    done = {(run.pack, run.wish): run for run in runs}
    moves = moves_of(problem, awake_before_of(problem), done.values())
    assert moves is not None, "runs that cannot be arranged"
    left_out = tuple(key for key, _ in problem.wishes() if key not in done)
    ordered = tuple(sorted(done.values(), key=lambda run: (run.begin, run.station)))
    cost = _cost(problem, done, len(moves))
    return Schedule(ordered, tuple(sorted(moves, key=lambda move: (move.at, move.station))),
                    left_out, cost, made_by, bound)  # fmt: skip


def _cost(problem: Problem, done: Mapping[tuple[str, int], Run], moves: int) -> Cost:
    ageing = lying(problem)
    energy = left_out = 0
    for key, wish in problem.wishes():
        run = done.get(key)
        if run is None:
            left_out += wish.weight
            continue
        ageing -= wish.saves * (problem.steps - wish.counts_from(run.begin, run.end))
        energy += energy_of(problem, way_of(wish, run), run.begin)
    return Cost(ageing, moves * problem.weights.move_units, energy, left_out)


def lying(problem: Problem) -> int:
    """What it would cost if every pack lay as it does now to the end (units)."""
    return sum(pack.lies * problem.steps for pack in problem.packs)


def way_of(wish: Wish, run: Run) -> Way:
    """The way that the run took."""
    return next(way for way in wish.ways if way.station == run.station)


def energy_of(problem: Problem, way: Way, begin: int) -> int:
    """What the wall energy of a run costs (units)."""
    return way.wall_w and way.wall_w * sum(problem.price[begin : begin + way.steps])
