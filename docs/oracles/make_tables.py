"""Make the tables of this folder anew: what public libraries say of invented cases.

    python make_tables.py [FOLDER]      writes monitors.json and slopes.json

Needs what README.md says. The cases come from fixed numbers, so the same versions write the same
bytes; a test in tests/oracle does so and compares.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path
from random import Random
from typing import Any

import monitors as m

STEPS = 300
SILENCES = 200
SLOPES = 60


def ask_both(case: dict[str, Any]) -> str:
    """The one answer of both libraries; two answers stop the making."""
    if "samples" in case:
        answers = [m.judged_in_parts(case, ask, words) for ask, words in LIBRARIES]
    else:
        answers = [m.judged(case, ask, words) for ask, words in LIBRARIES]
    assert len(set(answers)) == 1, (case, answers)
    return answers[0]


LIBRARIES = ((m.by_rtamt, m.RTAMT), (m.by_reelay, m.REELAY))


def monitor_cases() -> Iterable[dict[str, Any]]:
    """Traces without gaps, traces with gaps, and samples that fall silent."""
    chance = Random(1990)
    for number in range(STEPS):
        case = m.random_case(chance, gaps=number % 3 > 0)
        yield case | {"answer": ask_both(case), "kleene": m.kleene(case)}
    for _ in range(SILENCES):
        case = m.random_silence(chance)
        yield case | {"answer": ask_both(case)}


def slope_cases() -> Iterable[dict[str, Any]]:
    """Points with a trend, noise, some wild ones and some equal ones; and Sen's own example."""
    from scipy.stats import theilslopes  # noqa: PLC0415

    # Sen, Estimates of the regression coefficient based on Kendall's tau, Journal of the American
    # Statistical Association 63 (1968) 1379-1389; the slope that the paper finds is 4.
    points = [([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78])]
    chance = Random(1968)
    for _ in range(SLOPES):
        xs = sorted(chance.sample(range(60), chance.randint(4, 40)))
        trend = chance.choice([-2.0, -0.1, 0.0, 0.03, 1.5])
        ys = [round(trend * x + chance.gauss(0, chance.choice([0, 0.5, 3])), 1) for x in xs]
        for wild in chance.sample(range(len(ys)), len(ys) // 6):
            ys[wild] += chance.choice([-50, 50])
        points.append((xs, ys))
    for xs, ys in points:
        yield {"x": xs, "y": ys, "slope": round(float(theilslopes(ys, xs).slope), 12)}


def table(made_by: list[str], cases: Iterable[dict[str, Any]]) -> str:
    """A case a line, so that a difference shows as a line."""
    rows = ",\n".join(json.dumps(case, separators=(",", ":")) for case in cases)
    made = json.dumps({name: version(name) for name in made_by})
    return f'{{"made by": {made},\n"cases": [\n{rows}\n]}}\n'


def main(folder: Path) -> None:
    """Write both tables."""
    (folder / "monitors.json").write_text(table(["rtamt", "reelay"], monitor_cases()))
    (folder / "slopes.json").write_text(table(["scipy"], slope_cases()))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
