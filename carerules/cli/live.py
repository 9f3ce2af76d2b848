"""`carerules run`: the service on a site, virtual or real, until it is told to leave.

Knows how a start is refused. Does not know how either kind of site is served.
"""

from __future__ import annotations

import gc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

import click

from carerules.adapters import JournalBusy, KeptJournal, open_journal, share_heap
from carerules.adapters.problem import Problem
from carerules.cli.boarding import closed, door_of
from carerules.cli.common import FAILED, Renamed, refuse, site_argument, utter
from carerules.cli.findings import show_findings
from carerules.cli.sites import journal_path, make_state, must_be_named
from carerules.cli.voice import Style
from carerules.config import SiteFile, forget_tables, read_site
from carerules.domain.ports import JournalError
from carerules.lang import forget_grammar
from carerules.loop import Setup
from carerules.service import read_rules

Run: TypeAlias = Callable[
    [SiteFile, Setup, KeptJournal, float | None, float | None, Style], list[str]
]
"""Serves a site until it is to leave, at a speed, for some days; what is wrong at the end."""
BringOff: TypeAlias = Callable[[SiteFile, KeptJournal | None], list[str]]
"""Brings it off, under the journal that it is held by; what became of each plug, a line each."""


@click.command("run")
@site_argument
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True, max=100_000),
    metavar="TIMES",
    help="Virtual time over real time (virtual sites only).",
)
@click.option("--board", "listen", metavar="HOST:PORT",
              help="Serve the page there, as `[board]` in the site file would.")  # fmt: skip
@click.option("--log", "style", type=click.Choice(["words", "json"]), envvar="CARERULES_LOG",
              help="How it tells: in words, or as a line of JSON each (docs/json.md); else as "
                   "`log` in the site file says.")  # fmt: skip
@click.option(
    "--days",
    "for_days",
    cls=Renamed,
    old="--for",
    type=click.FloatRange(min=0, min_open=True),
    metavar="DAYS",
    help="How many days of the site it runs. Without it: until it is ended.",
)
def run_command(
    site_path: Path,
    speed: float | None,
    listen: str | None,
    style: Style | None,
    for_days: float | None,
) -> None:
    """Run a site: listen, decide, switch, tell. Ctrl-C brings everything off and ends.

    Example: carerules run examples/river-survey/site.toml --speed 600
    """
    share_heap()  # before there is a second thread
    site = _site_at(site_path)
    forget_tables()
    if speed is not None and site.virtual is None:
        refuse(
            f"{site_path}: found `--speed {speed:g}`, wanted none: the site is not "
            "virtual, and real time has one speed; mend: leave it away",
            *_left_on(site),
        )
    door = door_of(site, listen)
    if isinstance(door, Problem):
        refuse(door.show(), *_left_on(site))
    site = replace(site, board=door)
    rules = read_rules(site)
    show_findings(rules.loaded)
    # The page, and whatever else is still to come, takes the place of what reading took.
    forget_grammar()
    gc.unfreeze()
    gc.collect()
    gc.freeze()
    if door is not None and (why := closed(door)) is not None:
        refuse(why, *_left_on(site))
    if rules.setup is None:
        refuse(f"{site_path}: the rules have errors; nothing was started", *_left_on(site))
    run, bring_off = _ways(site)
    try:
        journal = open_journal(journal_path(site), owner=True)
    except JournalBusy as error:
        refuse(str(error))
    except JournalError as error:
        refuse(str(error), *bring_off(site, None))
    try:
        make_state(site)
        journal.save_plan(rules.fingerprint, rules.loaded.sources)
        wrong = run(site, rules.setup, journal, speed, for_days, style or site.log or "words")
    except JournalError as error:
        refuse(str(error), *bring_off(site, journal), status=FAILED)
    except Exception:
        # Ours or the system's: whatever it is, nobody else knows what is on.
        for line in bring_off(site, journal):
            utter(line, err=True)
        raise
    finally:
        journal.close()
    if wrong:
        refuse(*wrong, status=FAILED)


def _site_at(path: Path) -> SiteFile:
    """The site file, read and checked. Where it is refused for a file that it names, what an
    earlier run may have left on is brought off first."""
    must_be_named(path)
    site = read_site(path)
    if isinstance(site, SiteFile):
        return site
    anyhow = read_site(path, to_stop=True)
    off = _left_on(anyhow) if isinstance(anyhow, SiteFile) else []
    return refuse(*(problem.show() for problem in site), *off)


def _left_on(site: SiteFile) -> list[str]:
    if site.virtual is not None:
        return []
    from carerules.cli.real import left_behind  # noqa: PLC0415

    return left_behind(site)


def _ways(site: SiteFile) -> tuple[Run, BringOff]:
    """How this kind of site is served, and how it is brought off where that cannot begin.

    Either is imported for itself: a virtual site waits for no wires. All of it comes before the
    journal is opened: bringing everything off must not have to look for a module on a bad disk.
    """
    if site.virtual is not None:
        from carerules.cli.played import run_played  # noqa: PLC0415

        return run_played, lambda *_: []
    from carerules.cli.real import brought_off, run_real  # noqa: PLC0415

    return run_real, brought_off
