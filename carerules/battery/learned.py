"""What rests teach of a pack: its true capacity, and what its current meter shows at nothing.

Knows charges read at rest and what a meter counted between them. Does not know voltages.

Between rests a meter counts ampere hours all but free of noise; the charges read at rest are
where the errors lie. So charge is fitted as a straight line over the count and the time, which
for errors in the charges alone is what weighted total least squares comes to (Plett 2011 has the
general case; from memory):

    charge = a + 100 / capacity * (counted - offset * hours)

The fit needs sums only, never the samples. A stretch nobody counted begins a new line: its `a` is
eliminated and what it taught of slope and offset is kept. The label is a first witness of both.
"""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

from carerules.domain.moment import Moment

SPAN_MIN = 30.0
"""Points between the lowest and the highest rest, below which nothing is said of the capacity:
two readings of 2 points each would be more than 7 % off, and the label is no worse (Plett)."""

OFFSET_PRIOR = 1 / 600
"""What meters show at nothing, of capacity in one hour, 1 sigma (common practice, no source):
50 mA on a 30 Ah pack."""

OFFSET_MAX = 1 / 150
"""The furthest an offset is believed, of capacity in one hour: more is a load that really flows."""

CAPACITY_BAND = (0.4, 1.2)
"""Of the label: a pack below is at its end, one above was labelled wrong; neither is learned."""

CURVE_SHARE = 0.5
"""How much of a rest's doubt comes again in each rest, and so never averages out: the curve's."""

FORGET = 0.97
"""How much of what was taught is kept at each new rest: about the last thirty count (no source)."""


class Line(NamedTuple):
    """Weighted sums over the rests of one counted stretch, each about its weighted mean.

    `q` counted Ah, `h` hours, `z` points of charge; `n` rests from charge `low` to `high`.
    """

    w: float = 0.0
    q: float = 0.0
    h: float = 0.0
    z: float = 0.0
    qq: float = 0.0
    qh: float = 0.0
    hh: float = 0.0
    qz: float = 0.0
    hz: float = 0.0
    low: float = 100.0
    high: float = 0.0
    n: float = 0.0


class Look(NamedTuple):
    """One rest: its charge and doubt (points), and the count (Ah, hours) when it was read."""

    began: Moment
    charge: float
    spread: float
    counted_ah: float
    hours: float


class Learned(NamedTuple):
    """What was taught. `capacity_ah`, `doubt` (of itself, 1 sigma) and `offset_a` are the answer.

    `label_ah`, `label_doubt`: what was said of the capacity. `past` holds the sums of ended
    stretches, `line` those of the stretch now, `look` the rest now, not yet in them; `hole` is
    the track's last uncounted moment when the stretch began.
    """

    label_ah: float
    label_doubt: float
    capacity_ah: float
    doubt: float
    offset_a: float = 0.0
    taught: bool = False
    past: Line = Line()
    line: Line = Line()
    look: Look | None = None
    hole: Moment = -(1 << 62)


def labelled(capacity_ah: float, doubt: float) -> Learned:
    """Nothing taught: somebody says the capacity (Ah), and is trusted to `doubt`, of itself."""
    return Learned(capacity_ah, doubt, capacity_ah, doubt)


def taught(learned: Learned, look: Look, hole: Moment) -> Learned:
    """What is known after a rest was read; the same rest read again replaces its first word,
    unless it is less sure by a tenth (our choice)."""
    past, line, before = learned.past, learned.line, learned.look
    same = before is not None and before.began == look.began and hole == learned.hole
    if same and before is not None and look.spread > 1.1 * before.spread:
        return learned
    if hole != learned.hole:
        # What was not counted parts two lines. The slope goes on, the place does not.
        past, line, before = _joined(past, _with(line, before)), Line(), None
    elif before is not None and before.began != look.began:
        line = _with(_faded(line), before)
        past = _faded(past)
    return _fitted(learned._replace(past=past, line=line, look=look, hole=hole))


def _faded(line: Line) -> Line:
    if line.w == 0.0:
        return line
    w, q, h, z, qq, qh, hh, qz, hz, low, high, n = line
    return Line(
        w * FORGET, q, h, z, qq * FORGET, qh * FORGET, hh * FORGET, qz * FORGET, hz * FORGET,
        low, high, n * FORGET,
    )  # fmt: skip


def _with(line: Line, look: Look | None) -> Line:
    """The sums with one more rest (West 1979: about the running mean, no great numbers cancel)."""
    if look is None:
        return line
    weight = 1.0 / (look.spread * look.spread)
    w = line.w + weight
    q, h, z = look.counted_ah - line.q, look.hours - line.h, look.charge - line.z
    if line.w == 0.0:
        at = (look.counted_ah, look.hours, look.charge)
        return Line(w, *at, low=look.charge, high=look.charge, n=1.0)
    share, pull = weight / w, line.w * weight / w
    return Line(
        w, line.q + share * q, line.h + share * h, line.z + share * z,
        line.qq + pull * q * q, line.qh + pull * q * h, line.hh + pull * h * h,
        line.qz + pull * q * z, line.hz + pull * h * z,
        min(line.low, look.charge), max(line.high, look.charge), line.n + 1.0,
    )  # fmt: skip


def _joined(past: Line, line: Line) -> Line:
    """What two lines teach of the slope together: their sums about their own means."""
    if line.w == 0.0:
        return past
    wide = line if line.high - line.low > past.high - past.low else past
    return Line(
        past.w + line.w, 0.0, 0.0, 0.0, past.qq + line.qq, past.qh + line.qh,
        past.hh + line.hh, past.qz + line.qz, past.hz + line.hz, wide.low, wide.high,
        past.n + line.n,
    )  # fmt: skip


def _fitted(learned: Learned) -> Learned:
    """The answer of the sums: two unknowns, slope (points/Ah) and drift (points/h)."""
    line = _with(learned.line, learned.look)
    both = _joined(learned.past, line)
    label = 100 / learned.label_ah
    slope_w = 1 / (label * learned.label_doubt) ** 2
    drift_w = 1 / (100 * OFFSET_PRIOR) ** 2
    span = max(line.high - line.low, learned.past.high - learned.past.low)
    if span < SPAN_MIN:
        # Too little moved to tell of the capacity; of the offset, where hours have passed.
        slope_w *= 1e6
    qq, qh, hh = both.qq + slope_w, both.qh, both.hh + drift_w
    qz, hz = both.qz + slope_w * label, both.hz
    whole = qq * hh - qh * qh
    if whole <= 0.0:
        return learned
    slope, drift = (hh * qz - qh * hz) / whole, (qq * hz - qh * qz) / whole
    if slope <= 0.0:
        return learned
    capacity_ah = 100 / slope
    low, high = CAPACITY_BAND
    if not low * learned.label_ah <= capacity_ah <= high * learned.label_ah:
        return learned
    most_a = OFFSET_MAX * learned.label_ah
    offset_a = min(most_a, max(-most_a, -drift / slope))
    if span < SPAN_MIN:
        return learned._replace(offset_a=offset_a)
    again = CURVE_SHARE * sqrt(2 * both.n / both.w) / span
    doubt = min(learned.label_doubt, hypot(sqrt(hh / whole) / slope, again))
    return learned._replace(capacity_ah=capacity_ah, doubt=doubt, offset_a=offset_a, taught=True)
