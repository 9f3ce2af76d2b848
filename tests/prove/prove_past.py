"""What happened when, so that times since and counts come out as a witness says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise, product

from carerules.domain.condition import CountIn, CountSince, TimeSince
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, Duration, Moment


def events_of(known: Mapping[object, float], end: Moment) -> dict[str, tuple[Moment, ...]]:
    """Moments at which things happened, so that the times since and the counts come out, and have
    come out all the time before as far as they can."""
    last = {value.event: number for value, number in known.items() if isinstance(value, TimeSince)}
    lately = {value: round(n) for value, n in known.items() if isinstance(value, CountIn)}
    since = {value: round(n) for value, n in known.items() if isinstance(value, CountSince)}
    marks = {value.since for value in since}
    counted = {value.event for value in (*lately, *since)}
    found: dict[str, tuple[Moment, ...]] = {}
    for event, number in last.items():
        # Again and again, so that it was never longer ago than it is now.
        often = 1 if event in counted or event in marks else 64
        step = max(MINUTE, round(number))
        times = sorted(end - round(number) - n * step for n in range(often))
        found[event] = () if number >= NEVER else tuple(times)
    for value, count in sorted(lately.items(), key=lambda item: item[0].time):
        newest = round(last.get(value.event, value.time // 2))
        apart = max(1, (value.time - newest) // (count + 1))
        chain = [newest + n * apart + again * (value.time + 1)
                 for again in range(16) for n in range(count)]  # fmt: skip
        more = {end - ago for ago in chain}
        found[value.event] = tuple(sorted({*found.get(value.event, ()), *more}))
    for value, count in since.items():
        mark = last.get(value.since, float(40 * HOUR))
        newest = round(last.get(value.event, min(mark / 2, 30 * HOUR)))
        if count:
            room = max(0, round(mark) - newest - 1)  # all of them since the mark
            found[value.event] = tuple(sorted(end - newest - min(n, room) for n in range(count)))
        if value.since not in last:
            oldest = end - newest - count
            found[value.since] = (oldest - 1 if count else end - newest + 1,)
    return found


def counted_lately(
    window: Duration, stages: Sequence[tuple[Duration, int]], end: Moment
) -> tuple[Moment, ...]:
    """So many in each of some windows, which end so long ago: the least that makes it come out.

    Between the edges of the windows it does not matter when; each stretch is tried with 0, 1, ...
    """
    edges = sorted({ago for ago, _ in stages} | {ago + window + 1 for ago, _ in stages})
    stretches = list(pairwise(edges))
    most = max(count for _, count in stages)
    for numbers in sorted(product(range(most + 1), repeat=len(stretches)), key=sum):
        counts = (
            sum(n for n, (young, old) in zip(numbers, stretches, strict=True)
                if ago <= young and old <= ago + window + 1)
            for ago, _ in stages
        )  # fmt: skip
        if all(have == count for have, (_, count) in zip(counts, stages, strict=True)):
            return tuple(sorted(
                end - (young + old) // 2 + n
                for number, (young, old) in zip(numbers, stretches, strict=True)
                for n in range(number)
            ))  # fmt: skip
    raise AssertionError(f"nothing can be counted so: {stages} in {window} ms")


def counted_by_stages(
    value: CountSince, stages: Sequence[tuple[Duration, int]], end: Moment, *, soon: bool
) -> dict[str, tuple[Moment, ...]]:
    """So many since the mark so long ago, and so many then: a new mark wherever it falls, soon
    after the one or just before the other."""
    marks: list[Moment] = [end - 90 * DAY]
    (earlier, before), *rest = sorted(stages, reverse=True)
    times = [end - 80 * DAY + n for n in range(before)]
    for ago, count in rest:
        at = end - earlier + 1_000 if soon else end - ago - (1_000 if ago else 10)
        if count < before:
            marks.append(at)
            before = 0
        times += [at + 1 + n for n in range(count - before)]
        earlier, before = ago, count
    return {value.event: tuple(times), value.since: tuple(marks)}
