"""`carerules campaign`: nights of troubles, and whether the safety contract held in each.

Knows the options and the page. Does not know how a night is played or judged.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterable
from itertools import islice

import click

from carerules.campaign import BOUNDS, TROUBLES, Night, Played, Tally, each_moment, play, played
from carerules.cli.common import FAILED, Renamed, json_option, refuse
from carerules.cli.completing import offer, these
from carerules.cli.progress import Progress
from carerules.domain.moment import HOUR, SECOND
from carerules.domain.spelling import counted

SHOWN_MAX = 10


@click.command("campaign")
@click.option("--nights", type=click.IntRange(1, 100_000_000), default=1_000, show_default=True,
              metavar="NUMBER", help="How many nights are played.")  # fmt: skip
@click.option("--processes", cls=Renamed, old="--jobs", type=click.IntRange(1, 256), default=1,
              show_default=True, metavar="NUMBER",
              help="Over how many processes.")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, metavar="NUMBER",
              help="Another campaign: its nights are other nights.")  # fmt: skip
@click.option(
    "--trouble",
    metavar="NAME",
    shell_complete=offer(these(*TROUBLES)),
    help="Each night begins with this trouble.",
)
@click.option("--each-moment", "sweep", is_flag=True,
              help="One night, each trouble alone at each of its steps.")  # fmt: skip
@click.option("--night", "number", type=click.IntRange(0), metavar="NUMBER",
              help="Play this one again, and tell it.")  # fmt: skip
@click.option("--at", type=click.IntRange(0), metavar="MS",
              help="With `--night` and `--trouble`: that trouble alone, then.")  # fmt: skip
@click.option("--list", "show", is_flag=True, help="List the troubles and the bounds.")
@json_option
def campaign_command(
    nights: int, processes: int, seed: int, trouble: str | None, sweep: bool, number: int | None,
    at: int | None, show: bool, as_json: bool,
) -> None:  # fmt: skip
    """Play nights in which things go wrong, and look at the truth of contacts and cells.

    Nothing real is switched. The nights run the same service as a live site does, on virtual packs
    and plugs, with one to three troubles each. The figures are those of the model only.

    Exit status 1: a night broke a bound; the line that plays it again is printed.

    Example: carerules campaign --nights 5000 --processes 2 --seed 1
    """
    if show and as_json:
        refuse("found `--list` with `--json`, wanted one of them; mend: a list is for people")
    if show:
        click.echo("troubles:\n" + "\n".join(f"  {name}" for name in TROUBLES))
        click.echo("bounds:\n" + "\n".join(f"  {name:8} {says}" for name, says in BOUNDS.items()))
        return
    if trouble is not None and trouble not in TROUBLES:
        refuse(
            f"found the trouble `{trouble}`, wanted a known one; "
            "mend: `carerules campaign --list` shows them"
        )
    if at is not None and (number is None or trouble is None):
        refuse("found `--at` alone, wanted `--night` and `--trouble` with it")
    if number is not None and not sweep:
        _tell(play(Night(seed, number, trouble or "", at), tell=True), as_json=as_json)
        return
    if sweep:
        kinds = TROUBLES if trouble is None else [trouble]
        series: Iterable[Night] = each_moment(seed, number or 0, kinds)
    else:
        series = (Night(seed, number, trouble or "") for number in range(nights))
    _run(series, None if sweep else nights, processes, as_json=as_json)


def _run(series: Iterable[Night], nights: int | None, processes: int, *, as_json: bool) -> None:
    tally, began = Tally(), time.monotonic()
    with Progress("playing nights", nights) as progress:
        for one in played(series, processes):
            tally.add(one)
            progress.at(
                tally.nights, f"{counted(tally.nights, 'night')}, {len(tally.broken)} broken"
            )
    took_s = time.monotonic() - began
    if as_json:
        flat = {
            "nights_per_s": round(tally.nights / took_s, 1),
            "processes": processes,
            **tally.flat(),
        }
        click.echo(json.dumps(flat, indent=2))
    else:
        click.echo("\n".join(_lines(tally, took_s)))
    if tally.broken:
        refuse(
            f"{len(tally.broken)} of {counted(tally.nights, 'night')} broke a bound", status=FAILED
        )


def _lines(tally: Tally, took_s: float) -> Iterable[str]:
    yield f"{counted(tally.nights, 'night')}, {tally.time / HOUR:.0f} h of them, in {took_s:.1f} s"
    yield f"  {tally.nights / took_s:.0f} nights a second, {tally.steps} steps"
    closed_h = tally.worst.closed_s * SECOND / HOUR
    ons = counted(tally.ons, "time")
    yield f"  loads and chargers switched on {ons}, closed for {closed_h:.0f} h"
    yield f"  the service killed {counted(tally.kills, 'time')}"
    yield f"  longest below a floor with the load on: {tally.worst.below_floor_s:.0f} s"
    yield f"  longest closed after the service's last step: {tally.worst.after_stop_s:.0f} s"
    yield f"  {len(tally.troubles)} kinds of trouble, {tally.troubles.total()} in all"
    if tally.at_most is not None:
        share = f"{tally.at_most:.2g}"
        yield f"no breach: fewer than {share} of such nights, with 95 % confidence, in this model"
    for one in islice(tally.broken, SHOWN_MAX):
        yield f"broken: {'; '.join(one.breaches)}"
        yield f"  troubles: {'; '.join(one.troubles)}"
        yield f"  again: {one.night.again}"
    if len(tally.broken) > SHOWN_MAX:
        yield f"and {len(tally.broken) - SHOWN_MAX} more"


def _tell(one: Played, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({
            "again": one.night.again, "troubles": list(one.troubles),
            "breaches": list(one.breaches), "story": list(one.story),
        }, indent=2))  # fmt: skip
    else:
        click.echo("\n".join(one.story))
        click.echo(f"troubles: {'; '.join(one.troubles)}")
        click.echo(f"breaches: {'; '.join(one.breaches) or 'none'}")
    if one.breaches:
        refuse("the night broke a bound", status=FAILED)
