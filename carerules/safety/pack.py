"""What must hold of the pack itself, at the pessimistic bound of each of its readings.

Knows limits and how sure a reading is. Does not know why anybody wants energy moved.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from carerules.domain.decision import Intent
from carerules.domain.event import A_PERSON
from carerules.domain.moment import MINUTE, SECOND, Duration, Moment, show_duration
from carerules.domain.pack import Side
from carerules.domain.quantity import Known, Reading
from carerules.safety.bench import Bench, Refusal
from carerules.safety.lease import DATA_AGE_MAX

SIGMAS = 2.0  # common practice, no source: 19 of 20
LOWEST, HIGHEST = "pack.cell.min", "pack.cell.max"
RESPONDS_WITHIN: Duration = 20 * SECOND
"""Two samples of a pack in use: by then its own current has followed the plug
(no source)."""
RESPONDS_SHARE = 0.25
"""Of what the plug measures: half is lost at worst in a poor charger (from memory), and again half
for meters that disagree."""
AT_WORK_SHARE = 0.2
"""Below so much of its usual power a load has let go, or a charger is at the end of its taper
(no source)."""
STANDS_STILL_SHARE = 0.05
"""Of the pack's energy: no rest curve is so flat, and no cell meter so coarse, that this much
leaves the lowest cell where it was, to the last digit (judgement, no source)."""
METER_SHOWS_WITHIN: Duration = MINUTE
"""So soon after an ON the plug's meter must show the load, where it is all that is seen."""
BLIND_FLOOR_SOC = 30.0
BLIND_POINTS_MAX = 30.0
"""Without the pack's own voltage: never below this charge, and no deeper than this a run, nor
until somebody reads it (our choice)."""
ROUNDING = 1e-6  # points: sums of the same numbers in another order; by far below what is measured
ROOM_DOUBT_K = 10.0
"""A pack without a sensor of its own may be this much warmer or cooler than its room: from
memory, to be narrowed by measurement."""


def not_barred(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """A quarantined or retired pack takes no energy until a person has looked (SAFETY 11)."""
    if bench.barred:
        found, wanted = f"{bench.pack.name} is {bench.barred}", "a pack that a person has released"
        mend = f"look at it, then `carerules release {bench.pack.name}`"
        yield Refusal(found, wanted, final=True, mend=mend)


def no_doubt(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """What shows that it is another pack, or a lying meter, ends it (SAFETY 10)."""
    if bench.doubt:
        mend = f"measure {bench.pack.name} by hand and enter it"
        yield Refusal(f"{bench.pack.name}: {bench.doubt}", "readings that agree", mend=mend)


def not_forbidden(intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """The author's own `never` binds too, and so does one that cannot be ruled out."""
    if bench.forbidden:
        found = f"`never {intent.side.verb} when {bench.forbidden}` holds or cannot be ruled out"
        yield Refusal(found, "a condition that is certainly false")


def answers(intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """The pack that is watched is the one that is drained or charged: its voltage or current
    follows what flows at the station. What a person has typed in once is no watch, and stands
    still; who types the same in again and again is one.

    A pack hung elsewhere than was said, a lead that has come off and telemetry that stands still
    all look like a pack in good health, while another one, or the same one unseen, runs empty. One
    that does not tell its current is not judged by it, nor one that is not seen by its voltage.
    """
    pack, state, dwell = bench.pack, bench.outlet.state, bench.dwell
    volts, amps, lowest = map(bench.readings.get, ("pack.voltage", "pack.current", LOWEST))
    power_w, at_work_w = state.power_w or 0.0, AT_WORK_SHARE * bench.outlet.socket.power_w
    if state.on_at is None or state.power_w is None or not isinstance(volts, Known):
        return
    wanted = "a pack that answers to what flows"
    mend = f"see that {pack.name} hangs on {bench.station.name}"
    if isinstance(amps, Known) and amps.at >= state.on_at + RESPONDS_WITHIN <= state.power_heard:
        way, sign = ("out", -1) if intent.side is Side.LOAD else ("in", 1)
        own_w = sign * amps.value * volts.value
        # Nor does a pack tell of work after its load has let go; a charger pauses for seconds.
        told_w = max(own_w, power_w) if sign < 0 and amps.at >= state.power_heard else power_w
        if told_w >= at_work_w and min(own_w, power_w) < RESPONDS_SHARE * told_w:
            found = f"{power_w:.0f} W flow {way}, and {pack.name} tells of {round(own_w)} W"
            yield Refusal(found, wanted, final=True, mend=mend)
    if isinstance(lowest, Known) and lowest.value == dwell.lowest_v:
        if _by_hand(bench) and bench.now - lowest.at > DATA_AGE_MAX:
            return  # one reading, of long ago: nobody watches
        moved_wh = state.energy_wh - dwell.lowest_wh
        if moved_wh > STANDS_STILL_SHARE * pack.capacity_ah * volts.value:
            found = f"{moved_wh:.0f} Wh have moved, and {pack.name}'s voltage stands still"
            yield Refusal(found, wanted, final=True, mend=mend)


def _by_hand(bench: Bench) -> bool:
    """Whether the lowest cell is known by what a person has typed in: one reading, and no watch."""
    lowest, volts = bench.readings.get(LOWEST), bench.readings.get("pack.voltage")
    if not isinstance(lowest, Known):
        return False
    # Out of the pack's voltage, or told with it.
    shared = isinstance(volts, Known) and lowest.at == volts.at and volts.source == A_PERSON
    return shared or lowest.source == A_PERSON


def temperature_within(intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """Within the pack's window for this direction, with its doubt (SAFETY 6, 7)."""
    limits, draining = bench.pack.limits, intent.side is Side.LOAD
    low = limits.drain_c_min if draining else limits.charge_c_min
    high = limits.drain_c_max if draining else limits.charge_c_max
    wanted = f"{low:.0f} to {high:.0f} °C"
    reading, doubt, age_max = bench.readings.get("pack.temperature"), 0.0, DATA_AGE_MAX
    if reading is None:  # it has no sensor: the room stands for it, with a wide berth
        reading, doubt, age_max = bench.room.get("site.temperature"), ROOM_DOUBT_K, 10 * MINUTE
    seen = _fresh(reading, bench.now, age_max)
    if seen is None:
        # Somebody there feels how warm a load gets, unless it was outside when last measured.
        felt = draining and not (isinstance(reading, Known) and not low <= reading.value <= high)
        found, wanted = "its temperature is unknown", f"{wanted}, at most a minute old"
        mend = "give it a sensor, or stay and say `carerules attend 60`"
        yield Refusal(found, wanted, mend=mend, unattended=felt)
    else:
        berth = SIGMAS * seen.spread + doubt
        if not low <= seen.value - berth <= seen.value + berth <= high:
            yield Refusal(f"temperature {seen.value:.1f} ± {berth:.1f} °C", wanted)
        yield seen.at + age_max + 1


def above_floor(intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """Neither the target nor the lowest cell below the floor (SAFETY 6, 7)."""
    limits = bench.pack.limits
    if intent.target < limits.soc_floor:
        wanted = f"at least {limits.soc_floor:.0f} %"
        yield Refusal(f"drain to {intent.target:.0f} %", wanted, final=True)
    lowest, soc = bench.readings.get(LOWEST), bench.readings.get("pack.soc")
    blind, fresh = bench.station.blind, _fresh(lowest, bench.now, DATA_AGE_MAX) is not None
    if fresh or not blind:
        mend = "connect its telemetry, or allow `blind` at the station"
        yield from _within(bench, LOWEST, limits.cell_v_floor, mend)
    if blind and (_by_hand(bench) or not fresh):
        if isinstance(soc, Known):
            yield from _blind(intent, bench, soc)
        else:
            yield Refusal("neither voltage nor charge is known", "one of them")


def below_ceiling(_intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """No cell above the ceiling, and none so low that charging it harms (SAFETY 6, 7)."""
    yield from _within(bench, HIGHEST, bench.pack.limits.cell_v_ceiling)
    yield from _within(bench, LOWEST, bench.pack.limits.cell_v_harm)


def _within(
    bench: Bench, signal: str, limit_v: float, mend: str = "connect its telemetry"
) -> Iterator[Refusal | Moment]:
    """The lowest cell above a limit (V), or the highest below one, at the far end of its doubt."""
    word, side, sign = ("lowest", "above", 1) if signal == LOWEST else ("highest", "below", -1)
    cell = _fresh(bench.readings.get(signal), bench.now, DATA_AGE_MAX)
    if cell is None:
        found = f"{bench.pack.name}'s {word} cell is unknown, or older than a minute"
        yield Refusal(found, "a voltage at most a minute old", mend=mend)
    else:
        doubt_v = SIGMAS * cell.spread
        if not sign * (cell.value - limit_v) > doubt_v:
            found = f"{word} cell {cell.value:.3f} ± {doubt_v:.3f} V"
            yield Refusal(found, f"{side} {limit_v:.2f} V a cell", final=True)
        yield cell.at + DATA_AGE_MAX + 1


def _blind(intent: Intent, bench: Bench, soc: Known) -> Iterator[Refusal | Moment]:
    """Drained on metered energy alone: shallow, high, and only while the meter speaks."""
    plug, state, name = bench.outlet.plug, bench.outlet.state, bench.pack.name
    unseen, now = "where the voltage is not seen", soc.value_at(bench.now)
    least, floor = now - SIGMAS * soc.spread_at(bench.now), max(BLIND_FLOOR_SOC, bench.floor_charge)
    if least <= floor:
        found = f"charge may be as low as {least:.0f} %"
        yield Refusal(found, f"above {floor:.0f} % {unseen}", final=True)
    if bench.charge_most <= floor:
        # Whatever was read of it since: it may have been another pack, again and again.
        found = f"{100 - bench.charge_most:.0f} points have left {name} since it was charged"
        mend = f"if it was charged since: `carerules record {name} charged`, then its voltage"
        yield Refusal(found, f"above {floor:.0f} % {unseen}", mend=mend)
    begun = now + bench.drawn if bench.dwell.soc_at_on is None else bench.dwell.soc_at_on
    # A plain switch has no target: what it has moved counts. So does what others have moved since
    # the pack was read, and what this one has, whatever somebody said of its charge meanwhile.
    points = max(begun - min(intent.target, now), bench.drawn)
    if points > BLIND_POINTS_MAX + ROUNDING:
        wanted = f"at most {BLIND_POINTS_MAX:.0f} {unseen}"
        mend = f"read {name}'s voltage and enter it"
        yield Refusal(f"{ceil(points)} points to drain", wanted, final=True, mend=mend)
    if not plug.metered:
        yield Refusal(f"plug {plug.name} has no meter", f"a meter {unseen}", final=True)
    if state.on_at is None:
        return
    heard = max(state.power_heard, state.on_at)
    if bench.now - heard > DATA_AGE_MAX:
        yield Refusal(f"plug {plug.name}'s meter is silent", "power at most a minute old")
    power_w, least_w = state.power_w or 0.0, AT_WORK_SHARE * bench.outlet.socket.power_w
    if bench.now - state.on_at > METER_SHOWS_WITHIN and power_w < least_w:
        found = f"plug {plug.name} meters {power_w:.0f} W while it is on"
        wanted = f"at least {least_w:.0f} W: the meter is all that is seen of the drain"
        yield Refusal(found, wanted, final=True)
    yield heard + DATA_AGE_MAX + 1


def rested(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """A pack rests after use before it is charged (SAFETY 11)."""
    if bench.outlet.state.on_at is not None:
        return  # the current that flows is the charge itself
    rested, wanted = bench.readings.get("pack.rested"), bench.pack.limits.rest_before_charge
    if not isinstance(rested, Known):
        yield Refusal("it is unknown how long it has rested", show_duration(wanted))
    elif (so_far := round(rested.value_at(bench.now))) < wanted:
        yield Refusal(f"rested {show_duration(so_far)}", show_duration(wanted))


def _fresh(reading: Reading | None, now: Moment, age_max: Duration) -> Known | None:
    """The reading, unless it is unknown or too old."""
    return reading if isinstance(reading, Known) and now - reading.at <= age_max else None
