"""`carerules stop`: every load and charger off, now.

Knows the words. Does not know the ways (service/stopping); the journal is not needed for them.
"""

from __future__ import annotations

import json
from pathlib import Path

import click

from carerules.cli.common import FAILED, json_option, remark, site_argument
from carerules.cli.sites import site_to_stop
from carerules.service.off import OffReport
from carerules.service.stopping import stop_all


@click.command("stop")
@site_argument
@json_option
def stop_command(site_path: Path, as_json: bool) -> None:
    """All loads and chargers off, now; read back. Nothing goes on until you release the site.

    Works without the journal and without a running service. Exit status 1 when a plug was not
    read back off: go there and pull it.

    Example: carerules stop; later: carerules release site
    """
    site, wrong = site_to_stop(site_path)
    done = stop_all(site, "carerules stop")
    told, problem, report = done.told, done.problem, done.off
    unproven = [state.name for state in report.unproven] if report else []
    if as_json:
        click.echo(json.dumps({
            "shape": 1, "service_answer": told, "journal_problem": problem,
            "site_problems": wrong, "wires_problem": done.wires_problem,
            "proved_off": list(report.proven) if report else [], "not_proved_off": unproven,
        }, indent=2))  # fmt: skip
    else:
        for line in wrong:
            click.echo(line, err=True)
        _say(told, problem, report)
    if done.failed:
        raise SystemExit(FAILED)


def _say(told: str | None, problem: str | None, report: OffReport | None) -> None:
    if told is not None:
        remark(f"the running service: {told}")
    if problem is not None:
        click.echo(problem, err=True)
    if report is None:
        click.echo("this site has no wires of its own: nothing else to switch")
        return
    if report.lost is not None:
        click.echo(report.lost, err=True)
    for name in report.proven:
        click.echo(f"{name}: read back off")
    for state in report.unproven:
        power = f", {state.power_w:.0f} W at the last word" if state.power_w is not None else ""
        click.echo(f"{state.name}: NOT read back off{power}: go and pull it", err=True)
