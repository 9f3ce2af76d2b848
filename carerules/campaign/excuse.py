"""Which plugs are excused now: while their fault lasts, and until it can be over for the contact.

Knows when faults begin and end. Does not know what they break.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection

from carerules.domain.moment import NEVER, Duration, Moment


class Excuses:
    """Plugs that are excused, each from the beginning of its first fault on.

    When its last fault is over, a plug stays excused until its contact has opened, or until
    `after` has passed since an ON that it took as it should: the timer of that ON is as it was set,
    but that of the one before need not be.
    """

    def __init__(self, after: Duration) -> None:
        self._after = after
        self._faults: Counter[str] = Counter()
        self._until: dict[str, Moment] = {}

    def __contains__(self, plug: str) -> bool:
        return self._faults.get(plug, 0) > 0 or plug in self._until

    def begin(self, plug: str) -> None:
        """A fault begins."""
        self._faults[plug] += 1

    def mend(self, plug: str) -> None:
        """A fault is over."""
        self._faults[plug] -= 1
        if not self._faults[plug]:
            self._until[plug] = NEVER

    def renewed(self, plug: str, now: Moment) -> None:
        """It was sent an ON, and nothing was in the way."""
        if plug in self._until:
            self._until[plug] = min(self._until[plug], now + self._after)

    def look(self, closed: Collection[str], now: Moment) -> None:
        """Whose excuse is over at this look: these contacts are closed."""
        over = [one for one, until in self._until.items() if one not in closed or now >= until]
        for plug in over:
            del self._until[plug]
