"""`carerules plan`: which pack hangs on which station when, and what people move.

Knows the command's words. Does not know how a plan is made; what it enters is a plan to be kept.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import click

from carerules.adapters import PlanDrop, PlanKeep, Problem, read_future
from carerules.cli.common import Renamed, json_option, refuse, site_option
from carerules.cli.entries import enter, handed
from carerules.cli.progress import Progress
from carerules.cli.reader import reader_at
from carerules.cli.reading import say
from carerules.cli.sites import site_at
from carerules.cli.writing import put
from carerules.domain.keptplan import AWAKE, Hours
from carerules.domain.moment import DAY, Moment
from carerules.domain.quantity import POWER, read_quantity
from carerules.loop import World
from carerules.planner import (
    SECONDS,
    has_solver,
    kept_lines,
    kept_plan,
    kept_shape,
    noon_after,
    plan_drawing,
    plan_lines,
    plan_shape,
    problem_of,
    read_window,
    solved,
    with_prices,
)

T = TypeVar("T")

AHEAD_MAX = 7 * DAY


@click.command("plan")
@click.option("--night", is_flag=True, help="To noon after the coming night; so without `--until`.")
@click.option("--until", "until_text", metavar="TIME",
              help="Where it ends: `22:10`, `tomorrow 12:00`, `2026-12-04T08:00`.")  # fmt: skip
@click.option("--awake", "awake_text", metavar="HOURS",
              help="When somebody can move packs. Without it: as the site file says, or "
              f"{AWAKE.show()}.")  # fmt: skip
@click.option("--circuit", "circuit_text", metavar="POWER",
              help="What all chargers may draw at the wall together: `2300 W`.")  # fmt: skip
@click.option("--price", "prices", metavar="PRICE", multiple=True,
              help="Money a kWh: `0.30`, or for some hours `\"22:00-06:00 0.12\"`. More than once: "
              "the last that fits counts.")  # fmt: skip
@click.option("--seconds", type=click.FloatRange(0.1, 600), default=SECONDS, show_default=True,
              metavar="SECONDS", help="How long the solver may look.")  # fmt: skip
@click.option("--simple", is_flag=True, help="By the simple rule, also where the solver is there.")
@click.option("--keep", is_flag=True,
              help="Keep it: the to-do list and the board follow it from then on.")  # fmt: skip
@click.option("--kept", is_flag=True, help="Show the plan that is kept, against what is so now.")
@click.option("--drop", is_flag=True, help="Keep the plan no more.")
@click.option(
    "--to",
    "svg",
    cls=Renamed,
    old="--svg",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a drawing of it here: `.svg`.",
)
@site_option
@json_option
def plan_command(
    night: bool, until_text: str | None, awake_text: str, circuit_text: str | None,
    prices: tuple[str, ...], seconds: float, simple: bool, keep: bool, kept: bool, drop: bool,
    svg: Path | None, site_path: Path, as_json: bool,
) -> None:  # fmt: skip
    """Show which pack goes on which station when, and who moves it.

    What is wanted comes from the rules and the planned uses. Each pack is in time at the least
    ageing and with few moves by hand; what cannot be had is said. Nothing is switched, also by a
    plan that is kept: its moves are on the to-do list, and it is made anew where reality differs.

    Example: carerules plan --until "tomorrow 12:00" --awake 07:00-22:30 --keep
    """
    if night and until_text is not None:
        refuse("found `--night` and `--until`, wanted one of them")
    if sum((keep, kept, drop)) > 1:
        refuse("found two of `--keep`, `--kept` and `--drop`, wanted one of them")
    if drop:
        enter(site_at(site_path), PlanDrop())
        return
    if kept:
        _show_kept(site_path, svg, as_json=as_json)
        return
    with reader_at(site_path) as reader:
        hours = _hours(reader.site.planning.hours, awake_text, circuit_text, prices)
        if reader.rules.setup is None:
            refuse("the rules have errors; mend: `carerules check` shows where")
        world = reader.now().world
    until = _until(until_text, world)
    asked = problem_of(world, until, hours)
    with Progress("planning") as progress:
        if not simple:
            progress.wait(f"at most {seconds:g} s")
        schedule = solved(asked.problem, seconds, simple=simple)
    shape = plan_shape(world, hours, asked, schedule)
    if not simple and not has_solver():
        remark = "a cheaper plan may be there: install carerules with the extra `planner`"
        shape = shape.model_copy(update={"remarks": [*shape.remarks, remark]})
    if svg is not None:
        _write(svg, plan_drawing(shape, shape.site))
    say(shape, plan_lines(shape), as_json=as_json)
    if keep:
        told = handed(site_at(site_path), PlanKeep(kept_plan(
            world, hours, until, asked, schedule, "a person"
        )))  # fmt: skip
        click.echo(told, err=True)


def _show_kept(site_path: Path, svg: Path | None, *, as_json: bool) -> None:
    with reader_at(site_path) as reader:
        shape = kept_shape(reader.now().world)
    if svg is not None:
        if shape.plan is None:
            refuse(
                "found no kept plan, wanted one to draw; mend: `carerules plan --keep` keeps one"
            )
        _write(svg, plan_drawing(shape.plan, shape.site))
    say(shape, kept_lines(shape), as_json=as_json)


def _hours(
    hours: Hours, awake_text: str | None, circuit_text: str | None, prices: tuple[str, ...]
) -> Hours:
    """The site file's, but for what the options say."""
    if awake_text is not None:
        hours = replace(hours, awake=_read(read_window(awake_text)))
    if prices:
        hours = _read(with_prices(hours, prices))
    if circuit_text is not None:
        circuit_w = _read(read_quantity(circuit_text, POWER)).value
        if not 1 <= circuit_w <= 100_000:
            refuse(f"found `{circuit_text[:40]}`, wanted 1 W to 100000 W")
        hours = replace(hours, circuit_w=circuit_w)
    return hours


def _read(read: T | str) -> T:
    """What was read, or what is wrong with it, and exit 2."""
    if isinstance(read, str):
        refuse(read)
    return read


def _until(text: str | None, world: World) -> Moment:
    now = world.local.read(world.now)
    if text is None:
        return noon_after(world.local, world.now)
    read = read_future(text, now)
    if isinstance(read, Problem):
        refuse(read.show())
    until = world.local.moment(read)
    if until - world.now > AHEAD_MAX:
        refuse(f"found `{text[:40]}`, wanted a time within a week: no forecast holds longer")
    return until


def _write(to: Path, drawing: str) -> None:
    put(to, drawing.encode())
    click.echo(f"wrote {to}", err=True)
