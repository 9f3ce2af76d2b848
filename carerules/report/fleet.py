"""What many packs of many sites came to: the shapes, and their lines.

Knows sums. Does not know where a fleet lies, nor on how many machines it was gone through.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

from pydantic import AwareDatetime

from carerules.domain.spelling import counted
from carerules.report.page import fold, short_name
from carerules.report.replayed import FIRINGS_MAX, MEASURED, Change
from carerules.report.shapes import Shape

LINES_MAX = 40
"""Firings told on a terminal: those of a fleet are read with `--json`."""
RETIRE_MAX = 1_000
"""Packs told one by one, the worst first; all are counted."""
RETIRE_LINES_MAX = 20

COUNTS_PACKS = "it counts packs of a whole site, and a fleet is gone through a bunch at a time"


class FleetRuleShape(Shape):
    """How often a rule fires over the fleet, and in how many `packs`; `before` and `after` null:
    no such rule there. `left_out`: why it was not gone through, null: it was."""

    rule: str
    before: int | None
    after: int | None
    added: int
    gone: int
    moved: int
    packs: int
    last_at: AwareDatetime | None
    by_engine: str | None
    left_out: str | None


class FleetFiringShape(Shape):
    """One firing, in UTC; `was_at`: of one that has moved, when it was before."""

    at: AwareDatetime
    site: str
    pack: str
    rule: str
    change: Change
    was_at: AwareDatetime | None


class FleetReplayShape(Shape):
    """When rules would have fired over a fleet. `instead_of` null: nothing is compared. Each whole
    number counts what its name says."""

    shape: Literal[1] = 1
    fleet: str
    rules_file: str
    instead_of: str | None
    since: AwareDatetime
    until: AwareDatetime
    sites: int
    packs: int
    pack_days: float
    readings: int
    rules: list[FleetRuleShape]
    firings: list[FleetFiringShape]
    not_shown: int
    limits: list[str]


def fleet_replay_lines(shape: FleetReplayShape) -> list[str]:
    """The shape in lines of at most 80 columns."""
    what_if = shape.instead_of is not None
    lines = fold(
        "", f"{short_name(shape.fleet)}: {_size(shape)}, {counted(shape.readings, 'reading')}"
    )
    against = f" instead of {shape.instead_of}" if what_if else ""
    lines += fold("", f"{shape.rules_file}{against}, {_at(shape.since)} to {_at(shape.until)} UTC")
    if what_if:
        lines.append("(+ added, - gone, > moved)")
    width = max([4, *(len(short_name(one.rule)) for one in shape.rules)])
    tail = f"{'before':>9} {'after':>9} {'added':>8} {'gone':>8}" if what_if else f"{'fired':>9}"
    lines += ["", f"{'rule':<{width}} {tail} {'packs':>8}"]
    for one in shape.rules:
        cells = [one.before, one.after, one.added, one.gone] if what_if else [one.after]
        wide = (9, 9, 8, 8)
        told = " ".join(
            f"{'-' if cell is None else cell:>{wide[at]}}" for at, cell in enumerate(cells)
        )
        lines.append(f"{short_name(one.rule):<{width}} {told} {one.packs:>8}")
    told_firings = [one for one in shape.firings if not what_if or one.change != "same"]
    lines.append("")
    hidden = shape.not_shown + max(0, len(told_firings) - LINES_MAX)
    if hidden:
        lines.append(f"... {hidden} more before these; `--json` has up to {FIRINGS_MAX}")
    sign = {"same": " ", "added": "+", "gone": "-", "moved": ">"}
    for fire in told_firings[-LINES_MAX:]:
        was = "" if fire.was_at is None else f", before {_at(fire.was_at)}"
        lines += fold(f"{sign[fire.change]} {_at(fire.at)}  ",
                      f"{fire.site} {fire.pack}: {fire.rule}{was}")  # fmt: skip
    if what_if and not told_firings:
        lines.append("no firing differs")
    lines.append("")
    for limit in shape.limits:
        lines += fold("note: ", limit)
    for rule in shape.rules:
        if rule.left_out is not None:
            lines += fold("note: ", f"{rule.rule} was left out: {rule.left_out}")
        elif rule.by_engine is not None:
            lines += fold("note: ", f"{rule.rule} went through the engine: {rule.by_engine}")
    return lines


# ---- the report ------------------------------------------------------------------------------


class FleetLevelShape(Shape):
    """Time of all packs between two levels of charge."""

    from_percent: float
    to_percent: float
    time_s: float


class FleetBandShape(Shape):
    """How many packs lie from `at_least` percent of the label up to `below`; null: no bound on that
    side."""

    at_least: float | None
    below: float | None
    packs: int


class FleetKindShape(Shape):
    """All packs of one chemistry. `cycles`: full ones, of all packs together; `cycles_a_month`:
    packs by their cycles in 30 days; `health`: packs by percent of the label."""

    chemistry: str
    packs: int
    pack_days: float
    levels: list[FleetLevelShape]
    unknown_s: float
    cycles: float
    cycles_a_month: list[FleetBandShape]
    health: list[FleetBandShape]
    health_unknown: int
    barred: int


class FleetWorkShape(Shape):
    """What one rule did: as the journals have it, in how many sites."""

    rule: str
    sites: int
    fired: int
    done: int
    ended_else: int
    energy_wh: float


class FleetRetireShape(Shape):
    """A pack that should go, or a new one be planned for (`now` false)."""

    site: str
    pack: str
    health_percent: float | None
    now: bool
    why: str


class FleetReportShape(Shape):
    """What a fleet came to; times of the sites differ, `since` and `until` are the outermost. Each
    whole number counts what its name says."""

    shape: Literal[1] = 1
    fleet: str
    since: AwareDatetime
    until: AwareDatetime
    sites: int
    packs: int
    pack_days: float
    readings: int
    kinds: list[FleetKindShape]
    rules: list[FleetWorkShape]
    vetoes: int
    retire: list[FleetRetireShape]
    retire_now: int
    retire_soon: int
    limits: list[str]


def fleet_report_lines(shape: FleetReportShape) -> list[str]:
    """The shape in lines of at most 80 columns."""
    readings = counted(shape.readings, "reading")
    lines = fold("", f"{short_name(shape.fleet)}: {_size(shape)}, {readings}, "
                     f"{_at(shape.since)} to {_at(shape.until)} UTC")  # fmt: skip
    for kind in shape.kinds:
        lines += ["", *_kind_lines(kind)]
    lines.append("")
    if shape.rules:
        width = max(4, *(len(short_name(one.rule)) for one in shape.rules))
        lines.append(f"{'rule':<{width}} {'sites':>6} {'fired':>8} {'done':>8} {'else':>8} "
                     f"{'energy':>12}")  # fmt: skip
        lines += [
            f"{short_name(one.rule):<{width}} {one.sites:>6} {one.fired:>8} {one.done:>8} "
            f"{one.ended_else:>8} {one.energy_wh:>9.0f} Wh"
            for one in shape.rules
        ]
        lines.append(f"interlocks stepped in {counted(shape.vetoes, 'time')}")
        lines.append("")
    lines.append(f"to retire now: {shape.retire_now}; to plan a new one for: {shape.retire_soon}")
    for one in shape.retire[:RETIRE_LINES_MAX]:
        lines += fold("  ", f"{one.site} {one.pack}: {one.why}")
    if len(shape.retire) > RETIRE_LINES_MAX:
        lines.append(f"  ... `--json` has up to {RETIRE_MAX}")
    for limit in shape.limits:
        lines += fold("note: ", limit)
    return lines


def _kind_lines(kind: FleetKindShape) -> Iterator[str]:
    whole = sum(one.time_s for one in kind.levels) + kind.unknown_s
    packs = counted(kind.packs, "pack")
    yield f"{short_name(kind.chemistry)}: {packs}, {kind.pack_days:.0f} pack-days"
    shares = [f"{one.from_percent:g}-{one.to_percent:g} %: {_share(one.time_s, whole)}"
              for one in kind.levels if one.time_s]  # fmt: skip
    if kind.unknown_s:
        shares.append(f"unknown: {_share(kind.unknown_s, whole)}")
    yield from fold("  charge  ", ", ".join(shares) or "nothing is known")
    yield from fold("  cycles  ", f"{kind.cycles:.0f} full ones; packs by cycles in 30 days: "
                                  f"{_bands(kind.cycles_a_month, '')}")  # fmt: skip
    unknown = f"; of {kind.health_unknown} nothing is known" if kind.health_unknown else ""
    yield from fold("  health  ", f"packs by percent of the label: {_bands(kind.health, ' %')}"
                                  f"{unknown}")  # fmt: skip
    if kind.barred:
        yield f"  barred  {counted(kind.barred, 'pack')}: no energy until a person has looked"


def _bands(bands: Iterable[FleetBandShape], unit: str) -> str:
    told = [f"{_band(one, unit)}: {one.packs}" for one in bands if one.packs]
    return ", ".join(told) or "none"


def _band(band: FleetBandShape, unit: str) -> str:
    if band.at_least is None:
        return f"below {band.below:g}{unit}"
    if band.below is None:
        return f"from {band.at_least:g}{unit}"
    return f"{band.at_least:g}-{band.below:g}{unit}"


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _size(shape: FleetReplayShape | FleetReportShape) -> str:
    sites, packs = counted(shape.sites, "site"), counted(shape.packs, "pack")
    return f"{sites}, {packs}, {shape.pack_days:.0f} pack-days"


def _at(at: AwareDatetime) -> str:
    return at.strftime("%d %b %Y %H:%M")


def replay_limits(left_out: int, forgotten: int, sites: Sequence[str]) -> list[str]:
    """What such a replay cannot know: how many samples came too late, how many sites forgot."""
    limits = [MEASURED]
    if forgotten:
        limits.append(f"{forgotten} of {len(sites)} sites have forgotten old samples "
                      "(`keep_samples`): what they showed is unknown")  # fmt: skip
    if left_out:
        limits.append(f"left out because they came too late: {counted(left_out, 'sample')}")
    return limits
