"""The truth of one smart plug: its contact, its own timer, and what it says of itself.

Knows its contact. Does not know what hangs on it: whoever asks it brings the power that flows.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import Enum

from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.sim.plain import Plain, moment_or_none, rows


class Fault(Enum):
    """How a plug can fail. A new way is a row here, one in `MEANING`, and its line below."""

    IGNORES_OFF = "ignores-off"
    IGNORES_ON = "ignores-on"
    WELDED = "welded"
    LIES = "lies"
    DIES = "dies"
    MUTE = "mute"
    HANGS = "hangs"
    REBOOTS = "reboots"
    TIMER_MISSING = "timer-missing"
    TIMER_LONG = "timer-long"
    TIMER_NOT_RENEWED = "timer-not-renewed"
    READS_LOW = "reads-low"
    READS_NOTHING = "reads-nothing"


MEANING: Mapping[Fault, str] = {
    Fault.IGNORES_OFF: "takes no OFF; its timer still opens it",
    Fault.IGNORES_ON: "takes no ON",
    Fault.WELDED: "the contact, once closed, stays closed whatever the plug does; its meter tells",
    Fault.LIES: "answers OFF and 0 W, and stays closed until its timer opens it",
    Fault.DIES: "falls open and says nothing more",
    Fault.MUTE: "hears and says nothing; its timer still opens it",
    Fault.HANGS: "hears and says nothing, its timer stands still, the contact stays as it was",
    Fault.REBOOTS: "starts again at the next command, open, and is away for 8 s",
    Fault.TIMER_MISSING: "takes the time along with ON and never opens by itself",
    Fault.TIMER_LONG: "opens after forty times the time that it was given",
    Fault.TIMER_NOT_RENEWED: "counts from the first ON: a renewal gives it no more time",
    Fault.READS_LOW: "its meter tells two fifths of the power that flows",
    Fault.READS_NOTHING: "its meter tells 0 W, whatever flows",
}
"""What each fault does, in words; the command line prints it."""

BOOT: Duration = 8 * SECOND
TIMER_LONG_TIMES = 40
METER_SHARES: Mapping[Fault, float] = {Fault.READS_LOW: 0.4, Fault.READS_NOTHING: 0.0}
"""What share of the power its meter tells of; a fifth still passes for a load at work."""

_SILENT = frozenset({Fault.DIES, Fault.MUTE, Fault.HANGS})


@guarded
class Said:
    """What the plug says: relay, power (W; None: no meter), what is left of its timer (s)."""

    on: bool
    power_w: float | None
    timer_s: float | None


class PlugTruth:
    """One plug. It wakes open: the power-on state is OFF.

    `closed` is the contact, the truth that an observer looks at. `deadline` is the moment at which
    its own timer opens it; whoever keeps time calls `expire` then, exactly then.
    """

    def __init__(self, *, metered: bool = True, faults: Iterable[Fault] = ()) -> None:
        self.metered = metered
        self.faults: set[Fault] = set()
        self.closed = False
        self.deadline: Moment | None = None
        self.away_until: Moment | None = None
        self._says_on = False
        self._promised: Moment | None = None
        for fault in faults:
            self.fail(fault)

    # ---- commands ---------------------------------------------------------------------------

    def hears(self, now: Moment) -> bool:
        """Whether a command or a question reaches it now."""
        return not self.faults & _SILENT and (self.away_until is None or now >= self.away_until)

    def switch_on(self, now: Moment, lease_s: float | None) -> None:
        """Close for `lease_s` of its own timer from now; None: without a timer."""
        if not self._takes(now) or Fault.IGNORES_ON in self.faults:
            return
        renewed = self.closed and self.deadline is not None
        if not (renewed and Fault.TIMER_NOT_RENEWED in self.faults):
            self._promised = None if lease_s is None else now + round(lease_s * SECOND)
            self.deadline = self._real_deadline(now, lease_s)
        self.closed = self._says_on = True

    def switch_off(self, now: Moment) -> None:
        """Open, and forget the timer."""
        if not self._takes(now) or Fault.IGNORES_OFF in self.faults:
            return
        self._says_on, self._promised = False, None
        if Fault.LIES not in self.faults:
            self._open()

    def expire(self, now: Moment) -> bool:
        """The timer's moment has come: open. Whether it was the moment."""
        if self.deadline is None or now < self.deadline:
            return False
        self._says_on, self._promised = False, None
        self._open()
        return True

    def reboot(self, now: Moment) -> None:
        """Lose power and come back: open, and silent until `away_until`."""
        self._says_on, self._promised = False, None
        self._open()
        self.away_until = now + BOOT

    def says(self, now: Moment, power_w: float) -> Said | None:
        """What it would say of itself while `power_w` really flows; None: it says nothing."""
        if not self.hears(now):
            return None
        if Fault.LIES in self.faults and not self._says_on:
            power_w = 0.0
        power_w *= self.meter_share
        left = None if self._promised is None else max(0.0, (self._promised - now) / SECOND)
        return Said(self._says_on, power_w if self.metered else None, left)

    @property
    def meter_share(self) -> float:
        """The share of what flows that its meter tells of."""
        return min((METER_SHARES.get(fault, 1.0) for fault in self.faults), default=1.0)

    # ---- faults -----------------------------------------------------------------------------

    def fail(self, fault: Fault) -> None:
        """Begin to fail so."""
        self.faults.add(fault)
        if fault is Fault.DIES:
            self._says_on, self._promised = False, None
            self._open()
        if fault is Fault.HANGS:
            self.deadline = None

    def mend(self, fault: Fault) -> None:
        """Fail so no longer. A contact that was welded opens with the next OFF."""
        self.faults.discard(fault)

    def _takes(self, now: Moment) -> bool:
        if not self.hears(now):
            return False
        if Fault.REBOOTS in self.faults:
            self.faults.discard(Fault.REBOOTS)  # once: a plug that does it for ever is `mute`
            self.reboot(now)
            return False
        return True

    def _open(self) -> None:
        self.deadline = None
        if Fault.WELDED not in self.faults:
            self.closed = False

    def _real_deadline(self, now: Moment, lease_s: float | None) -> Moment | None:
        if lease_s is None or Fault.TIMER_MISSING in self.faults:
            return None
        times = TIMER_LONG_TIMES if Fault.TIMER_LONG in self.faults else 1
        return now + round(lease_s * SECOND) * times

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON."""
        return {
            "closed": self.closed, "deadline": self.deadline, "away_until": self.away_until,
            "says_on": self._says_on, "promised": self._promised,
            "faults": sorted(fault.value for fault in self.faults),
        }  # fmt: skip

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from a snapshot."""
        self.faults = {Fault(fault) for fault in rows(kept, "faults")}
        self.closed, self._says_on = bool(kept["closed"]), bool(kept["says_on"])
        self.deadline = moment_or_none(kept, "deadline")
        self.away_until = moment_or_none(kept, "away_until")
        self._promised = moment_or_none(kept, "promised")
