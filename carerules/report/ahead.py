"""What a drain or a charge of a pack will come to, in words, numbers and a small chart.

Knows worlds, forecasts and shapes. Does not know where it is printed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

from carerules.battery import (
    AIR_SHARE,
    Ahead,
    CannotCarry,
    Charger,
    ConstantCurrent,
    ConstantPower,
    Figures,
    Load,
    Resistor,
    body_of,
    charge_ahead,
    curve_v,
    drain_ahead,
    forecast,
    recharge,
    warmed,
)
from carerules.domain.moment import SECOND
from carerules.domain.pack import Side
from carerules.loop import World
from carerules.report.course_shapes import ForecastShape, PathShape
from carerules.report.pack import tidy
from carerules.report.page import WIDTH, fold, show_at, show_percent, show_s

POINTS = 48
"""Points of the chart, evenly apart in charge: a column of a small terminal each."""
CHART_WIDE, CHART_HIGH = 60, 9


def forecast_of(
    world: World, name: str, side: Side, target: float, by: Load | Charger, figures: Figures
) -> ForecastShape:
    """The forecast for a pack of the site, to `target` percent. Raises CannotCarry."""
    goal, start = target / 100, figures.start
    local, now = world.local, world.now
    taper_s: float | None = None
    if isinstance(by, Charger):
        if start >= goal:
            raise CannotCarry("charge", f"`{100 * start:.0f}` % already", f"less than {target:g} %")
        charged, ahead = charge_ahead(figures, by, goal)
        end, heat_wh, charge_ah = charged.end, charged.heat_wh, charged.charge_ah
        taper_s = charged.taper_s
        path = _path(start, end, lambda z: _charged(figures, by, z))
    else:
        if start <= goal:
            raise CannotCarry("charge", f"`{100 * start:.0f}` % already", f"more than {target:g} %")
        drained, ahead = drain_ahead(figures, by, goal)
        end, heat_wh, charge_ah = goal, drained.heat_wh, drained.charge_ah
        path = _path(start, end, lambda z: _drained(figures, by, z))
    warmer = _warmer(world, name, ahead.time_s, heat_wh)

    def at(seconds: float) -> int:
        return now + round(seconds * SECOND)

    return ForecastShape(
        site=world.setup.site.name, pack=name, action=side.verb,
        by=_by_words(by), from_percent=tidy(100 * start),
        from_spread_percent=tidy(100 * figures.start_spread), target_percent=tidy(target),
        ends_percent=tidy(100 * end), time_s=tidy(ahead.time_s), time_low_s=tidy(ahead.time_low_s),
        time_high_s=tidy(ahead.time_high_s), ready_at=local.read(at(ahead.time_s)),
        ready_from=local.read(at(ahead.time_low_s)), ready_until=local.read(at(ahead.time_high_s)),
        taper_s=None if taper_s is None else tidy(taper_s), energy_wh=tidy(ahead.energy_wh),
        energy_low_wh=tidy(ahead.energy_low_wh), energy_high_wh=tidy(ahead.energy_high_wh),
        heat_wh=tidy(heat_wh), charge_ah=tidy(charge_ah),
        warmer_low_k=None if warmer is None else tidy(warmer[0]),
        warmer_high_k=None if warmer is None else tidy(warmer[1]),
        path=path, remarks=_remarks(world, name, side, target, end, ahead),
    )  # fmt: skip


def _path(start: float, end: float, at: Callable[[float], tuple[float, float]]) -> list[PathShape]:
    steps = [start + (end - start) * number / POINTS for number in range(POINTS + 1)]
    return [
        PathShape(after_s=tidy(time), soc_percent=tidy(100 * z), voltage_v=tidy(volts))
        for z in steps
        for time, volts in [at(z)]
    ]


def _drained(figures: Figures, load: Load, z: float) -> tuple[float, float]:
    part = forecast(
        figures.curve, figures.cells, figures.capacity_ah, figures.ohm, load, figures.start, z
    )
    return part.time_s, part.end_v


def _charged(figures: Figures, charger: Charger, z: float) -> tuple[float, float]:
    part = recharge(
        figures.curve, figures.cells, figures.capacity_ah, figures.ohm, charger, figures.start, z
    )
    rest_v = figures.cells * curve_v(figures.curve, z)
    return part.time_s, min(charger.end_v, rest_v + charger.a * figures.ohm)


def _warmer(world: World, name: str, time_s: float, heat_wh: float) -> tuple[float, float] | None:
    """How many kelvin the pack ends warmer: least and most, by what the air may take."""
    pack = world.setup.site.packs[name]
    chemistry = world.setup.chemistries[pack.chemistry]
    ends: list[float] = []
    for share in (AIR_SHARE, 1 / AIR_SHARE):
        body = body_of(pack, chemistry, share)
        if body is None or time_s <= 0:
            return None
        ends.append(warmed(body, 0.0, 0.0, [(time_s, heat_wh * 3_600 / time_s)])[0])
    return ends[0], ends[1]


def _remarks(
    world: World, name: str, side: Side, target: float, end: float, ahead: Ahead
) -> list[str]:
    limits = world.setup.site.packs[name].limits
    said: list[str] = []
    if side is Side.LOAD and target < limits.soc_floor:
        said.append(
            f"{target:g} % is below the floor of {limits.soc_floor:g} %: carerules drains no deeper"
        )
    if side is Side.CHARGER and 100 * end < target - 0.05:
        said.append(f"the charger ends at about {100 * end:.1f} %, where its taper is over")
    if side is Side.CHARGER:
        said.append("a real taper takes longer than resistance alone says: a least time")
    if ahead.time_high_s > 1.5 * ahead.time_s:
        said.append("the charge now is not known well: a reading after half an hour's rest helps")
    return said


def _by_words(by: Load | Charger) -> str:
    match by:
        case ConstantPower(watts):
            return f"{watts:g} W"
        case ConstantCurrent(amps):
            return f"{amps:g} A"
        case Resistor(ohm):
            return f"{ohm:g} Ω"
        case Charger(amps, end_v):
            return f"{amps:.3g} A up to {end_v:.4g} V"


# ---- as words --------------------------------------------------------------------------------


def forecast_lines(ahead: ForecastShape) -> list[str]:
    """The forecast for a terminal."""
    begin = show_percent(ahead.from_percent, ahead.from_spread_percent)
    lines = fold("", f"{ahead.pack}: {ahead.action} from {begin} to {ahead.target_percent:g} %, "
                     f"with {ahead.by}")  # fmt: skip
    time = f"{_about(ahead.time_s)} ({_about(ahead.time_low_s)} to {_about(ahead.time_high_s)})"
    if ahead.taper_s:
        time += f", {_about(ahead.taper_s)} of it taper"
    until = f"{show_at(ahead.ready_from)} to {ahead.ready_until:%a %H:%M}"
    into = "into the load" if ahead.action == "drain" else "into the pack"
    band = f"({ahead.energy_low_wh:.3g} to {ahead.energy_high_wh:.3g})"
    rows = [
        ("takes", time),
        ("ready", f"{show_at(ahead.ready_at)} if it began now ({until})"),
        ("energy", f"{ahead.energy_wh:.3g} Wh {into} {band}; {ahead.charge_ah:.3g} Ah"),
    ]
    warm = f"{ahead.heat_wh:.2g} Wh stay in the pack as heat"
    if ahead.warmer_low_k is not None and ahead.warmer_high_k is not None:
        warm += f": {ahead.warmer_low_k:.1f} to {ahead.warmer_high_k:.1f} K warmer in still air"
    rows.append(("heat", warm))
    first, last = ahead.path[0], ahead.path[-1]
    rows.append(("voltage", f"{first.voltage_v:.2f} V to {last.voltage_v:.2f} V while it flows"))
    for label, text in rows:
        lines += fold(f"  {label:9}", text)
    lines += ["", *_chart(ahead.path)]
    for remark in ahead.remarks:
        lines += fold("  note: ", remark)
    return lines


def _about(seconds: float) -> str:
    """To the minute from an hour on: nobody knows it better."""
    return show_s(round(seconds / 60) * 60 if seconds >= 600 else seconds)


def _chart(path: Sequence[PathShape]) -> list[str]:
    """Volts over time, with charge under it."""
    low = min(point.voltage_v for point in path)
    high = max(point.voltage_v for point in path)
    span, whole_s = high - low or 1.0, path[-1].after_s or 1.0
    grid = [[" "] * CHART_WIDE for _ in range(CHART_HIGH)]
    for column in range(CHART_WIDE):
        volts, _ = _at(path, whole_s * column / (CHART_WIDE - 1))
        row = round((high - volts) / span * (CHART_HIGH - 1))
        grid[row][column] = "*"
    lines: list[str] = []
    for number, cells in enumerate(grid):
        label = f"{high - span * number / (CHART_HIGH - 1):7.2f} V" if number % 4 == 0 else ""
        lines.append(f"{label:>9} |{''.join(cells).rstrip()}")
    lines.append(f"{'':9} +{'-' * CHART_WIDE}")
    half, end = _at(path, whole_s / 2)[1], path[-1].soc_percent
    for marks in (
        ("0", _about(whole_s / 2), _about(whole_s)),
        tuple(f"{one:.0f} %" for one in (path[0].soc_percent, half, end)),
    ):
        left, middle, right = marks
        text = f"{left}{middle:^{CHART_WIDE - 2 * len(left)}}"[: CHART_WIDE - len(right)]
        lines.append(f"{'':11}{text:{CHART_WIDE - len(right)}}{right}")
    assert all(len(line) <= WIDTH for line in lines)
    return lines


def _at(path: Sequence[PathShape], after_s: float) -> tuple[float, float]:
    """Volts and charge at a time, straight between the points."""
    for before, after in pairwise(path):
        if after_s <= after.after_s:
            wide = after.after_s - before.after_s or 1.0
            share = (after_s - before.after_s) / wide
            return (
                before.voltage_v + share * (after.voltage_v - before.voltage_v),
                before.soc_percent + share * (after.soc_percent - before.soc_percent),
            )
    return path[-1].voltage_v, path[-1].soc_percent
