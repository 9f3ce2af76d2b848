"""`carerules replay`: when rules would have fired on what was heard, and what others would change.

Knows the words. Does not know how a rule is replayed.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

import click

from carerules.cli.common import json_option, refuse, site_option
from carerules.cli.findings import show_findings
from carerules.cli.fleets import fleet_options, replay_over
from carerules.cli.reader import past_moment, reader_at
from carerules.cli.reading import say
from carerules.cli.told import Journalled
from carerules.domain.moment import Moment
from carerules.domain.plan import Plan
from carerules.report.replayed import Played, Stretch, replay_lines, replay_of
from carerules.rulefiles import load_files
from carerules.service.reading import Reader


@click.command("replay")
@click.option("--rules", "rules_path", type=click.Path(path_type=Path), metavar="FILE",
              help="Rules to compare with those in force.")  # fmt: skip
@click.option("--from", "from_text", metavar="TIME",
              help="Told from then on: `yesterday 18:00`, `2026-12-01T22:10`.")  # fmt: skip
@click.option("--until", "until_text", metavar="TIME", help="Told up to then; else up to now.")
@click.option("--instead-of", "other_path", type=click.Path(path_type=Path), metavar="FILE",
              help="With `--fleet`: rules to compare those of `--rules` with.")  # fmt: skip
@fleet_options
@site_option
@json_option
def replay_command(
    rules_path: Path | None, from_text: str | None, until_text: str | None,
    other_path: Path | None, fleet_path: Path | None, address: str | None, site_path: Path,
    as_json: bool,
) -> None:  # fmt: skip
    """Show when each rule would have fired on what the journal has heard.

    With `--rules FILE` also what that file, in place of the rules in force, would have made of the
    same facts: firings added, gone, moved. Nothing is done about any of them. Measured signals are
    taken as they were: a drain that would have happened changes none.

    With `--fleet FOLDER`, the rules of `--rules` over the tapes of many sites; docs/replay.md.

    Example: carerules replay --rules milder.care --from 2026-12-01T00:00
    """
    if fleet_path is not None:
        replay_over(fleet_path, address, rules_path, other_path, from_text, until_text,
                    as_json=as_json)  # fmt: skip
        return
    if address is not None or other_path is not None:
        refuse("found no `--fleet`, wanted it beside `--cluster` and `--instead-of`; "
               "mend: add `--fleet FOLDER`")  # fmt: skip
    if find_spec("numpy") is None:
        refuse("found no `numpy`, wanted it to replay; "
               "mend: install carerules with the extra `replay`")  # fmt: skip
    with reader_at(site_path) as reader:
        if reader.rules.setup is None:
            show_findings(reader.rules.loaded)
            refuse("the rules have errors; mend: `carerules check` shows where")
        other = None if rules_path is None else _plan_of(reader, rules_path)
        world = reader.now().world
        until = world.now if until_text is None else past_moment(until_text, world)
        since = None if from_text is None else past_moment(from_text, world)
        if since is not None and since > until:
            refuse(f"found `--from {from_text}` after the end, wanted a time before it")
        stretch, now, then = _replayed(reader, since, until, other)
    file = None if rules_path is None else str(rules_path)
    shape = replay_of(reader.setup.site.name, world.local, stretch, now, then, file)
    say(shape, replay_lines(shape), as_json=as_json)


def _plan_of(reader: Reader, path: Path) -> Plan:
    loaded = load_files({str(path): path}, reader.site.names, reader.site.signals)
    if loaded.plan is None:
        show_findings(loaded)
        refuse(f"the rules in `{path}` have errors; nothing was replayed")
    return loaded.plan


def _replayed(
    reader: Reader, since: Moment | None, until: Moment, other: Plan | None
) -> tuple[Stretch, Played, Played | None]:
    # numpy takes its time to load: only here, where it is used.
    from carerules.replay import (  # noqa: PLC0415
        FACTS_MAX,
        TooMuchError,
        record,
        replay,
    )

    setup, plans = reader.setup, [reader.setup.plan] + ([] if other is None else [other])
    told = Journalled(reader, "going through the journal")
    try:
        recording = record(told, setup, _reads(plans), until)
    except TooMuchError:
        refuse(f"found more than {FACTS_MAX} facts in the journal, wanted fewer; "
               "mend: give `--until`, or keep samples for a shorter time")  # fmt: skip
    played = []
    for plan in plans:
        names = [rule.name for rule in plan.rules]
        if recording is None:
            played.append(Played(names, (), {}))
            continue
        done = replay(plan, setup.site.packs, recording.tape, setup.signals)
        played.append(Played(names, done.firings, done.online))
    begins = None if recording is None else recording.tape.begins
    stretch = Stretch(
        since if since is not None else until if begins is None else begins,
        until, begins, told.forgotten_before,
        0 if recording is None else recording.facts, 0 if recording is None else recording.left_out,
    )  # fmt: skip
    return stretch, played[0], played[1] if other is not None else None


def _reads(plans: Sequence[Plan]) -> set[str]:
    """Every signal that some rule looks at, also inside a window or a count of packs."""
    from carerules.replay import signals_in  # noqa: PLC0415

    wholes = [one for plan in plans for rule in plan.rules for one in (rule.when, rule.rearm_when)]
    return {name for whole in wholes if whole is not None for name in signals_in(whole)}
