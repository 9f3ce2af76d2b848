"""Checked rules and facts in, intents out: conditions in event time, activations, jobs.

Pure. Does not know text, cells or wires.
"""

from carerules.engine.advance import advance
from carerules.engine.arbitrate import owner
from carerules.engine.evaluate import (
    Bound,
    BoundRule,
    CountState,
    RuleState,
    bind,
    bind_all,
    count,
    evaluate,
    forbids,
    fresh_counts,
    fresh_states,
    is_past_unseen,
    ready_to_fire,
    remember_nevers,
    seen_by,
)
from carerules.engine.explain import Explained, Seen, explain, reasons
from carerules.engine.hold import Memory
from carerules.engine.job import (
    NO_TARGET,
    Asking,
    Going,
    Instant,
    Job,
    Over,
    Phase,
    Step,
    Unseen,
    View,
    add_energy,
    line_wording,
    moving,
    no_place,
    passed,
    wait,
    wants_place,
)
from carerules.engine.stages import stage_below, too_deep, unread
from carerules.engine.value import Facts
from carerules.engine.watch import NOBODY, Places, Section
from carerules.engine.window import inside, on_days

__all__ = [
    "NOBODY",
    "NO_TARGET",
    "Asking",
    "Bound",
    "BoundRule",
    "CountState",
    "Explained",
    "Facts",
    "Going",
    "Instant",
    "Job",
    "Memory",
    "Over",
    "Phase",
    "Places",
    "RuleState",
    "Section",
    "Seen",
    "Step",
    "Unseen",
    "View",
    "add_energy",
    "advance",
    "bind",
    "bind_all",
    "count",
    "evaluate",
    "explain",
    "forbids",
    "fresh_counts",
    "fresh_states",
    "inside",
    "is_past_unseen",
    "line_wording",
    "moving",
    "no_place",
    "on_days",
    "owner",
    "passed",
    "ready_to_fire",
    "reasons",
    "remember_nevers",
    "seen_by",
    "stage_below",
    "too_deep",
    "unread",
    "wait",
    "wants_place",
]
