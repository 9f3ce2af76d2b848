"""`carerules health`: how packs age, by what the journal holds.

Knows the command's words. Does not know how health is judged. It looks and does nothing else.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.battery import EFFICIENCY, History, metered, no_history, priced, remembered
from carerules.cli.common import json_option, site_option
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import paint, say
from carerules.domain.decision import Marked
from carerules.domain.event import Happened, Placed, PlugReport, Sample
from carerules.domain.pack import Side
from carerules.report import health_lines, health_of
from carerules.service.reading import Reader


@click.command("health")
@click.argument("pack", required=False)
@site_option
@json_option
def health_command(pack: str | None, site_path: Path, as_json: bool) -> None:
    """Show how each pack ages; or one PACK.

    Capacity between rests with its trend, resistance by steps of current, cells at rest, and what
    lying cost and what was saved against lying full: bands, because cells differ. Where a pack's
    own current is never measured, energy metered at its station's plug counts, with more doubt.
    What no meter, plug or person told stays unknown.

    Example: carerules health heron
    """
    with reader_at(site_path) as reader:
        packs = reader.setup.site.packs
        if pack is not None:
            must_be_one_of(pack, packs, "a pack of the site file")
        histories = gone_through(reader, list(packs) if pack is None else [pack])
        local = reader.now().world.local
    shape = health_of(reader.setup.site.name, histories, local)
    say(shape, health_lines(shape, paint()), as_json=as_json)


def gone_through(reader: Reader, names: list[str]) -> list[History]:
    """The past of each pack up to now."""
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
    for _, event, decided in reader.told():
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
    now = reader.now().world.now
    return [one if one.began is None else priced(one, now) for one in past.values()]
