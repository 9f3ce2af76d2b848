"""The scheduler: wakes the service when something is due, and keeps house meanwhile.

Knows APScheduler and the inbox. Does not know what is due. It says no more than "it is time": what
that means is worked out by the step, from the moment alone, so that a wake-up that comes late, or
twice, or for nothing, changes no decision.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.interval import IntervalTrigger

from carerules.adapters import Inbox, Lane
from carerules.domain.event import Tick
from carerules.domain.moment import SECOND, Moment

DUE = "due"


class Once(BaseTrigger):  # type: ignore[misc]  # the library has no types
    """At one moment, and then never again, without the job being taken out: the scheduler does that
    in a thread of its own, and would take out the next one, or fall over it while it shuts down."""

    def __init__(self, at: datetime) -> None:
        self._at = at

    def get_next_fire_time(
        self,
        previous_fire_time: datetime | None,
        now: datetime,  # noqa: ARG002  the library's signature
    ) -> datetime:
        """The moment, or the end of the calendar when it has come."""
        return self._at if previous_fire_time is None else _NEVER


_NEVER = datetime(9999, 1, 1, tzinfo=UTC)


class Timers:
    """One wake-up at the next due moment, and any housekeeping at intervals."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox
        self._armed_for: Moment | None = None
        # A job that comes late still runs, once, however many times it was missed: the default
        # drops whatever is a second late.
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def start(self) -> None:
        """Begin to wake."""
        self._scheduler.start()

    def close(self) -> None:
        """Wake nobody any more."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def wake_at(self, due: Moment) -> None:
        """See to it that a `Tick` is in the inbox at `due`, or before."""
        armed, now = self._armed_for, self._inbox.now()
        if armed is not None and now < armed <= due:
            return  # it wakes earlier, finds nothing due, and is set anew
        self._armed_for = due
        at = datetime.now(UTC) + timedelta(milliseconds=max(0, due - now))
        self._scheduler.add_job(self._wake, Once(at), id=DUE, replace_existing=True)

    def every(self, seconds: float, what: Callable[[], None], name: str) -> None:
        """Housekeeping: call `what` at an interval, in the scheduler's own thread."""
        self._scheduler.add_job(what, IntervalTrigger(seconds=seconds, timezone=UTC), id=name)

    def _wake(self) -> None:
        self._armed_for = None
        self._inbox.put(Lane.KEPT, lambda heard: (Tick(heard),))


SPARE = SECOND
"""How long after `due` the inbox stops waiting for the scheduler, and ticks by itself."""
