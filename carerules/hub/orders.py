"""What a hub wants done, as the same entries that people make.

Knows the properties that can be set, and the door that reads manual entries. Decides nothing: an
entry is taken up by the service like any other. What only somebody who has looked may say (that
a pack is released, that a person stays, an answer to a question) is none of a hub's.
"""

from __future__ import annotations

from datetime import datetime

from carerules.adapters import (
    HAPPENINGS,
    Entry,
    Problem,
    Stop,
    Want,
    parse_place,
    parse_record,
    quoted,
)
from carerules.domain.pack import Site
from carerules.hub.convention import PRESS
from carerules.hub.model import Order
from carerules.hub.view import NOWHERE, Places

TEXT_MAX = 200
"""A voltage for each of 32 cells; more is no order."""
BY = "a hub"


def is_stop(order: Order) -> bool:
    """Whether it is the one that waits for nothing."""
    return (order.place, order.property, order.text) == ("site", "control/stop", PRESS)


def entry_of(order: Order, site: Site, places: Places, now: datetime) -> Entry | Problem:
    """The entry that an order comes to; `now` is the wall time, aware."""
    if len(order.text) > TEXT_MAX or not order.text.isprintable():
        return Problem(quoted(order.text), f"at most {TEXT_MAX} printable characters", "say less")
    if is_stop(order):
        return Stop(BY)
    pack = {places.pack(name): name for name in site.packs}.get(order.place)
    if pack is None:
        return Problem(quoted(order.place), "a pack of this site", "look at what is shown now")
    group, _, word = order.property.partition("/")
    if group == "record":
        return _recorded(pack, word, order.text, site, now)
    if word == "place":
        return parse_place(pack, None if order.text == NOWHERE else order.text, site)
    if order.text != PRESS:
        return Problem(quoted(order.text), f"`{PRESS}`", "press the button")
    if word == "drain-to-storage":
        return Want(pack, "storage", now)
    return Want(pack, "ready", now)


def _recorded(pack: str, word: str, text: str, site: Site, now: datetime) -> Entry | Problem:
    if word in HAPPENINGS:
        if text != PRESS:
            return Problem(quoted(text), f"`{PRESS}`", "press the button")
        return parse_record(pack, [word], None, site, now)
    return parse_record(pack, [word, *text.split()], None, site, now)
