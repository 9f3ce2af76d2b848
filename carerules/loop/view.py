"""What a job sees of its pack, and how long the work ahead of it will take.

Knows estimates, plugs and chemistries. Does not know what the job makes of it.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil

from carerules.battery import CannotCarry, ConstantPower, Curve, forecast, rest_voltage
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration
from carerules.domain.pack import Side, Station
from carerules.domain.quantity import Known, Truth
from carerules.engine import Job, View, owner
from carerules.loop.turn import Turn
from carerules.loop.world import chemistry_of

VOLTAGE_LIVE: Duration = MINUTE
CHARGER_EFFICIENCY = 0.85
"""Share of a charger's wall energy that reaches the pack: from memory, 0.8-0.9."""
TAPER_SHARE = 0.08
TAPER_AFTER: Duration = 5 * MINUTE
"""A charger that draws less than this share of its usual power has come to the end of its taper
(common practice, no source)."""


def view_of(turn: Turn, job: Job) -> View:
    """The pack, its station and its rule, as the job sees them now."""
    world, name = turn.world, job.pack
    state, now = world.packs[name], world.now
    station = world.setup.site.stations[state.station] if state.station else None
    has_it = owner(state.jobs, state.soc)
    voltage = state.estimate.readings.get("pack.voltage")
    uses = [start for start in state.uses if start >= now]
    wanted, stop = _rule_truths(turn, job)
    return View(
        now=now,
        local=world.local,
        soc=state.soc,
        voltage_live=isinstance(voltage, Known) and now - voltage.at <= VOLTAGE_LIVE,
        station=station,
        off_proven=station is None or _off_proven(turn, station),
        running=station is not None and _running(turn, station, job),
        next_use=uses[0] if uses else None,
        wanted=wanted,
        stop=stop,
        taper_end=station is not None and _taper_end(turn, station),
        ahead="" if has_it is None or has_it.id == job.id else f"rule {has_it.rule}",
        forecast=lambda side, target: outlook(turn, name, side, target),
        charge_rate=lambda power_w: charge_rate(turn, name, power_w),
    )


def _rule_truths(turn: Turn, job: Job) -> tuple[Truth, Truth]:
    """The truth of the job's rule now, and of its `stop when`; unknown where the rule is gone."""
    for state in turn.pack(job.pack).rules:
        if state.key == job.key:
            return state.truth, state.stop
    return Truth.UNKNOWN, Truth.NO


def _off_proven(turn: Turn, station: Station) -> bool:
    sockets = (station.socket(side) for side in Side)
    return all(turn.world.plugs[socket.plug].proven_off for socket in sockets if socket)


def _running(turn: Turn, station: Station, job: Job) -> bool:
    socket = station.socket(job.side) if job.side is not None else None
    if socket is None:
        return False
    plug = turn.world.plugs[socket.plug]
    return plug.on_at is not None and plug.job == job.id


def _taper_end(turn: Turn, station: Station) -> bool:
    if station.charger is None:
        return False
    plug = turn.world.plugs[station.charger.plug]
    if plug.on_at is None or plug.power_w is None:
        return False
    long_on = plug.power_heard - plug.on_at >= TAPER_AFTER
    return long_on and plug.power_w < TAPER_SHARE * station.charger.power_w


def outlook(turn: Turn, name: str, side: Side, target: float) -> tuple[Duration, float]:
    """Forecast time and energy at the plug to bring the pack from its charge now to `target` (%).

    Nothing to do, or the charge is not known: nothing. Where the pack is on no such socket, the
    site's first one stands for it, so that a chore can say how long it will take.
    """
    world, state = turn.world, turn.pack(name)
    pack = turn.rated(name)
    soc = state.soc
    site = world.setup.site
    here = site.stations[state.station] if state.station else None
    stations = ([here] if here else []) + list(site.stations.values())
    power = next((socket.power_w for s in stations if (socket := s.socket(side)) is not None), None)
    if not isinstance(soc, Known) or power is None:
        return 0, 0.0
    now = max(0.0, min(100.0, soc.value_at(world.now)))
    chemistry = chemistry_of(world, pack)
    capacity = state.estimate.readings.get("pack.capacity")
    capacity_ah = capacity.value if isinstance(capacity, Known) else pack.capacity_ah
    if side is Side.CHARGER:
        volts = rest_voltage(chemistry, (now + target) / 200) * pack.cells
        energy = max(0.0, target - now) / 100 * capacity_ah * volts / CHARGER_EFFICIENCY
        return round(energy / power * HOUR), energy
    if now <= target:
        return 0, 0.0
    resistance = state.estimate.readings.get("pack.resistance")
    cell_mohm = resistance.value if isinstance(resistance, Known) else 0.0
    curve = (chemistry.fractions, chemistry.volts)
    ohm = cell_mohm / 1_000 * pack.cells
    start = ceil(now * STEPS_A_POINT) / STEPS_A_POINT
    return _drain(curve, pack.cells, capacity_ah, ohm, power, start, target)


STEPS_A_POINT = 5
"""A forecast begins at the next fifth of a point: no reading is better than that, and a pack that
waits asks the same again at each sample."""


@lru_cache(maxsize=1_024)
def _drain(
    curve: Curve, cells: int, capacity_ah: float, ohm: float, power: float,
    start: float, target: float,
) -> tuple[Duration, float]:  # fmt: skip
    """Time and energy (Wh) at the plug from `start` to `target` (%)."""
    load = ConstantPower(power)
    try:
        ahead = forecast(curve, cells, capacity_ah, ohm, load, start / 100, target / 100)
    except CannotCarry:
        return 0, 0.0
    return round(ahead.time_s * SECOND), ahead.load_energy_wh


def charge_rate(turn: Turn, name: str, power_w: float) -> float:
    """The C-rate (1/h) at which a charger of this power would fill the pack, at half its charge."""
    pack = turn.rated(name)
    chemistry = chemistry_of(turn.world, pack)
    volts = rest_voltage(chemistry, 0.5) * pack.cells
    return power_w * CHARGER_EFFICIENCY / volts / pack.capacity_ah
