"""A plan that somebody keeps: who hangs which pack where and when, and from what it was made.

Knows moments on the line and names. Does not know how a plan is made, nor whether it still fits.
A kept plan advises people and switches nothing: rules and jobs do that, and are asked for permits.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

from carerules.domain.action import DayWindow
from carerules.domain.frozen import guarded
from carerules.domain.moment import HOUR, NEVER, Duration, Moment

SideWord: TypeAlias = Literal["load", "charger"]
MadeBy: TypeAlias = Literal["simple rule", "solver"]

GIVEN_UP: Duration = HOUR
"""A move that is so late is not waited for any more: whatever held it up, the plan was to be made
anew since half an hour, and has not been (our choice)."""


@guarded
class KeptRun:
    """A pack at a station's load or charger: from which charge (%) to which, and for what.

    `due`: when it must be reached, where that is certain. `done`: when it was over: reached, or its
    job ended well. `read`: somebody reads the pack and enters it as it begins.
    """

    pack: str
    station: str
    side: SideWord
    level: float
    target: float
    begins: Moment
    ends: Moment
    due: Moment | None = None
    rule: str = ""
    use: str = ""
    done: Moment | None = None
    read: bool = False


@guarded
class KeptMove:
    """A person hangs a pack on a station, at `at` at the latest; people are told from `tell` on, a
    moment at which somebody is awake. `off`: the pack that comes off it then. `done`: when it was
    hung there, once it was."""

    pack: str
    station: str
    tell: Moment
    at: Moment
    off: str = ""
    done: Moment | None = None


@guarded
class KeptWish:
    """A charge that the plan does without, the cheapest to leave out; `why` in words. People are
    told from `tell` on (`NEVER`: they have seen it). `target`: percent of charge."""

    pack: str
    side: SideWord
    target: float
    why: str
    tell: Moment
    due: Moment | None = None
    rule: str = ""
    use: str = ""


@guarded
class Supposed:
    """How a pack stood when the plan was made: its charge (%); None: it could not be planned."""

    pack: str
    soc: float | None


AWAKE = DayWindow(7 * 60, 22 * 60)
"""When people move packs, where nobody says otherwise (no source)."""


@guarded
class Hours:
    """What a plan goes by, from the site file on: when somebody is there to move packs, what all
    chargers together may draw (W; None: no limit), and money a kWh: `price`, and through the hours
    of a band another, of which the last that fits counts. A plan made anew goes by the same.

    Journals keep it with the plan: a field more has a default, for those that lie there.
    """

    awake: DayWindow = AWAKE
    circuit_w: float | None = None
    price: float = 0.0
    bands: tuple[tuple[DayWindow, float], ...] = ()


@guarded
class KeptPlan:
    """The plan, and what it was made from: packs, jobs under way (id, rule), planned uses (name,
    start, packs), and stations that were locked.

    `made`: the moment whose state it is made from; `until`: where it was asked to go to, which a
    use soon after that puts off to `ends`. `by`: who keeps it. `because`: what differed
    from the plan before, where one was made anew. `gap`: how much cheaper another could be, in
    percent; None: nothing is proved.
    """

    made: Moment
    by: str
    made_by: MadeBy
    begins: Moment
    ends: Moment
    until: Moment
    hours: Hours
    runs: tuple[KeptRun, ...] = ()
    moves: tuple[KeptMove, ...] = ()
    left_out: tuple[KeptWish, ...] = ()
    supposed: tuple[Supposed, ...] = ()
    jobs: tuple[tuple[str, str], ...] = ()
    uses: tuple[tuple[str, Moment, tuple[str, ...]], ...] = ()
    locked: tuple[str, ...] = ()
    asleep: tuple[tuple[Moment, Moment], ...] = ()
    remarks: tuple[str, ...] = ()
    because: tuple[str, ...] = ()
    gap: float | None = None

    def packs(self) -> frozenset[str]:
        """Every pack that it names."""
        return frozenset(
            [one.pack for one in self.runs] + [one.pack for one in self.moves]
            + [one.off for one in self.moves if one.off] + [one.pack for one in self.left_out]
            + [one.pack for one in self.supposed]
        )  # fmt: skip

    def stations(self) -> frozenset[str]:
        """Every station that it names."""
        places = [one.station for one in self.runs] + [one.station for one in self.moves]
        return frozenset([*places, *self.locked])

    def due(self, now: Moment) -> Moment:
        """The next moment at which somebody is to be told of something, at which the plan has no
        word to say of it any more, or at which it ends."""
        left = [one for one in self.moves if one.done is None]
        tells = [one.tell for one in left] + [one.tell for one in self.left_out]
        tells += [one.at + GIVEN_UP + 1 for one in left]
        tells += [one.due for one in self.left_out if one.due is not None]
        return min([at for at in (*tells, self.ends) if at > now], default=NEVER)
