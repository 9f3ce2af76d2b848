"""What a job does, told as docs/how-it-decides.md tells it: drawn by the real step.

A story is a rule text and a few lines. `from soc=90 t=21 at bench` says how the pack begins, `then
20m t=51; 30m stop` what comes, `until 75m` where it ends. The pack is of six lipo cells and 16 Ah;
its load draws 60 W, its charger 200 W, and while one of them is on its charge moves by that. It
sends a sample each ten seconds. Words of `then`: `t=51`, `stop`, `release=NAME`, `attend=60m`,
`cancel`, `answer=yes`, `take_off`, `hang=bench`, `restart`.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import wrap

sys.path.append(str(Path(__file__).parents[1] / "loop"))

from kit import (
    BEGIN,
    CHEMISTRIES,
    HOUR,
    SECOND,
    Stage,
    make_site,
    sample,
    show_span,
    span,
    stage_of,
)

from carerules.battery.charge import rest_voltage
from carerules.domain.decision import (
    ChoreOpened,
    Fired,
    JobEnded,
    JobMoved,
    Marked,
    Notice,
    OffProven,
    Outcome,
    StationLocked,
    SwitchOff,
    SwitchOn,
    Veto,
)
from carerules.domain.event import (
    Answered,
    Attended,
    Cancelled,
    Event,
    Placed,
    Released,
    Sample,
    Started,
    Stopped,
)
from carerules.domain.moment import Moment

FULL_WH = 16 * 22.8
"""What the pack holds, at the mean voltage of a lithium-polymer cell, 3.8 V; from memory."""
SAG_V = 0.02
FLOWS_W = {"load": -60.0, "charger": 200.0}


@dataclass
class Heron:
    """The pack as it is, and what it sends."""

    stage: Stage
    soc: float
    warmth: float
    at: Moment = BEGIN
    told: list[str] = field(default_factory=list)

    def send(self, at: Moment) -> Sample:
        way = next((side for side in FLOWS_W if self.stage.on.get(f"bench-{side}")), "")
        flows = FLOWS_W.get(way, 0.0)
        self.soc = min(100.0, self.soc + 100 * flows * (at - self.at) / HOUR / FULL_WH)
        self.at = at
        sags = {"load": -SAG_V, "charger": SAG_V}.get(way, 0.0)
        cell = rest_voltage(CHEMISTRIES["lipo"], self.soc / 100) + sags
        return sample(at, soc=self.soc, cell=cell, temperature=self.warmth)


def tell(rules: str, block: str) -> list[str]:
    """Every line of the story: when, and what was decided."""
    words = dict(line.split(maxsplit=1) for line in block.splitlines()[:3] if line.strip())
    begins = dict(one.split("=") for one in words["from"].split() if "=" in one)
    stage = stage_of(rules, make_site(stations=("bench",)))
    heron = Heron(stage, float(begins["soc"]), float(begins["t"]))
    if "at bench" in words["from"]:
        stage.hear(Placed(BEGIN + 1, "heron", "bench"))
    stage.feeds["heron"] = heron.send
    for scene in filter(str.strip, words.get("then", "").split(";")):
        when, *what = scene.split()
        stage.until(BEGIN + span(when))
        for word in what:
            _happen(heron, *word.split("="))
    stage.until(BEGIN + span(words["until"]))
    return _lines(stage)


def _happen(heron: Heron, name: str, value: str = "") -> None:
    now, stage = heron.stage.now, heron.stage
    if name == "t":
        heron.warmth = float(value)
        return
    events: dict[str, Event] = {
        "stop": Stopped(now, "said `carerules stop`"),
        "take_off": Placed(now, "heron", None),
        "restart": Started(now),
    }
    if name == "release":
        events[name] = Released(now, value or None)
    elif name == "attend":
        events[name] = Attended(now, now + span(value))
    elif name == "cancel":
        events[name] = Cancelled(now, stage.jobs[0].id)
    elif name == "answer":
        events[name] = Answered(now, stage.jobs[0].id, value == "yes")
    elif name == "hang":
        events[name] = Placed(now, "heron", value)
    stage.hear(events[name])


def _lines(stage: Stage) -> list[str]:
    lines, last = [], ""
    chores = {one.text for one in stage.all(ChoreOpened)}  # told as well, in the same words
    for event, outcomes in stage.log:
        for one in outcomes:
            if isinstance(one, Notice) and one.text in chores:
                continue
            words = _words(one)
            if words and event.heard > BEGIN + 1000:
                when = show_span(event.heard - event.heard % SECOND)
                depth = " " * (len(words) - len(words.lstrip()) + 12)
                line = f"{'' if when == last else when:<10}{words}"
                lines += wrap(line, 80, subsequent_indent=depth, break_on_hyphens=False)
                last = when
    return lines


def _words(one: Outcome) -> str:
    match one:
        case Fired(rule):
            return f"rule {rule} fires"
        case JobMoved(_, _, line, phase, why):
            return f"  {line}: {phase}" + (f", {why}" if why else "")
        case JobEnded(_, rule, _, ending, why):
            return f"job of {rule} {ending.value}: {why}"
        case SwitchOn(plug, lease, renewal=False):
            return f"    {plug}: on for {lease} s, and again each 20 s"
        case SwitchOff(plug, because, again=0):
            return f"    {plug}: off, {because}"
        case OffProven(plug):
            return f"    {plug}: proved off"
        case Notice(text=text):
            return f"  told: {text}"
        case Marked(event=event):
            return f"  marked: {event}"
        case Veto(interlock=interlock) as veto:
            return f"  veto of {interlock}: {veto.show()}"
        case ChoreOpened(text=text):
            return f"  to do: {text}"
        case StationLocked(station, why):
            return f"  {station} is locked: {why}"
    return ""
