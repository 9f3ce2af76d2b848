"""Site files whose expectation stands beside the mistake, and the prelude that they lean on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from carerules.config import Problem

WRONG = Path(__file__).parent / "wrong"

PRELUDE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[station.A]
load = { plug = "A-load", power = "60 W" }
[virtual]
start = 2026-12-01T18:00:00
"""


@dataclass(frozen=True)
class Case:
    """One small site file, and what must be said of it: line and sentence."""

    name: str
    text: str
    expected: list[tuple[int, str]]


def cases(file: str, prelude: str = PRELUDE) -> list[Case]:
    """The cases of a file; lines are counted as in the text that is read."""
    parts = (WRONG / file).read_text(encoding="utf-8").split("\n# ----\n")
    return [_case(f"{file}-{number}", prelude + part) for number, part in enumerate(parts, 1)]


def _case(name: str, text: str) -> Case:
    expected = [
        (number, sentence.strip())
        for number, row in enumerate(text.split("\n"), 1)
        for sentence in row.split("#!")[1:]
    ]
    return Case(name, text, sorted(expected))


def told(problems: tuple[Problem, ...]) -> list[tuple[int, str]]:
    """The problems as the cases write them."""
    return sorted((problem.line, sentence(problem)) for problem in problems)


def sentence(problem: Problem) -> str:
    """`KEY: found ..., wanted ... (mend)`, without the place."""
    first, _, second = problem.show().partition("\n")
    said = first.split(": ", 1)[1]
    mend = second.removeprefix("  mend: ")
    return f"{said} ({mend})" if mend else said
