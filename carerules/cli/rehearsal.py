"""`carerules rehearse`: the same loop on a virtual site, as fast as it goes, and what it came to.

Knows how the parts are put together. Does not know what any of them decides.
"""

from __future__ import annotations

import gc
import json
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from carerules.cli.calendars import put_before
from carerules.cli.common import FAILED, json_option, refuse, site_argument
from carerules.cli.findings import show_findings
from carerules.cli.narrator import Narrator
from carerules.cli.progress import Progress
from carerules.cli.sites import site_at
from carerules.cli.virtual import virtual_outside, virtual_world, visited
from carerules.config import SiteFile
from carerules.domain.decision import Outcome
from carerules.domain.event import Event, Sample, Started
from carerules.domain.moment import HOUR, SECOND
from carerules.domain.spelling import counted
from carerules.loop import World, new_world
from carerules.report.tally import Tally, ledger_flat, tally_lines
from carerules.service import Service, all_off, read_rules


@click.command("rehearse")
@site_argument
@click.option("--days", type=click.FloatRange(0.01, 3_660), default=7, show_default=True,
              metavar="DAYS", help="How many days of the site are played.")  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0), metavar="NUMBER", help="Another world than the site file's."
)
@click.option("--tell", is_flag=True, help="Say each thing as it happens, too.")
@json_option
def rehearse_command(
    site_path: Path, days: float, seed: int | None, tell: bool, as_json: bool
) -> None:
    """Run a virtual site as fast as it goes: nothing is kept, nothing real is switched.

    Example: carerules rehearse examples/river-survey/site.toml --days 7 --seed 1
    """
    site = site_at(site_path)
    if site.virtual is None:
        refuse(f"{site_path}: found no [virtual] table, wanted one that says how its packs begin\n"
               "  mend: a site with real plugs is not played; `carerules new FOLDER` makes one that"
               " is")  # fmt: skip
    rules = read_rules(site)
    show_findings(rules.loaded)
    if rules.setup is None:
        refuse(f"{site_path}: the rules have errors; nothing was rehearsed")
    world = virtual_world(site, seed)
    outside = virtual_outside(world, None)
    narrate = Narrator(lambda: 0) if tell else None
    tally = Tally()

    def told(event: Event, outcomes: Sequence[Outcome], now: World) -> None:
        tally.samples += isinstance(event, Sample)
        tally.add(outcomes, now)
        progress.at(now.now - known.now)
        if narrate is not None:
            narrate(event, outcomes, now)

    known = new_world(rules.setup, world.now)
    time_ms = round(days * 86_400 * SECOND)
    progress = Progress(f"playing {days:g} days", time_ms, quiet=tell)
    tally.begin(known)
    began = time.monotonic()
    # Nobody else has it leave, and what is due wakes it: it need not look each minute.
    service = Service(known, outside, None, told, idle=HOUR)
    visited(service, site, world, outside)
    put_before(service, site, outside)
    with progress, few_collections():
        after = service.run([Started(world.now)], world.now + time_ms)
    took_s = time.monotonic() - began
    if as_json:
        click.echo(json.dumps(_flat(site, tally, after, days, world.seed, took_s), indent=2))
    else:
        click.echo(f"VIRTUAL: {site.site.name}, seed {world.seed}, {days:g} day{'s' * (days != 1)}")
        click.echo("\n".join(tally_lines(tally, after)))
        click.echo(f"{counted(tally.samples, 'sample')} in {took_s:.1f} s")
    if not all_off(after):
        refuse("not every plug was read back off", status=FAILED)


@contextmanager
def few_collections() -> Iterator[None]:
    """What is loaded stays to the end, and a step leaves no circles behind: left as it is, the
    collector goes through all of it again and again, for a twentieth of the time."""
    usual = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(20_000, 20, 100)
    try:
        yield
    finally:
        gc.set_threshold(*usual)
        gc.unfreeze()


def _flat(
    site: SiteFile, tally: Tally, world: World, days: float, seed: int, took_s: float
) -> dict[str, object]:
    return {
        "shape": 1, "virtual": True, "site": site.site.name, "seed": seed, "days": days,
        "rules": [
            {"rule": name, "fired": row.fired, "energy_wh": round(row.energy_wh, 1),
             "endings": {ending.value: count for ending, count in row.endings.items()}}
            for name, row in tally.rules.items()
        ],
        "packs": [
            {"pack": name, "above_95_percent_s": row.full // SECOND,
             "unknown_s": row.unknown // SECOND, "lying": ledger_flat(row.ledger)}
            for name, row in tally.packs.items()
        ],
        "interlocks": [
            {"interlock": interlock, "pack": pack, "station": station, "times": count}
            for (interlock, pack, station), count in sorted(tally.interlocks.items())
        ],
        "barred": [{"pack": pack, "why": why} for pack, why in tally.barred],
        "chores": tally.chores, "notices": tally.notices, "urgent": tally.urgent,
        "samples": tally.samples, "all_off": all_off(world), "took_s": round(took_s, 2),
    }  # fmt: skip
