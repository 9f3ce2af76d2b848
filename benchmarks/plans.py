"""How near the plans of thirty packs come to the cheapest, and how long each way takes.

    python benchmarks/plans.py [--nights 6] [--seconds 10]

Thirty packs of lithium polymer on four stations through three days, drawn at random but for what a
site of that kind has: drains from full to 80 % on loads of 60 and 120 W, charges of up to two hours
by a use, nobody awake from 22:00 to 07:00; every second night with a tariff and a circuit for three
chargers. Measured, not asserted.
"""

from __future__ import annotations

import argparse
import random
from time import perf_counter

from carerules.battery import shipped_chemistries, stored_cost
from carerules.domain.moment import MONTH
from carerules.domain.pack import Side
from carerules.planner import (
    PackTask,
    Problem,
    Schedule,
    Way,
    Weights,
    Wish,
    broken_limits,
    by_rule,
    solved,
)
from carerules.planner.problem import STEP, UNIT, units

STATIONS = ("A", "B", "C", "D")
DAY_STEPS = 96
STEPS = 3 * DAY_STEPS
EVENING = 72  # the plan begins at 18:00


def night(seed: int, packs: int = 30) -> Problem:
    """One site on one evening."""
    draw = random.Random(seed)
    hours = [((step + EVENING) % DAY_STEPS) / 4 for step in range(STEPS)]
    tariff = seed % 2 == 1
    weights = Weights()
    price = [
        round(units((0.12 if hour < 6 else 0.30) * weights.money) / 4_000) if tariff else 0
        for hour in hours
    ]
    return Problem(
        0, STEPS, tuple(7 <= hour < 22 for hour in hours), tuple(price), STATIONS,
        tuple(_pack(draw, number, weights) for number in range(packs)), 600 if tariff else None,
        weights,
    )  # fmt: skip


def _rate(level: float) -> int:
    cost = stored_cost(shipped_chemistries()["lipo"], level, 20.0)
    assert cost is not None
    return units(cost.mid * STEP / MONTH)


def _pack(draw: random.Random, number: int, weights: Weights) -> PackTask:
    level = draw.choice([100, 100, 95, 60, 50])
    use = draw.choice([None, draw.randint(30, STEPS)])
    last = STEPS if use is None else use
    wishes = []
    now = level
    if level > 80:
        ready = draw.choice([0, draw.randint(0, 96)])
        minutes = (level - 80) / 20 * draw.uniform(70, 110)
        ways = _ways(ready, last, [minutes, minutes, minutes / 2, minutes / 2], 0)
        if ways:
            wishes.append(Wish(Side.LOAD, 80, ready, last, _rate(level) - _rate(80),
                               units(weights.left_out), ways, "full-too-long"))  # fmt: skip
            now = 80
    if use is not None:
        ready = max(0, use - draw.choice([24, 48]))
        minutes = 15 + (100 - now) * draw.uniform(1.2, 2)
        ways = _ways(ready, use, [minutes] * 4, 180)
        if ways:
            wishes.append(Wish(Side.CHARGER, 100, ready, use, _rate(now) - _rate(100),
                               units(weights.left_out_of_use), ways, "ready", "survey",
                               gap=2))  # fmt: skip
    station = STATIONS[number] if number < len(STATIONS) else None
    return PackTask(f"pack-{number}", station, _rate(level), tuple(wishes))


def _ways(ready: int, due: int, minutes: list[float], wall_w: int) -> tuple[Way, ...]:
    found = []
    for station, length in zip(STATIONS, minutes, strict=True):
        steps = max(1, -(-round(length) // 15))
        if ready <= due - steps:
            found.append(Way(station, steps, wall_w, ((ready, due - steps + 1),)))
    return tuple(found)


def main() -> None:
    """The table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--nights", type=int, default=6)
    ask.add_argument("--seconds", type=float, default=10.0)
    asked = ask.parse_args()
    print("night wishes | simple rule: price %  out moves  s | solver: price %  out moves gap %  s")
    for seed in range(asked.nights):
        problem = night(seed)
        begun = perf_counter()
        simple = by_rule(problem)
        between = perf_counter()
        best = solved(problem, asked.seconds)
        ended = perf_counter()
        assert not broken_limits(problem, simple)
        wishes = sum(1 for _ in problem.wishes())
        gap = "none" if best.gap is None else f"{100 * best.gap:.2f}"
        print(f"{seed:5} {wishes:6} | {_row(simple)} {between - begun:4.1f} | {_row(best)} "
              f"{gap:>5} {ended - between:4.1f}", flush=True)  # fmt: skip


def _row(schedule: Schedule) -> str:
    cost = schedule.cost
    return f"{cost.total * UNIT:18.4f} {len(schedule.left_out):4} {len(schedule.moves):5}"


if __name__ == "__main__":
    main()
