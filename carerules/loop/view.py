"""What a job sees of its pack, and how long the work ahead of it will take.

Knows estimates, plugs and chemistries. Does not know what the job makes of it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import ceil, floor

from carerules.battery import (
    CannotCarry,
    ConstantPower,
    Figures,
    Habit,
    at_warmth,
    charger_of,
    forecast,
    kept_mohm,
    recharge,
    rest_voltage,
    warmth,
)
from carerules.domain.moment import MINUTE, SECOND, Duration
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Truth
from carerules.engine import Job, View, owner
from carerules.loop.turn import Turn
from carerules.loop.unseen import unseen
from carerules.loop.world import World, chemistry_of
from carerules.safety import DATA_AGE_MAX

TAPER_SHARE = 0.08
TAPER_AFTER: Duration = 5 * MINUTE
"""A charger that draws less than this share of its usual power has come to the end of its taper
(common practice, no source)."""
TAPER_HOLD: Duration = 10 * SECOND
"""So long it must stay there: chargers pause for seconds to read a voltage (from memory)."""


def view_of(turn: Turn, job: Job) -> View:
    """The pack, its station and its rule, as the job sees them now."""
    world, name = turn.world, job.pack
    state, now = world.packs[name], world.now
    station = world.setup.site.stations[state.station] if state.station else None
    has_it = owner(state.jobs, state.soc)
    voltage = state.estimate.readings.get("pack.voltage")
    uses = [start for start in state.uses if start >= now] if state.uses else ()
    wanted, stop = _rule_truths(turn, job)
    return View(
        now=now,
        local=world.local,
        soc=state.soc,
        voltage_live=isinstance(voltage, Known) and now - voltage.at <= DATA_AGE_MAX,
        station=station,
        off_proven=station is None or off_proven(turn, station),
        running=station is not None and _running(turn, station, job),
        next_use=uses[0] if uses else None,
        wanted=wanted,
        stop=stop,
        taper_end=station is not None and _taper_end(turn, station),
        ahead="" if has_it is None or has_it.id == job.id else f"rule {has_it.rule}",
        forecast=lambda side, target: outlook(turn, name, side, target),
        built_in=world.setup.site.packs[name].device_w is not None,
        charge_rate=lambda power_w: charge_rate(turn, name, power_w),
        unseen=None if station is None or not station.blind else unseen(world, name, station),
    )


def _rule_truths(turn: Turn, job: Job) -> tuple[Truth, Truth]:
    """The truth of the job's rule now, and of its `stop when`; unknown where the rule is gone."""
    for state in turn.pack(job.pack).rules:
        if state.key == job.key:
            return state.truth, state.stop
    return Truth.UNKNOWN, Truth.NO


def off_proven(turn: Turn, station: Station) -> bool:
    """Whether load and charger of the station are both proved off."""
    plugs, load, charger = turn.world.plugs, station.load, station.charger
    return (load is None or plugs[load.plug].proven_off) and (
        charger is None or plugs[charger.plug].proven_off
    )


def _running(turn: Turn, station: Station, job: Job) -> bool:
    side = job.side
    socket = station.socket(side) if side is not None else None
    if socket is None:
        return False
    plug = turn.world.plugs[socket.plug]
    return plug.on_at is not None and plug.job == job.id


def _taper_end(turn: Turn, station: Station) -> bool:
    if station.charger is None:
        return False
    plug = turn.world.plugs[station.charger.plug]
    if plug.on_at is None or plug.power_w is None or plug.on is False:
        return False  # one that says it is off has been opened, and tells of no charger's end
    session = turn.world.stations[station.name].session
    if session.runs and (
        session.low_since is None or plug.power_heard - session.low_since < TAPER_HOLD
    ):
        return False
    long_on = plug.power_heard - plug.on_at >= TAPER_AFTER
    return long_on and plug.power_w < TAPER_SHARE * station.charger.power_w


def outlook(turn: Turn, name: str, side: Side, target: float) -> tuple[Duration, float]:
    """Forecast time and energy at the plug to bring the pack from its charge now to `target` (%).

    Nothing to do, or the charge is unknown: nothing. Where the pack is on no such socket, the
    site's first one stands for it, so that a chore can say how long it will take.
    """
    power_w = socket_power(turn.world, name, side)
    figures = figures_of(turn.world, name)
    if figures is None or power_w is None:
        return 0, 0.0
    draining = side is Side.LOAD
    steps = 100 * figures.start * STEPS_A_POINT
    start = (ceil(steps - 1e-9) if draining else floor(steps + 1e-9)) / STEPS_A_POINT
    # Time and energy do not ask for the doubts, so that they do not make each sample's a new one.
    plain = replace(
        figures, capacity_spread=0.0, ohm_spread=0.0, start=start / 100, start_spread=0.0
    )
    if draining:
        return _drain(plain, power_w, target) if start > target else (0, 0.0)
    if start >= target:
        return 0, 0.0
    efficiency = round(_efficiency(turn, name), 2)
    return _charge(plain, power_w, efficiency, full_v(turn.world, name), target)


STEPS_A_POINT = 5
"""A forecast begins at the next fifth of a point: no reading is better than that, and a pack that
waits asks the same again at each sample."""


@lru_cache(maxsize=1_024)
def _drain(figures: Figures, power_w: float, target: float) -> tuple[Duration, float]:
    """Time and energy (Wh) at the plug down to `target` (%)."""
    load = ConstantPower(power_w)
    try:
        ahead = forecast(
            figures.curve, figures.cells, figures.capacity_ah, figures.ohm, load,
            figures.start, target / 100,
        )  # fmt: skip
    except CannotCarry:
        return 0, 0.0
    return round(ahead.time_s * SECOND), ahead.load_energy_wh


@lru_cache(maxsize=1_024)
def _charge(
    figures: Figures, power_w: float, efficiency: float, end_v: float, target: float
) -> tuple[Duration, float]:
    """Time and energy (Wh) at the plug up to `target` (%), or as far as the charger goes."""
    charger = charger_of(figures, power_w, end_v, efficiency)
    try:
        ahead = recharge(
            figures.curve, figures.cells, figures.capacity_ah, figures.ohm, charger,
            figures.start, target / 100,
        )  # fmt: skip
    except CannotCarry:
        return 0, 0.0
    return round(ahead.time_s * SECOND), ahead.energy_wh / efficiency


def figures_of(world: World, name: str, start_percent: float | None = None) -> Figures | None:
    """What a forecast needs of the pack as it is known now; None: its charge is unknown.

    `start_percent`: as if it held so much, exactly.
    """
    pack, state = world.setup.site.packs[name], world.packs[name]
    chemistry = chemistry_of(world, pack)
    soc, readings = state.soc, state.estimate.readings
    if start_percent is not None:
        soc = Known(start_percent, 0.0, world.now, "")
    if not isinstance(soc, Known):
        return None
    capacity = readings.get("pack.capacity")
    ah, ah_spread = (
        (capacity.value, capacity.spread)
        if isinstance(capacity, Known)
        else (pack.capacity_ah, 0.0)
    )
    kept = kept_mohm(readings, pack, chemistry)
    mohm, mohm_spread = at_warmth(*kept, warmth(readings, world.now))
    return Figures(
        (chemistry.fractions, chemistry.volts), pack.cells, ah, ah_spread,
        mohm / 1_000 * pack.cells, mohm_spread / 1_000 * pack.cells,
        max(0.0, min(1.0, soc.value_at(world.now) / 100)), soc.spread_at(world.now) / 100,
    )  # fmt: skip


def full_v(world: World, name: str) -> float:
    """The voltage (V) at which a charger ends with this pack: full, or the pack's own ceiling."""
    pack = world.setup.site.packs[name]
    return pack.cells * min(chemistry_of(world, pack).volts[-1], pack.limits.cell_v_ceiling)


def socket_power(world: World, name: str, side: Side) -> float | None:
    """The usual power (W) of the load or charger where the pack is, else of the site's first; of
    a pack that is built in, that of its device."""
    own_w = world.setup.site.packs[name].device_w
    if own_w is not None and side is Side.LOAD:
        return own_w
    site, place = world.setup.site, world.packs[name].station
    stations = ([site.stations[place]] if place else []) + list(site.stations.values())
    return next((socket.power_w for s in stations if (socket := s.socket(side)) is not None), None)


def charge_rate(turn: Turn, name: str, power_w: float) -> float:
    """The C-rate (1/h) at which a charger of this power would fill the pack, at half its charge."""
    pack = turn.rated(name)
    chemistry = chemistry_of(turn.world, pack)
    volts = rest_voltage(chemistry, 0.5) * pack.cells
    return power_w * _efficiency(turn, name) / volts / pack.capacity_ah


def _efficiency(turn: Turn, name: str) -> float:
    """Share of the wall energy that reaches the pack, as the charger where it is has shown it."""
    station = turn.pack(name).station
    habit = Habit() if station is None else turn.world.stations[station].habit
    return habit.efficiency
