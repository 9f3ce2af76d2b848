"""Whether a schedule holds: every limit that it breaks, each in a sentence.

Knows the problem and the schedule. Shares nothing with those who make schedules: it goes through
the steps one by one, moves packs as told, and looks.
"""

from __future__ import annotations

from collections.abc import Iterator

from carerules.domain.pack import Side
from carerules.planner.problem import Problem, Run, Schedule, Way, Wish


def broken_limits(problem: Problem, schedule: Schedule) -> tuple[str, ...]:
    """What is wrong with the schedule; nothing: it holds, and costs what it says."""
    named = tuple(_misnamed(problem, schedule))
    if named:
        return named  # the rest would stumble over it
    return (
        *_runs_that_do_not_fit(problem, schedule),
        *_packs_out_of_order(problem, schedule),
        *_walked_through(problem, schedule),
        *_circuit(problem, schedule),
        *_wishes_forgotten(problem, schedule),
        *_priced_wrongly(problem, schedule),
    )


def _misnamed(problem: Problem, schedule: Schedule) -> Iterator[str]:
    packs = {pack.name: pack for pack in problem.packs}
    for run in schedule.runs:
        if run.pack not in packs or not 0 <= run.wish < len(packs[run.pack].wishes):
            yield f"{_said(run)}: there is no such wish"
        elif run.station not in problem.stations:
            yield f"{_said(run)}: there is no such station"
        elif not 0 <= run.begin < run.end <= problem.steps:
            yield f"{_said(run)}: outside the steps"
    for move in schedule.moves:
        if move.pack not in packs or move.station not in problem.stations:
            yield f"a move of {move.pack} to {move.station}: there is no such thing"
        elif not 0 <= move.at < problem.steps:
            yield f"a move of {move.pack} at step {move.at}: outside the steps"


def _runs_that_do_not_fit(problem: Problem, schedule: Schedule) -> Iterator[str]:
    for run in schedule.runs:
        wish, way = _wish(problem, run), _way(problem, run)
        if way is None:
            yield f"{_said(run)}: that station does not serve it"
            continue
        if run.end - run.begin != way.steps:
            yield f"{_said(run)}: {run.end - run.begin} steps, wanted {way.steps}"
        if not any(first <= run.begin < end for first, end in way.begins):
            yield f"{_said(run)}: it may not begin at step {run.begin}"
        if wish.read and not problem.awake[run.begin]:
            yield f"{_said(run)}: nobody is awake to read the pack"
        if run.begin < wish.ready:
            yield f"{_said(run)}: wanted from step {wish.ready} on"
        if run.end > wish.due:
            yield f"{_said(run)}: wanted by step {wish.due}"


def _packs_out_of_order(problem: Problem, schedule: Schedule) -> Iterator[str]:
    for pack in problem.packs:
        runs = [run for run in schedule.runs if run.pack == pack.name]
        numbers = [run.wish for run in runs]
        if len(set(numbers)) != len(numbers):
            yield f"{pack.name}: one wish is met twice"
        for later in runs:
            wish = pack.wishes[later.wish]
            for earlier in runs:
                if earlier.wish < later.wish and later.begin < earlier.end + wish.gap:
                    yield f"{_said(later)}: too soon after wish {earlier.wish}"
            if wish.follows and later.wish - 1 not in numbers:
                yield f"{_said(later)}: the wish that it follows is left out"


def _walked_through(problem: Problem, schedule: Schedule) -> Iterator[str]:
    """Step by step: packs hang where they were hung, and each run finds its pack there."""
    where: dict[str, str | None] = {pack.name: pack.station for pack in problem.packs}
    for step in range(problem.steps):
        moved = [move for move in schedule.moves if move.at == step]
        if moved and not problem.awake[step]:
            yield f"a move of {moved[0].pack} at step {step}: nobody is awake"
        # All of a step's moves are made at once: who goes, and who is taken off, is off first.
        before = dict(where)
        going = {one.pack for one in moved} | {one.off for one in moved if one.off is not None}
        for move in moved:
            if move.off is not None and before[move.off] != move.station:
                yield f"step {step}: {move.off} does not hang on {move.station}"
        where.update(dict.fromkeys(going))
        for move in moved:
            if where[move.pack] is not None:
                yield f"step {step}: {move.pack} is moved twice"
            where[move.pack] = move.station
        for run in schedule.runs:
            if run.begin <= step < run.end and where[run.pack] != run.station:
                yield f"{_said(run)}: it is not there at step {step}"
                return
        for station in problem.stations:
            hung = [name for name, place in where.items() if place == station]
            if len(hung) > 1:
                yield f"step {step}: {' and '.join(hung)} hang on {station}"
                return


def _circuit(problem: Problem, schedule: Schedule) -> Iterator[str]:
    if problem.circuit_w is None:
        return
    for step in range(problem.steps):
        drawn = sum(
            way.wall_w
            for run in schedule.runs
            if run.begin <= step < run.end and (way := _way(problem, run)) is not None
        )
        if drawn > problem.circuit_w:
            yield f"step {step}: {drawn} W at the wall, at most {problem.circuit_w} W"
            return


def _wishes_forgotten(problem: Problem, schedule: Schedule) -> Iterator[str]:
    met = {(run.pack, run.wish) for run in schedule.runs}
    for key, _ in problem.wishes():
        if (key in met) == (key in schedule.left_out):
            yield f"{key[0]}, wish {key[1]}: neither met nor said to be left out, or both"


def _priced_wrongly(problem: Problem, schedule: Schedule) -> Iterator[str]:
    """The price added up step by step, as a pack lies through the time."""
    ageing = energy = 0
    for pack in problem.packs:
        for step in range(problem.steps):
            ageing += pack.lies
            for run in schedule.runs:
                if run.pack != pack.name:
                    continue
                wish = pack.wishes[run.wish]
                # While it runs, the pack counts as lying at the higher of both charges.
                from_step = run.end if wish.side is Side.LOAD else run.begin
                if step >= from_step:
                    ageing -= wish.saves
                way = _way(problem, run)
                if run.begin <= step < run.end and way is not None:
                    energy += way.wall_w * problem.price[step]
    left = sum(wish.weight for key, wish in problem.wishes() if key in schedule.left_out)
    moves = round(problem.weights.move * 1e7) * len(schedule.moves)
    found = schedule.cost
    for word, said, wanted in (
        ("ageing", found.ageing, ageing), ("moves", found.moves, moves),
        ("energy", found.energy, energy), ("wishes left out", found.left_out, left),
    ):  # fmt: skip
        if said != wanted:
            yield f"the price of {word}: found {said}, wanted {wanted}"
    if schedule.bound is not None and schedule.bound > ageing + moves + energy + left:
        yield "the bound lies above the price"


def _wish(problem: Problem, run: Run) -> Wish:
    return next(pack for pack in problem.packs if pack.name == run.pack).wishes[run.wish]


def _way(problem: Problem, run: Run) -> Way | None:
    ways = [way for way in _wish(problem, run).ways if way.station == run.station]
    return ways[0] if ways else None


def _said(run: Run) -> str:
    return f"{run.pack}, wish {run.wish} on {run.station} at steps {run.begin} to {run.end}"
