"""Pictures of runs, as docs/semantics.md draws them, made by the real step.

A picture is a few lines of `key words`. What is told: `when CONDITION` (and `rearm CONDITION`) or
`never CONDITION` (of a charge), `heard STORY` (tests/loop/kit.py says how a story goes; its last
scene is the end), `each SPAN` a column, and `down SPAN SPAN` for a time in which the service does
not run. What is drawn, a sign a column: `#` yes, `.` no, `?` unknown, a space while nobody looks:

    inner   the condition inside the outermost `for`, `in last` or `not`
    whole   the whole condition
    fires   `^` where the rule fires
    barred  `#` where a charge is forbidden
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "loop"))

from kit import BEGIN, Stage, end_of, events_of, setup_of, span

from carerules.domain.decision import Fired
from carerules.domain.event import Started
from carerules.domain.moment import Moment
from carerules.domain.quantity import Truth
from carerules.engine import Explained, explain, forbids
from carerules.loop import facts_of, new_world

TOLD = ("when", "rearm", "never", "heard", "each", "down")
DRAWN = ("inner", "whole", "fires", "barred")
SIGN = {Truth.YES: "#", Truth.NO: ".", Truth.UNKNOWN: "?"}


@dataclass
class Picture:
    told: dict[str, str] = field(default_factory=dict)
    drawn: dict[str, str] = field(default_factory=dict)


def read(block: str) -> Picture:
    """A picture as text; a line that goes on is indented by at least eight."""
    picture, last = Picture(), ""
    for line in block.splitlines():
        key, _, words = line.partition(" ")
        if not key and line.strip() and last in TOLD:
            picture.told[last] += " " + line.strip()
            continue
        if key in DRAWN:
            picture.drawn[key] = line[8:]
        elif key in TOLD:
            picture.told[key] = words.strip()
        else:
            assert key in ("time", ""), f"`{key}` is no line of a picture"
        last = key
    return picture


def wrong_marks(block: str) -> list[str]:
    """The numbers of the `time` line that do not stand over the column that they name."""
    told, wrong = read(block).told, []
    (ruler,) = re.findall(r"^time    (.*)$", block, re.MULTILINE)
    unit, count = told["each"][-1], int(told["each"][:-1])
    for mark in re.finditer(r"(\d+)(h?)", ruler):
        minutes = int(mark[1]) * (60 if mark[2] else 1)
        at = minutes if unit == "m" or not mark[2] else minutes / 60
        if mark.start() * count != at:
            wrong.append(mark[0])
    return wrong


def draw(told: dict[str, str]) -> dict[str, str]:
    """Every line that can be drawn."""
    rules = (
        f"never charge when {told['never']}\n"
        if "never" in told
        else f'rule it\n    when {told["when"]}:\n        notify "it"\n'
    )
    if "rearm" in told:
        rules += f"        rearm when {told['rearm']}\n"
    begin, column = BEGIN, span(told["each"])
    end = end_of(told["heard"])
    gone, back = (begin + span(one) for one in told.get("down", f"{10**6}d {10**6}d").split())
    stage = Stage(new_world(setup_of(rules), begin))
    stage.hear(Started(begin))
    left = [event for event in events_of(told["heard"]) if not gone <= event.heard < back]
    rows = dict.fromkeys(DRAWN, "")
    fired = 0
    for moment in range(begin, end + 1, column):
        while left and left[0].heard <= moment:
            if stage.now < back <= left[0].heard:
                stage.hear(Started(back))
            event = left.pop(0)
            if event.heard > stage.now + 1:
                stage.until(event.heard - 1)
            stage.hear(event)
        if gone <= moment < back:
            rows = {name: row + " " for name, row in rows.items()}
            continue
        if stage.now < back <= moment:
            stage.hear(Started(back))
        if moment > stage.now:
            stage.until(moment)
        _add(rows, stage, moment, fired)
        fired = len(stage.all(Fired))
    return {name: row.rstrip() for name, row in rows.items()}


def _add(rows: dict[str, str], stage: Stage, moment: Moment, fired: int) -> None:
    world = stage.world
    state, bound = world.packs["heron"], world.setup.bound["heron"]
    facts = facts_of(world, "heron")
    for rule, remembered in zip(bound.rules, state.rules, strict=True):
        whole = explain(rule.when, remembered.memory, facts, moment)
        rows["whole"] += SIGN[whole.truth]
        rows["inner"] += SIGN[_inner(whole).truth]
    rows["fires"] += "^" if len(stage.all(Fired)) > fired else " "
    barred = bound.nevers and forbids(bound, "charge", state.nevers, facts, moment, {})[0]
    rows["barred"] += "#" if barred else "."
    if bound.nevers:
        ready = bound.nevers[0].when
        whole = explain(ready, state.nevers[0], facts, moment)
        rows["whole"] += SIGN[whole.truth]
        rows["inner"] += SIGN[_inner(whole).truth]


def _inner(whole: Explained) -> Explained:
    return whole.parts[0] if len(whole.parts) == 1 else whole
