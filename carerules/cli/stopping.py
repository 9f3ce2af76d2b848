"""`carerules stop`: every load and charger off, now.

Knows two ways, and takes both: the plugs' own wires, and the running service. Does not need the
journal for the first.
"""

from __future__ import annotations

import json
import time
from pathlib import Path

import click

from carerules.adapters import HOST, AddressError, SqliteJournal, Stop, owner_of
from carerules.cli.common import FAILED, journal_path, json_option, refuse, site_at, site_option
from carerules.config import SiteFile
from carerules.domain.moment import SECOND
from carerules.domain.ports import JournalError
from carerules.service.off import OffReport, bring_all_off

WITHIN_S = 12
ANSWER_WITHIN_S = 5.0


@click.command("stop")
@site_option
@json_option
def stop_command(site_path: Path, as_json: bool) -> None:
    """All loads and chargers off, now; read back. Nothing goes on until you release the site.

    Works without the journal and without a running service. Exit status 1 when a plug was not
    read back off: go there and pull it.

    Example: carerules stop; later: carerules release site
    """
    site = site_at(site_path)
    told, problem = _tell_service(site)
    report: OffReport | None = None
    if site.mqtt is not None and site.site.plugs:
        try:
            report = bring_all_off(site, WITHIN_S * SECOND, "carerules stop")
        except AddressError as error:
            refuse(str(error), status=FAILED)
    unproven = [state.name for state in report.unproven] if report else []
    if as_json:
        click.echo(json.dumps({
            "shape": 1, "service_answer": told, "journal_problem": problem,
            "proven_off": list(report.proven) if report else [], "not_proven_off": unproven,
        }, indent=2))  # fmt: skip
    else:
        _say(told, problem, report)
    if unproven or (report is None and told is None and problem is not None):
        raise SystemExit(FAILED)


def _say(told: str | None, problem: str | None, report: OffReport | None) -> None:
    if told is not None:
        click.echo(f"the running service: {told}")
    if problem is not None:
        click.echo(problem, err=True)
    if report is None:
        click.echo("this site has no wires of its own: nothing else to switch")
        return
    for name in report.proven:
        click.echo(f"{name}: read back off")
    for state in report.unproven:
        power = f", {state.power_w:.0f} W at the last word" if state.power_w is not None else ""
        click.echo(f"{state.name}: NOT read back off{power}: go and pull it", err=True)


def _tell_service(site: SiteFile) -> tuple[str | None, str | None]:
    """Leave a stop for the service; its answer if one runs, and what was wrong with the journal."""
    path = journal_path(site)
    try:
        journal = SqliteJournal.open(path, owner=False)
    except JournalError as error:
        return None, str(error)
    try:
        number = journal.add_entry(Stop("carerules stop"), HOST.wall_ms())
        give_up = time.monotonic() + ANSWER_WITHIN_S
        while time.monotonic() < give_up and owner_of(path) is not None:
            answer = journal.entry_answer(number)
            if answer is not None:
                return answer, None
            time.sleep(0.05)
        return None, None
    except JournalError as error:
        return None, str(error)
    finally:
        journal.close()
