"""The shapes of what the reading commands say: the same whether printed as words or as JSON.

Knows names, units and kinds of fields. Does not know where a value comes from. docs/json.md shows
each shape to those who read it with a program; a field that is there is never taken away or given
another meaning within one `shape` number.

Times are aware and go out as ISO 8601 with their offset; durations are seconds; a number's unit is
in its key, and where it cannot be, in a `unit` beside it. What is unknown is null.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from pydantic import AwareDatetime, BaseModel, ConfigDict

from carerules.report.words import Tone

Truth: TypeAlias = Literal["yes", "no", "unknown"]
PlugWord: TypeAlias = Literal["off", "on", "off unproved", "on unasked"]


class Shape(BaseModel):
    """The base of all shapes: nothing unnamed, nothing changed later."""

    # Deferred: of sixty shapes a command or a page needs three.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class ChargeShape(Shape):
    """How full a pack is: value and spread (1 sigma), who said so, and what moment that was."""

    soc_percent: float | None
    spread_percent: float | None
    source: str | None
    since: AwareDatetime | None
    unknown: str | None


class UseShape(Shape):
    """A planned use; `calendar`: the one that planned it, if one did."""

    use: str
    start: AwareDatetime
    packs: list[str]
    calendar: str | None


class WaitShape(Shape):
    """A rule that only time keeps from firing, and how far its `for` has run."""

    rule: str
    ran_s: float | None
    wanted_s: float | None
    holds: Truth
    fires_at: AwareDatetime | None


class JobShape(Shape):
    """A job under way: its line, its phase and since when, why, and what a person can do."""

    job: str
    rule: str
    line: str
    phase: str
    since: AwareDatetime
    why: str | None
    mend: str | None
    energy_wh: float


class BandShape(Shape):
    """The least, the middle and the most of what is said, in the unit of its name."""

    low: float
    mid: float
    high: float


class GlanceShape(Shape):
    """A pack's health at a glance; what was not measured is null. Trend and weak cells come only
    with the pack's past, as in `status PACK`."""

    capacity_percent: float | None
    capacity_spread_percent: float | None
    imbalance_percent: float | None
    resistance_mohm: float | None
    resistance_rises_percent_year: BandShape | None
    weak_cells: list[int]


class AimShape(Shape):
    """The charge that a rule wants: now, or (`wanted_from`) from then on if nothing changes.

    `line` says it in words; `by` is the use that it is to be ready for.
    """

    percent: float
    line: str
    rule: str
    because: str | None
    by: AwareDatetime | None
    wanted_from: AwareDatetime | None


class LastShape(Shape):
    """What was measured of a pack last: the value in words, and who said so."""

    signal: str
    found: str
    at: AwareDatetime
    age_s: float
    source: str | None


class PackShape(Shape):
    """One pack, as `status` shows it. Voltage, spread and temperature only while fresh; `aim`
    null: no rule wants another charge; `last` null: nothing was ever measured."""

    pack: str
    chemistry: str
    cells: int
    capacity_ah: float
    charge: ChargeShape
    aim: AimShape | None
    last: LastShape | None
    health: GlanceShape
    voltage_v: float | None
    cell_spread_v: float | None
    temperature_c: float | None
    station: str | None
    next_use: UseShape | None
    waits: list[WaitShape]
    jobs: list[JobShape]
    barred: str | None
    retired: str | None
    doubt: str | None
    left_out: int


class PlugShape(Shape):
    """One plug of a station. `off` is read back off; `off unproved` is not (yet)."""

    plug: str
    side: Literal["load", "charger"]
    state: PlugWord
    reached: bool
    power_w: float | None
    heard: AwareDatetime | None
    on_since: AwareDatetime | None
    unguarded: str | None


class StationShape(Shape):
    """One station; `locked` says why it takes no command but off."""

    station: str
    pack: str | None
    locked: str | None
    plugs: list[PlugShape]


class ChoreShape(Shape):
    """Something that only a person can do. `job`: the one that asks it, or that waits for
    it. `later`: a person does not want to see it before then."""

    key: str
    job: str | None
    asks: bool
    pack: str | None
    text: str
    since: AwareDatetime
    later: AwareDatetime | None


class ServiceShape(Shape):
    """Whether a service owns the journal, and when one last wrote in it."""

    running: bool
    pid: int | None
    last_wrote: AwareDatetime | None


class CalendarCopyShape(Shape):
    """One calendar: when its copy was last known to be current (`null`: there is none), and why no
    newer one is to be had (`null`: it is the newest)."""

    calendar: str
    good_at: AwareDatetime | None
    why: str | None


class StatusShape(Shape):
    """What `carerules status --json` says."""

    shape: Literal[1] = 1
    site: str
    virtual: bool
    now: AwareDatetime
    service: ServiceShape
    rules_loaded: bool
    stopped: str | None
    attended_until: AwareDatetime | None
    packs: list[PackShape]
    stations: list[StationShape]
    uses: list[UseShape]
    calendars: list[CalendarCopyShape] = []
    chores: list[ChoreShape]
    entries_waiting: int
    refused: int
    left_out: int
    damaged_rows: int


class UsesShape(Shape):
    """What `carerules uses list --json` says."""

    shape: Literal[1] = 1
    site: str
    uses: list[UseShape]


class ComingShape(Shape):
    """A move of the kept plan that is not on the to-do list yet: it comes there at `told`, and is
    to be made by `at`."""

    told: AwareDatetime
    at: AwareDatetime
    pack: str
    station: str
    off: str | None


class ChoresShape(Shape):
    """What `carerules chore --json` says, oldest first; and the moves of the kept plan that come
    onto the list later, soonest first."""

    shape: Literal[1] = 1
    site: str
    chores: list[ChoreShape]
    coming: list[ComingShape]


class SeenShape(Shape):
    """One value that a condition compared: in words, and as a number in its base unit."""

    value: str
    found: str
    number: float | None
    spread: float | None
    unit: str | None
    age_s: float | None
    stale: bool
    source: str | None


class PartShape(Shape):
    """One condition and its parts; `ran_s` of `wanted_s` where it is a `for`."""

    words: str
    holds: Truth
    ran_s: float | None
    wanted_s: float | None
    seen: list[SeenShape]
    parts: list[PartShape]


class ObstacleShape(Shape):
    """What would stand in the way of a rule's first line that moves energy.

    `interlock` is null where the pack is on no station for it.
    """

    interlock: str | None
    what: str
    mend: str | None


class RuleShape(Shape):
    """One rule for one pack. `fired`: it has, and is not armed again until it has been false, or
    its `rearm when` true."""

    rule: str
    because: str | None
    holds: Truth
    fired: bool
    fires_at: AwareDatetime | None
    moves_energy: bool
    obstacle: ObstacleShape | None
    when: PartShape
    stop: PartShape | None
    rearm: PartShape | None


class NeverShape(Shape):
    """One of the author's own interlocks; anything but no forbids."""

    forbids: Literal["charge", "drain"]
    when: str
    holds: Truth


class LineShape(Shape):
    """One line of the log: the journal's number of the event, when, its tone, about what, words."""

    seq: int
    at: AwareDatetime
    tone: Tone
    about: str | None
    text: str


class WhyShape(Shape):
    """What `carerules why PACK --json` says.

    `exact`: the rules were gone through as they were then, and said the same as they did then.
    `decisions`: only for a moment of the past, what was decided in the minute that begins there
    (of a moment with seconds: in that second).
    """

    shape: Literal[1] = 1
    site: str
    pack: str
    at: AwareDatetime
    exact: bool
    charge: ChargeShape
    station: str | None
    barred: str | None
    retired: str | None
    jobs: list[JobShape]
    rules: list[RuleShape]
    nevers: list[NeverShape]
    decisions: list[LineShape]


class LogShape(Shape):
    """What `carerules log --json` says, oldest first. `next_after`: the number of the last event
    that was looked at, to go on from there."""

    shape: Literal[1] = 1
    site: str
    lines: list[LineShape]
    next_after: int
