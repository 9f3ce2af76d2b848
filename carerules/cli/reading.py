"""`status`, `why` and `log`: what is so, why it is so, and what has been.

Knows the commands' words and options. Does not know how anything is found out. These commands look
and do nothing else: no entry, no command, no file is made by them.
"""

from __future__ import annotations

from pathlib import Path

import click
from pydantic import BaseModel

from carerules.cli.common import Renamed, json_option, printed, refuse, site_option, wants_colour
from carerules.cli.completing import named, offer, rules
from carerules.cli.findings import show_findings
from carerules.cli.history import gone_through
from carerules.cli.reader import must_be_one_of, past_moment, reader_at
from carerules.domain.moment import Moment
from carerules.report import (
    LogShape,
    Paint,
    chores_of,
    log_lines,
    plain,
    status_lines,
    status_of,
    why_lines,
    why_of,
)
from carerules.report.shapes import WhyShape
from carerules.service.reading import Reader

LINES_SHOWN = 40
"""Two screens of a small terminal."""
LINES_MAX = 1_000_000
GONE_THROUGH_MAX = 50_000
"""Events of a journal that `status PACK` goes through for trends; `health` takes its time."""
_COLOURS = {"decided": "cyan", "done": "green", "tell": "yellow", "alarm": "red"}


@click.command("status")
@click.argument("pack", required=False, shell_complete=offer(named("pack")))
@site_option
@json_option
def status_command(pack: str | None, site_path: Path, as_json: bool) -> None:
    """Show each pack, station and chore; or one PACK.

    Works whether a service runs or not. What was entered and not yet taken in is counted in. The
    health of a pack shows where it asks for a look, and always where the pack is named.

    Example: carerules status heron
    """
    with reader_at(site_path) as reader:
        if pack is not None:
            must_be_one_of(pack, reader.setup.site.packs, "a pack of the site file")
        view = reader.now()
        past = {}
        if pack is not None and reader.newest <= GONE_THROUGH_MAX:
            past = {one.pack.name: one for one in gone_through(reader, [pack])}
    shape = status_of(view.world, view.keeper, None if pack is None else [pack], past)
    listed = chores_of(view.world, view.keeper).chores
    numbers = {chore.key: number for number, chore in enumerate(listed, 1)}
    lines = status_lines(shape, paint(), whole=pack is not None, numbers=numbers)
    say(shape, lines, as_json=as_json)


@click.command("why")
@click.argument("pack", shell_complete=offer(named("pack")))
@click.argument("rule", required=False, shell_complete=offer(rules))
@click.option("--at", "at_text", metavar="TIME",
              help="A past moment: `22:10`, `yesterday 22:10`, `2026-12-01T22:10:23`.")  # fmt: skip
@site_option
@json_option
def why_command(
    pack: str, rule: str | None, at_text: str | None, site_path: Path, as_json: bool
) -> None:
    """Show why each rule holds or not for PACK; or one RULE.

    For each part its truth, the values that it saw, how old they are and who said so; how far
    each `for` has run; when the rule would fire if nothing changes; what would be in its way.

    Example: carerules why heron --at 22:10
    """
    with reader_at(site_path) as reader:
        if reader.rules.setup is None:
            show_findings(reader.rules.loaded)
            refuse("the rules have errors; mend: `carerules check` shows where")
        must_be_one_of(pack, reader.setup.site.packs, "a pack of the site file")
        theirs = [bound.rule.name for bound in reader.setup.bound[pack].rules]
        if rule is not None:
            must_be_one_of(rule, theirs, f"a rule that takes in `{pack}`")
        shape = _why_now(reader, pack) if at_text is None else _why_then(reader, pack, at_text)
    if rule is not None:
        only = [one for one in shape.rules if one.rule == rule]
        shape = shape.model_copy(update={"rules": only, "nevers": []})
    say(shape, why_lines(shape, paint()), as_json=as_json)


def _why_now(reader: Reader, pack: str) -> WhyShape:
    return why_of(reader.now().world, pack)


def _why_then(reader: Reader, pack: str, at_text: str) -> WhyShape:
    now = reader.now().world
    moment, begins = past_moment(at_text, now), reader.begins()
    if begins is None:
        refuse(
            "found nothing in the journal yet, wanted a site that has run; "
            "mend: `carerules run` it first"
        )
    if moment < begins:
        refuse(f"found `{at_text}`, wanted a time since {now.local.show(begins)}, when the journal "
               "begins")  # fmt: skip
    past = reader.at(moment, pack)
    return why_of(past.world, pack, past.decisions, exact=past.exact)


@click.command("log")
@click.argument("pack", required=False, shell_complete=offer(named("pack")))
@click.option("--pack", "pack_old", metavar="PACK", hidden=True, help="PACK, as it was typed once.")
@click.option("--from", "since_text", cls=Renamed, old="--since", metavar="TIME",
              help="From then on: `22:10`, `yesterday 18:00`, `2026-12-01T22:10`.")  # fmt: skip
@click.option(
    "--last",
    type=click.IntRange(1, LINES_MAX),
    metavar="NUMBER",
    help=f"Only so many lines, the last; {LINES_SHOWN} unless `--from` is given.",
)
@click.option("--all", "samples", is_flag=True, help="Samples and reports of plugs, too.")
@site_option
@json_option
def log_command(
    pack: str | None, pack_old: str | None, since_text: str | None, last: int | None, samples: bool,
    site_path: Path, as_json: bool,
) -> None:  # fmt: skip
    """Show what was seen, decided and done, or only what is about PACK: the newest at the bottom.

    Example: carerules log heron --from "yesterday 18:00"
    """
    pack = pack or pack_old
    with reader_at(site_path) as reader:
        if pack is not None:
            must_be_one_of(pack, reader.setup.site.packs, "a pack of the site file")
        since: Moment | None = None
        if since_text is not None:
            since = past_moment(since_text, reader.now().world)
        elif last is None:
            last = LINES_SHOWN
        rows = reader.lines(pack=pack, since=since, last=last, samples=samples)
        shape = LogShape(
            site=reader.setup.site.name, lines=rows, next_after=reader.newest
        )  # fmt: skip
    say(shape, log_lines(shape, paint()), as_json=as_json)


def say(shape: BaseModel, lines: list[str], *, as_json: bool) -> None:
    """A shape as JSON, or its lines."""
    printed([shape.model_dump_json(indent=2)] if as_json else lines)


def paint() -> Paint:
    """How lines are coloured here: by tone on a terminal that may be, else not at all."""
    if not wants_colour():
        return plain
    return lambda tone, text: click.style(text, fg=_COLOURS.get(tone))
