"""What must hold of the station, its plugs and the people near it before anything flows there.

Knows plugs, leases and locks. Does not know cells, or why anybody wants energy moved.
"""

from __future__ import annotations

from collections.abc import Iterator

from carerules.domain.decision import Intent
from carerules.domain.moment import HOUR, Duration, Moment, show_duration
from carerules.domain.pack import Side
from carerules.safety.bench import Bench, Refusal
from carerules.safety.dwell import Run, runs
from carerules.safety.lease import DATA_AGE_MAX, PROOF_AGE_MAX, astray, fault, lacking

NOTICE_PROVEN_WITHIN: Duration = 24 * HOUR
"""SAFETY 14: so lately must a notice have reached people for anything to go on unattended."""
ON_LONGEST: Duration = 4 * HOUR
"""SAFETY 9. A run that reaches this cap has only been long: it may go on after a pause. One that
reaches a shorter cap took half as long again as forecast: something is not as believed."""
ON_IN_A_DAY_MAX: Duration = 16 * HOUR
"""Four of the longest runs: a long night and more, and a third of the day for a load to be cold and
for people to see it. What needs longer goes on the next day. Common practice, no source."""
FULLS_IN_A_DAY_MAX = 4
"""In what the pack holds when full. A pack that is emptied, filled through a poor charger and set
for storage has three behind it; one that goes past four is drained and charged in a circle, or its
reading does not come down. Common practice, no source."""
STAY = "stay with it and say `carerules attend 60`"
FROM_OFF = "a start from a proved off"


def not_stopped(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """`carerules stop` holds until a person releases the site."""
    if bench.stopped:
        yield Refusal(bench.stopped, "a site that is released and has begun")


def not_locked(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """A station that failed once stays off until a person has looked."""
    if bench.locked:
        found = f"station {bench.station.name} is locked: {bench.locked}"
        mend = f"look at it, then `carerules release {bench.station.name}`"
        yield Refusal(found, "a station that is released", mend=mend)


def plug_in_order(_intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """It answers, does as it is told, and an ON starts from a proved off (SAFETY 4, 5)."""
    plug, state = bench.outlet.plug, bench.outlet.state
    if not state.up:
        yield Refusal(f"plug {plug.name} cannot be reached", "a plug that answers")
    if wrong := fault(state, plug, bench.outlet.socket.power_w, bench.now):
        found, wanted = f"plug {plug.name}: {wrong.what}", "a plug that does as it is told"
        yield Refusal(found, wanted, final=wrong.final)
    if state.on_at is None and not state.proven_off:
        yield Refusal(f"plug {plug.name} is not yet read back off", FROM_OFF)
    if state.on_at is not None and state.confirmed:
        yield state.on_heard + DATA_AGE_MAX + 1


def same_job(intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """The caps of an ON are those of the job and the pack that it began with."""
    state = bench.outlet.state
    if state.on_at is not None and state.job != intent.job:
        yield Refusal(f"plug {state.name} is on for another job", FROM_OFF)


def guarded(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """Without a timer somebody must be there, whatever the site file says (SAFETY 12)."""
    plug = bench.outlet.plug
    if plug.lease_s is None:
        found, wanted = f"plug {plug.name} has no timer of its own", "a timer, or somebody present"
        yield Refusal(found, wanted, mend=STAY, unattended=True)


def proved(_intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """Its timer was seen to work lately, or somebody is there (SAFETY 12)."""
    plug, state = bench.outlet.plug, bench.outlet.state
    if what := lacking(plug, state.proof, bench.now, running=state.on_at is not None):
        found, wanted = f"plug {plug.name} {what}", "a proof, or somebody present"
        mend = f"take the pack off and say `carerules doctor SITE --prove {plug.name}`"
        yield Refusal(found, wanted, mend=mend, unattended=True)
    elif plug.needs_proof and state.proof is not None:
        yield state.proof.at + PROOF_AGE_MAX + 1


def people_told(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """Whoever is not there must be reachable before it begins; what runs is not stopped by it."""
    ago = None if bench.notice_at is None else bench.now - bench.notice_at
    lately = ago is not None and 0 <= ago <= NOTICE_PROVEN_WITHIN
    if bench.needs_notice and not lately and bench.outlet.state.on_at is None:
        since = "ever reached people" if ago is None else f"reached people for {show_duration(ago)}"
        wanted = f"one within {show_duration(NOTICE_PROVEN_WITHIN)}"
        mend = "say `carerules notify-test` and mend its channels"
        yield Refusal(f"no notice has {since}", wanted, mend=mend, unattended=True)


def other_side_off(intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """Load and charger of one station are never on together (SAFETY 10)."""
    other = bench.other
    if other is not None and (not other.state.proven_off or astray(other.state, other.plug)):
        side = "charger" if intent.side is Side.LOAD else "load"
        found = f"the {side} of station {bench.station.name} is not proved off"
        yield Refusal(found, "never both at once")


def within_caps(_intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """Time and energy of one ON are bounded, whatever the readings say (SAFETY 9)."""
    state, dwell = bench.outlet.state, bench.dwell
    if state.on_at is None:
        return
    on_for, ends = bench.now - state.on_at, dwell.time_max < ON_LONGEST
    if on_for >= dwell.time_max:
        wanted = f"at most {show_duration(dwell.time_max)} at a time"
        yield Refusal(f"on for {show_duration(on_for)}", wanted, final=ends)
    if state.energy_wh >= dwell.energy_wh_max:
        wanted = f"at most {dwell.energy_wh_max:.1f} Wh, a quarter over forecast"
        yield Refusal(f"{state.energy_wh:.1f} Wh moved", wanted, final=True)
    yield state.on_at + dwell.time_max


def within_day(_intent: Intent, bench: Bench) -> Iterator[Refusal | Moment]:
    """All runs of a day are bounded together: a rule that fires again and again has a budget of its
    own each time."""
    state, pack, day = bench.outlet.state, bench.pack, runs(bench.dwell, bench.now)
    if state.on_at is not None:
        day = (*day, Run(bench.now, pack.name, bench.now - state.on_at, state.energy_wh))
    ran = sum(run.ran for run in day)
    if ran >= ON_IN_A_DAY_MAX:
        wanted = f"at most {show_duration(ON_IN_A_DAY_MAX)} in 24 h"
        yield Refusal(f"on for {show_duration(ran)} in a day", wanted)
    moved_wh = sum(run.moved_wh for run in day if run.pack == pack.name)
    full_wh = pack.cells * pack.limits.cell_v_ceiling * pack.capacity_ah
    if moved_wh >= FULLS_IN_A_DAY_MAX * full_wh:
        wanted = f"at most {FULLS_IN_A_DAY_MAX} times the {full_wh:.0f} Wh that it holds, in 24 h"
        yield Refusal(f"{moved_wh:.0f} Wh moved for {pack.name} in a day", wanted)
    yield bench.now + ON_IN_A_DAY_MAX - ran


def dwelled(_intent: Intent, bench: Bench) -> Iterator[Refusal]:
    """No relay is switched on again so soon that it chatters."""
    left = bench.dwell.until - bench.now
    if left > 0:
        found = f"station {bench.station.name} went off a short while ago ({bench.dwell.why})"
        yield Refusal(found, f"{show_duration(left)} more before it goes on again")


def somebody_present(_intent: Intent, _bench: Bench) -> Iterator[Refusal]:
    """No charge while nobody is there (SAFETY 11)."""
    found, wanted = "nobody is with the charger", "somebody present while it charges"
    yield Refusal(found, wanted, mend=STAY, unattended=True)
