"""What a snapshot is made of: every class that a world may hold is on the image's list."""

from __future__ import annotations

import typing
from collections.abc import Iterator
from enum import Enum

from carerules.domain.action import ACTIONS
from carerules.engine.watch import Section
from carerules.loop.world import Recent
from carerules.service import image

LEFT_OUT = {Section, Recent}
"""What `memory` takes out before it writes: the last seconds' samples, and where they lay."""


def ours(hint: object) -> Iterator[type]:
    """The classes of this project in an annotation, however deep."""
    if isinstance(hint, type) and hint.__module__.startswith("carerules"):
        yield hint
    for part in typing.get_args(hint):
        yield from ours(part)


def test_every_class_that_a_kept_one_may_hold_is_kept_as_well() -> None:
    known = set(image._CLASSES.values())
    held = {
        part
        for one in known
        if not issubclass(one, Enum)
        for hint in typing.get_type_hints(one).values()
        for part in ours(hint)
    }
    assert held - known == LEFT_OUT
    assert len(held) > 30


def test_every_action_that_a_job_may_carry_is_kept() -> None:
    assert set(ACTIONS) <= set(image._CLASSES.values())
