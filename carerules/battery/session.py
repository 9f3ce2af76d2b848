"""A charge read off the power of the charger's plug: begun, steady, tapering, and how it ended.

Knows one charger's power over time and what that charger has shown before. Does not know which
pack hangs on it, jobs or plugs. Reports may come each second or each five minutes, and may fail.

A charger gives a steady current, then a steady voltage while the current tapers off, then next to
nothing. Only that whole fall, seen, is a full pack: a pack pulled off, a charger unplugged and a
gap in the reports all end low as well. Shares below are of the highest power of the session.
"""

from __future__ import annotations

from typing import Literal, NamedTuple, TypeAlias

from carerules.domain.moment import HOUR, MINUTE, Duration, Moment

Ending: TypeAlias = Literal["", "full", "interrupted", "stopped", "in doubt"]
"""`interrupted`: the power went away by itself; `stopped`: the plug was switched off."""

EFFICIENCY = 0.85
EFFICIENCY_DOUBT = 0.05
"""Share of a charger's wall energy that reaches the pack: 0.8-0.9, from memory."""

EFFICIENCY_RANGE = (0.5, 0.98)
"""What any charger may show; beyond it the charge before or the capacity was wrong
(from memory)."""

START_SHARE = 0.05
START_W_MIN = 2.0
"""Below this share of the charger's usual power, or this much, nothing is being charged
(no source)."""

REPORT_MAX: Duration = 6 * MINUTE
"""Reports further apart leave a gap: the slowest interval that plugs ship with, and one late
(from memory)."""

SOFT_START: Duration = 2 * MINUTE
"""Chargers feel their way at first: no step up means anything yet (from memory)."""

FALLING = 0.85
"""Below this share the taper has begun: at a steady current power only rises (no source)."""

LAST_MAX = 0.35
"""The most a charger may draw just before the end of a taper; they end at 3-20 % (from memory)."""

LOW = 0.08
LOW_FLAT = 0.25
"""Below the first it has ended; below the second as well where the power stands still
(no source)."""

FLAT_WITHIN = 0.03
FLAT_LOW: Duration = 10 * MINUTE
FLAT_HIGH: Duration = 20 * MINUTE
"""A taper never stands still: what does not fall by so little in so long is a charger's own draw,
or, at a higher power, a second pack whose charge still runs (no source)."""

TAPER_MIN: Duration = MINUTE
"""The shortest fall that is a taper and not a meter that averages (from memory)."""

END_HOLD: Duration = MINUTE
"""Low for so long it has ended: chargers pause for seconds to read a voltage (from memory)."""

STEP_UP = 1.25
"""A sudden rise by so much is another pack put on: a pack's voltage climbs slowly (no
source)."""

PAUSE_MAX: Duration = 30 * MINUTE
"""A charge that goes on within this time is the same charge (our choice)."""

STANDBY_COUNT_MAX = 20
"""Readings of a charger's own draw that are averaged; afterwards newer ones count a twentieth
(our choice)."""


class Habit(NamedTuple):
    """What one charger has shown: its efficiency (a share) with its doubt, its own draw (W)."""

    efficiency: float = EFFICIENCY
    doubt: float = EFFICIENCY_DOUBT
    standby_w: float = 0.0
    standby_count: int = 0

    def into_pack_w(self, power_w: float) -> float:
        """What of a power at the wall reaches the pack."""
        return self.efficiency * max(0.0, power_w - self.standby_w)


class Session(NamedTuple):
    """One charge. `began` None: none yet; `ended` None: it runs.

    `power_w` is the last at the wall; `peak_w` and the rest are without the charger's own draw.
    `fell_at`: when the taper began; `steps`: reports seen in it. `last_w`: the last power before it
    was low, since `low_since`. `flat_w`: since `flat_since` it has not fallen below this.
    `start_soc`, `start_spread`: the pack's charge at the beginning (%, points; a spread of 0:
    unknown). `told`: its end was acted on.
    """

    began: Moment | None = None
    at: Moment = 0
    power_w: float = 0.0
    peak_w: float = 0.0
    last_w: float = 0.0
    wall_wh: float = 0.0
    gap_wh: float = 0.0
    on_ms: Duration = 0
    fell_at: Moment | None = None
    steps: int = 0
    flat_w: float = 0.0
    flat_since: Moment = 0
    low_since: Moment | None = None
    doubt: str = ""
    ended: Moment | None = None
    ending: Ending = ""
    told: bool = True
    start_soc: float = 0.0
    start_spread: float = 0.0

    @property
    def runs(self) -> bool:
        """Whether something is being charged."""
        return self.began is not None and self.ended is None

    @property
    def phase(self) -> str:
        """`idle`, `steady` or `taper`, in words for a person."""
        return "idle" if not self.runs else "steady" if self.fell_at is None else "taper"

    def pack_wh(self, habit: Habit) -> float:
        """Energy that reached the pack."""
        own_wh = habit.standby_w * self.on_ms / HOUR
        return habit.efficiency * max(0.0, self.wall_wh - own_wh)


def heard(
    session: Session, habit: Habit, usual_w: float, at: Moment, *, on: bool, power_w: float
) -> Session:
    """The session after the plug reported; `usual_w` is what the site file says the charger draws.

    A report from before the last one, or with a power that is no number, changes nothing.
    """
    if at < session.at or not 0.0 <= power_w < 1e6:
        return session
    net_w = max(0.0, power_w - habit.standby_w)
    if not session.runs:
        if not on or net_w < max(START_W_MIN, START_SHARE * usual_w):
            return session._replace(at=at, power_w=power_w)
        return _begun(session, at, power_w, net_w)
    after = _counted(session, at, power_w)
    if not on:
        # What it drew before is what counts: the report of an open contact shows nothing.
        return _over(after, after.low_since or at, off=True)
    was_w = max(0.0, session.power_w - habit.standby_w)
    after = _followed(after, session.at, was_w, usual_w, at, net_w)
    after = after._replace(at=at, power_w=power_w)
    if after.low_since is not None and at - after.low_since >= END_HOLD:
        return _over(after, after.low_since, off=False)
    return after


def broken_off(session: Session, at: Moment, why: str) -> Session:
    """The session ended because somebody changed the pack; what went where is unknown."""
    return session._replace(ended=at, ending="in doubt", doubt=why, told=False)


def standing_by(habit: Habit, session: Session, power_w: float, usual_w: float) -> Habit:
    """The charger after a report in which it charges nothing: its own draw is learned."""
    if session.runs or not 0.0 < power_w < max(START_W_MIN, START_SHARE * usual_w) * 2:
        return habit
    count = min(habit.standby_count + 1, STANDBY_COUNT_MAX)
    standby_w = habit.standby_w + (power_w - habit.standby_w) / count
    return habit._replace(standby_w=standby_w, standby_count=count)


def efficiency_seen(habit: Habit, session: Session, pack_wh: float, doubt: float) -> Habit:
    """The charger after a full charge that put `pack_wh` into the pack, known to `doubt` of itself.

    Weighed against what was known, and never surer than 2 %: each charge starts from the same
    rest curve. A charge of which a twentieth was not heard teaches nothing (no source).
    """
    own_wh = habit.standby_w * session.on_ms / HOUR
    wall_wh = session.wall_wh - own_wh
    if wall_wh <= 0.0 or session.gap_wh > 0.05 * session.wall_wh:
        return habit
    seen = pack_wh / wall_wh
    low, high = EFFICIENCY_RANGE
    if not low <= seen <= high:
        return habit
    old_w, new_w = 1 / habit.doubt**2, 1 / (doubt * seen) ** 2
    efficiency = (old_w * habit.efficiency + new_w * seen) / (old_w + new_w)
    return habit._replace(efficiency=efficiency, doubt=max(0.02, (old_w + new_w) ** -0.5))


def _begun(session: Session, at: Moment, power_w: float, net_w: float) -> Session:
    paused = session.ended is not None and at - session.ended <= PAUSE_MAX
    if paused and session.ending in ("full", "in doubt") and net_w <= LAST_MAX * session.peak_w:
        return session._replace(at=at, power_w=power_w)  # its tail, or a little more on top
    if paused and session.ending in ("interrupted", "stopped"):
        return session._replace(
            at=at, power_w=power_w, fell_at=None, steps=0, flat_w=net_w, flat_since=at,
            low_since=None, ended=None, ending="",
        )  # fmt: skip
    # It began somewhere since the last report.
    span = min(at - session.at, REPORT_MAX) if session.at else 0
    wh = (session.power_w + power_w) / 2 * span / HOUR
    return Session(
        at, at, power_w, net_w, net_w, wh, on_ms=span, flat_w=net_w, flat_since=at, told=False
    )


def _counted(session: Session, at: Moment, power_w: float) -> Session:
    """Energy since the last report, a straight line between the two; a gap is kept apart too."""
    span = at - session.at
    wh = (session.power_w + power_w) / 2 * span / HOUR
    gap_wh = session.gap_wh + (wh if span > REPORT_MAX else 0.0)
    return session._replace(wall_wh=session.wall_wh + wh, gap_wh=gap_wh, on_ms=session.on_ms + span)


def _followed(
    session: Session, before: Moment, was_w: float, usual_w: float, at: Moment, net_w: float
) -> Session:
    """The shape of the power: peak, fall, steps up, places where it stands still."""
    assert session.began is not None
    doubt, steady = session.doubt, at - session.began > SOFT_START
    # What rushes in at first is no measure of anything.
    peak_w = max(session.peak_w, net_w) if steady else net_w
    if peak_w <= 0.0:
        return session
    # A trickle may rise as it likes: below a fifth of the usual it is no second pack (no source).
    if steady and net_w > STEP_UP * was_w and was_w >= max(0.2 * usual_w, LOW_FLAT * peak_w):
        doubt = (
            doubt
            or f"`{was_w:.0f} W` rose to `{net_w:.0f} W` at once, wanted one pack on the charger"
        )
    share = net_w / peak_w
    low = share <= LOW
    flat_w, flat_since = session.flat_w, session.flat_since
    # A pause in which a voltage is read is no fall.
    if share >= FALLING or (not low and net_w < flat_w - FLAT_WITHIN * peak_w):
        flat_w, flat_since = net_w, at
    stands = at - flat_since
    fell_at, steps = session.fell_at, session.steps
    if share >= FALLING:
        fell_at, steps = None, 0
    elif fell_at is None:
        # The taper began somewhere since the last report.
        fell_at, steps = before, 0
    if fell_at is not None and not low:
        steps += 1
        if share >= LOW_FLAT and stands >= FLAT_HIGH:
            doubt = (
                doubt
                or f"`{net_w:.0f} W` stand still below `{peak_w:.0f} W`, wanted a taper that falls"
            )
    gap = at - before > REPORT_MAX
    if gap and low and session.low_since is None:
        doubt = doubt or "no report while the power fell, wanted one each five minutes"
    if not low and share < LOW_FLAT and stands >= FLAT_LOW:
        low = True
    low_since = session.low_since
    if not low:
        low_since = None
    elif low_since is None:
        low_since = flat_since if share > LOW else at
    return session._replace(
        peak_w=peak_w, last_w=session.last_w if low else net_w,
        fell_at=fell_at, steps=steps, flat_w=flat_w, flat_since=flat_since,
        low_since=low_since, doubt=doubt,
    )  # fmt: skip


def _over(session: Session, at: Moment, *, off: bool) -> Session:
    ending: Ending = "in doubt" if session.doubt else "stopped" if off else "interrupted"
    if not session.doubt and has_tapered(session):
        ending = "full"
    return session._replace(ended=at, at=max(at, session.at), ending=ending, told=False)


def has_tapered(session: Session) -> bool:
    """Whether the power has fallen as at the end of a charge, and is low now."""
    fell_at, low_since = session.fell_at, session.low_since
    if fell_at is None or low_since is None or session.doubt:
        return False
    seen = session.steps >= 2 and low_since - fell_at >= TAPER_MIN
    return seen and session.last_w <= LAST_MAX * session.peak_w
