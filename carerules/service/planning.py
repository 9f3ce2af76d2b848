"""Plans that a service makes and keeps: each day, and anew where reality differs; beside the loop.

Knows when a plan is asked for. Does not know how one is made. What comes of it enters the loop as
any fact does; a plan that takes long, or fails, keeps nobody waiting.
"""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock, Thread

from carerules.adapters import Lane, Put, quoted
from carerules.config import Planning
from carerules.domain.event import Event, PlanKept, Rejected
from carerules.domain.frozen import guarded
from carerules.domain.keptplan import Hours, KeptPlan
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, Moment
from carerules.loop import World, differences
from carerules.planner import (
    last_passing,
    noon_after,
    planned_simply,
)

BY = "the service"
LOOK_EVERY: Duration = 15 * SECOND
"""Nothing in a plan is nearer than a quarter of an hour; a look goes through its runs and packs."""
SETTLE: Duration = MINUTE
"""Who swaps packs enters one move after the other: what differs must do so for this long."""
ANEW_EVERY: Duration = 10 * MINUTE
"""A plan is made anew at most so often; where that does not last, each time twice as seldom, down
to `ANEW_SELDOM`: a drain that is vetoed all night asks for the same plan again and again."""
ANEW_SELDOM: Duration = 2 * HOUR
LATEST: Duration = 12 * HOUR
"""A service that begins so long after the daily time makes no plan before the next one."""
ENOUGH: Duration = HOUR
"""A plan that ends so soon is not made anew."""


@guarded
class Order:
    """A plan that is to be made: up to when, by which hours, and why it is made anew."""

    until: Moment
    hours: Hours
    because: tuple[str, ...] = ()


class Watch:
    """When a plan is to be made. One thread at a time; moments are the world's."""

    def __init__(self, settings: Planning) -> None:
        self._daily, self._hours = settings.daily, settings.hours
        self._looked: Moment | None = None
        self._differs_since: Moment | None = None
        self._anew: Moment | None = None
        self._spacing = ANEW_EVERY
        self._made_for: Moment | None = None

    def look(self, world: World) -> Order | None:
        """The plan that is to be made now; None: none is."""
        now = world.now
        if self._looked is not None and now - self._looked < LOOK_EVERY:
            return None
        self._looked = now
        if world.stopped or world.ended or world.starting_since is not None:
            return None  # nothing goes on that a plan could be about
        return self._of_the_day(world) or self._made_anew(world)

    def _of_the_day(self, world: World) -> Order | None:
        if self._daily is None:
            return None
        now = world.now
        due = last_passing(world.local, now, self._daily)
        made = world.kept.made if world.kept is not None else None
        if now - due > LATEST or self._made_for == due or (made is not None and made >= due):
            return None
        self._made_for = due
        return Order(noon_after(world.local, now), self._hours)

    def _made_anew(self, world: World) -> Order | None:
        now, kept = world.now, world.kept
        if kept is None or kept.until - now < ENOUGH:
            self._differs_since = None
            return None
        because = differences(world)
        if not because:
            self._differs_since = None
            return None
        if self._differs_since is None:
            self._differs_since = now
        if now - self._differs_since < SETTLE:
            return None
        if self._anew is not None and now - self._anew < self._spacing:
            return None
        often = self._anew is not None and now - self._anew < 2 * self._spacing
        self._spacing = min(ANEW_SELDOM, 2 * self._spacing) if often else ANEW_EVERY
        self._anew, self._differs_since = now, None
        return Order(kept.until, kept.hours, because)


def made(order: Order, world: World) -> KeptPlan:
    """The plan of an order, by the simple rule."""
    return planned_simply(world, order.until, order.hours, BY, order.because)


class PlanKeeper:
    """Makes the plans of a real site, each in a thread of its own, one at a time.

    `make` is `made`; tests pass another.
    """

    def __init__(
        self, settings: Planning, put: Put, make: Callable[[Order, World], KeptPlan] = made
    ) -> None:
        self._watch, self._put, self._make = Watch(settings), put, make
        self._busy = Lock()

    def tell(self, world: World) -> None:
        """What the world is now; on the evaluator's thread, and soon back."""
        if self._busy.locked():
            return
        order = self._watch.look(world)
        if order is not None:
            self._busy.acquire()
            try:
                Thread(target=self._plan, args=(order, world), name="plan", daemon=True).start()
            except RuntimeError as error:  # the system allows no more threads just now
                self._fail(error)
                self._busy.release()

    def _fail(self, error: Exception) -> None:
        """Whatever it is, packs are looked after without a plan; the log has it."""
        why = f"no plan could be made: {quoted(error)}"
        self._put(Lane.REFUSED, lambda heard: (Rejected(heard, "the plan", why),))

    def _plan(self, order: Order, world: World) -> None:
        try:
            plan = self._make(order, world)
        except Exception as error:
            self._fail(error)
        else:
            self._put(Lane.KEPT, lambda heard: (PlanKept(heard, plan),))
        finally:
            self._busy.release()


class PlayedPlanKeeper:
    """Makes the plans of a virtual site at once: nothing real waits, and the same night comes out.

    `enter` has the site's outside hear something now.
    """

    def __init__(self, settings: Planning, enter: Callable[[Event], None]) -> None:
        self._watch, self._enter = Watch(settings), enter

    def tell(self, world: World) -> None:
        """What the world is now."""
        order = self._watch.look(world)
        if order is not None:
            self._enter(PlanKept(world.now, made(order, world)))
