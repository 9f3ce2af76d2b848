"""Algebra and engine agree just where they could part, and part where a fault is planted."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from replay_kit import BEGIN, PACKS, SIGNALS, Row, engine_fires, rule, tape_of

from carerules.domain.condition import (
    Compare,
    Condition,
    Crosses,
    For,
    InLast,
    Not,
    SignalValue,
)
from carerules.domain.moment import DAY, MINUTE
from carerules.domain.plan import Plan
from carerules.domain.quantity import CHARGE_LEVEL, TEMPERATURE, Known, Quantity
from carerules.replay import compare, conditions, fire, replay, steps
from carerules.replay.steps import UNKNOWN, Steps
from carerules.replay.tape import Axis

Plant = Callable[[pytest.MonkeyPatch], None]


def late(patch: pytest.MonkeyPatch) -> None:
    """`for` and `in last` end a millisecond late."""
    right = Axis.later_end
    patch.setattr(
        Axis, "later_end", lambda axis, start, end, time: right(axis, start, end, time + 1)
    )


def bridged(patch: pytest.MonkeyPatch) -> None:
    """A gap as long as the bridge does not break a run."""
    right: Any = steps.held
    patch.setattr(conditions, "held",
                  lambda axis, part, time, bridge: right(axis, part, time, bridge + 1))  # fmt: skip


def stale_early(patch: pytest.MonkeyPatch) -> None:
    """An age of exactly `max_age` is too old."""
    right: Any = compare._grown_stale
    patch.setattr(compare, "_grown_stale", lambda laid, max_age: right(
        laid, None if max_age is None else max_age - 1))  # fmt: skip


def crossing_unseen(patch: pytest.MonkeyPatch) -> None:
    """A value beyond the level has crossed it, seen before or not."""
    patch.setattr(conditions, "crossed", lambda _axis, beyond: beyond)


def fires_after_silence(patch: pytest.MonkeyPatch) -> None:
    """A rule is armed again by silence."""

    def fires(axis: Axis, when: Steps) -> Any:
        return steps.fires(axis, Steps(when.at, np.where(when.truth == UNKNOWN, 0, when.truth)))

    patch.setattr(fire, "fires", fires)


def stands_still(patch: pytest.MonkeyPatch) -> None:
    """A value that moves is what it was at its row."""
    none = np.empty(0, np.int64)
    patch.setattr(compare, "_turns", lambda *_: (none, none))


def one_of_an_instant(patch: pytest.MonkeyPatch) -> None:
    """Of what is heard in one instant only the last counts."""
    right = Axis.place
    patch.setattr(Axis, "place", lambda axis, pack, moment, order=0: right(axis, pack, moment, 0))


HOT = Compare(SignalValue("pack.temperature", TEMPERATURE), ">", Quantity(20.0, TEMPERATURE))
LOW = Compare(SignalValue("pack.soc", CHARGE_LEVEL), "<", Quantity(20.0, CHARGE_LEVEL))
RISES = Crosses(HOT.left, Quantity(20.0, TEMPERATURE), up=True)
GAP = 20 * MINUTE + 1


def at(time: int, value: float, order: int = 0, name: str = "pack.temperature",
       slope: float = 0.0) -> Row:  # fmt: skip
    return Row(BEGIN + time, order, {name: Known(value, 0.0, BEGIN + time, "", slope)})


# The plant, a condition, and what is heard: just where it matters.
PLANTS: tuple[tuple[Plant, Condition, list[Row]], ...] = (
    (late, For(HOT, 10 * MINUTE), [at(0, 25), at(9 * MINUTE, 25)]),
    (late, Not(InLast(HOT, 5 * MINUTE)), [at(0, 25), at(MINUTE, 10), at(9 * MINUTE, 10)]),
    (
        bridged,
        For(HOT, 15 * MINUTE),
        [at(0, 25), *(at(GAP + n * 9 * MINUTE, 25) for n in range(4))],
    ),
    (stale_early, For(HOT, 10 * MINUTE), [at(0, 25)]),
    (crossing_unseen, RISES, [at(0, 25)]),
    (fires_after_silence, HOT, [at(0, 25), at(GAP, 25)]),
    (stands_still, LOW, [at(0, 30, name="pack.soc", slope=-1.3e-7)]),
    (one_of_an_instant, HOT, [at(0, 10), at(MINUTE, 25), at(MINUTE, 10, order=1)]),
)


def differs(when: Condition, rows: list[Row]) -> bool:
    plan, ends = Plan((rule("it", when),)), BEGIN + 2 * DAY
    wanted = engine_fires(plan, {"heron": rows}, ends)
    assert wanted or when is RISES, "the engine fires somewhere, or nothing is shown"
    found = replay(plan, PACKS, tape_of({"heron": rows}, ends), SIGNALS)
    return sorted(found.firings) != wanted


@pytest.mark.parametrize(
    ("plant", "when", "rows"), PLANTS, ids=lambda one: getattr(one, "__name__", "")
)
def test_a_planted_fault_is_found(
    plant: Plant, when: Condition, rows: list[Row], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not differs(when, rows)
    plant(monkeypatch)
    assert differs(when, rows)
