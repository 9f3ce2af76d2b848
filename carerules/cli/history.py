"""A journal gone through for the past of packs: what each was told, and what its plug metered.

Knows events. Does not know what is picked out of them (`battery/history`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from carerules.battery import EFFICIENCY, History, metered, no_history, priced, remembered
from carerules.cli.progress import Progress
from carerules.domain.decision import Marked, Outcome
from carerules.domain.event import Event, Happened, Placed, PlugReport, Sample
from carerules.domain.moment import Moment
from carerules.domain.pack import Side
from carerules.service.reading import Reader


def gone_through(reader: Reader, names: list[str], until: Moment | None = None) -> list[History]:
    """The past of each pack up to a moment; without it: up to now."""
    site = reader.setup.site
    past = {
        name: no_history(site.packs[name], reader.setup.chemistries[site.packs[name].chemistry])
        for name in names
    }
    sockets = {
        socket.plug: (station.name, side)
        for station in site.stations.values()
        for side in Side
        if (socket := station.socket(side)) is not None
    }
    on: dict[str, str] = {}
    for event, decided in _told(reader):
        if until is not None and event.heard >= until:
            break
        match event:
            case Sample(pack=pack) | Happened(pack=pack) if pack in past:
                past[pack] = remembered(past[pack], event)
            case Placed(heard=at, pack=pack, station=place):
                for name in {pack, on.get(place or "", "")} & past.keys():
                    past[name] = metered(past[name], at, 0.0)
                on = {there: one for there, one in on.items() if one != pack and there != place}
                if place is not None:
                    on[place] = pack
            case PlugReport(heard=heard, plug=plug, power_w=float() as power_w):
                station, side = sockets.get(plug, ("", Side.LOAD))
                if (name := on.get(station, "")) in past:
                    into_w = -power_w if side is Side.LOAD else EFFICIENCY * power_w
                    past[name] = metered(past[name], heard, into_w)
            case _:
                pass
        for outcome in decided:
            # The end of a charge, read off the plug's power, is told by what was decided on it.
            match outcome:
                case Marked(pack, "full") if pack in past:
                    full = Happened(event.heard, event.heard, pack, "full", "plug")
                    past[pack] = remembered(past[pack], full)
                case _:
                    pass
    now = reader.now().world.now if until is None else until
    return [one if one.began is None else priced(one, now) for one in past.values()]


def _told(reader: Reader) -> Iterator[tuple[Event, Sequence[Outcome]]]:
    with Progress("looking at the past of packs", reader.newest) as progress:
        for seq, event, decided in reader.told():
            progress.at(seq)
            yield event, decided
