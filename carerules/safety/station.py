"""What must hold of the station, its plugs and the people near it before anything flows there."""

from __future__ import annotations

from carerules.domain.decision import Intent
from carerules.domain.moment import HOUR, NEVER, Duration, show_duration
from carerules.domain.pack import Side
from carerules.safety.bench import CLEAR, Bench, Clear, Finding, Refusal, attended
from carerules.safety.dwell import on_in_a_day
from carerules.safety.lease import SILENCE_MAX, astray, fault
from carerules.safety.proof import PROOF_AGE_MAX, lacking

NOTICE_PROVEN_WITHIN: Duration = 24 * HOUR
"""SAFETY 14: so lately must a notice have reached people for anything to go on unattended."""
ON_LONGEST: Duration = 4 * HOUR
"""SAFETY 9. A run that reaches this cap has only been long: it may go on after a pause. One that
reaches a shorter cap took half as long again as forecast: something is not as believed."""

ON_IN_A_DAY_MAX: Duration = 16 * HOUR
"""Four of the longest runs: a long night and more, and a third of the day for a load to be cold and
for people to see it. What needs longer goes on the next day. Common practice, no source."""


def not_stopped(_intent: Intent, bench: Bench) -> Finding:
    """`carerules stop` holds until a person releases the site."""
    if bench.stopped:
        return Refusal(bench.stopped, "a site that is released and has begun")
    return CLEAR


def not_locked(_intent: Intent, bench: Bench) -> Finding:
    """A station that failed once stays off until a person has looked."""
    if bench.locked:
        name = bench.station.name
        return Refusal(f"station {name} is locked: {bench.locked}", "a station that is released",
                       mend=f"look at it, then `carerules release {name}`")  # fmt: skip
    return CLEAR


def plug_in_order(_intent: Intent, bench: Bench) -> Finding:
    """It answers, does as it is told, and an ON starts from a proven off (SAFETY 4, 5)."""
    socket, plug, state = bench.outlet.socket, bench.outlet.plug, bench.outlet.state
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


def same_job(intent: Intent, bench: Bench) -> Finding:
    """The caps of an ON are those of the job and the pack that it began with."""
    state = bench.outlet.state
    if state.on_at is None or state.job == intent.job:
        return CLEAR
    return Refusal(f"plug {state.name} is on for another job", "a start from a proven off")


def guarded(_intent: Intent, bench: Bench) -> Finding:
    """Without a timer somebody must be there, whatever the site file says (SAFETY 12)."""
    plug = bench.outlet.plug
    if plug.lease_s is not None:
        return CLEAR
    if attended(bench):
        return Clear(bench.attended_until)
    return Refusal(f"plug {plug.name} has no timer of its own", "a timer, or somebody present",
                   mend="stay with it and say `carerules attend 60`")  # fmt: skip


def proved(_intent: Intent, bench: Bench) -> Finding:
    """Its timer was seen to work lately, or somebody is there (SAFETY 12)."""
    plug, state = bench.outlet.plug, bench.outlet.state
    what = lacking(plug, state.proof, bench.now, running=state.on_at is not None)
    if not what:
        until = state.proof.at + PROOF_AGE_MAX + 1 if state.proof and plug.needs_proof else NEVER
        return Clear(until)
    if attended(bench):
        return Clear(bench.attended_until)
    return Refusal(
        f"plug {plug.name} {what}",
        "a proof, or somebody present",
        mend=f"take the pack off and say `carerules doctor SITE --prove {plug.name}`",
    )


def people_told(_intent: Intent, bench: Bench) -> Finding:
    """Whoever is not there must be reachable before it begins; what runs is not stopped by it."""
    state = bench.outlet.state
    if not bench.needs_notice or state.on_at is not None or attended(bench):
        return CLEAR
    at = bench.notice_at
    if at is not None and 0 <= bench.now - at <= NOTICE_PROVEN_WITHIN:
        return CLEAR
    found = "no notice has ever reached people"
    if at is not None:
        found = f"no notice has reached people for {show_duration(bench.now - at)}"
    return Refusal(found, f"one within {show_duration(NOTICE_PROVEN_WITHIN)}",
                   mend="say `carerules notify-test` and mend its channels")  # fmt: skip


def other_side_off(intent: Intent, bench: Bench) -> Finding:
    """Load and charger of one station are never on together (SAFETY 10)."""
    other = bench.other
    if other is None or (other.state.proven_off and not astray(other.state, other.plug)):
        return CLEAR
    side = Side.CHARGER if intent.side is Side.LOAD else Side.LOAD
    return Refusal(f"the {side.value} of station {bench.station.name} is not proved off",
                   "never both at once")  # fmt: skip


def dwelled(_intent: Intent, bench: Bench) -> Finding:
    """No relay is switched on again so soon that it chatters."""
    left = bench.dwell.until - bench.now
    if left > 0:
        return Refusal(f"station {bench.station.name} went off {bench.dwell.why}",
                       f"{show_duration(left)} more before it goes on again")  # fmt: skip
    return CLEAR


def within_day(_intent: Intent, bench: Bench) -> Finding:
    """All runs of a day are bounded together: a rule that fires again and again has a budget of its
    own each time."""
    on_at = bench.outlet.state.on_at
    spent = on_in_a_day(bench.dwell, bench.now) + (0 if on_at is None else bench.now - on_at)
    if spent >= ON_IN_A_DAY_MAX:
        return Refusal(f"on for {show_duration(spent)} in a day",
                       f"at most {show_duration(ON_IN_A_DAY_MAX)} in 24 h")  # fmt: skip
    return CLEAR if on_at is None else Clear(bench.now + ON_IN_A_DAY_MAX - spent)


def within_caps(_intent: Intent, bench: Bench) -> Finding:
    """Time and energy of one ON are bounded, whatever the readings say (SAFETY 9)."""
    state = bench.outlet.state
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
