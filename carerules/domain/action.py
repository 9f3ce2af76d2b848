"""The lines of a job: what a rule may have done.

Knows the kinds of action and their numbers. Does not know how one is carried out.
A new action is one class here, one row in `ACTIONS`, and its step in engine/advance.
"""

from __future__ import annotations

from typing import TypeAlias

from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.domain.pack import Side
from carerules.domain.quantity import Dimension


@guarded
class DayWindow:
    """A stretch of each day, in minutes after midnight; `until` before `since` runs past it."""

    since: int
    until: int

    @property
    def is_moment(self) -> bool:
        """Whether it is the one minute that `at 22:00` names."""
        return self == one_minute(self.since)

    def show(self) -> str:
        """`22:00-06:00`."""
        return "-".join(clock(minute) for minute in (self.since, self.until))

    def wording(self) -> str:
        """`during 22:00-06:00`; the minute that begins at 22:00 is `at 22:00`."""
        if self.is_moment:
            return f"at {clock(self.since)}"
        return f"during {self.show()}"


def one_minute(minute: int) -> DayWindow:
    """The minute of the day that begins then: what `at 22:00` means, so that it comes true once."""
    return DayWindow(minute, (minute + 1) % (24 * 60))


def clock(minute: int) -> str:
    """`22:00` for a minute of the day."""
    return f"{minute // 60:02}:{minute % 60:02}"


@guarded
class Hole:
    """A place in a text that is filled when it is said: a signal's value, or the pack's name."""

    signal: str
    dimension: Dimension | None


Text: TypeAlias = tuple[str | Hole, ...]


@guarded
class Drain:
    """Use the station's load until `target` (%), at most `power_w`, only inside `window`."""

    target: float
    power_w: float | None = None
    window: DayWindow | None = None


@guarded
class Charge:
    """Use the station's charger until `target` (%), as late as is still in time.

    In time for the next use (`by_use`), or for a minute of the day (`by_minute`); neither: now.
    `rate_c`: only on a charger that is no stronger than this (1/h, the C-rate).
    """

    target: float
    by_use: bool = False
    window: DayWindow | None = None
    by_minute: int | None = None
    rate_c: float | None = None


@guarded
class Rest:
    """Wait `time` with no current."""

    time: Duration


@guarded
class Hold:
    """Forbid any current for `time`, to every job of the pack."""

    time: Duration


@guarded
class Switch:
    """Switch the station's load or charger on for `time`, or off (None): a plain switch."""

    side: Side
    time: Duration | None


@guarded
class Ask:
    """Go on only when a person says yes within `within`; no answer is no."""

    text: Text
    within: Duration


@guarded
class Notify:
    """Tell someone, over the channel `to`, or over all; `again` each so long while the rule stays
    true."""

    text: Text
    urgent: bool = False
    again: Duration | None = None
    to: str = ""


@guarded
class Chore:
    """Put it on the to-do list."""

    text: Text


@guarded
class Mark:
    """Journal an event, for `time since` and `count`."""

    event: str


@guarded
class Quarantine:
    """Forbid charging until a person releases the pack."""


@guarded
class Retire:
    """Use the pack no more."""

    because: Text = ()


Action: TypeAlias = (
    Drain | Charge | Rest | Hold | Switch | Ask | Notify | Chore | Mark | Quarantine | Retire
)


@guarded
class ActionRow:
    """One row of the reference: the keyword, its form, its meaning, which side it needs."""

    name: str
    form: str
    meaning: str
    side: Side | None = None


ACTIONS: dict[type[Action], ActionRow] = {
    Drain: ActionRow("drain", "drain to SOC [at most P] [during WINDOW]",
                     "use the station's load until the target", Side.LOAD),
    Charge: ActionRow("charge", "charge to SOC [by use | by TIME] [at most C-RATE] [during WINDOW]",
                      "use the station's charger until the target", Side.CHARGER),
    Rest: ActionRow("rest", "rest D", "wait with no current"),
    Hold: ActionRow("hold", "hold D", "forbid any current, to every job of the pack"),
    Switch: ActionRow("switch", "switch load|charger on for D, switch load|charger off",
                      "a plain switch; on always has an end"),
    Ask: ActionRow("ask", 'ask "..." within D', "go on only when a person says yes"),
    Notify: ActionRow("notify", 'notify "..." [to CHANNEL] [urgent] [again every D]',
                      "tell someone"),
    Chore: ActionRow("chore", 'chore "..."', "put it on the to-do list"),
    Mark: ActionRow("mark", "mark EVENT", "journal an event"),
    Quarantine: ActionRow("quarantine", "quarantine", "forbid charging until released"),
    Retire: ActionRow("retire", 'retire [because "..."]', "use the pack no more, until released"),
}  # fmt: skip


def side_of(action: Action) -> Side | None:
    """The side whose plug the action has switched on; None: it moves no energy."""
    if isinstance(action, Switch):
        return None if action.time is None else action.side
    return ACTIONS[type(action)].side
