"""Whether a plug was proved: its timer, its read-back and its power-on state, by a timed test.

Knows when a plug was proved and how often it went on since. Does not know how it is put to the
test. A timer that is read in a data sheet is a hope; one that was timed is a fact, for a while.
"""

from __future__ import annotations

from carerules.domain.event import Proved
from carerules.domain.frozen import changed, frozen
from carerules.domain.moment import DAY, Duration, Moment
from carerules.domain.pack import Plug

PROOF_AGE_MAX: Duration = 30 * DAY
"""SAFETY 12: firmware is updated, relays wear, settings are changed by somebody."""
PROOF_RUNS_MAX = 20
"""SAFETY 12, in times that it was switched on: never fewer than drains."""


@frozen
class Proof:
    """The plug, as its `Plug.key` says it was, held at `at`; it went on `runs` times since."""

    key: str
    at: Moment
    runs: int = 0


def proof_of(event: Proved) -> Proof | None:
    """The proof that a test gives; None: it failed."""
    return Proof(event.key, event.heard) if event.holds else None


def ran(proof: Proof | None) -> Proof | None:
    """The proof after the plug went on once more."""
    return None if proof is None else changed(proof, runs=proof.runs + 1)


def lacking(plug: Plug, proof: Proof | None, now: Moment, *, running: bool) -> str:
    """Why the plug does not count as proved; empty: it does. `running`: this ON is counted."""
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
