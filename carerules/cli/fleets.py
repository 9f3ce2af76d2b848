"""`replay --fleet` and `report --fleet`: many sites' tapes, here or on a cluster.

Knows the words. Does not know how a bunch is gone through.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from carerules.adapters import Problem, read_past
from carerules.cli.common import FAILED, refuse
from carerules.cli.findings import show_findings
from carerules.cli.progress import Progress
from carerules.cli.reading import say
from carerules.domain.moment import Moment
from carerules.rulefiles import load_files

if TYPE_CHECKING:
    from carerules.fleet import Fleet, Hands, RuleSide, TapeShape

F = TypeVar("F", bound=Callable[..., Any])


def fleet_options(command: F) -> F:
    """`--fleet FOLDER` and `--cluster ADDRESS`."""
    for option in (
        click.option("--cluster", "address", metavar="ADDRESS",
                     help="With `--fleet`: on the workers of the Dask scheduler there."),
        click.option("--fleet", "fleet_path", metavar="FOLDER", type=click.Path(path_type=Path),
                     help="In place of a site: the tapes in FOLDER, from `export --tape`."),
    ):  # fmt: skip
        command = option(command)
    return command


def replay_over(
    fleet_path: Path, address: str | None, rules: Path | None, instead_of: Path | None,
    from_text: str | None, until_text: str | None, *, as_json: bool,
) -> None:  # fmt: skip
    """`replay --fleet`, to its end."""
    if rules is None:
        refuse("found no `--rules`, wanted the rules to go through the fleet with; "
               "mend: add `--rules FILE`")  # fmt: skip
    fleet = _fleet_at(fleet_path)
    from carerules.fleet import HandsError, replay_fleet  # noqa: PLC0415
    from carerules.report.fleet import fleet_replay_lines  # noqa: PLC0415

    stretch = _stretches(fleet, from_text, until_text)
    try:
        sides = [_side(fleet, one) for one in (rules, instead_of) if one is not None]
        with _hands(address) as hands, Progress("going through bunches", _bunches(fleet)) as shown:
            shape = replay_fleet(fleet, sides[0], sides[1] if len(sides) > 1 else None, stretch,
                                 hands, shown.at)  # fmt: skip
    except HandsError as error:
        refuse(str(error), status=FAILED)
    say(shape, fleet_replay_lines(shape), as_json=as_json)


def report_over(fleet_path: Path, address: str | None, *, as_json: bool) -> None:
    """`report --fleet`, to its end."""
    fleet = _fleet_at(fleet_path)
    from carerules.fleet import HandsError, report_fleet  # noqa: PLC0415
    from carerules.report.fleet import fleet_report_lines  # noqa: PLC0415

    whole = _bunches(fleet) + len(fleet.sites)
    try:
        with _hands(address) as hands, Progress("going through bunches", whole) as shown:
            shape = report_fleet(fleet, hands, shown.at)
    except HandsError as error:
        refuse(str(error), status=FAILED)
    say(shape, fleet_report_lines(shape), as_json=as_json)


def needs(*modules: str, extra: str) -> None:
    """Refuse where one of the modules is not installed."""
    for module in modules:
        if find_spec(module) is None:
            refuse(f"found no `{module}`, wanted it for this; mend: install carerules with the "
                   f"extra `{extra}`")  # fmt: skip


def _fleet_at(path: Path) -> Fleet:
    needs("numpy", extra="replay")
    needs("pyarrow", extra="export")
    from carerules.fleet import open_fleet  # noqa: PLC0415

    fleet = open_fleet(path)
    if isinstance(fleet, Problem):
        refuse(fleet.show())
    return fleet


def _bunches(fleet: Fleet) -> int:
    return sum(len(one.bunches) for one in fleet.sites.values())


@contextmanager
def _hands(address: str | None) -> Iterator[Hands]:
    if address is None:
        from carerules.fleet import here  # noqa: PLC0415

        yield here
        return
    needs("distributed", extra="cluster")
    # It takes a second to load: only here, where it is used.
    from carerules.fleet.cluster import Cluster  # noqa: PLC0415

    with Cluster(address) as cluster:
        yield cluster


def _side(fleet: Fleet, path: Path) -> RuleSide:
    """The rules of a file, held against what the fleet's sites have."""
    from carerules.fleet import RuleSide, rule_files  # noqa: PLC0415

    loaded = load_files({str(path): path}, fleet.names(), fleet.signals())
    if loaded.plan is None:
        show_findings(loaded)
        refuse(f"the rules in `{path}` have errors; nothing was replayed")
    return RuleSide(str(path), rule_files(loaded, [str(path)]), loaded.plan)


def _stretches(
    fleet: Fleet, from_text: str | None, until_text: str | None
) -> Mapping[str, tuple[Moment, Moment]]:
    """What was typed, on each site's own wall; else all that there is."""
    found: dict[str, tuple[Moment, Moment]] = {}
    for name, listed in fleet.sites.items():
        begin = listed.begins if from_text is None else _typed(from_text, listed)
        end = listed.ends if until_text is None else min(listed.ends, _typed(until_text, listed))
        if begin > end and from_text is not None and until_text is not None:
            refuse(f"found `--from {from_text}` after the end, wanted a time before it")
        found[name] = (min(max(begin, listed.begins), end), end)
    return found


def _typed(text: str, listed: TapeShape) -> Moment:
    local = listed.local()[-1][1]
    read = read_past(text, local.read(listed.ends))
    if isinstance(read, Problem):
        refuse(read.show())
    return local.moment(read)
