"""Past-time formulas over random step signals with gaps, as two public monitors judge them.

Knows formulas, traces, and how each library wants to be asked. Does not know our engine. It is run
in an environment of its own (see README.md here); carerules never imports it.

A formula is `"a"` (a signal), `["not", F]`, `["and", F, G]`, `["or", F, G]`, `["for", D, F]` or
`["in last", D, F]`. A trace is text, `0y 5u 8n`: yes from 0, unknown from 5, no from 8. Time is
whole numbers.

Both libraries know yes and no only. A signal with gaps is given to them as two: `a_must`, where it
is certainly yes, and `a_may`, where it is not certainly no. Each formula is asked twice likewise:

    must (not F)       = not may F               may (not F)       = not must F
    must (F for D)     = historically[0,D] must F  and once[D,D] begun
    may (F for D)      = must (F for D)  or  (may F and not must F)
    must (F in last D) = once[0,D] must F        may (F in last D) = once[0,D] may F
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from random import Random
from tempfile import TemporaryFile
from typing import Any

Formula = Any
Steps = list[tuple[int, str]]
Marks = list[tuple[int, bool]]

# ---- traces ----------------------------------------------------------------------------------


def read(trace: str) -> Steps:
    """`0y 5n` as [(0, "y"), (5, "n")]."""
    return [(int(word[:-1]), word[-1]) for word in trace.split()]


def write(steps: Steps) -> str:
    """The trace as text, without steps that change nothing."""
    kept = [one for at, one in enumerate(steps) if not at or steps[at - 1][1] != one[1]]
    return " ".join(f"{at}{letter}" for at, letter in kept)


def at(steps: list[tuple[int, Any]], moment: int) -> Any:
    """The value of a step function."""
    return [value for since, value in steps if since <= moment][-1]


def atoms(formula: Formula) -> list[str]:
    """The signals of a formula, in order."""
    if isinstance(formula, str):
        return [formula]
    inner = [one for one in formula[1:] if not isinstance(one, int)]
    return sorted({name for one in inner for name in atoms(one)})


# ---- random cases ----------------------------------------------------------------------------


def random_formula(chance: Random, depth: int) -> Formula:
    """A formula that looks back at least once."""
    if depth == 0:
        return chance.choice("ab")
    kind = chance.choice(["for", "for", "in last", "in last", "and", "or", "not"])
    if kind in ("for", "in last"):
        return [kind, chance.randint(1, 9), random_formula(chance, chance.randint(0, depth - 1))]
    if kind == "not":
        return [kind, random_formula(chance, depth - 1)]
    left, right = random_formula(chance, depth - 1), random_formula(chance, depth - 1)
    return [kind, left, right]


def looks_back(formula: Formula) -> bool:
    """Whether there is a `for` or an `in last` in it."""
    if isinstance(formula, str):
        return False
    return formula[0] in ("for", "in last") or any(
        looks_back(one) for one in formula[1:] if not isinstance(one, int)
    )


def random_trace(chance: Random, end: int, *, gaps: bool) -> str:
    """A trace from 0 to before `end`."""
    letters = "yynnu" if gaps else "yn"
    steps, moment = [], 0
    while moment < end:
        steps.append((moment, chance.choice(letters)))
        moment += chance.choice([1, 1, 2, 3, 5, 8, 13])
    return write(steps)


def random_case(chance: Random, *, gaps: bool) -> dict[str, Any]:
    """A formula and a trace for each of its signals."""
    while not looks_back(formula := random_formula(chance, 3)):
        pass
    end = chance.randint(12, 40)
    traces = {name: random_trace(chance, end, gaps=gaps) for name in atoms(formula)}
    return {"formula": formula, "traces": traces, "end": end}


# ---- the two libraries -----------------------------------------------------------------------

Ask = Callable[[str, dict[str, Marks], int], Marks]


def by_rtamt(formula: str, signals: dict[str, Marks], end: int) -> Marks:
    """rtamt's offline monitor over dense time: a robustness, whose sign is the answer."""
    import rtamt  # noqa: PLC0415

    spec = rtamt.StlDenseTimeSpecification()
    for name in signals:
        spec.declare_var(name, "float")
    spec.spec = formula
    spec.parse()
    given = [
        [name, [[float(at), 1.0 if yes else -1.0] for at, yes in (*marks, (end, marks[-1][1]))]]
        for name, marks in signals.items()
    ]
    return [(round(at), value >= 0) for at, value in spec.evaluate(*given)]


def by_reelay(formula: str, signals: dict[str, Marks], end: int) -> Marks:
    """reelay's online monitor over dense time, piecewise constant.

    It is told the values at each unit of time: told only at changes, 25.0.0 loses part of an `or`
    whose answer changes between two of them.
    """
    from reelay import dense_timed_monitor  # noqa: PLC0415

    with _refused_if_it_complains(formula):
        monitor = dense_timed_monitor(pattern=formula)
    found: Marks = []
    for moment in range(end + 1):
        row: dict[str, Any] = {name: at(marks, moment) for name, marks in signals.items()}
        found += [
            (round(one["time"]), one["value"]) for one in monitor.update(row | {"time": moment})
        ]
    return found


@contextmanager
def _refused_if_it_complains(formula: str) -> Iterator[None]:
    """reelay tells of a formula that it cannot read on standard error only, and goes on."""
    with TemporaryFile() as said:
        kept = os.dup(2)
        os.dup2(said.fileno(), 2)
        try:
            yield
        finally:
            sys.stderr.flush()
            os.dup2(kept, 2)
            os.close(kept)
        said.seek(0)
        words = said.read().decode()
    if words:
        raise ValueError(f"reelay: {words.strip()}: {formula}")


RTAMT = {"atom": "({0}>=0)", "once": "(once[{0}:{1}]({2}))", "ever": "(historically[{0}:{1}]({2}))"}
REELAY = {
    "atom": "({{{0}}})",
    "once": "(once[{0}:{1}]({2}))",
    "ever": "(historically[{0}:{1}]({2}))",
}


def spelled(formula: Formula, must: bool, words: dict[str, str]) -> str:
    """The formula in a library's own spelling."""
    if isinstance(formula, str):
        return words["atom"].format(f"{formula}_{'must' if must else 'may'}")
    kind, *rest = formula
    if kind == "not":
        return f"(not ({spelled(rest[0], not must, words)}))"
    if kind in ("and", "or"):
        left, right = (spelled(one, must, words) for one in rest)
        return f"({left} {kind} {right})"
    time, part = rest
    if kind == "in last":
        return words["once"].format(0, time, spelled(part, must, words))
    sure, maybe = spelled(part, True, words), spelled(part, False, words)
    old_enough = words["once"].format(time, time, words["atom"].format("begun"))
    held = f"({words['ever'].format(0, time, sure)} and {old_enough})"
    return held if must else f"({held} or ({maybe} and (not ({sure}))))"


def judged(case: dict[str, Any], ask: Ask, words: dict[str, str]) -> str:
    """What a library makes of the case: its three-valued answer as a trace."""
    signals: dict[str, Marks] = {"begun": [(0, True)]}
    for name, trace in case["traces"].items():
        steps = read(trace)
        signals[f"{name}_must"] = [(since, letter == "y") for since, letter in steps]
        signals[f"{name}_may"] = [(since, letter != "n") for since, letter in steps]
    both = []
    for must in (True, False):
        text = spelled(case["formula"], must, words)
        used = {
            name: marks for name, marks in signals.items() if words["atom"].format(name) in text
        }
        both.append(ask(text, used, case["end"]))
    return write([
        (moment, "y" if at(both[0], moment) else "u" if at(both[1], moment) else "n")
        for moment in range(case["end"])
    ])  # fmt: skip


def ask_rtamt(case: dict[str, Any]) -> str:
    """rtamt's answer."""
    return judged(case, by_rtamt, RTAMT)


def ask_reelay(case: dict[str, Any]) -> str:
    """reelay's answer."""
    return judged(case, by_reelay, REELAY)


# ---- the plain three-valued reading, for comparison ------------------------------------------


def kleene(case: dict[str, Any]) -> str:
    """Strong Kleene truth throughout, and nothing known before 0: the tables' other column.

    `F for D` is then the least, and `F in last D` the greatest, of F over [t-D, t], and unknown
    counts wherever the window reaches into a gap or before the beginning.
    """
    steps = {name: read(trace) for name, trace in case["traces"].items()}
    order = "nuy"

    def truth(formula: Formula, moment: int) -> int:
        if moment < 0:
            return 1
        if isinstance(formula, str):
            return order.index(at(steps[formula], moment))
        kind, *rest = formula
        if kind == "not":
            return 2 - truth(rest[0], moment)
        if kind in ("and", "or"):
            pair = [truth(one, moment) for one in rest]
            return min(pair) if kind == "and" else max(pair)
        seen = [truth(rest[1], then) for then in range(moment - rest[0], moment + 1)]
        return min(seen) if kind == "for" else max(seen)

    return write([(moment, order[truth(case["formula"], moment)]) for moment in range(case["end"])])


# ---- signals that fall silent ----------------------------------------------------------------

FRESH = 20
"""A sample is believed for so many half minutes (ten minutes), and at that very instant too."""
BRIDGE = 20
"""A gap shorter than this between two yeses does not break a `for`."""


def random_silence(chance: Random) -> dict[str, Any]:
    """A formula over two sampled signals, a sample being heard at whole minutes only.

    Time is in half minutes, of which the odd one stands for the first instant after the minute: a
    sample of minute m is unknown from 2 (m + 10) + 1 on. `a` is sampled at even minutes and `b` at
    odd ones, since two samples of one instant are taken one after the other.
    """
    while not looks_back(formula := random_formula(chance, 2)):
        pass
    end = chance.randint(40, 140)
    samples = {}
    for name in atoms(formula):
        minute = chance.choice([0, 2, 6]) + (name == "b")
        heard = []
        while minute < end // 2:
            heard.append(f"{minute}{chance.choice('yyyn')}")
            minute += chance.choice([2, 4, 8, 8, 10, 12, 18, 20, 22, 30])
        samples[name] = " ".join(heard)
    return {"formula": formula, "samples": samples, "end": end}


def silent(samples: str, end: int) -> str:
    """The trace (half minutes) of samples (minutes): unknown at first, and once each is old."""
    heard = [(2 * minute, letter) for minute, letter in read(samples) if 2 * minute < end]
    steps: Steps = [(0, "u")] if not heard or heard[0][0] else []
    for (moment, letter), following in zip(heard, [*heard[1:], (end, "")], strict=True):
        steps.append((moment, letter))
        if following[0] > moment + FRESH + 1:
            steps.append((moment + FRESH + 1, "u"))
    return write([step for step in steps if step[0] < end])


def bridged(trace: str) -> str:
    """The trace with each short gap between two yeses filled."""
    steps = read(trace)
    for place in range(1, len(steps) - 1):
        (_, before), (since, letter), (until, after) = steps[place - 1 : place + 2]
        if (before, letter, after) == ("y", "u", "y") and until - since < BRIDGE:
            steps[place] = (since, "y")
    return write(steps)


def judged_in_parts(case: dict[str, Any], ask: Ask, words: dict[str, str]) -> str:
    """Like `judged`, each part asked by itself, so that the gaps of what is held can be bridged.

    `F for D` is then yes where F is and, gaps bridged, has been over all of [t-D, t].
    """
    end = case["end"]

    def whole(formula: Formula) -> str:
        if isinstance(formula, str):
            return silent(case["samples"][formula], end)
        kind, *rest = formula
        inner = [one if isinstance(one, int) else whole(one) for one in rest]
        names = [one if isinstance(one, int) else "xy"[at] for at, one in enumerate(rest)]
        traces = {
            name: one for name, one in zip(names, inner, strict=True) if isinstance(name, str)
        }
        if kind in ("for", "in last"):
            names[0] = 2 * rest[0]  # minutes in half minutes
        if kind != "for":
            return judged({"formula": [kind, *names], "traces": traces, "end": end}, ask, words)
        held = {
            "formula": ["for", names[0], "y"],
            "traces": {"y": bridged(traces["y"])},
            "end": end,
        }
        answer, now = read(judged(held, ask, words)), read(traces["y"])
        return write([
            (t, "u" if at(now, t) == "u" else "y" if at(answer, t) == "y" else "n")
            for t in range(end)
        ])  # fmt: skip

    return whole(case["formula"])
