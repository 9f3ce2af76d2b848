"""`carerules doctor`: what a site stands on, and one plug put to the test.

Knows the options, the questions and the page. Does not know how anything is found out.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path

import click

from carerules.adapters import (
    AddressError,
    JournalBusy,
    KeptJournal,
    LineClock,
    open_journal,
)
from carerules.cli.common import FAILED, json_option, printed, refuse, site_argument, wants_colour
from carerules.cli.completing import named, offer
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.sites import journal_path, outbox_of, site_at
from carerules.config import SiteFile
from carerules.domain.event import Proved
from carerules.domain.pack import Side
from carerules.domain.ports import JournalError
from carerules.loop import pack_on
from carerules.report import fold
from carerules.service.checkup import look_over
from carerules.service.finding import Finding, anything_wrong
from carerules.service.prove import Verdict, put_to_test
from carerules.service.reading import reader_of

_MARKS = {"in order": ("ok  ", "green"), "look": ("look", "yellow"), "wrong": ("BAD ", "red")}


@click.command("doctor")
@site_argument
@click.option("--prove", "plug", metavar="PLUG", shell_complete=offer(named("plug")),
              help="Put one plug to the test: nothing of a pack may hang there.")  # fmt: skip
@click.option("--yes", is_flag=True, help="With `--prove`: the station is empty, do not ask.")
@json_option
def doctor_command(site_path: Path, plug: str | None, yes: bool, as_json: bool) -> None:
    """Look over a site: broker, clock, disk, notices, and what guards each plug.

    With `--prove PLUG`, no service may run and no pack be on the station. The plug is switched on
    with a short time, must open by itself when that has run out, and must be read back off. A plug
    that held counts as proved for 30 days or 20 switchings; without that it is switched on only
    while somebody is there.

    Exit status 0: nothing is wrong, or the plug held; 1: something is wrong, or it did not hold;
    2: refused, nothing was done.

    Example: carerules doctor site.toml --prove A-load
    """
    if plug is None and yes:
        refuse("`--yes` goes with `--prove`; found it alone")
    if plug is None:
        _look(site_path, as_json=as_json)
    else:
        _prove(site_at(site_path), plug, yes=yes, as_json=as_json)


def _look(site_path: Path, *, as_json: bool) -> None:
    with reader_at(site_path) as reader:
        world = reader.now().world
        proven = {} if reader.journal is None else outbox_of(reader.site).proven
        findings = look_over(reader.site, world, reader.journal, reader.clock, proven)
    wrong = anything_wrong(findings)
    if as_json:
        said = {"shape": 1, "site": world.setup.site.name, "ok": not wrong,
                "findings": [asdict(one) for one in findings]}  # fmt: skip
        click.echo(json.dumps(said, indent=2, ensure_ascii=False))
    else:
        printed([line for one in findings for line in _lines(one)])
    if wrong:
        sys.exit(FAILED)


def _lines(one: Finding) -> list[str]:
    mark, colour = _MARKS[one.state]
    first, *more = fold(f"{mark}  {one.about}: ", one.text)
    if wants_colour():
        first = click.style(mark, fg=colour) + first[len(mark) :]
    mend = fold("      mend: ", one.mend) if one.mend else []
    return [first, *more, *mend]


# ---- one plug put to the test ----------------------------------------------------------------


def _prove(site: SiteFile, name: str, *, yes: bool, as_json: bool) -> None:
    must_be_one_of(name, site.site.plugs, "a plug of the site file")
    plug = site.site.plugs[name]
    if not site.has_wires:
        refuse(f"found the virtual plug `{name}`, wanted a real one: there is nothing to prove")
    if plug.lease_s is None:
        refuse(f"profile `{plug.profile}` has no timer of its own, so nothing can be proved; "
               "mend: stay with the plug while it is on")  # fmt: skip
    try:
        # Held for the whole of the test: no service can start and switch the plug meanwhile.
        journal = open_journal(journal_path(site), owner=True)
    except (JournalBusy, JournalError) as error:
        refuse(str(error))
    try:
        verdict = _tested(site, name, journal, yes=yes, quiet=as_json)
    except JournalError as error:
        refuse(str(error), status=FAILED)
    finally:
        journal.close()
    if as_json:
        click.echo(json.dumps({"shape": 1, "plug": name, **asdict(verdict)}, indent=2))
    else:
        word = "held" if verdict.holds else "DID NOT HOLD"
        printed(fold("", f"{name} {word}: {verdict.why}"))
    if not verdict.proved_off:
        click.echo(f"{name}: NOT read back off: go and pull it", err=True)
    if not verdict.holds or not verdict.proved_off:
        sys.exit(FAILED)


def _tested(site: SiteFile, name: str, journal: KeptJournal, *, yes: bool, quiet: bool) -> Verdict:
    world = reader_of(site, journal_path(site), journal).now().world
    station = next(
        station for station in site.site.stations.values()
        if any((socket := station.socket(side)) and socket.plug == name for side in Side)
    )  # fmt: skip
    # Before the first start the site file says where a pack hangs, unless a person has said.
    first = (one for one, place in site.places.items() if place == station.name)
    never_moved = (one for one in first if not world.packs[one].placed_at)
    pack = pack_on(world, station.name) or next(never_moved, None)
    if pack is not None:
        refuse(f"found {pack} on station {station.name}, wanted nothing there; "
               f"mend: take it off, then `carerules place {pack} --off`")  # fmt: skip
    question = (f"{name} of station {station.name} will be switched on for half a minute.\n"
                "Is everything unplugged that may not be, and no pack on it?")  # fmt: skip
    if not yes and not click.confirm(question, default=False, err=quiet):
        refuse("not put to the test: nobody said yes")
    clock = LineClock(journal.clock())
    try:
        say = (lambda _: None) if quiet else (lambda line: click.echo(f"  {line}"))
        verdict = put_to_test(site, clock, name, say, journal.hold)
    except AddressError as error:
        refuse(str(error))
    key = site.site.plugs[name].key
    holds = verdict.holds and verdict.proved_off
    heard = max(clock.now(), world.now)
    journal.write(Proved(heard, name, key, holds, verdict.why, verdict.opened_s), ())
    journal.commit(clock.anchor())
    return verdict
