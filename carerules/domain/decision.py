"""What the core decides. Everything that `loop.step` gives back is one of these.

Knows the kinds. Does not know how a command travels or a notice is sent.
"""

from __future__ import annotations

from enum import Enum
from typing import TypeAlias

from carerules.domain.frozen import frozen
from carerules.domain.moment import Duration, Moment
from carerules.domain.pack import Side


@frozen
class Intent:
    """What a job wants now: energy moved at one station for one pack.

    `time_max` and `energy_wh_max` cap the ON that it begins, whatever the sensors say. One that is
    under way keeps the caps that it began with: these are then 0. `target`: percent of charge.
    """

    job: str
    rule: str
    pack: str
    station: str
    side: Side
    target: float
    because: str
    time_max: Duration
    energy_wh_max: float


@frozen
class Veto:
    """An intent refused: which interlock, what was found, what was wanted.

    `final`: waiting will not mend it, the job ends. `mend`: what a person can do.
    """

    job: str
    pack: str
    station: str
    interlock: str
    found: str
    wanted: str
    final: bool = False
    mend: str = ""

    def show(self) -> str:
        """One line for a person."""
        return f"{self.found}; wanted {self.wanted}"


@frozen
class SwitchOn:
    """Switch a plug on for `lease_s` seconds of its own timer (None: it has none)."""

    plug: str
    lease_s: int | None
    job: str
    permit_at: Moment
    renewal: bool


@frozen
class SwitchOff:
    """Switch a plug off; `again` counts the tries since the first."""

    plug: str
    because: str
    again: int = 0


@frozen
class AskPlug:
    """Ask a plug to report its state and power now."""

    plug: str


Command: TypeAlias = SwitchOn | SwitchOff | AskPlug


@frozen
class OffProven:
    """A plug was read back off after the command, with no power sampled after it."""

    plug: str
    took: Duration


@frozen
class StationLocked:
    """A station takes no command but OFF until a person releases it."""

    station: str
    why: str


@frozen
class Fired:
    """A rule's condition became true for a pack: the activation, told apart by `since`."""

    rule: str
    key: str
    pack: str
    since: Moment
    because: str
    reasons: tuple[str, ...]


class Ending(Enum):
    """How a job ended."""

    DONE = "done"
    NOT_NEEDED = "not needed"
    CANCELLED = "cancelled"
    STOPPED = "stopped by its own condition"
    REFUSED = "refused"
    FAILED = "failed"


@frozen
class JobBegan:
    """A job was opened for a pack."""

    job: str
    rule: str
    pack: str
    line: str


@frozen
class JobMoved:
    """A job went on to another phase or line, in words."""

    job: str
    pack: str
    line: str
    phase: str
    why: str


@frozen
class JobEnded:
    """A job is over. `energy_wh` went through the plug."""

    job: str
    rule: str
    pack: str
    ending: Ending
    why: str
    energy_wh: float = 0.0


@frozen
class Notice:
    """Something to tell a person, over the channel `to`, or over all; one incident has one key.

    `again`: the rule wants the same words told again; without it they are no news.
    """

    key: str
    text: str
    pack: str = ""
    urgent: bool = False
    to: str = ""
    again: bool = False


@frozen
class ChoreOpened:
    """Something that only a person can do."""

    key: str
    pack: str
    text: str


@frozen
class ChoreClosed:
    """A chore is done, or no longer wanted."""

    key: str


@frozen
class Marked:
    """An event that a rule journalled."""

    pack: str
    event: str


@frozen
class PackBarred:
    """A pack was quarantined (no charge until a person has looked) or retired."""

    pack: str
    retired: bool
    why: str


@frozen
class LeftOut:
    """A sample that came too late to be put in its place."""

    pack: str
    late: Duration
    source: str


Outcome: TypeAlias = (
    SwitchOn | SwitchOff | AskPlug | OffProven | StationLocked | Veto | Fired | JobBegan
    | JobMoved | JobEnded | Notice | ChoreOpened | ChoreClosed | Marked | PackBarred | LeftOut
)  # fmt: skip
