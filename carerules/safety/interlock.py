"""Last word on each intent: permit it, or veto it with a reason.

Knows packs, limits, readings and plugs. Does not know rules: no wording of a rule can talk it
round. It reasons on the pessimistic bound of each reading (value plus or minus two spreads), and
what is unknown is not allowed. The checks run in the order of the list; the first that fails says
why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeAlias

from carerules.domain.decision import Intent, Veto
from carerules.domain.frozen import frozen
from carerules.domain.moment import HOUR, MINUTE, NEVER, SECOND, Duration, Moment, show_duration
from carerules.domain.pack import Pack, Plug, Side, Socket, Station
from carerules.domain.quantity import Known, Reading
from carerules.safety.dwell import Dwell
from carerules.safety.lease import SILENCE_MAX, Permit, PlugState, astray, fault
from carerules.safety.proof import PROOF_AGE_MAX, lacking
from carerules.safety.response import unanswered

SIGMAS = 2.0
DATA_AGE_MAX: Duration = 60 * SECOND
"""SAFETY 2: nothing stays on on data older than this."""
NOTICE_PROVEN_WITHIN: Duration = 24 * HOUR
"""SAFETY 14: so lately must a notice have reached people for anything to go on unattended."""
BLIND_FLOOR_SOC = 30.0
BLIND_POINTS_MAX = 30.0
"""Without the pack's own voltage: never below this charge, and no deeper than this a run
(HAZARDS 43)."""
ROOM_DOUBT_K = 10.0
"""A pack without a sensor of its own may be this much warmer or cooler than its room: from
memory, to be narrowed by measurement."""


@frozen
class Bench:
    """What the interlock sees of one pack on one station.

    `stopped` says why nothing at all may be on; `barred` why this pack may not be used;
    `locked` why this station may not; `forbidden` is the author's `never` that holds;
    `doubt` what is implausible about the pack. Each is empty when there is nothing to say.
    `needs_notice`: unattended, only where a notice has reached people lately, at `notice_at`.
    """

    now: Moment
    pack: Pack
    station: Station
    readings: Mapping[str, Reading]
    room: Mapping[str, Reading]
    plugs: Mapping[str, tuple[Plug, PlugState]]
    dwell: Dwell
    attended_until: Moment = 0
    stopped: str = ""
    barred: str = ""
    locked: str = ""
    forbidden: str = ""
    doubt: str = ""
    soc_at_on: float | None = None
    needs_notice: bool = False
    notice_at: Moment | None = None


@frozen
class Refusal:
    """Why not: found, wanted, and whether it ends the job or a person can mend it."""

    found: str
    wanted: str
    final: bool = False
    mend: str = ""


@frozen
class Clear:
    """Nothing against it, and until when that holds by itself."""

    until: Moment = NEVER


CLEAR = Clear()
Finding: TypeAlias = Refusal | Clear
Check: TypeAlias = Callable[[Intent, Bench], Finding]


def permit(intent: Intent, bench: Bench) -> Permit | Veto:
    """A permit for this moment, or the first veto."""
    until = NEVER
    for name, check in CHECKS[intent.side]:
        match check(intent, bench):
            case Refusal(found, wanted, final, mend):
                return Veto(
                    intent.job, intent.pack, intent.station, name, found, wanted, final, mend
                )
            case Clear(its_until):
                until = min(until, its_until)
    return Permit(intent.job, bench.now, until)


# ---- the station -----------------------------------------------------------------------------


def _not_stopped(_intent: Intent, bench: Bench) -> Finding:
    if bench.stopped:
        return Refusal(bench.stopped, "a site that is released and has begun")
    return CLEAR


def _not_locked(_intent: Intent, bench: Bench) -> Finding:
    if bench.locked:
        name = bench.station.name
        return Refusal(f"station {name} is locked: {bench.locked}", "a station that is released",
                       mend=f"look at it, then `carerules release {name}`")  # fmt: skip
    return CLEAR


def _plug_in_order(intent: Intent, bench: Bench) -> Finding:
    socket = _socket(intent, bench)
    plug, state = bench.plugs[socket.plug]
    if not state.up:
        return Refusal(f"plug {plug.name} cannot be reached", "a plug that answers")
    wrong = fault(state, plug, socket.power_w, bench.now)
    if wrong is not None:
        told = "a plug that does as it is told"
        return Refusal(f"plug {plug.name}: {wrong.what}", told, final=wrong.final)
    if state.on_at is None:
        if state.proven_off:
            return CLEAR
        return Refusal(f"plug {plug.name} is not yet read back off", "a start from a proven off")
    return Clear(state.on_heard + SILENCE_MAX + 1 if state.confirmed else NEVER)


def _same_job(intent: Intent, bench: Bench) -> Finding:
    """The caps of an ON are those of the job and the pack that it began with."""
    _, state = bench.plugs[_socket(intent, bench).plug]
    if state.on_at is None or state.job == intent.job:
        return CLEAR
    return Refusal(f"plug {state.name} is on for another job", "a start from a proven off")


def _guarded(intent: Intent, bench: Bench) -> Finding:
    plug, _ = bench.plugs[_socket(intent, bench).plug]
    if plug.lease_s is not None or plug.unguarded or _attended(bench):
        return CLEAR
    return Refusal(f"plug {plug.name} has no timer of its own", "a timer, or somebody present",
                   mend="stay with it and say `carerules attend 60`")  # fmt: skip


def _proved(intent: Intent, bench: Bench) -> Finding:
    plug, state = bench.plugs[_socket(intent, bench).plug]
    what = lacking(plug, state.proof, bench.now, running=state.on_at is not None)
    if not what:
        until = state.proof.at + PROOF_AGE_MAX + 1 if state.proof and plug.needs_proof else NEVER
        return Clear(until)
    if _attended(bench):
        return Clear(bench.attended_until)
    return Refusal(
        f"plug {plug.name} {what}",
        "a proof, or somebody present",
        mend=f"take the pack off and say `carerules doctor SITE --prove {plug.name}`",
    )


def _people_told(intent: Intent, bench: Bench) -> Finding:
    """Whoever is not there must be reachable before it begins; what runs is not stopped by it."""
    _, state = bench.plugs[_socket(intent, bench).plug]
    if not bench.needs_notice or state.on_at is not None or _attended(bench):
        return CLEAR
    at = bench.notice_at
    if at is not None and 0 <= bench.now - at <= NOTICE_PROVEN_WITHIN:
        return CLEAR
    found = "no notice has ever reached people"
    if at is not None:
        found = f"no notice has reached people for {show_duration(bench.now - at)}"
    return Refusal(found, f"one within {show_duration(NOTICE_PROVEN_WITHIN)}",
                   mend="say `carerules notify-test` and mend its channels")  # fmt: skip


def _other_side_off(intent: Intent, bench: Bench) -> Finding:
    other = Side.CHARGER if intent.side is Side.LOAD else Side.LOAD
    socket = bench.station.socket(other)
    if socket is None:
        return CLEAR
    plug, state = bench.plugs[socket.plug]
    if state.proven_off and not astray(state, plug):
        return CLEAR
    return Refusal(f"the {other.value} of station {bench.station.name} is not proved off",
                   "never both at once")  # fmt: skip


def _dwelled(_intent: Intent, bench: Bench) -> Finding:
    left = bench.dwell.until - bench.now
    if left > 0:
        return Refusal(f"station {bench.station.name} went off {bench.dwell.why}",
                       f"{show_duration(left)} more before it goes on again")  # fmt: skip
    return CLEAR


def _within_caps(intent: Intent, bench: Bench) -> Finding:
    _, state = bench.plugs[_socket(intent, bench).plug]
    if state.on_at is None:
        return CLEAR
    dwell = bench.dwell
    on_for = bench.now - state.on_at
    if on_for >= dwell.time_max:
        return Refusal(f"on for {show_duration(on_for)}",
                       f"at most {show_duration(dwell.time_max)} at a time",
                       final=dwell.time_max < ON_LONGEST)  # fmt: skip
    if state.energy_wh >= dwell.energy_wh_max:
        return Refusal(f"{state.energy_wh:.1f} Wh moved",
                       f"at most {dwell.energy_wh_max:.1f} Wh, a quarter over forecast",
                       final=True)  # fmt: skip
    return Clear(state.on_at + dwell.time_max)


ON_LONGEST: Duration = 4 * HOUR
"""SAFETY 9. A run that reaches this cap has only been long: it may go on after a pause. One that
reaches a shorter cap took half as long again as forecast: something is not as believed."""

# ---- the pack --------------------------------------------------------------------------------


def _not_barred(_intent: Intent, bench: Bench) -> Finding:
    if bench.barred:
        name = bench.pack.name
        return Refusal(f"{name} is {bench.barred}", "a pack that a person has released", final=True,
                       mend=f"look at it, then `carerules release {name}`")  # fmt: skip
    return CLEAR


def _not_forbidden(intent: Intent, bench: Bench) -> Finding:
    if bench.forbidden:
        word = "drain" if intent.side is Side.LOAD else "charge"
        return Refusal(f"`never {word} when {bench.forbidden}` holds or cannot be ruled out",
                       "a condition that is certainly false")  # fmt: skip
    return CLEAR


def _no_doubt(_intent: Intent, bench: Bench) -> Finding:
    if bench.doubt:
        return Refusal(f"{bench.pack.name}: {bench.doubt}", "readings that agree",
                       mend=f"measure {bench.pack.name} by hand and enter it")  # fmt: skip
    return CLEAR


def _answers(intent: Intent, bench: Bench) -> Finding:
    socket = _socket(intent, bench)
    _, state = bench.plugs[socket.plug]
    what = unanswered(bench.pack, socket, state, bench.readings, bench.dwell)
    if not what:
        return CLEAR
    return Refusal(what, "a pack that answers to what flows", final=True,
                   mend=f"see that {bench.pack.name} hangs on {bench.station.name}")  # fmt: skip


def _temperature_within(intent: Intent, bench: Bench) -> Finding:
    limits = bench.pack.limits
    draining = intent.side is Side.LOAD
    low = limits.drain_c_min if draining else limits.charge_c_min
    high = limits.drain_c_max if draining else limits.charge_c_max
    wanted = f"{low:.0f} to {high:.0f} °C"
    reading, doubt, age_max = bench.readings.get("pack.temperature"), 0.0, DATA_AGE_MAX
    if reading is None:  # it has no sensor: the room stands for it, with a wide berth
        reading, doubt, age_max = bench.room.get("site.temperature"), ROOM_DOUBT_K, 10 * MINUTE
    until = _fresh_until(reading, bench.now, age_max)
    if until is None or not isinstance(reading, Known):
        if draining and _attended(bench):
            return Clear(bench.attended_until)
        return Refusal("its temperature is not known", f"{wanted}, at most a minute old",
                       mend="give it a sensor, or stay and say `carerules attend 60`")  # fmt: skip
    berth = SIGMAS * reading.spread + doubt
    if low <= reading.value - berth and reading.value + berth <= high:
        return Clear(until)
    return Refusal(f"temperature {reading.value:.1f} ± {berth:.1f} °C", wanted)


def _above_floor(intent: Intent, bench: Bench) -> Finding:
    limits = bench.pack.limits
    if intent.target < limits.soc_floor:
        return Refusal(f"drain to {intent.target:.0f} %", f"at least {limits.soc_floor:.0f} %",
                       final=True)  # fmt: skip
    lowest = bench.readings.get("pack.cell.min")
    until = _fresh_until(lowest, bench.now, DATA_AGE_MAX)
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
    if bound <= BLIND_FLOOR_SOC:
        return Refusal(f"charge may be as low as {bound:.0f} %",
                       f"above {BLIND_FLOOR_SOC:.0f} % where the voltage is not seen",
                       final=True)  # fmt: skip
    begun = bench.soc_at_on if bench.soc_at_on is not None else soc.value_at(bench.now)
    if begun - intent.target > BLIND_POINTS_MAX:
        return Refusal(f"{begun - intent.target:.0f} points to drain",
                       f"at most {BLIND_POINTS_MAX:.0f} where the voltage is not seen",
                       final=True)  # fmt: skip
    plug, state = bench.plugs[_socket(intent, bench).plug]
    if not plug.metered:
        return Refusal(f"plug {plug.name} has no meter", "a meter where the voltage is not seen",
                       final=True)  # fmt: skip
    if state.on_at is None:
        return CLEAR
    heard = max(state.power_heard, state.on_at)
    if bench.now - heard > DATA_AGE_MAX:
        return Refusal(f"plug {plug.name}'s meter is silent", "power at most a minute old")
    return Clear(heard + DATA_AGE_MAX + 1)


def _below_ceiling(_intent: Intent, bench: Bench) -> Finding:
    highest = bench.readings.get("pack.cell.max")
    until = _fresh_until(highest, bench.now, DATA_AGE_MAX)
    if until is None or not isinstance(highest, Known):
        return Refusal(f"{bench.pack.name}'s cell voltage is not known, or older than a minute",
                       "a voltage at most a minute old")  # fmt: skip
    limits = bench.pack.limits
    if highest.value + SIGMAS * highest.spread > limits.cell_v_ceiling:
        return Refusal(f"highest cell {highest.value:.3f} V and {SIGMAS * highest.spread:.3f} V",
                       f"at most {limits.cell_v_ceiling:.2f} V a cell", final=True)  # fmt: skip
    lowest = bench.readings.get("pack.cell.min")
    its_until = _fresh_until(lowest, bench.now, DATA_AGE_MAX)
    if its_until is None or not isinstance(lowest, Known):
        return Refusal(f"{bench.pack.name}'s lowest cell is not known, or older than a minute",
                       "a voltage at most a minute old")  # fmt: skip
    if lowest.value - SIGMAS * lowest.spread < limits.cell_v_harm:
        return Refusal(f"lowest cell {lowest.value:.3f} V less {SIGMAS * lowest.spread:.3f} V",
                       f"at least {limits.cell_v_harm:.2f} V a cell", final=True)  # fmt: skip
    return Clear(min(until, its_until))


def _rested(intent: Intent, bench: Bench) -> Finding:
    _, state = bench.plugs[_socket(intent, bench).plug]
    if state.on_at is not None:
        return CLEAR  # the current that flows is the charge itself
    rested = bench.readings.get("pack.rested")
    wanted = bench.pack.limits.rest_before_charge
    if not isinstance(rested, Known):
        return Refusal("it is not known how long it has rested", show_duration(wanted))
    so_far = round(rested.value_at(bench.now))
    if so_far >= wanted:
        return CLEAR
    return Refusal(f"rested {show_duration(so_far)}", show_duration(wanted))


def _somebody_present(_intent: Intent, bench: Bench) -> Finding:
    if _attended(bench):
        return Clear(bench.attended_until)
    return Refusal("nobody is with the charger", "somebody present while it charges",
                   mend="stay with it and say `carerules attend 60`")  # fmt: skip


# ---- the list --------------------------------------------------------------------------------

_BOTH: tuple[tuple[str, Check], ...] = (
    ("stop", _not_stopped),
    ("pack barred", _not_barred),
    ("station locked", _not_locked),
    ("plug", _plug_in_order),
    ("handover", _same_job),
    ("timer", _guarded),
    ("proof", _proved),
    ("notice", _people_told),
    ("one side only", _other_side_off),
    ("caps", _within_caps),
    ("dwell", _dwelled),
    ("doubt", _no_doubt),
    ("answer", _answers),
    ("temperature", _temperature_within),
    ("never", _not_forbidden),
)

CHECKS: Mapping[Side, tuple[tuple[str, Check], ...]] = {
    Side.LOAD: (*_BOTH, ("floor", _above_floor)),
    Side.CHARGER: (
        *_BOTH,
        ("ceiling", _below_ceiling),
        ("rest", _rested),
        ("presence", _somebody_present),
    ),
}
"""Every interlock, in the order in which they are asked."""


def _socket(intent: Intent, bench: Bench) -> Socket:
    socket = bench.station.socket(intent.side)
    assert socket is not None
    return socket


def _attended(bench: Bench) -> bool:
    return bench.now < bench.attended_until


def _fresh_until(reading: Reading | None, now: Moment, age_max: Duration) -> Moment | None:
    """The first moment at which the reading is too old; None when it is, or there is none."""
    if not isinstance(reading, Known) or now - reading.at > age_max:
        return None
    return reading.at + age_max + 1
