"""Ten rules over packs that speak once a minute: the engine sample by sample, and by hand.

`python benchmarks/online.py [--packs N] [--rounds N] [--ways ours,hand,rtamt]` prints a row a way:
rule-samples a second (samples of all packs, times ten rules), and how many times as fast as the
loop by hand. `ours` is the engine with each sample: each value held
against the stretch in which it lay, and where one has left it, or something is due, the rules
looked at that this may change. The service's step does the same with the same functions
(`Watch.moved`, `evaluate`), and more: its estimate makes readings of every sample, where here they
are made only for a look, and it keeps the world as it was. `hand` is the same ten rules
written out in Python, for these three signals alone. `rtamt` is its online monitor of discrete
time, a formula a rule and pack, on a few of the packs; it has no firings to compare, for it says
how far from true a formula is. The ways run in one process, in turn, `rounds` times, and each must
find the same firings. Needs numpy for the data.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from replay_rules import HOUR_MS, MINUTE_MS, RULES, TEXT, Columns, Found, columns  # noqa: E402

from carerules.battery import shipped_chemistries  # noqa: E402
from carerules.domain.moment import LocalTime  # noqa: E402
from carerules.domain.pack import Pack  # noqa: E402
from carerules.domain.quantity import Known, Truth  # noqa: E402
from carerules.domain.signal import MEASURED_MAX_AGE, catalogue  # noqa: E402
from carerules.engine import (  # noqa: E402
    Bound,
    Facts,
    bind_all,
    evaluate,
    fresh_states,
)
from carerules.lang import load  # noqa: E402

RTAMT_PACKS = 2


@dataclass(slots=True)
class One:
    """A pack on its way: what was heard last, where it lies, how its rules stand, what is due."""

    number: int
    heard: tuple[int, float, float, float]
    within: Any
    rules: Any
    facts: Facts
    deadline: int
    due: int


def ours(data: Columns) -> Found:
    signals = catalogue()
    plan = load({"bench.care": TEXT}, catalogue=signals).plan
    assert plan is not None
    limits = shipped_chemistries()["lipo"].limits
    packs = {f"p{at}": Pack(f"p{at}", "lipo", 6, 16.0, limits) for at in range(data.packs)}
    bound = bind_all(plan, packs, signals)["p0"]
    found: Found = []
    assert [one.name for one in bound.watch.signals] == NAMES
    all_packs = []
    for number in range(data.packs):
        facts = Facts({}, {}, {}, {}, (), LocalTime(UTC))
        rules, due = evaluate(bound, fresh_states(bound), facts, 0)
        within = bound.watch.sections({}, 0)
        all_packs.append(One(number, (0, 0.0, 0.0, 0.0), within, rules, facts, due, due))
    for at, socs, temps, amps in steps(data):
        for one, soc, temp, amp in zip(all_packs, socs, temps, amps, strict=True):
            if at > one.due:
                pass_time(one, bound, at, found)
            one.heard = at, soc, temp, amp
            (soc_from, soc_to, _, _), (temp_from, temp_to, _, _), (amp_from, amp_to, _, _) = (
                one.within
            )
            if (
                at >= one.deadline
                or not soc_from < soc < soc_to
                or not temp_from < temp < temp_to
                or not amp_from < amp < amp_to
            ):
                look(one, bound, at, found)
    return found


def pass_time(one: One, bound: Bound, until: int, found: Found) -> None:
    """What was due before: mostly that readings would have been stale, had no others come."""
    one.due = min(one.deadline, one.heard[0] + FRESH_FOR)
    while one.due < until:
        look(one, bound, one.due, found)


YES = Truth.YES
FRESH_FOR = MEASURED_MAX_AGE + 1
NAMES = ["pack.soc", "pack.temperature", "pack.current"]


def look(one: One, bound: Bound, at: int, found: Found) -> None:
    """Readings made of what was heard, and the rules looked at that they or the time may change."""
    watch, readings = bound.watch, one.facts.readings
    then, soc, temp, amp = one.heard
    readings["pack.soc"] = Known(soc, 0.5, then, "feed")
    readings["pack.temperature"] = Known(temp, 0.2, then, "feed")
    readings["pack.current"] = Known(amp, 0.02, then, "feed")
    one.within, whose = watch.moved(one.within, readings, at)
    if whose or at >= one.deadline:
        looked_at = whose if at < one.deadline else range(len(one.rules))
        rules, one.deadline = evaluate(bound, one.rules, one.facts, at, whose, one.deadline)
        for place in looked_at:
            rule = rules[place]
            if rule.armed and rule.truth is YES:
                found.append((bound.rules[place].rule.name, one.number, at))
                fired = rule._replace(armed=False)
                rules = (*rules[:place], fired, *rules[place + 1 :])
        one.rules = rules
    fresh_until = then + FRESH_FOR
    one.due = min(one.deadline, fresh_until) if at < fresh_until else one.deadline


def hand(data: Columns) -> Found:
    """Each rule in its own lines; a list a rule of when its condition began, by pack."""
    found: Found = []
    n = data.packs
    never = -1
    full, hot, idle, warm, cold, topped, band = ([never] * n for _ in range(7))
    was = [[False] * n for _ in RULES]
    names = [name for name, _ in RULES]
    for at, socs, temps, amps in steps(data):
        for p, (soc, temp, amp) in enumerate(zip(socs, temps, amps, strict=True)):
            if soc >= 95:
                if full[p] < 0:
                    full[p] = at
            else:
                full[p] = never
            if temp > 45:
                if hot[p] < 0:
                    hot[p] = at
            else:
                hot[p] = never
            if -0.2 < amp < 0.2:
                if idle[p] < 0:
                    idle[p] = at
            else:
                idle[p] = never
            if soc >= 80 and temp >= 35:
                if warm[p] < 0:
                    warm[p] = at
            else:
                warm[p] = never
            if temp < 0 and amp > 0.5:
                if cold[p] < 0:
                    cold[p] = at
            else:
                cold[p] = never
            if soc >= 99:
                if topped[p] < 0:
                    topped[p] = at
            else:
                topped[p] = never
            if 20 <= soc <= 30:
                if band[p] < 0:
                    band[p] = at
            else:
                band[p] = never
            so = (
                0 <= full[p] <= at - 24 * HOUR_MS,
                0 <= hot[p] <= at - 5 * MINUTE_MS,
                soc <= 30 and 0 <= idle[p] <= at - 30 * MINUTE_MS,
                soc < 10,
                0 <= warm[p] <= at - 2 * HOUR_MS,
                0 <= cold[p] <= at - MINUTE_MS,
                soc >= 60 and 0 <= idle[p] <= at - 6 * HOUR_MS,
                temp >= 60,
                0 <= topped[p] <= at - 30 * MINUTE_MS,
                0 <= band[p] <= at - 4 * HOUR_MS,
            )
            for rule, now in enumerate(so):
                if now:
                    if not was[rule][p]:
                        found.append((names[rule], p, at))
                        was[rule][p] = True
                elif was[rule][p]:
                    was[rule][p] = False
    return found


def rtamt(data: Columns) -> Found:
    """A past-time formula a rule and pack, fed a sample at a time."""
    import rtamt as library  # noqa: PLC0415

    monitors = []
    for _ in range(data.packs):
        for _, terms in RULES:
            one = library.StlDiscreteTimeSpecification()
            for name in ("soc", "temperature", "current"):
                one.declare_var(name, "float")
            parts = []
            for atoms, time_ms in terms:
                so = " and ".join(f"({name} {op} {level})" for name, op, level in atoms)
                parts.append(f"historically[0:{time_ms // MINUTE_MS}]({so})" if time_ms else so)
            one.spec = " and ".join(f"({part})" for part in parts)
            one.parse()
            monitors.append(one)
    rules = len(RULES)
    for number, (_, socs, temps, amps) in enumerate(steps(data)):
        for p in range(data.packs):
            row = [("soc", socs[p]), ("temperature", temps[p]), ("current", amps[p])]
            for one in monitors[p * rules : (p + 1) * rules]:
                one.update(number, row)
    return []


def steps(data: Columns) -> Any:
    """A moment at a time: the packs' numbers, as plain floats."""
    soc, temp, amps = data.soc.T, data.temperature.T, data.current.T
    for row, at in enumerate(data.time.tolist()):
        yield at, soc[row].tolist(), temp[row].tolist(), amps[row].tolist()


WAYS: dict[str, Callable[[Columns], Found]] = {"ours": ours, "hand": hand, "rtamt": rtamt}


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--packs", type=int, default=200)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--ways", default="ours,hand")
    asked = ask.parse_args()
    if strange := sorted(set(asked.ways.split(",")) - set(WAYS)):
        ask.error(f"found `{strange[0]}`, wanted of {', '.join(WAYS)}")
    data = columns(asked.packs)
    few = Columns(data.time, *(one[:RTAMT_PACKS] for one in (data.soc, data.temperature,
                                                             data.current)))  # fmt: skip
    best: dict[str, float] = {}
    firings: dict[str, Found] = {}
    for _ in range(asked.rounds):
        for way in asked.ways.split(","):
            given = few if way == "rtamt" else data
            begun = time.process_time()
            firings[way] = sorted(WAYS[way](given))
            rate = given.packs * given.length * len(RULES) / (time.process_time() - begun)
            best[way] = max(best.get(way, 0.0), rate)
    if {"ours", "hand"} <= firings.keys() and firings["ours"] != firings["hand"]:
        sys.exit("the firings differ")
    against = best.get("hand", 0.0)
    for way, rate in best.items():
        times = f"{rate / against:8.3f} times by hand" if against else ""
        print(f"{way:6} {rate / 1e6:8.3f} million rule-samples a second of CPU {times}")


if __name__ == "__main__":
    main()
