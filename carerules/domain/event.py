"""What the world can be told. Everything that reaches the core is one of these.

Knows the kinds. Does not know what they lead to. Each carries `heard`, the moment at which the
service learned of it, never earlier than the one before; what was true earlier says so in `at`.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from carerules.domain.frozen import frozen
from carerules.domain.keptplan import KeptPlan
from carerules.domain.moment import Duration, Moment
from carerules.domain.pack import Use


@frozen
class Value:
    """One value in a sample: signal, base-unit value, spread (1 sigma)."""

    signal: str
    value: float
    spread: float = 0.0


@frozen
class Tick:
    """Nothing but time has passed."""

    heard: Moment


A_PERSON = "a person"
"""The source of what somebody has read and typed in: one reading, and no watch."""


@frozen
class Sample:
    """What one pack showed at one instant: some values, and its cells' voltages where known (V)."""

    heard: Moment
    at: Moment
    pack: str
    values: tuple[Value, ...]
    source: str
    cells: tuple[float, ...] = ()
    cell_spread: float = 0.005


@frozen
class SiteSample:
    """What the room or the hub showed at one instant."""

    heard: Moment
    at: Moment
    values: tuple[Value, ...]
    source: str


@frozen
class PlugReport:
    """A plug's own word: relay, power (W), what is left of its timer (s). None: not said.

    A report that only repeats what the plug once retained at the broker is not one of these.
    """

    heard: Moment
    plug: str
    on: bool | None
    power_w: float | None = None
    timer_s: float | None = None


@frozen
class PlugLink:
    """The way to a plug came up or went down."""

    heard: Moment
    plug: str
    up: bool


@frozen
class Proved:
    """A plug was put to the test, with a person there, and held or did not.

    `key` is `Plug.key` as it was then; `opened_s`: how long after ON it opened by its own timer
    (s); `why` it failed, or what was seen. A test that failed takes the earlier proof away.
    """

    heard: Moment
    plug: str
    key: str
    holds: bool
    why: str
    opened_s: float | None = None


PERHAPS_BARRED = "perhaps-barred"
"""Happened to a pack that is new in the site file, as one that is barred has left it: nobody has
said yet that it is not that one under another name."""


@frozen
class Happened:
    """Something happened to a pack: `charge`, `full`, `use`, `swelling`, or any marked event."""

    heard: Moment
    at: Moment
    pack: str
    what: str
    source: str


@frozen
class Placed:
    """A person put a pack on a station, or took it off (None)."""

    heard: Moment
    pack: str
    station: str | None


@frozen
class UsePlanned:
    """A use was planned, or changed: the name is its key."""

    heard: Moment
    use: Use


@frozen
class UseDropped:
    """A planned use was called off."""

    heard: Moment
    name: str


@frozen
class PlanKept:
    """A plan of the time ahead is kept: the to-do list follows it. A newer one takes its place."""

    heard: Moment
    plan: KeptPlan


@frozen
class PlanDropped:
    """The kept plan is kept no more."""

    heard: Moment


@frozen
class Attended:
    """A person is with the packs until `until`."""

    heard: Moment
    until: Moment


@frozen
class Answered:
    """A person answered what a job asked."""

    heard: Moment
    job: str
    yes: bool


@frozen
class Cancelled:
    """A person called a job off."""

    heard: Moment
    job: str


@frozen
class Wanted:
    """A person wants a pack brought to `target` (%): `goal` is `storage` (down) or `ready` (up)."""

    heard: Moment
    pack: str
    goal: Literal["storage", "ready"]
    target: float


@frozen
class Released:
    """A person has looked: the pack, the station or (`site`) everything may work again."""

    heard: Moment
    what: str


@frozen
class ChannelProved:
    """A notice arrived over a channel at `at`: people can be told."""

    heard: Moment
    at: Moment
    channel: str


@frozen
class Acknowledged:
    """A person has seen the notice `key`, whose words were `text`; or, with `until`, does not want
    to hear of it before then."""

    heard: Moment
    key: str
    text: str
    until: Moment | None = None


@frozen
class ChoreAnswered:
    """A person has done the chore `key`, whose words were `text`; or, with `until`, does not want
    to see it before then."""

    heard: Moment
    key: str
    text: str
    until: Moment | None = None


@frozen
class Stopped:
    """All loads off, now, and nothing on until a person releases the site."""

    heard: Moment
    by: str


@frozen
class Started:
    """The service began to listen: everything that could be on is brought off first.

    `offset` is the wall clock's lead over the line; `down` how long nobody listened.
    """

    heard: Moment
    offset: Duration = 0
    down: Duration = 0


@frozen
class Ended:
    """The service is leaving: everything off; the jobs wait for the next start."""

    heard: Moment


@frozen
class ClockSet:
    """The wall clock was stepped, or the machine slept: `asleep` is how long nobody listened."""

    heard: Moment
    offset: Duration
    asleep: Duration = 0


BESIDE = "carerules stop"
"""The origin of what was heard and not refused: a person's stop, said to a plug beside us."""


@frozen
class Rejected:
    """Something reached a door and was refused there: who sent it, and why."""

    heard: Moment
    origin: str
    why: str


Event: TypeAlias = (
    Tick | Sample | SiteSample | PlugReport | PlugLink | Proved | Happened | Placed | UsePlanned
    | UseDropped | Attended | Answered | Cancelled | Released | Stopped | Started | Ended
    | ClockSet | Rejected | ChannelProved | Acknowledged | Wanted
    | ChoreAnswered | PlanKept | PlanDropped
)  # fmt: skip
