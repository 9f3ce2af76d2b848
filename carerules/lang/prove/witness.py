"""Witnesses: values that can be true together and show something, for a pack that there is.

Knows how they are said. Does not know how one is found (`finder`), nor what it is to show.
"""

from __future__ import annotations

from enum import Enum
from typing import TypeAlias

from carerules.domain.action import clock
from carerules.domain.condition import ValueOf, dimension_of
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, MINUTE, NEVER, Duration, show_duration
from carerules.domain.quantity import SWITCH, show
from carerules.domain.wording import DAY_NAMES, value_wording


@guarded
class State:
    """Values at one instant: of signals and times, of flags by their wording, and the clock (ms of
    the week, Monday's midnight 0; None: any time)."""

    values: tuple[tuple[ValueOf, float], ...] = ()
    flags: tuple[tuple[str, bool], ...] = ()
    clock: int | None = None

    def show(self) -> str:
        """`pack.soc = 96 %, time until use = 3 d, fri at 22:30`."""
        said = [_say(value, number) for value, number in self.values]
        said += [flag if yes else f"not ({flag})" for flag, yes in self.flags]
        if self.clock is not None:
            day, rest = divmod(self.clock, DAY)
            said.append(f"{DAY_NAMES[day]} at {clock(rest // MINUTE)}")
        return ", ".join(said) or "any values"


@guarded
class Witness:
    """A state that shows it, for a pack: its name, or what its label must say.

    `before` are the states that must have been so long ago.
    """

    pack: str
    state: State
    before: tuple[tuple[Duration, State], ...] = ()

    def show(self) -> str:
        """In one line."""
        told = [f"{self.pack} at {self.state.show()}"]
        for time, state in self.before:
            when = "some time before" if time >= NEVER else f"{show_duration(time)} before"
            told.append(f"{when} {state.show()}")
        return "; ".join(told)


class Maybe(Enum):
    """Instead of a witness: there is none, none once everything has been known for as long as is
    looked back on, or it cannot be said whether there is one."""

    NO = "no"
    AT_FIRST = "at first only"
    UNSURE = "unsure"


Answer: TypeAlias = Witness | Maybe


def _say(value: ValueOf, number: float) -> str:
    dimension = dimension_of(value)
    if dimension == SWITCH:
        return f"{value_wording(value)} is {show(number, dimension)}"
    return f"{value_wording(value)} = {show(number, dimension)}"
