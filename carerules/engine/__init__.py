"""Checked rules and facts in, intents out: conditions in event time, activations, jobs.

Pure. Does not know text, batteries or wires.
"""

from carerules.engine.arbitrate import owner
from carerules.engine.evaluate import (
    Bound,
    BoundRule,
    RuleState,
    bind,
    evaluate,
    forbids,
    fresh_states,
    ready_to_fire,
    remember_nevers,
)
from carerules.engine.explain import Explained, Seen, explain, reasons
from carerules.engine.expression import Facts
from carerules.engine.hold import Memory
from carerules.engine.job import (
    Asking,
    Going,
    Instant,
    Job,
    Over,
    Phase,
    Step,
    View,
    add_energy,
    advance,
    line_wording,
    moving,
    passed,
    wait,
)
from carerules.engine.watch import nothing_new

__all__ = [
    "Asking",
    "Bound",
    "BoundRule",
    "Explained",
    "Facts",
    "Going",
    "Instant",
    "Job",
    "Memory",
    "Over",
    "Phase",
    "RuleState",
    "Seen",
    "Step",
    "View",
    "add_energy",
    "advance",
    "bind",
    "evaluate",
    "explain",
    "forbids",
    "fresh_states",
    "line_wording",
    "moving",
    "nothing_new",
    "owner",
    "passed",
    "ready_to_fire",
    "reasons",
    "remember_nevers",
    "wait",
]
