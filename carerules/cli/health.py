"""`carerules health`: how packs age, by what the journal holds.

Knows the command's words. Does not know how health is judged. It looks and does nothing else.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.cli.common import json_option, site_option
from carerules.cli.completing import named, offer
from carerules.cli.history import gone_through
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import paint, say
from carerules.report.health import health_lines, health_of


@click.command("health")
@click.argument("pack", required=False, shell_complete=offer(named("pack")))
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
