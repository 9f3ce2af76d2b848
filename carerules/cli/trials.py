"""`carerules test`: the scenarios in rule files, played through the real loop.

Knows files and verdicts. Does not know how a scenario is played.
"""

from __future__ import annotations

import json
import textwrap
from pathlib import Path

import click

from carerules.battery import shipped_chemistries
from carerules.cli.common import FAILED, REFUSED, WIDTH, Renamed, json_option, must_be_rules
from carerules.cli.findings import show_findings
from carerules.cli.progress import Progress
from carerules.cli.sites import site_at
from carerules.domain.signal import catalogue
from carerules.domain.spelling import counted
from carerules.lang import Loaded
from carerules.rulefiles import ANY_SITE, load_files
from carerules.sim.coverage import Coverage, sides_in, untouched
from carerules.sim.verdict import Checked, Verdict, play


@click.command("test")
@click.argument(
    "paths", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option("--site", "site_path", cls=Renamed, old="--for-site",
              type=click.Path(path_type=Path), metavar="FILE",
              help="With this site file's signals and chemistries.")  # fmt: skip
@click.option("--all", "taken_in", is_flag=True,
              help="The scenarios of the files that they take in, too.")  # fmt: skip
@click.option("--only", metavar="WORDS", help="Only scenarios with these words in their name.")
@click.option("--coverage", "wants_coverage", is_flag=True,
              help="Say what no scenario touched; exit status 1 when anything.")  # fmt: skip
@json_option
def test_command(
    paths: tuple[Path, ...], site_path: Path | None, taken_in: bool, only: str | None,
    wants_coverage: bool, as_json: bool,
) -> None:  # fmt: skip
    """Play the scenarios of rule files. Exit status 1 when one came out otherwise.

    Those of files that they take in were written for these by themselves, and may well come out
    otherwise beside other rules: they are played with `--all`.

    Example: carerules test river.care --coverage
    """
    must_be_rules(paths)
    site = site_at(site_path) if site_path is not None else None
    chemistries = site.chemistries if site is not None else shipped_chemistries()
    own_signals = site.signals if site is not None else ()
    names = site.names if site is not None else ANY_SITE
    failed = refused = False
    report: list[dict[str, object]] = []
    for path in paths:
        loaded = load_files({str(path): path}, names, own_signals)
        show_findings(loaded)
        if loaded.plan is None:
            refused = True
            continue
        coverage = Coverage()
        asked = [
            scenario
            for scenario in loaded.scenarios
            if (taken_in or scenario.span.file == str(path)) and (only or "") in scenario.name
        ]
        with Progress("playing scenarios", len(asked)) as progress:
            verdicts = [
                play(scenario, loaded.plan, catalogue(own_signals), chemistries, coverage)
                for scenario in progress.through(asked)
            ]
        failed |= not all(verdict.ok for verdict in verdicts)
        missing = _missing(path, loaded, coverage)
        failed |= wants_coverage and bool(missing[0])
        report.append(_flat(path, verdicts, missing if wants_coverage else None))
        if not as_json:
            _show(path, verdicts)
            if wants_coverage:
                _show_missing(missing)
    if as_json:
        click.echo(
            json.dumps({"shape": 1, "ok": not (failed or refused), "files": report}, indent=2)
        )
    if refused or failed:
        raise SystemExit(REFUSED if refused else FAILED)


def _missing(path: Path, loaded: Loaded, coverage: Coverage) -> tuple[list[str], int]:
    """What no scenario touched of the rules that stand in this very file, and of how many sides."""
    assert loaded.plan is not None
    own = [rule.name for rule in loaded.plan.rules if rule.span.file == str(path)]
    missing = [f"{one.rule}: {one.what}" for one in untouched(loaded.plan, coverage, own)]
    return missing, sides_in(loaded.plan, own)


def _show(path: Path, verdicts: list[Verdict]) -> None:
    for verdict in verdicts:
        if verdict.ok:
            continue
        scenario = verdict.scenario
        click.echo(f'{scenario.span.show()}: "{scenario.name}"')
        if verdict.problem:
            for row in textwrap.wrap(verdict.problem, WIDTH - 2, subsequent_indent="  "):
                click.echo(f"  {row}")
        for check in verdict.checks:
            _show_check(check)
    good = sum(verdict.ok for verdict in verdicts)
    click.echo(f"{path}: {good} of {counted(len(verdicts), 'scenario')} came out as expected")


def _show_check(check: Checked) -> None:
    mark = "as expected" if check.ok else "NOT SO"
    click.echo(f"  {check.line.time:%a %H:%M}  {check.words}: {mark}")
    if check.ok:
        return
    for line in check.instead or ("nothing was decided",):
        wrapped = textwrap.wrap(line, WIDTH - 14, subsequent_indent=" " * 11)
        for row in wrapped:
            click.echo(f"      | {row}")


def _show_missing(missing: tuple[list[str], int]) -> None:
    lines, sides = missing
    for line in lines:
        click.echo(f"  not touched: {line}")
    share = 100.0 if not sides else 100 * (sides - len(lines)) / sides
    click.echo(f"  coverage: {share:.0f} % of {sides} sides")


def _flat(
    path: Path, verdicts: list[Verdict], missing: tuple[list[str], int] | None
) -> dict[str, object]:
    flat: dict[str, object] = {
        "file": str(path),
        "scenarios": [
            {
                "name": verdict.scenario.name, "line": verdict.scenario.span.line,
                "ok": verdict.ok, "problem": verdict.problem or None,
                "checks": [
                    {"time": check.line.time.isoformat(), "expect": check.words, "ok": check.ok,
                     "happened": list(check.instead)}
                    for check in verdict.checks
                ],
            }
            for verdict in verdicts
        ],
    }  # fmt: skip
    if missing is not None:
        flat["untouched"], flat["sides"] = missing
    return flat
