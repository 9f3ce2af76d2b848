"""What of a site file is enough to say OFF, where something else in it is refused.

Knows which tables plugs are reached by. Does not know what is said to them. What is left of the
file is checked as ever: nothing that was refused goes to a plug.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from carerules.adapters import PlugProfile
from carerules.config.known import Known, Raw, named, word
from carerules.config.problem import Key

LEFT = ("name", "state", "journal", "mqtt")
PACK: Raw = {"chemistry": "lipo", "cells": 1, "capacity": "1 Ah"}
"""In place of all packs: there is no site without one, and OFF is said whatever hangs there."""
POWER = "60 W"  # of no load: what a plug says is believed, and not what is expected of it


def enough_for_off(raw: Raw) -> Raw | None:
    """The tables that say where the journal lies and how each plug is reached, and as much beside
    as there must be. None: the site is played, or has no plugs that can be told apart."""
    plugs = dict(named(raw, "plug"))
    if "virtual" in raw or not plugs or plugs.keys() != raw["plug"].keys():
        return None
    return _of(plugs, {key: raw[key] for key in LEFT if key in raw})


def without(raw: Raw, known: Known, refused: Collection[Key]) -> Raw | None:
    """The same without the plugs that are refused, and without the broker and its plugs where that
    is. None: no plug is left, or something is refused that none can do without."""
    left = {key: raw[key] for key in LEFT if key in raw}
    plugs = dict(named(raw, "plug"))
    for key in refused:
        match key:
            case ("plug", name, *_) if name in plugs:
                del plugs[name]
            case ("mqtt", *_):
                left.pop("mqtt", None)
            case ("plug", *_):
                pass  # one more of a plug that is gone, or that they have no broker: see below
            case _:
                return None
    if "mqtt" not in left:
        plugs = {name: one for name, one in plugs.items() if _is_asked(one, known)}
    changed = len(plugs) < len(raw["plug"]) or len(left) < len([key for key in LEFT if key in raw])
    return _of(plugs, left) if plugs and changed else None


def _is_asked(plug: Raw, known: Known) -> bool:
    profile = known.plugs.get(word(plug, "profile"))
    return isinstance(profile, PlugProfile) and profile.call is not None


def _of(plugs: Mapping[str, Raw], left: Raw) -> Raw:
    sides = [(f"s{at // 2}", ("load", "charger")[at % 2], plug) for at, plug in enumerate(plugs)]
    stations: dict[str, dict[str, Raw]] = {}
    for station, side, plug in sides:  # two at each, as there are at most twice as many
        stations.setdefault(station, {})[side] = {"plug": plug, "power": POWER}
    return {**left, "zone": "UTC", "pack": {"p": PACK}, "station": stations, "plug": plugs}
