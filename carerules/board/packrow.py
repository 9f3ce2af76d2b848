"""What the page says of one pack: a pure function of the shapes that `report` makes.

Knows a pack's shape, and the words and lengths of bars. Does not know HTML, nor the other packs.
Times are told to the minute, so that a page that nothing happens on stays as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from typing import Literal

from carerules.domain.frozen import guarded
from carerules.report import StatusShape, glance_words, job_words, show_at, show_s
from carerules.report.shapes import PackShape, WaitShape

Mood = Literal["look", "work", "wait", "rest"]
"""How a pack stands, most pressing first. Always said in words as well."""

UNKNOWN = "charge unknown"
FRESH_S = 600.0
"""As the rules have it: a reading older than ten minutes says little of now."""


@guarded
class Note:
    """A line that stands out: how pressing, and the words."""

    mood: Mood
    text: str


@guarded
class Bar:
    """How far a waiting rule has run: `share` from 0 to 1, None where nothing runs."""

    rule: str
    words: str
    share: float | None


@guarded
class Lane:
    """The charge as lengths from 0 to 100: the level, its doubt, and the level wanted."""

    level: float | None
    low: float
    high: float
    wanted: float | None
    wanted_now: bool

    @property
    def mark(self) -> str:
        """Where the wanted level stands, kept inside the drawing at both ends."""
        return f"{min(99.5, max(0.5, self.wanted or 0.0)):.1f}"


@guarded
class JobRow:
    """A job that a person can call off: its line, and all that is to be said of it."""

    job: str
    line: str
    words: str


@guarded
class Row:
    """One pack, to be read in two seconds: the state first."""

    name: str
    mood: Mood
    state: str
    charge: str
    spread: str
    lane: Lane
    wanted: str
    why: str
    next: str
    bars: tuple[Bar, ...]
    health: str
    last: str
    where: str
    notes: tuple[Note, ...]
    jobs: tuple[JobRow, ...]
    barred: bool


def row_of(pack: PackShape, status: StatusShape) -> Row:
    """One pack's row."""
    mood, state = _state(pack, status)
    charge = pack.charge
    known = charge.soc_percent is not None
    health, asks = glance_words(pack, whole=True)
    return Row(
        name=pack.pack,
        mood=mood,
        state=state,
        charge=f"{charge.soc_percent:.0f}" if charge.soc_percent is not None else "?",
        spread=f"± {charge.spread_percent:.0f}" if charge.spread_percent is not None else "",
        lane=_lane(pack),
        wanted=_wanted(pack, status.now),
        why=_why(pack),
        next=_next(pack, status),
        bars=tuple(_bar(one, status) for one in pack.waits),
        health=f"look: {health}" if asks else health,
        last=_last(pack, status.now),
        where=f"on station {pack.station}" if pack.station else "on no station",
        notes=tuple(_notes(pack, state, known=known)),
        jobs=tuple(JobRow(one.job, one.line, for_page(job_words(one))) for one in pack.jobs),
        barred=pack.barred is not None or pack.retired is not None,
    )


def _state(pack: PackShape, status: StatusShape) -> tuple[Mood, str]:
    """How the pack stands, in a word or two."""
    phases = {job.phase: job for job in pack.jobs}
    if pack.retired is not None:
        return "look", "retired"
    if pack.barred is not None:
        return "look", "barred"
    if pack.doubt is not None:
        return "look", "readings in doubt"
    if "asking" in phases:
        return "look", "asks you"
    if any(chore.pack == pack.pack and chore.later is None for chore in status.chores):
        return "look", "for you to do"
    if "moving energy" in phases:
        return "work", "drains" if phases["moving energy"].line.startswith("drain") else (
            "charges" if phases["moving energy"].line.startswith("charge") else "switched on"
        )  # fmt: skip
    if pack.jobs:
        return "wait", pack.jobs[0].phase
    if pack.charge.soc_percent is None:
        return "look", UNKNOWN
    if any(wait.ran_s is not None for wait in pack.waits):
        return "wait", "waiting on a rule"
    return "rest", "at rest"


def _lane(pack: PackShape) -> Lane:
    level, doubt = pack.charge.soc_percent, 2 * (pack.charge.spread_percent or 0.0)
    aim = pack.aim
    return Lane(
        level=level,
        low=0.0 if level is None else max(0.0, level - doubt),
        high=100.0 if level is None else min(100.0, level + doubt),
        wanted=None if aim is None else aim.percent,
        wanted_now=aim is not None and aim.wanted_from is None,
    )


def _wanted(pack: PackShape, now: datetime) -> str:
    aim = pack.aim
    if aim is None:
        return "no rule wants another charge"
    level = f"{aim.percent:.4g} %"
    if aim.wanted_from is None:
        by = "" if aim.by is None else f", by {show_at(aim.by)}"
        return f"wanted now: {level}{by}"
    if aim.wanted_from <= now:
        return f"wanted now: {level}"
    return f"may stay so; {level} wanted from {show_at(aim.wanted_from)}"


def _why(pack: PackShape) -> str:
    if pack.aim is None:
        return ""
    return f"{pack.aim.rule}: {pack.aim.because or pack.aim.line}"


def _next(pack: PackShape, status: StatusShape) -> str:
    """What happens next, and when."""
    if pack.jobs:
        job = pack.jobs[0]
        why = f", {job.why}" if job.why else ""
        return f"now: {job.line}, {job.phase}{why}"
    soonest = next((wait for wait in pack.waits if wait.fires_at is not None), None)
    use = pack.next_use
    if soonest is not None and soonest.fires_at is not None:
        line = ""
        if pack.aim is not None and pack.aim.rule == soonest.rule:
            line = f": {pack.aim.line}"
        return f"{when(soonest.fires_at, status.now)}: rule {soonest.rule}{line}"
    if use is not None:
        return f"{when(use.start, status.now)}: {use.use}"
    return "nothing, if nothing changes"


def when(at: datetime, now: datetime) -> str:
    """`Tue 01 Dec 18:01, in 5 h 48 min`."""
    left = (at - now).total_seconds()
    return f"{show_at(at)}, in {minutes(left)}" if left > 0 else "now"


def minutes(seconds: float) -> str:
    """A time to the minute: one that changes each second would redraw the page each second."""
    whole = int(seconds // 60) * 60
    return show_s(whole) if whole else "under a minute"


def _bar(wait: WaitShape, status: StatusShape) -> Bar:
    fires = ""
    if wait.fires_at is not None:
        fires = f"fires {when(wait.fires_at, status.now)}"
    if wait.ran_s is None or not wait.wanted_s:
        return Bar(wait.rule, fires, None)
    ran = f"{minutes(wait.ran_s)} of {show_s(wait.wanted_s)}"
    if wait.holds == "unknown" and wait.fires_at is None:
        fires = "stands still: something is unknown now"
    words = f"{ran}; {fires}" if fires else ran
    return Bar(wait.rule, words, min(1.0, wait.ran_s / wait.wanted_s))


def _last(pack: PackShape, now: datetime) -> str:
    last, charge = pack.last, pack.charge
    if last is None and charge.soc_percent is not None and charge.since is not None:
        # Nothing measures it: what a person said, or read off its gauge, is the last there is.
        age = minutes((now - charge.since).total_seconds())
        return f"{charge.soc_percent:.0f} %, {age} ago, {charge.source}"
    if last is None:
        return "nothing was ever read of it"
    by = f", by {last.source}" if last.source else ""
    age = f"{minutes(last.age_s)} ago"
    old = " (old)" if last.age_s > FRESH_S else ""
    return f"{last.signal.removeprefix('pack.')} {last.found}, {age}{old}{by}"


def _notes(pack: PackShape, state: str, *, known: bool) -> Iterator[Note]:
    for why in (pack.retired, pack.barred):
        if why is not None:
            yield Note("look", f"takes no energy: {why}")
    if pack.doubt is not None:
        yield Note("look", f"in doubt: {pack.doubt}")
    for job in pack.jobs:
        if job.mend:
            yield Note("look", f"for you: {for_page(job.mend)}")
    if not known:
        # The state may have said already that it is unknown: then only why.
        what = pack.charge.unknown if state == UNKNOWN else f"{UNKNOWN} ({pack.charge.unknown})"
        yield Note("look", f"{what}: enter a reading")


_COMMANDS = re.compile(r"(?: \(|[,;]? (?:and say|then) |: )`carerules [^`]*`\)?")


def for_page(text: str) -> str:
    """The words without what they say of the command line: the page has a button beside them."""
    return _COMMANDS.sub("", text)
