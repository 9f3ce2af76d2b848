"""Charges as the charger's plug shows them: followed by each report, and told when they end.

Knows stations, their sessions and what their chargers have shown. Does not know why a plug is on:
a rule's charge, a person's and one that was broken off are read alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from carerules.battery import (
    Session,
    broken_off,
    efficiency_seen,
    rest_voltage,
    session_heard,
    standing_by,
)
from carerules.domain.decision import Notice
from carerules.domain.event import PlugReport
from carerules.domain.moment import MINUTE
from carerules.domain.pack import Station
from carerules.domain.quantity import Known
from carerules.loop.knowledge import FROM_PLUG, counted_charge, mark
from carerules.loop.turn import Turn
from carerules.loop.world import chemistry_of, pack_on, put, socket_of

CHARGE_SHARE = 0.05
"""Of what the pack holds: less is topping up, and no charge to count."""

PACKS_MAX = 1.35
"""More energy than this share of what the pack holds went into more than one pack."""

KNOWN_START = 6.0
TEACHES_POINTS = 30.0
"""A full charge teaches the charger's efficiency where the charge before was known to the first
(points), and where at least the second went in."""


def hear_charger(turn: Turn, station: Station, report: PlugReport) -> None:
    """The station's session after its charger's plug reported."""
    socket = station.charger
    assert socket is not None
    place = turn.world.stations[station.name]
    session, habit = place.session, place.habit
    name = pack_on(turn.world, station.name)
    on = report.on is not False
    if report.power_w is None and on:
        return
    power_w = report.power_w or 0.0
    if session.runs and (name is None or turn.pack(name).placed_at > (session.began or 0)):
        # Told first; another report begins what comes after.
        changed = broken_off(session, report.heard, "the pack was changed")
        turn.set_station(station.name, session=changed)
        return
    before = session
    session = session_heard(session, habit, socket.power_w, report.heard, on=on, power_w=power_w)
    if session.began != before.began and name is not None:
        soc = turn.pack(name).soc
        if isinstance(soc, Known):
            session = session._replace(
                start_soc=soc.value_at(report.heard),
                start_spread=soc.spread_at(report.heard),
            )
    if on:
        habit = standing_by(habit, session, power_w, socket.power_w)
    if (session, habit) != (place.session, place.habit):
        turn.set_station(station.name, session=session, habit=habit)


def tell_charge(turn: Turn, plug: str) -> Sequence[str]:
    """Act on a charge that has ended at the plug's station: count it, call the pack full, or say
    what is in doubt."""
    hung = socket_of(turn.world, plug)
    if hung is None:
        return ()
    station, place = hung[0], turn.world.stations[hung[0].name]
    if place.session.told or place.session.ended is None:
        return ()
    turn.set_station(station.name, session=place.session._replace(told=True))
    name = pack_on(turn.world, station.name)
    if name is None:
        return ()
    _tell(turn, station, name, place.session)
    return (name,)


def counted_by_session(turn: Turn, name: str) -> bool:
    """Whether the charge at the pack's station, now or a moment ago, was counted at its end."""
    station = turn.pack(name).station
    session = turn.world.stations[station].session if station else None
    if session is None or session.began is None:
        return False
    lately = session.runs or turn.world.now - (session.ended or 0) <= MINUTE
    return lately and counted_charge(turn, name, session.began)


def forget_untold(turn: Turn) -> None:
    """While facts from before are gone through: what was decided on an end is a fact of its own."""
    stations = turn.world.stations
    for name, place in stations.items():
        if not place.session.told and place.session.ended is not None:
            stations = put(
                stations, name, replace(place, session=place.session._replace(told=True))
            )
    turn.change(stations=stations)


def _tell(turn: Turn, station: Station, name: str, session: Session) -> None:
    began = session.began
    assert began is not None
    assert station.charger is not None
    habit = turn.world.stations[station.name].habit
    source, holds_wh = f"{FROM_PLUG}{station.charger.plug}", _holds_wh(turn, name, 0.0)
    into_wh = session.pack_wh(habit)
    if session.ending != "in doubt" and into_wh > PACKS_MAX * holds_wh:
        found = f"`{into_wh:.0f} Wh` into a pack that holds {holds_wh:.0f} Wh"
        session = broken_off(session, session.at, f"{found}, wanted one pack on the charger")
    if session.ending == "in doubt":
        text = f"{name}: whether it is full is unknown, the charge at {station.name} was not read"
        turn.decide(Notice(f"charge {station.name}", f"{text}: {session.doubt}", name))
    if session.ending == "full":
        _teach(turn, station, name, session)
        mark(turn, name, "full", source)
    if into_wh >= CHARGE_SHARE * holds_wh and not counted_charge(turn, name, began):
        mark(turn, name, "charge", source)


def _teach(turn: Turn, station: Station, name: str, session: Session) -> None:
    """The charger's efficiency, where the charge before was known well enough."""
    went_in = 100.0 - session.start_soc
    if not 0.0 < session.start_spread <= KNOWN_START or went_in < TEACHES_POINTS:
        return
    capacity = turn.pack(name).estimate.readings["pack.capacity"]
    assert isinstance(capacity, Known)
    doubt = hypot(session.start_spread / went_in, capacity.spread / capacity.value)
    into_wh = _holds_wh(turn, name, session.start_soc)
    place = turn.world.stations[station.name]
    habit = efficiency_seen(place.habit, session, into_wh, doubt)
    turn.set_station(station.name, habit=habit)


def _holds_wh(turn: Turn, name: str, low: float) -> float:
    """Energy from a charge (%) up to full of the pack as it is now, at its rest voltage."""
    pack = turn.rated(name)
    chemistry = chemistry_of(turn.world, pack)
    capacity = turn.pack(name).estimate.readings.get("pack.capacity")
    capacity_ah = capacity.value if isinstance(capacity, Known) else pack.capacity_ah
    steps = 20
    volts = sum(
        rest_voltage(chemistry, (low + (100.0 - low) * (step + 0.5) / steps) / 100)
        for step in range(steps)
    )
    return capacity_ah * (100.0 - low) / 100 * pack.cells * volts / steps


def into_pack_w(turn: Turn, station: str, power_w: float) -> float:
    """What of the charger's power at the wall reaches the pack, by what that charger has shown."""
    return turn.world.stations[station].habit.into_pack_w(power_w)
