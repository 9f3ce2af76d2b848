"""`for` and `in last`: what must be remembered of a condition's past, and how it moves on.

Knows truths and moments. Does not know what is true. Both are exact in event time provided that
they are looked at whenever the inner truth can change; `due` says when that is next.

Past-time metric temporal logic, over a right-continuous step function C:
`C for D` at t is yes iff C was yes throughout [t-D, t]; a run [s, e) gives yes on [s+D, e).
`C in last D` at t is yes iff C was yes somewhere in [t-D, t]; a run [s, e) gives yes on [s, e+D).
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

from carerules.domain.moment import NEVER, Duration, Moment
from carerules.domain.quantity import Truth
from carerules.engine.trail import Trail


class Run(NamedTuple):
    """What `for` remembers: when the run began, since when it has been in a gap, and when the last
    gap that leaves it in doubt was over."""

    start: Moment | None = None
    gap: Moment | None = None
    doubt: Moment | None = None


class Past(NamedTuple):
    """What `in last` remembers: the truth now, and when yes and unknown last ended."""

    now: Truth | None = None
    yes_end: Moment | None = None
    unknown_end: Moment | None = None


class Edge(NamedTuple):
    """What a crossing remembers: whether the near side was seen, and whether it is beyond since."""

    near: bool = False
    beyond: bool = False


class Last(NamedTuple):
    """What `in at least m of last n samples` remembers: when the last came, and their truths."""

    at: Moment = -1
    truths: tuple[Truth, ...] = ()


Memory: TypeAlias = Run | Past | Edge | Last | Trail

NO, UNKNOWN, YES = Truth

FRESH_RUN = Run()
FRESH_PAST = Past()
FRESH_EDGE = Edge()
FRESH_LAST = Last()


def hold_for(
    run: Run, truth: Truth, now: Moment, time: Duration, bridge: Duration | None
) -> tuple[Run, Truth, Moment]:
    """The run after seeing `truth` at `now`, the answer, and when it changes if nothing else does.

    A gap shorter than `bridge` with yes on both sides leaves the run as it was; while it lasts
    the answer is unknown. A longer one breaks it. Before anything was known, no run starts.
    Without a `bridge` (None: an interlock's) no gap breaks the run, and each leaves it in doubt for
    as long as it lies in the time looked back on.
    """
    if truth is YES:
        start, gap, doubt = run
        if gap is not None:
            if bridge is None:
                doubt = now
            elif now - gap >= bridge:
                start = None
        start = now if start is None else start
        if gap is not None or run.start is None:
            run = Run(start, None, doubt)
        if now < start + time:
            return run, NO, start + time
        if doubt is not None and now < doubt + time:
            return run, UNKNOWN, doubt + time
        return run, YES, NEVER
    if truth is NO:
        return FRESH_RUN, NO, NEVER
    if run.start is not None and run.gap is None:
        run = run._replace(gap=now)
    return run, UNKNOWN, NEVER


def was_in_last(
    past: Past, truth: Truth, now: Moment, time: Duration
) -> tuple[Past, Truth, Moment]:
    """The past after seeing `truth` at `now`, the answer, and when it changes by itself.

    What lay before the first look counts as no.
    """
    yes_end = now if past.now is Truth.YES and truth is not Truth.YES else past.yes_end
    unknown_end = (
        now if past.now is Truth.UNKNOWN and truth is not Truth.UNKNOWN else past.unknown_end
    )
    past = Past(truth, yes_end, unknown_end)
    if truth is Truth.YES:
        return past, Truth.YES, NEVER
    if yes_end is not None and now < yes_end + time:
        return past, Truth.YES, yes_end + time
    if truth is Truth.UNKNOWN:
        return past, Truth.UNKNOWN, NEVER
    if unknown_end is not None and now < unknown_end + time:
        return past, Truth.UNKNOWN, unknown_end + time
    return past, Truth.NO, NEVER


def crosses(edge: Edge, beyond: Truth) -> tuple[Edge, Truth]:
    """The edge after seeing whether the value is beyond the level, and whether it has crossed.

    It has from the moment at which it goes beyond until it is back, provided that it was seen on
    the near side before: unknown, then beyond, is no crossing.
    """
    if beyond is Truth.NO:
        return Edge(near=True), Truth.NO
    if beyond is Truth.UNKNOWN:
        return edge, Truth.UNKNOWN
    edge = Edge(near=False, beyond=edge.beyond or edge.near)
    return edge, Truth.YES if edge.beyond else Truth.NO


def of_last(last: Last, truth: Truth, at: Moment, least: int, of: int) -> tuple[Last, Truth]:
    """The samples after one of `at` (seen once), and whether enough of the last are true.

    Before there are `of` samples, those that are missing count as unknown.
    """
    if at > last.at:
        last = Last(at, (*last.truths, truth)[-of:])
    yes = sum(one is Truth.YES for one in last.truths)
    if yes >= least:
        return last, Truth.YES
    open_ = of - len(last.truths) + sum(one is Truth.UNKNOWN for one in last.truths)
    return last, Truth.UNKNOWN if yes + open_ >= least else Truth.NO
