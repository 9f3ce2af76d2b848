"""The hours of people and the price of energy, by the clock; and the steps that they come to.

Knows clock times. Does not know packs.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

from carerules.domain.action import DayWindow
from carerules.domain.keptplan import Hours
from carerules.domain.moment import HOUR, MINUTE, Duration, LocalTime, Moment
from carerules.planner.problem import STEP

LEAST: Duration = 8 * HOUR
"""A night's plan goes to the first noon that is at least so far ahead."""
PRICE_MAX = 1_000.0
"""Of money a kWh: more is a slip of the unit."""
BANDS_MAX = 24


_WINDOW = re.compile(r"(\d{1,2}):(\d\d)-(\d{1,2}):(\d\d)")
_PRICE = re.compile(r"(?:(\S+)\s+)?(\d{1,4}(?:\.\d{1,6})?)")


def read_window(text: str) -> DayWindow | str:
    """`07:00-22:30`; or what is wrong with it."""
    wanted = f"found `{text[:40]}`, wanted two clock times such as `07:00-22:30`"
    found = _WINDOW.fullmatch(text.strip())
    if found is None:
        return wanted
    hours = [int(part) for part in found.groups()]
    since, until = hours[0] * 60 + hours[1], hours[2] * 60 + hours[3]
    if max(hours[0], hours[2]) > 24 or max(hours[1], hours[3]) > 59 or since > 1439 or until > 1440:
        return wanted
    if since == until:
        return f"found `{text[:40]}`, a stretch of no length; leave it away if the day is meant"
    return DayWindow(since, until % 1440)


def with_prices(hours: Hours, texts: Sequence[str]) -> Hours | str:
    """The same at other prices: `0.30` for all hours, `22:00-06:00 0.12` for some; or what is wrong
    with one of them."""
    base, bands = 0.0, []
    if len(texts) > BANDS_MAX:
        return f"found {len(texts)} prices, wanted at most {BANDS_MAX}"
    for text in texts:
        found = _PRICE.fullmatch(text.strip())
        if found is None or float(found[2]) > PRICE_MAX:
            return f"found `{text[:40]}`, wanted a price a kWh such as `0.30` or `22:00-06:00 0.12`"
        if found[1] is None:
            base = float(found[2])
            continue
        window = read_window(found[1])
        if isinstance(window, str):
            return window
        bands.append((window, float(found[2])))
    return replace(hours, price=base, bands=tuple(bands))


def inside(window: DayWindow, minute: int) -> bool:
    """Whether a minute of the day lies in the stretch."""
    if window.since == window.until:
        return True  # 00:00-24:00
    if window.since < window.until:
        return window.since <= minute < window.until
    return minute >= window.since or minute < window.until


def minute_at(local: LocalTime, moment: Moment) -> int:
    """The minute of the day that the wall shows."""
    wall = local.read(moment)
    return wall.hour * 60 + wall.minute


def whole_through(window: DayWindow, local: LocalTime, begin: Moment, end: Moment) -> bool:
    """Whether a stretch of time lies in the hours from its beginning to its end."""
    return all(
        inside(window, minute_at(local, moment)) for moment in (*range(begin, end, STEP), end - 1)
    )


def price_at(hours: Hours, local: LocalTime, moment: Moment) -> float:
    """Money a kWh at a moment."""
    minute, price = minute_at(local, moment), hours.price
    for window, other in hours.bands:
        if inside(window, minute):
            price = other
    return price


def noon_after(local: LocalTime, now: Moment) -> Moment:
    """The first noon that is at least `LEAST` ahead: where a night's plan goes to."""
    noon = local.read(now).replace(hour=12, minute=0, second=0, microsecond=0, tzinfo=None)
    until = local.moment(noon)
    while until - now < LEAST:
        noon += timedelta(days=1)
        until = local.moment(noon)
    return until


def last_passing(local: LocalTime, now: Moment, minute: int) -> Moment:
    """When the wall last showed that minute of the day."""
    wall = local.read(now).replace(
        hour=minute // 60, minute=minute % 60, second=0, microsecond=0, tzinfo=None
    )
    at = local.moment(wall)
    return at if at <= now else local.moment(wall - timedelta(days=1))


def next_step(local: LocalTime, now: Moment) -> Moment:
    """The first moment from now on at which the wall shows a whole quarter of an hour."""
    wall = local.read(now)
    past = (wall.minute * MINUTE + wall.second * 1_000 + wall.microsecond // 1_000) % STEP
    return now if past == 0 else now + STEP - past
