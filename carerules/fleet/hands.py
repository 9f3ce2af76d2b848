"""Who does the work: this process, or a cluster's workers; the same results from either.

Knows pieces of work and the order in which they are done: none. Does not know what they are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

from carerules.fleet.hand import Done, Work, do


class HandsError(Exception):
    """It cannot be done, and why: one line."""


class Hands(Protocol):
    """Does pieces of work and gives what came of each, in any order. Raises HandsError."""

    def __call__(self, works: Sequence[Work]) -> Iterator[Done]:
        """Each piece once."""


def here(works: Sequence[Work]) -> Iterator[Done]:
    """One after the other, in this process."""
    for work in works:
        yield do(work)


def told_by(hands: Hands, works: Sequence[Work], at: Callable[[int], None]) -> Iterator[Done]:
    """As `hands` do it; the first refusal raises HandsError. `at` hears how many are done."""
    for count, done in enumerate(hands(works), 1):
        if done["refused"] is not None:
            raise HandsError(done["refused"])
        at(count)
        yield done
