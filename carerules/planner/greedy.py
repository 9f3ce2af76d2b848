"""A schedule by a simple rule: who weighs most, and then is pressed most, takes the cheapest place.

Knows runs and what they cost. Does not look back: what is placed stays where it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Final

from carerules.planner.arrange import awake_before_of, energy_of, moves_of, schedule_of, way_of
from carerules.planner.problem import PackTask, Problem, Run, Schedule, Wish

MADE_BY: Final = "simple rule"
ROUNDS_MAX = 4
"""Of putting each wish elsewhere: the third of them hardly finds anything."""


def by_rule(problem: Problem) -> Schedule:
    """Wishes by weight, and then by the last step at which each could begin; each where it adds
    least to the price. Of equal prices the earlier, then the station named first. A wish that fits
    nowhere is left out."""
    placing = _Placing(problem)
    ranked = sorted(
        (-weight, latest, number, place)
        for place, pack in enumerate(problem.packs)
        for number, (weight, latest) in enumerate(
            zip(_weights(pack), _latest_begins(pack), strict=True)
        )
    )
    for _, _, number, place in ranked:
        placing.place(problem.packs[place], number)
    return schedule_of(problem, placing.runs, MADE_BY)


def from_runs(problem: Problem, runs: Iterable[Run]) -> Schedule:
    """The schedule of those runs that go together, the first ones first; wishes that are left are
    then placed where they add least."""
    placing = _Placing(problem)
    for run in runs:
        placing.keep(run)
    for pack in problem.packs:
        for number in range(len(pack.wishes)):
            if not placing.has(pack.name, number):
                placing.place(pack, number)
    return schedule_of(problem, placing.runs, MADE_BY)


def improved(problem: Problem, schedule: Schedule, go_on: Callable[[], bool]) -> Schedule:
    """The schedule after each wish, one by one, was taken out and put where it adds least, as long
    as that makes it cheaper."""
    best = schedule
    for _ in range(ROUNDS_MAX):
        before = best.cost.total
        for pack in problem.packs:
            for number in range(len(pack.wishes)):
                if not go_on():
                    return best
                placing = _Placing(problem)
                for run in best.runs:
                    if (run.pack, run.wish) != (pack.name, number):
                        placing.take(run)
                placing.place(pack, number)
                if _left_behind(pack, number, placing):
                    continue
                found = schedule_of(problem, placing.runs, MADE_BY)
                best = found if found.cost.total < best.cost.total else best
        if best.cost.total == before:
            break
    return best


def _left_behind(pack: PackTask, number: int, placing: _Placing) -> bool:
    """Whether the wish has no place left, and one that follows it is met."""
    after = number + 1
    return (
        not placing.has(pack.name, number)
        and after < len(pack.wishes)
        and pack.wishes[after].follows
        and placing.has(pack.name, after)
    )


def _weights(pack: PackTask) -> list[int]:
    """What each wish of the pack weighs: at least as much as one that follows it."""
    found: list[int] = []
    for number in reversed(range(len(pack.wishes))):
        follower = pack.wishes[number + 1] if number + 1 < len(pack.wishes) else None
        own = pack.wishes[number].weight
        found.append(max(own, found[-1]) if follower is not None and follower.follows else own)
    return found[::-1]


def _latest_begins(pack: PackTask) -> list[int]:
    """The last step at which each wish of the pack could begin, so that those after it still can;
    -1 where a wish cannot be met at all, so that nobody waits for it."""
    found: list[int] = []
    after: int | None = None
    for wish in reversed(pack.wishes):
        begins = [end - 1 for way in wish.ways for _, end in way.begins]
        latest = max(begins, default=-1)
        if after is not None and latest >= 0:
            least = min(way.steps for way in wish.ways if way.begins)
            latest = min(latest, after - least)
        if latest >= 0:
            after = latest - wish.gap
        found.append(max(-1, latest))
    return found[::-1]


class _Placing:
    """The runs placed so far; `place` adds one, or none."""

    def __init__(self, problem: Problem) -> None:
        self.runs: list[Run] = []
        self._problem = problem
        self._awake_before = awake_before_of(problem)
        self._drawn_w = [0] * problem.steps

    def has(self, pack: str, number: int) -> bool:
        """Whether the wish is met."""
        return any((run.pack, run.wish) == (pack, number) for run in self.runs)

    def keep(self, run: Run) -> None:
        """A run of another's choice, if it goes with those that are here."""
        pack = self._problem.pack(run.pack)
        wish = pack.wishes[run.wish]
        if self.has(run.pack, run.wish) or not self._carries(way_of(wish, run).wall_w, run):
            return
        if wish.follows and not self.has(run.pack, run.wish - 1):
            return
        for other in self.runs:
            if other.pack != run.pack:
                continue
            if other.wish < run.wish and run.begin < other.end + wish.gap:
                return
            if other.wish > run.wish and other.begin < run.end + pack.wishes[other.wish].gap:
                return
        if self._moves_with(run) is not None:
            self.take(run)

    def place(self, pack: PackTask, number: int) -> None:
        """The wish where it adds least, if that is less than it weighs."""
        wish = pack.wishes[number]
        mine = [run for run in self.runs if run.pack == pack.name]
        if wish.follows and all(run.wish != number - 1 for run in mine):
            return
        earliest = max((run.end + wish.gap for run in mine if run.wish < number), default=0)
        latest = min(
            (run.begin - pack.wishes[run.wish].gap for run in mine if run.wish > number),
            default=self._problem.steps,
        )
        best: tuple[int, Run] | None = None
        for price, run in sorted(
            self._candidates(pack.name, number, wish, earliest, latest),
            key=lambda found: (found[0], found[1].begin),
        ):
            if best is not None and price >= best[0]:
                break  # moves only add to it
            moves = self._moves_with(run)
            if moves is not None:
                whole = price + moves * self._problem.weights.move_units
                if best is None or whole < best[0]:
                    best = whole, run
        # What costs more than it is worth is left out.
        if best is not None and best[0] <= wish.weight + self._moves_now():
            self.take(best[1])

    def _candidates(
        self, pack: str, number: int, wish: Wish, earliest: int, latest: int
    ) -> Iterator[tuple[int, Run]]:
        """Each run that would meet the wish, with its price but for moves (units)."""
        problem = self._problem
        for way in wish.ways:
            for first, end in way.begins:
                for begin in range(max(first, earliest), min(end, latest - way.steps + 1)):
                    run = Run(pack, number, way.station, begin, begin + way.steps)
                    if not self._carries(way.wall_w, run):
                        continue
                    lain = problem.steps - wish.counts_from(run.begin, run.end)
                    yield energy_of(problem, way, begin) - wish.saves * lain, run

    def _carries(self, wall_w: int, run: Run) -> bool:
        limit = self._problem.circuit_w
        if limit is None or wall_w == 0:
            return True
        return max(self._drawn_w[run.begin : run.end]) + wall_w <= limit

    def _moves_with(self, run: Run) -> int | None:
        if any(run.station == other.station and run.begin < other.end and other.begin < run.end
               for other in self.runs):  # fmt: skip
            return None
        moves = moves_of(self._problem, self._awake_before, [*self.runs, run])
        return None if moves is None else len(moves)

    def _moves_now(self) -> int:
        moves = moves_of(self._problem, self._awake_before, self.runs)
        assert moves is not None
        return len(moves) * self._problem.weights.move_units

    def take(self, run: Run) -> None:
        """One more run, which goes with the others."""
        self.runs.append(run)
        way = way_of(self._problem.wish(run.pack, run.wish), run)
        for step in range(run.begin, run.end):
            self._drawn_w[step] += way.wall_w
