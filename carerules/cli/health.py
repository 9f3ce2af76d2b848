"""`carerules health`: how packs age, by what the journal holds.

Knows the command's words. Does not know how health is judged. It looks and does nothing else.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.battery import History, no_history, priced, remembered
from carerules.cli.common import json_option, site_option
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import paint, say
from carerules.domain.event import Happened, Sample
from carerules.report import health_lines, health_of
from carerules.service.reading import Reader


@click.command("health")
@click.argument("pack", required=False)
@site_option
@json_option
def health_command(pack: str | None, site_path: Path, as_json: bool) -> None:
    """Show how each pack ages; or one PACK.

    Capacity between rests with its trend, resistance by steps of current, cells at rest, and what
    lying cost and what was saved against lying full: bands, because cells differ. What no meter or
    person told stays unknown; energy metered at plugs is not gone through here.

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
    for _, event in reader.events():
        if isinstance(event, Sample | Happened) and event.pack in past:
            past[event.pack] = remembered(past[event.pack], event)
    now = reader.now().world.now
    return [one if one.began is None else priced(one, now) for one in past.values()]
