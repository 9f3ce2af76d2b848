"""`carerules calendar`: what the site's calendars would plan, beside what is planned.

Knows the command's words. It plans nothing, and asks a server only when told to.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from carerules.cli.common import FAILED, json_option, refuse, site_option
from carerules.cli.completing import named, offer
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import say
from carerules.cli.sites import site_at
from carerules.config import CalendarSettings
from carerules.loop import World
from carerules.report.calendars import CalendarShape, CalendarsShape, calendar_lines, calendar_of
from carerules.service.almanac import Almanac


@click.command("calendar")
@click.argument("name", required=False, shell_complete=offer(named("calendar")))
@click.option("--fetch", is_flag=True, help="Ask the server of a calendar with a URL, too.")
@site_option
@json_option
def calendar_command(name: str | None, fetch: bool, site_path: Path, as_json: bool) -> None:
    """Show what the calendars, or the calendar NAME, would plan. Nothing is planned or kept.

    Each use is `planned` already, `new`, `changed`, or `gone`: to be called off. A file is read
    as it is now; of a URL the copy that the service keeps is shown, unless you say `--fetch`.
    Exit status 1: a calendar could not be read.

    Example: carerules calendar crew --fetch
    """
    site = site_at(site_path)
    if name is not None:
        must_be_one_of(name, [one.name for one in site.calendars], "a calendar of the site file")
    with reader_at(site_path) as reader:
        world = reader.now().world
    zone = str(site.site.local.zone)
    shape = CalendarsShape(
        site=site.site.name,
        now=world.local.read(world.now),
        calendars=[
            _calendar(world, one, Almanac(one, zone, site.state, keeps=False), fetch=fetch)
            for one in site.calendars
            if name in (None, one.name)
        ],
    )
    say(shape, calendar_lines(shape), as_json=as_json)
    if any(one.why for one in shape.calendars):
        refuse(status=FAILED)


def _calendar(
    world: World, settings: CalendarSettings, almanac: Almanac, *, fetch: bool
) -> CalendarShape:
    wall_ms = world.now + world.local.offset
    asks = fetch or settings.address.file is not None
    looked = almanac.look(wall_ms) if asks else almanac.look_at_copy(wall_ms, "")
    good = None if looked.good_ms is None else datetime.fromtimestamp(looked.good_ms / 1_000, UTC)
    return calendar_of(
        world, settings.name, looked.occurrences, settings.picks, looked.why,
        None if good is None else good.astimezone(world.local.zone), looked.left_out,
    )  # fmt: skip
