"""Small problems drawn at random, and the cheapest schedule of each by trying every one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

from hypothesis import strategies as st

from carerules.domain.pack import Side
from carerules.planner import PackTask, Problem, Way, Weights, Wish

A, B = "A", "B"


def way(station: str, steps: int, begins: Sequence[tuple[int, int]], wall_w: int = 0) -> Way:
    return Way(station, steps, wall_w, tuple(begins))


def drain(ready: int, due: int, ways: Sequence[Way], saves: int = 1_000, **more: object) -> Wish:
    wish = Wish(Side.LOAD, 80.0, ready, due, saves, 1_000_000, tuple(ways), "too-full")
    return replace(wish, **more)


def charge(ready: int, due: int, ways: Sequence[Way], saves: int = -1_000, **more: object) -> Wish:
    wish = Wish(Side.CHARGER, 100.0, ready, due, saves, 10_000_000, tuple(ways), "ready")
    return replace(wish, **more)


def problem(
    packs: Sequence[PackTask], steps: int, awake: str = "", circuit_w: int | None = None,
    price: Sequence[int] = (),
) -> Problem:  # fmt: skip
    """`awake`: a `#` for each step with somebody awake, a `.` for each other; missing: awake."""
    return Problem(
        0, steps, tuple(c == "#" for c in awake.ljust(steps, "#")),
        tuple(price) or (0,) * steps, (A, B), tuple(packs), circuit_w,
        weights=Weights(move=0.0005),
    )  # fmt: skip


@st.composite
def problems(
    draw: st.DrawFn, steps_max: int = 8, packs_max: int = 3, wishes_max: int = 4
) -> Problem:
    """Anything small: hours asleep, prices, a circuit that is too weak, packs hung anywhere."""
    steps = draw(st.integers(3, steps_max))
    homes = draw(st.permutations([A, B, None, None]))
    left = wishes_max
    packs = []
    for number in range(draw(st.integers(1, packs_max))):
        wishes = []
        for place in range(draw(st.integers(0, min(2, left)))):
            wishes.append(draw(_wishes(steps, first=place == 0)))
            left -= 1
        packs.append(PackTask(f"p{number}", homes[number], draw(st.integers(0, 3_000)),
                              tuple(wishes)))  # fmt: skip
    return Problem(
        0, steps,
        tuple(draw(st.lists(st.booleans(), min_size=steps, max_size=steps))),
        tuple(draw(st.lists(st.sampled_from([0, 5, 20]), min_size=steps, max_size=steps))),
        (A, B), tuple(packs), draw(st.sampled_from([None, 100, 250, 400])),
        weights=Weights(move=draw(st.sampled_from([0.0, 0.0005]))),
    )  # fmt: skip


@st.composite
def _wishes(draw: st.DrawFn, steps: int, *, first: bool) -> Wish:
    ready = draw(st.integers(0, steps - 1))
    due = draw(st.integers(ready, steps))
    side = draw(st.sampled_from(Side))
    ways = []
    for station in (A, B):
        length = draw(st.integers(1, 3))
        last = due - length
        if last < ready or not draw(st.booleans()):
            continue
        hole = draw(st.integers(ready, last + 1))
        begins = [
            one for one in ((ready, hole), (min(hole + 1, last + 1), last + 1)) if one[0] < one[1]
        ]
        if begins:
            watts = draw(st.sampled_from([100, 200])) if side is Side.CHARGER else 0
            ways.append(Way(station, length, watts, tuple(begins)))
    sign = 1 if side is Side.LOAD else -1
    return Wish(
        side, 80.0, ready, due, sign * draw(st.integers(0, 2_000)),
        draw(st.sampled_from([2_000, 500_000])), tuple(ways), "rule",
        gap=draw(st.integers(0, 1)), follows=not first and draw(st.booleans()),
    )  # fmt: skip


# ---- every schedule ----------------------------------------------------------------------------


def cheapest_of_all(given: Problem) -> int:
    """The least price (units), by trying each station and beginning of each wish, and none.

    Packs are moved as a person would: to a station only for a run there, taking off what hangs
    there; and of all the moments for it, any at which somebody is awake will do.
    """
    keys = [(pack.name, number) for pack in given.packs for number in range(len(pack.wishes))]
    wishes = {(pack.name, number): wish for pack in given.packs
              for number, wish in enumerate(pack.wishes)}  # fmt: skip
    choices = [
        [None, *((way, begin) for way in wishes[key].ways for begin in range(given.steps)
                 if any(a <= begin < b for a, b in way.begins))]
        for key in keys
    ]  # fmt: skip
    best: int | None = None
    for chosen in product(*choices):
        found = _price(given, [(key, wishes[key], pick) for key, pick in
                               zip(keys, chosen, strict=True)])  # fmt: skip
        if found is not None and (best is None or found < best):
            best = found
    assert best is not None
    return best


def _price(
    given: Problem, chosen: list[tuple[tuple[str, int], Wish, tuple[Way, int] | None]]
) -> int | None:
    total = sum(pack.lies for pack in given.packs) * given.steps
    taken: dict[tuple[str, int], tuple[str, int, int]] = {}
    drawn = [0] * given.steps
    for key, wish, pick in chosen:
        if pick is None:
            total += wish.weight
            continue
        way, begin = pick
        end = begin + way.steps
        taken[key] = (way.station, begin, end)
        total -= wish.saves * (given.steps - (end if wish.side is Side.LOAD else begin))
        for step in range(begin, end):
            drawn[step] += way.wall_w
            total += way.wall_w * given.price[step]
    if given.circuit_w is not None and max(drawn) > given.circuit_w:
        return None
    for key, wish, _ in chosen:
        if key not in taken:
            continue
        if wish.follows and (key[0], key[1] - 1) not in taken:
            return None
        for (pack, number), (_, _, end) in taken.items():
            if pack == key[0] and number < key[1] and taken[key][1] < end + wish.gap:
                return None
    runs = sorted((begin, end, station, pack) for (pack, _), (station, begin, end) in taken.items())
    moves = _fewest_moves(given, runs)
    if moves is None:
        return None
    return total + moves * round(given.weights.move * 1e7)


def _fewest_moves(given: Problem, runs: list[tuple[int, int, str, str]]) -> int | None:
    for number, (begin, end, station, pack) in enumerate(runs):
        for other_begin, other_end, there, other in runs[number + 1 :]:
            if (there == station or other == pack) and other_begin < end and begin < other_end:
                return None
    moves = 0
    for begin, _, station, pack in runs:
        # Who hung here last, and since when the pack and the station are free.
        here = [run for run in runs if run[2] == station and run[1] <= begin]
        own = [run for run in runs if run[3] == pack and run[1] <= begin]
        last_here = max(here, default=None, key=lambda run: run[1])
        last_own = max(own, default=None, key=lambda run: run[1])
        home = next(one.station for one in given.packs if one.name == pack)
        if last_here is None:
            stays = home == station and last_own is None
        else:
            stays = last_here[3] == pack and last_own is not None and last_own[2] == station
        if stays:
            continue
        free = max(last_here[1] if last_here else 0, last_own[1] if last_own else 0)
        if not any(given.awake[step] for step in range(free, begin + 1)):
            return None
        moves += 1
    return moves
