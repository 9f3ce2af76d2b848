"""`carerules timeline`: a stretch of one pack's past.

Knows the words. Does not know how it is found out.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.cli.common import json_option, refuse, site_option
from carerules.cli.completing import named, offer
from carerules.cli.reader import must_be_one_of, past_moment, reader_at
from carerules.cli.reading import say
from carerules.domain.moment import HOUR
from carerules.report.timeline import timeline_lines
from carerules.service.pasttime import timeline_of

HOURS_MAX = 24 * 35
"""Older samples are forgotten anyway, unless the site file keeps them longer."""


@click.command("timeline")
@click.argument("pack", shell_complete=offer(named("pack")))
@click.option("--until", "until_text", metavar="TIME",
              help="Where it ends: `22:10`, `yesterday 22:10`; else now.")  # fmt: skip
@click.option(
    "--hours",
    type=click.IntRange(1, HOURS_MAX),
    default=24,
    show_default=True,
    metavar="HOURS",
    help="How long it is.",
)
@site_option
@json_option
def timeline_command(
    pack: str, until_text: str | None, hours: int, site_path: Path, as_json: bool
) -> None:
    """Show a stretch of PACK's past: charge, rules, jobs, plugs, decisions.

    What was decided is as it was then; the charge, and which rules held, is what today's rules
    make of what was heard.

    Example: carerules timeline heron --hours 12
    """
    with reader_at(site_path) as reader:
        must_be_one_of(pack, reader.setup.site.packs, "a pack of the site file")
        if reader.rules.setup is None:
            refuse("the rules have errors; mend: `carerules check` shows where")
        now = reader.now().world
        until = now.now if until_text is None else past_moment(until_text, now)
        shape = timeline_of(reader, pack, until - hours * HOUR, until)
    say(shape, timeline_lines(shape), as_json=as_json)
