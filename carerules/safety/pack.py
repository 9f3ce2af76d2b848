"""What must hold of the pack itself, at the pessimistic bound of each of its readings."""

from __future__ import annotations

from carerules.domain.decision import Intent
from carerules.domain.moment import MINUTE, Duration, show_duration
from carerules.domain.pack import Side
from carerules.domain.quantity import Known
from carerules.safety.bench import (
    CLEAR,
    DATA_AGE_MAX,
    Bench,
    Clear,
    Finding,
    Refusal,
    attended,
    fresh_until,
)
from carerules.safety.response import AT_WORK_SHARE, unanswered

SIGMAS = 2.0
METER_SHOWS_WITHIN: Duration = MINUTE
"""So soon after an ON the plug's meter must show the load, where it is all that is seen."""
BLIND_FLOOR_SOC = 30.0
BLIND_POINTS_MAX = 30.0
"""Without the pack's own voltage: never below this charge, and no deeper than this a run
(HAZARDS 43)."""
ROOM_DOUBT_K = 10.0
"""A pack without a sensor of its own may be this much warmer or cooler than its room: from
memory, to be narrowed by measurement."""


def not_barred(_intent: Intent, bench: Bench) -> Finding:
    """A quarantined or retired pack takes no energy until a person has looked (SAFETY 11)."""
    if bench.barred:
        name = bench.pack.name
        return Refusal(f"{name} is {bench.barred}", "a pack that a person has released", final=True,
                       mend=f"look at it, then `carerules release {name}`")  # fmt: skip
    return CLEAR


def not_forbidden(intent: Intent, bench: Bench) -> Finding:
    """The author's own `never` binds too, and so does one that cannot be ruled out."""
    if bench.forbidden:
        word = "drain" if intent.side is Side.LOAD else "charge"
        return Refusal(f"`never {word} when {bench.forbidden}` holds or cannot be ruled out",
                       "a condition that is certainly false")  # fmt: skip
    return CLEAR


def no_doubt(_intent: Intent, bench: Bench) -> Finding:
    """What shows that it is another pack, or a lying meter, ends it (SAFETY 10)."""
    if bench.doubt:
        return Refusal(f"{bench.pack.name}: {bench.doubt}", "readings that agree",
                       mend=f"measure {bench.pack.name} by hand and enter it")  # fmt: skip
    return CLEAR


def answers(_intent: Intent, bench: Bench) -> Finding:
    """Voltage or current must follow what flows at the station, else another pack hangs there."""
    outlet = bench.outlet
    what = unanswered(bench.pack, outlet.socket, outlet.state, bench.readings, bench.dwell)
    if not what:
        return CLEAR
    return Refusal(what, "a pack that answers to what flows", final=True,
                   mend=f"see that {bench.pack.name} hangs on {bench.station.name}")  # fmt: skip


def temperature_within(intent: Intent, bench: Bench) -> Finding:
    """Within the pack's window for this direction, with its doubt (SAFETY 6, 7)."""
    limits = bench.pack.limits
    draining = intent.side is Side.LOAD
    low = limits.drain_c_min if draining else limits.charge_c_min
    high = limits.drain_c_max if draining else limits.charge_c_max
    wanted = f"{low:.0f} to {high:.0f} °C"
    reading, doubt, age_max = bench.readings.get("pack.temperature"), 0.0, DATA_AGE_MAX
    if reading is None:  # it has no sensor: the room stands for it, with a wide berth
        reading, doubt, age_max = bench.room.get("site.temperature"), ROOM_DOUBT_K, 10 * MINUTE
    until = fresh_until(reading, bench.now, age_max)
    if until is None or not isinstance(reading, Known):
        last = reading.value if isinstance(reading, Known) else None
        if draining and attended(bench) and (last is None or low <= last <= high):
            return Clear(bench.attended_until)
        return Refusal("its temperature is not known", f"{wanted}, at most a minute old",
                       mend="give it a sensor, or stay and say `carerules attend 60`")  # fmt: skip
    berth = SIGMAS * reading.spread + doubt
    if low <= reading.value - berth and reading.value + berth <= high:
        return Clear(until)
    return Refusal(f"temperature {reading.value:.1f} ± {berth:.1f} °C", wanted)


def above_floor(intent: Intent, bench: Bench) -> Finding:
    """Neither the target nor the lowest cell below the floor (SAFETY 6, 7)."""
    limits = bench.pack.limits
    if intent.target < limits.soc_floor:
        return Refusal(f"drain to {intent.target:.0f} %", f"at least {limits.soc_floor:.0f} %",
                       final=True)  # fmt: skip
    lowest = bench.readings.get("pack.cell.min")
    until = fresh_until(lowest, bench.now, DATA_AGE_MAX)
    if until is not None and isinstance(lowest, Known):
        bound = lowest.value - SIGMAS * lowest.spread
        if bound > limits.cell_v_floor:
            return Clear(until)
        return Refusal(f"lowest cell {lowest.value:.3f} V less {SIGMAS * lowest.spread:.3f} V",
                       f"above {limits.cell_v_floor:.2f} V a cell", final=True)  # fmt: skip
    if not bench.station.blind:
        return Refusal(f"{bench.pack.name}'s voltage is not known, or older than a minute",
                       "a voltage at most a minute old",
                       mend="connect its telemetry, or allow `blind` at the station")  # fmt: skip
    return _blind(intent, bench)


def _blind(intent: Intent, bench: Bench) -> Finding:
    """Drained on metered energy alone: shallow, high, and only while the meter speaks."""
    soc = bench.readings.get("pack.soc")
    if not isinstance(soc, Known):
        return Refusal("neither voltage nor charge is known", "one of them")
    bound = soc.value_at(bench.now) - SIGMAS * soc.spread
    floor = max(BLIND_FLOOR_SOC, bench.floor_charge)
    if bound <= floor:
        return Refusal(f"charge may be as low as {bound:.0f} %",
                       f"above {floor:.0f} % where the voltage is not seen",
                       final=True)  # fmt: skip
    now = soc.value_at(bench.now)
    begun = bench.soc_at_on if bench.soc_at_on is not None else now
    # A plain switch has no target: what it has moved counts.
    points = begun - min(intent.target, now)
    if points > BLIND_POINTS_MAX:
        return Refusal(f"{points:.0f} points to drain",
                       f"at most {BLIND_POINTS_MAX:.0f} where the voltage is not seen",
                       final=True)  # fmt: skip
    plug, state = bench.outlet.plug, bench.outlet.state
    if not plug.metered:
        return Refusal(f"plug {plug.name} has no meter", "a meter where the voltage is not seen",
                       final=True)  # fmt: skip
    if state.on_at is None:
        return CLEAR
    heard = max(state.power_heard, state.on_at)
    if bench.now - heard > DATA_AGE_MAX:
        return Refusal(f"plug {plug.name}'s meter is silent", "power at most a minute old")
    least_w = AT_WORK_SHARE * bench.outlet.socket.power_w
    if bench.now - state.on_at > METER_SHOWS_WITHIN and (state.power_w or 0.0) < least_w:
        return Refusal(f"plug {plug.name} meters {state.power_w or 0.0:.0f} W while it is on",
                       f"at least {least_w:.0f} W: the meter is all that is seen of the drain",
                       final=True)  # fmt: skip
    return Clear(heard + DATA_AGE_MAX + 1)


def below_ceiling(_intent: Intent, bench: Bench) -> Finding:
    """No cell above the ceiling, and none so low that charging it harms (SAFETY 6, 7)."""
    highest = bench.readings.get("pack.cell.max")
    until = fresh_until(highest, bench.now, DATA_AGE_MAX)
    if until is None or not isinstance(highest, Known):
        return Refusal(f"{bench.pack.name}'s cell voltage is not known, or older than a minute",
                       "a voltage at most a minute old")  # fmt: skip
    limits = bench.pack.limits
    if highest.value + SIGMAS * highest.spread > limits.cell_v_ceiling:
        return Refusal(f"highest cell {highest.value:.3f} V and {SIGMAS * highest.spread:.3f} V",
                       f"at most {limits.cell_v_ceiling:.2f} V a cell", final=True)  # fmt: skip
    lowest = bench.readings.get("pack.cell.min")
    its_until = fresh_until(lowest, bench.now, DATA_AGE_MAX)
    if its_until is None or not isinstance(lowest, Known):
        return Refusal(f"{bench.pack.name}'s lowest cell is not known, or older than a minute",
                       "a voltage at most a minute old")  # fmt: skip
    if lowest.value - SIGMAS * lowest.spread < limits.cell_v_harm:
        return Refusal(f"lowest cell {lowest.value:.3f} V less {SIGMAS * lowest.spread:.3f} V",
                       f"at least {limits.cell_v_harm:.2f} V a cell", final=True)  # fmt: skip
    return Clear(min(until, its_until))


def rested(_intent: Intent, bench: Bench) -> Finding:
    """A pack rests after use before it is charged (SAFETY 11)."""
    if bench.outlet.state.on_at is not None:
        return CLEAR  # the current that flows is the charge itself
    rested = bench.readings.get("pack.rested")
    wanted = bench.pack.limits.rest_before_charge
    if not isinstance(rested, Known):
        return Refusal("it is not known how long it has rested", show_duration(wanted))
    so_far = round(rested.value_at(bench.now))
    if so_far >= wanted:
        return CLEAR
    return Refusal(f"rested {show_duration(so_far)}", show_duration(wanted))


def somebody_present(_intent: Intent, bench: Bench) -> Finding:
    """No charge while nobody is there (SAFETY 11)."""
    if attended(bench):
        return Clear(bench.attended_until)
    return Refusal("nobody is with the charger", "somebody present while it charges",
                   mend="stay with it and say `carerules attend 60`")  # fmt: skip
