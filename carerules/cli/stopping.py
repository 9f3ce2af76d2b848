"""`carerules stop`: every load and charger off, now.

Knows two ways, and takes both: the plugs' own wires, and the running service. Does not need the
journal for the first.
"""

from __future__ import annotations

import json
import time
from contextlib import closing
from pathlib import Path

import click

from carerules.adapters import HOST, AddressError, SqliteJournal, Stop, owner_of
from carerules.cli.common import FAILED, json_option, refuse, site_option
from carerules.cli.sites import journal_path, site_at
from carerules.config import SiteFile
from carerules.domain.moment import SECOND
from carerules.domain.ports import JournalError
from carerules.service.off import OffReport, bring_all_off

WITHIN_S = 12
ANSWER_WITHIN_S = 1.5
"""A service that runs looks for entries each second. One that hangs is not waited for."""
ANSWER_LATE_S = 3.5
"""So much longer when the plugs have been told: only for the sake of what is said."""

LOOK_EVERY_S = 0.05


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
    service = _ServiceDesk(site)
    told = service.answer(ANSWER_WITHIN_S)
    report = _over_own_wires(site)
    if told is None:
        told = service.answer(ANSWER_LATE_S)
        if told is not None:  # it may have said ON until then
            report = _over_own_wires(site)
    problem = service.problem
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


def _over_own_wires(site: SiteFile) -> OffReport | None:
    if not site.has_wires or not site.site.plugs:
        return None
    try:
        return bring_all_off(site, WITHIN_S * SECOND, "carerules stop")
    except AddressError as error:
        refuse(str(error), status=FAILED)


class _ServiceDesk:
    """A stop left for the service that runs, if one does; `problem` is what the journal lacks."""

    def __init__(self, site: SiteFile) -> None:
        self.problem: str | None = None
        self._path = journal_path(site)
        self._number: int | None = None
        try:
            with self._journal() as journal:
                self._number = journal.add_entry(Stop("carerules stop"), HOST.wall_ms())
        except JournalError as error:
            self.problem = str(error)

    def answer(self, within_s: float) -> str | None:
        """The service's answer; not waited for when nobody is there to give one."""
        give_up = time.monotonic() + within_s
        told: str | None = None
        while self._number is not None and told is None and owner_of(self._path) is not None:
            try:
                with self._journal() as journal:
                    told = journal.entry_answer(self._number)
            except JournalError as error:
                self.problem, self._number = str(error), None
            if time.monotonic() >= give_up:
                break
            if told is None:
                time.sleep(LOOK_EVERY_S)
        return told

    def _journal(self) -> closing[SqliteJournal]:
        return closing(SqliteJournal.open(self._path, owner=False))
