"""Why a condition is as it is: the truth of each part, with the values it saw.

Knows conditions and facts. Does not know people's languages beyond the rule language's own words.
"""

from __future__ import annotations

from collections.abc import Collection

from carerules.domain.condition import (
    CountIn,
    CountSince,
    For,
    NumberOfPacks,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
    ValueOf,
    values,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration, Moment, show_duration
from carerules.domain.quantity import (
    TEMPERATURE,
    WARMTH,
    Dimension,
    Known,
    Quantity,
    Truth,
    Unknown,
    no_finer,
    show,
    two_figures,
)
from carerules.domain.wording import value_wording, wording
from carerules.engine.expression import Ready
from carerules.engine.hold import Memory, Run
from carerules.engine.value import Facts, count_key


@guarded
class Seen:
    """One value that a condition compared: what it is, what it was, how old, and who said so."""

    value: str
    found: str
    age: Duration | None
    source: str


@guarded
class Explained:
    """One condition: its words, its truth, how far a `for` has run, what it saw, and its parts."""

    words: str
    truth: Truth
    seen: tuple[Seen, ...] = ()
    ran: Duration | None = None
    wanted: Duration | None = None
    parts: tuple[Explained, ...] = ()


def explain(ready: Ready, memory: tuple[Memory, ...], facts: Facts, now: Moment) -> Explained:
    """Look at the condition and all its parts at `now`, changing nothing that is remembered."""
    condition = ready.condition
    held = list(memory)
    truth, _ = ready.run(facts, now, held)
    ran = wanted = None
    if isinstance(condition, For):
        assert ready.place is not None
        run = held[ready.place]
        assert isinstance(run, Run)
        wanted = condition.time
        ran = min(now - run.start, wanted) if run.start is not None else 0
    parts = tuple(explain(part, memory, facts, now) for part in ready.parts)
    compared = values(condition)
    limits = {value.value for value in compared if isinstance(value, Quantity)}
    seen = tuple(
        _see(value, facts, now, limits) for value in compared if not isinstance(value, Quantity)
    )
    return Explained(wording(condition), truth, seen, ran, wanted, parts)


def _see(value: ValueOf, facts: Facts, now: Moment, limits: Collection[float]) -> Seen:
    words = value_wording(value)
    match value:
        case SignalValue(name, dimension):
            return _see_signal(name, dimension, facts, now, limits)
        case TimeUntilUse():
            starts = [start for start in facts.uses if start >= now]
            if not starts:
                return Seen(words, "no use is planned", None, "")
            return Seen(words, show_duration(starts[0] - now), None, "by the planned uses")
        case TimeSince(event):
            times = facts.happened.get(event, ())
            found = show_duration(now - times[-1]) if times else "it never happened"
            return Seen(words, found, None, "by the journal")
        case CountSince(event, since):
            times, marks = facts.happened.get(event, ()), facts.happened.get(since, ())
            count = sum(1 for time in times if not marks or time > marks[-1])
            return Seen(words, str(count), None, "by the journal")
        case CountIn(event, time):
            times = facts.happened.get(event, ())
            return Seen(
                words, str(sum(1 for at in times if at >= now - time)), None, "by the journal"
            )
        case OverWindow(_, signal, _):
            now_seen = _see_signal(signal.name, signal.dimension, facts, now, ())
            return Seen(words, f"{signal.name} is {now_seen.found}", now_seen.age, now_seen.source)
        case NumberOfPacks(where):
            return Seen(words, str(facts.counts.get(count_key(where), 0)), None, "over all packs")
        case Quantity():
            return Seen(words, value.show(), None, "the rule")


def _see_signal(
    name: str, dimension: Dimension, facts: Facts, now: Moment, limits: Collection[float]
) -> Seen:
    scope = name.partition(".")[0]
    readings = {"pack": facts.readings, "station": facts.station}.get(scope, facts.site)
    match readings.get(name):
        case Known(_, _, at, source) as known:
            value, spread = known.shown_at(now), known.spread_at(now)
            shown = no_finer(value, spread)
            found = show(shown, dimension)
            if shown in limits and value != shown:  # else `> 60 %` would hold of 60 %
                found = f"just {'above' if value > shown else 'below'} {found}"
            if spread:
                # A spread is a difference: half a kelvin, never half a degree above freezing.
                of = WARMTH if dimension == TEMPERATURE else dimension
                found += f" ± {show(two_figures(spread), of)}"
            return Seen(name, found, max(0, now - at), source)
        case Unknown(why):
            return Seen(name, f"unknown: {why}", None, "")
        case None:
            return Seen(name, "unknown: never seen", None, "")


def _before(found: str) -> str:
    """A figure reads on by itself; words would run together with those of the value."""
    return " " if found.lstrip("-")[:1].isdigit() else ": "


def reasons(explained: Explained) -> tuple[str, ...]:
    """What the whole rests on, a line a value: `pack.soc 96 % ± 2 %`, `time until use: no ...`."""
    own = tuple(f"{seen.value}{_before(seen.found)}{seen.found}" for seen in explained.seen)
    if explained.wanted is not None:
        own = (f"{explained.words}: {show_duration(explained.ran or 0)}", *own)
    inner = (line for part in explained.parts for line in reasons(part))
    return tuple(dict.fromkeys((*own, *inner)))
