"""One plug: how long it may stay on without word from us, and when it is proved off.

Knows a plug's reports, our commands to it and the timed test of it. Does not know packs, rules or
why it is wanted on. Silence opens the relay: ON is never a state that lasts by itself. It is sent
with the plug's own timer and said again from a fresh permit; without one, OFF is sent until it is
read back.
"""

from __future__ import annotations

from carerules.domain.decision import AskPlug, Command, OffProven, SwitchOff, SwitchOn
from carerules.domain.event import PlugReport, Proved
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, SECOND, Duration, Moment
from carerules.domain.pack import Plug

RENEW_EVERY: Duration = 20 * SECOND
"""Four renewals lost in a row before a lease of 90 s runs out (SAFETY 1)."""
PERMIT_AGE_MAX: Duration = 2 * SECOND
DATA_AGE_MAX: Duration = MINUTE
"""SAFETY 2: ON is said only from a permit at most so old, and nothing stays on on older data."""
OFF_RETRY: Duration = 5 * SECOND
OFF_ALARM: Duration = 30 * SECOND
"""SAFETY 4: OFF is said again each 5 s, and alarmed when it is not proved within 30 s."""
OFF_RETRY_LATER: Duration = MINUTE
OFF_TRIES_QUICK = 60
"""After five minutes of trying the plug is most likely gone: keep on, without a flood (our
choice)."""
CONFIRM_WITHIN: Duration = 15 * SECOND
"""An ON that no report confirms by then has failed (no source)."""
SETTLE: Duration = 3 * SECOND
"""A plug may repeat its old state for a moment after a command (from memory)."""
POWER_EVERY: Duration = 10 * SECOND
"""While a load is on we ask for its power this often, so that data is never a minute old
(our choice)."""
STRAY_AGAIN: Duration = 5 * MINUTE
"""A button pressed once by mistake is no second master; two ONs in this time are one
(our choice)."""
OVER_POWER = 1.2
"""A load or charger that draws this much more than usual has a fault (our choice)."""
PROOF_AGE_MAX: Duration = 30 * DAY
PROOF_RUNS_MAX = 20
"""SAFETY 12: firmware is updated, relays wear, settings are changed by somebody. In times that it
was switched on: never fewer than drains."""


@frozen
class Permit:
    """Leave to have a plug on, from this moment; perishable."""

    job: str
    at: Moment
    until: Moment = NEVER


@frozen
class Proof:
    """The plug, as its `Plug.key` says it was, held at `at`; how often it went on since: `runs`."""

    key: str
    at: Moment
    runs: int = 0


@frozen
class PlugState:
    """What we told a plug, what it said, and what flowed during this ON.

    `on_at` is the first ON of this run, None while it is not wanted on. `off_at` is the first OFF
    of this try, None when off is proved; `said_at` is the last word of either. `stray_at`: when it
    was last found on unasked.
    """

    name: str
    up: bool = True
    on_at: Moment | None = None
    said_at: Moment = 0
    job: str = ""
    off_at: Moment | None = None
    off_tries: int = 0
    off_because: str = "at the start"
    alarmed: bool = False
    asked_at: Moment = 0
    on: bool | None = None
    on_heard: Moment = -1
    power_w: float | None = None
    power_heard: Moment = -1
    timer_s: float | None = None
    confirmed: bool = False
    energy_wh: float = 0.0
    energy_at: Moment = 0
    stray_at: Moment | None = None
    proof: Proof | None = None

    @property
    def proven_off(self) -> bool:
        """Read back off, with no power sampled after the command."""
        return self.on_at is None and self.off_at is None


def unknown_plug(plug: Plug, now: Moment) -> PlugState:
    """A plug of which nothing is known yet: it may be on, so OFF is sought from the start."""
    return PlugState(plug.name, off_at=now)


def hear(state: PlugState, report: PlugReport) -> PlugState:
    """The state after the plug's own word. Energy is what its last power moved until now."""
    now, energy = report.heard, state.energy_wh
    if state.on_at is not None and state.power_w is not None and state.power_heard >= state.on_at:
        # Held over at most a minute: a meter that falls silent must not be taken for a flow.
        # Each stretch once, though state and power come in reports of their own.
        held = min(now, state.power_heard + MINUTE) - max(state.power_heard, state.energy_at)
        energy += state.power_w * max(0, held) / HOUR
    watts = (state.power_w, state.power_heard) if report.power_w is None else (report.power_w, now)
    relay = (state.on, state.on_heard) if report.on is None else (report.on, now)
    confirmed = state.confirmed or (state.on_at is not None and report.on is True)
    return changed(
        state, up=True, energy_wh=energy, energy_at=now, timer_s=report.timer_s,
        power_w=watts[0], power_heard=watts[1], on=relay[0], on_heard=relay[1], confirmed=confirmed,
    )  # fmt: skip


def link(state: PlugState, *, up: bool) -> PlugState:
    """The state after the way to the plug came up, or went down.

    What was said while it was down did not arrive: an OFF that is sought is said again at once.
    """
    if not up or state.off_at is None:
        return changed(state, up=up)
    return changed(state, up=True, said_at=state.off_at - OFF_RETRY_LATER)


def proof_of(event: Proved) -> Proof | None:
    """The proof that a test gives; None: it failed."""
    return Proof(event.key, event.heard) if event.holds else None


def ran(proof: Proof | None) -> Proof | None:
    """The proof after the plug went on once more."""
    return None if proof is None else changed(proof, runs=proof.runs + 1)


def lacking(plug: Plug, proof: Proof | None, now: Moment, *, running: bool) -> str:
    """Why the plug does not count as proved; empty: it does. `running`: this ON is counted.

    A timer that is read in a data sheet is a hope; one that was timed is a fact, for a while.
    """
    if not plug.needs_proof:
        return ""
    if proof is None:
        return "is not proved"
    if proof.key != plug.key:
        return "was proved with other settings"
    if now - proof.at > PROOF_AGE_MAX:
        return "was proved more than 30 days ago"
    if proof.runs - running >= PROOF_RUNS_MAX:
        return f"went on {PROOF_RUNS_MAX} times since it was proved"
    return ""


def want_on(
    state: PlugState, plug: Plug, permit: Permit, now: Moment
) -> tuple[PlugState, list[Command]]:
    """ON for the first time, or its renewal, or nothing yet. Only from a proved OFF."""
    assert now - permit.at <= PERMIT_AGE_MAX
    commands: list[Command] = []
    renewal = state.on_at is not None
    if not renewal:
        assert state.proven_off
        state = changed(
            state, on_at=now, asked_at=now, job=permit.job, confirmed=False, energy_wh=0.0,
            proof=ran(state.proof),
        )  # fmt: skip
    if not renewal or now - state.said_at >= RENEW_EVERY:
        state = changed(state, said_at=now)
        commands.append(SwitchOn(plug.name, plug.lease_s, permit.job, permit.at, renewal=renewal))
    if now >= _ask_at(state):
        state = changed(state, asked_at=now)
        commands.append(AskPlug(plug.name))
    return state, commands


def want_off(
    state: PlugState, plug: Plug, because: str, now: Moment
) -> tuple[PlugState, list[Command | OffProven]]:
    """OFF at once, again each 5 s, until it is read back; nothing when that has been done.

    A plug that turns up on although nobody wanted it on is brought off likewise.
    """
    if state.proven_off:
        if not astray(state, plug):
            return state, []
        because = "it is on and nobody here asked for that"
        state = changed(state, stray_at=now)
    if state.off_at is None:
        state = changed(
            state, on_at=None, off_at=now, said_at=now, off_tries=1, off_because=because,
            alarmed=False, asked_at=now,
        )  # fmt: skip
        return state, [SwitchOff(plug.name, because)]
    if _read_back_off(state, plug):
        took = now - state.off_at
        return changed(state, off_at=None, off_tries=0, job=""), [OffProven(plug.name, took)]
    if now < _retry_at(state):
        return state, []
    again = state.off_tries
    state = changed(state, said_at=now, off_tries=again + 1, asked_at=now)
    return state, [SwitchOff(plug.name, state.off_because, again), AskPlug(plug.name)]


def _read_back_off(state: PlugState, plug: Plug) -> bool:
    """Off by a report after the first OFF we said, and no power by a report after it."""
    since = state.off_at
    if since is None or not state.off_tries or state.on is not False or state.on_heard <= since:
        return False
    flows = state.power_heard <= since or (state.power_w or 0.0) > plug.off_w
    return not (plug.metered and flows)


def astray(state: PlugState, plug: Plug) -> bool:
    """Whether a plug that was proved off says that it is on, or that power flows through it."""
    return state.proven_off and (bool(state.on) or (state.power_w or 0.0) > plug.off_w)


def stray_again(state: PlugState, now: Moment) -> bool:
    """Whether it was found on unasked a short while ago, too: somebody else commands it."""
    return state.stray_at is not None and now - state.stray_at <= STRAY_AGAIN


def off_overdue(state: PlugState, now: Moment) -> bool:
    """Whether OFF has been sought for longer than anybody should wait for it in silence."""
    return state.off_at is not None and not state.alarmed and now - state.off_at >= OFF_ALARM


@frozen
class Fault:
    """What is wrong with a plug that is on. `lock`: a person must look before it goes on again;
    `final`: the job that wanted it ends."""

    what: str
    lock: bool = False
    final: bool = True


def fault(state: PlugState, plug: Plug, usual_w: float, now: Moment) -> Fault | None:
    """What speaks against the plug, or what hangs on it, while it is wanted on."""
    if state.on_at is None:
        return None
    if not state.confirmed:
        late = now - state.on_at >= CONFIRM_WITHIN
        return Fault("it did not confirm that it is on") if late else None
    if state.on is False and state.on_heard - state.said_at > SETTLE:
        return Fault("it was switched off by somebody else, or by `carerules stop`")
    if now - state.on_heard > DATA_AGE_MAX:
        return Fault("it has been silent for a minute", final=False)
    if _timer_not_armed(state, plug):
        return Fault("its own timer is not armed as we set it", lock=True)
    most_w, settled = OVER_POWER * usual_w, state.power_heard > state.on_at + SETTLE
    if settled and state.power_w is not None and state.power_w > most_w:
        return Fault(f"it draws {state.power_w:.0f} W, wanted at most {most_w:.0f} W", lock=True)
    return None


def _timer_not_armed(state: PlugState, plug: Plug) -> bool:
    if plug.lease_s is None or not plug.timer_shown:
        return False
    if state.on_heard - state.said_at <= SETTLE or not state.on:
        return False
    return state.timer_s is None or not 0 < state.timer_s <= plug.lease_s + 1


def due(state: PlugState, now: Moment) -> Moment:
    """When this plug must be looked at again, if it stays as it is."""
    if state.on_at is not None:
        confirm = NEVER if state.confirmed else state.on_at + CONFIRM_WITHIN
        return max(now + 1, min(state.said_at + RENEW_EVERY, _ask_at(state), confirm))
    if state.off_at is not None:
        alarm = NEVER if state.alarmed else state.off_at + OFF_ALARM
        return max(now + 1, min(_retry_at(state), alarm))
    return NEVER


def _ask_at(state: PlugState) -> Moment:
    """When a plug that is on must be asked for its power, if it says nothing by itself."""
    return max(state.asked_at, state.power_heard) + POWER_EVERY


def _retry_at(state: PlugState) -> Moment:
    """When OFF must be said again, if it is not read back: at once where it was never said."""
    if not state.off_tries:
        return 0
    quick = state.off_tries < OFF_TRIES_QUICK and state.up
    return state.said_at + (OFF_RETRY if quick else OFF_RETRY_LATER)
