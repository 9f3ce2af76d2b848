"""`carerules compare`: an edited rule file against the last days.

Knows the words. Does not know how it is found out.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.adapters import Problem, quoted
from carerules.bounded import read_bounded
from carerules.cli.common import Renamed, json_option, refuse, site_option
from carerules.cli.completing import offer, rule_files
from carerules.cli.findings import show_findings
from carerules.cli.progress import Progress
from carerules.cli.reader import reader_at
from carerules.cli.reading import say
from carerules.domain.moment import DAY
from carerules.lang.limits import FILE_BYTES_MAX
from carerules.report.timeline import compare_lines
from carerules.service.compare import compare
from carerules.service.rules import read_rules

DAYS_MAX = 366


@click.command("compare")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--instead-of",
    "stands_for",
    cls=Renamed,
    old="--for",
    metavar="NAME",
    shell_complete=offer(rule_files),
    help="The site's rule file that FILE would replace; else the one of its name.",
)
@click.option(
    "--days",
    type=click.IntRange(1, DAYS_MAX),
    default=30,
    show_default=True,
    metavar="DAYS",
    help="How far back.",
)
@site_option
@json_option
def compare_command(
    file: Path, stands_for: str | None, days: int, site_path: Path, as_json: bool
) -> None:
    """Show when the rules of an edited FILE would have begun to hold, against those that run.

    Both look on at what was heard; what their jobs would have changed is not played.

    Example: carerules compare edited/river.care --days 7
    """
    with reader_at(site_path) as reader:
        wanted = stands_for or file.name
        named = next((path for path in reader.site.rules if path.name == wanted), None)
        if named is None:
            there = ", ".join(quoted(path.name) for path in reader.site.rules)
            refuse(Problem(quoted(wanted), "a rule file of the site", f"it has {there}").show())
        try:
            text = read_bounded(file, FILE_BYTES_MAX).decode("utf-8")
        except (OSError, ValueError):
            mend = "look at its path, its mode, and that it is text in UTF-8"
            refuse(Problem(quoted(str(file)), "a file of text that can be read", mend).show())
        edited = read_rules(reader.site, {named: text})
        if edited.setup is None or reader.rules.setup is None:
            show_findings(edited.loaded)
            refuse("the rules have errors; mend: `carerules check` shows where")
        until = reader.now().world.now
        with Progress("comparing") as progress:
            progress.wait(f"the last {days} days, and what led up to them")
            shape = compare(reader, edited.setup, until - days * DAY, until)
    say(shape, compare_lines(shape), as_json=as_json)
