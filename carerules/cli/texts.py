"""`carerules check`: texts that people write, before the night.

Knows files and findings. Does not know what the rules will do.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carerules.cli.common import REFUSED, Renamed, finding, json_option
from carerules.cli.findings import show_findings
from carerules.domain.diagnostic import Severity
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.domain.spelling import counted
from carerules.lang import Loaded
from carerules.lang.prove import Proofs, prove
from carerules.rulefiles import ANY_SITE, load_files

if TYPE_CHECKING:
    from carerules.config import SiteFile


@click.command("check")
@click.argument(
    "paths", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option("--site", "site_path", cls=Renamed, old="--for-site",
              type=click.Path(path_type=Path), metavar="FILE",
              help="Check the names in rule files against this site file's.")  # fmt: skip
@click.option("--proofs", "wants_proofs", is_flag=True,
              help="Print what is proved: each action against each `never`, and gaps.")  # fmt: skip
@json_option
def check_command(
    paths: tuple[Path, ...], site_path: Path | None, wants_proofs: bool, as_json: bool
) -> None:
    """Check rule files (.care) or a site file (.toml) with the rules that it names.

    Everything found is shown in one pass, proofs included: rules that can never fire, that want
    different things of one pack, or that send it round in circles. Exit status 2 when there is an
    error.

    Example: carerules check river.care --proofs
    """
    failed = False
    site = _site(site_path) if site_path is not None else None
    names, signals = (ANY_SITE, ()) if site is None else (site.names, site.signals)
    for path in [path for path in paths if path.suffix == ".toml"]:
        own = _site(path)
        failed |= _report(_rules_of(own), str(path), own, wants_proofs, as_json)
    for path in [path for path in paths if path.suffix != ".toml"]:
        loaded = load_files({str(path): path}, names, signals)
        failed |= _report(loaded, str(path), site, wants_proofs, as_json)
    if failed:
        raise SystemExit(REFUSED)


# What a site needs is imported once there is one: rule files alone, the usual case, are checked
# each time that an editor saves, and must not wait for it.


def _site(path: Path) -> SiteFile:
    from carerules.cli.sites import site_at  # noqa: PLC0415

    return site_at(path)


def _rules_of(site: SiteFile) -> Loaded:
    from carerules.service import read_rules  # noqa: PLC0415

    return read_rules(site).loaded


def _proofs(plan: Plan, site: SiteFile | None) -> Proofs:
    if site is None:
        return prove(plan, catalogue())
    return prove(plan, catalogue(site.signals), site.site.packs.values(), site.cells)


def _report(
    loaded: Loaded, name: str, site: SiteFile | None, wants_proofs: bool, as_json: bool
) -> bool:
    """Show what was found; whether there was an error."""
    table = ""
    if loaded.plan is not None:
        proofs = _proofs(loaded.plan, site)
        loaded = replace(loaded, diagnostics=(*loaded.diagnostics, *proofs.diagnostics()))
        table = proofs.table()
    errors = sum(one.severity is Severity.ERROR for one in loaded.diagnostics)
    failed = loaded.plan is None or errors > 0
    if as_json:
        found = [finding(one) for one in loaded.diagnostics]
        flat = {"shape": 1, "file": name, "ok": not failed, "findings": found}
        flat |= {"proofs": table} if wants_proofs else {}
        click.echo(json.dumps(flat, indent=2))
        return failed
    show_findings(loaded)
    if wants_proofs and table:
        click.echo(table)
    if failed:
        click.echo(f"{name}: {counted(errors, 'error')}", err=True)
        return True
    assert loaded.plan is not None
    rules, nevers = len(loaded.plan.rules), len(loaded.plan.nevers)
    warnings = len(loaded.diagnostics)
    more = f", {counted(warnings, 'warning')}" if warnings else ""
    click.echo(
        f"{name}: {counted(rules, 'rule')} and {counted(nevers, 'never')} hold together{more}"
    )
    files = [file for file in loaded.sources if file.endswith(".care")]
    if len(files) > 1:  # whoever takes in a file takes in what that takes in, too: let them see it
        click.echo(f"  of {', '.join(files)}")
    return False
