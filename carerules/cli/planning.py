"""`carerules plan`: which pack hangs on which station when, and what people move.

Knows the command's words. Does not know how a plan is made; it switches and enters nothing.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

import click

from carerules.adapters import Problem, read_future
from carerules.cli.common import FAILED, json_option, refuse, site_option
from carerules.cli.progress import Progress
from carerules.cli.reader import reader_at
from carerules.cli.reading import say
from carerules.config import Planning
from carerules.domain.moment import DAY, HOUR, Moment
from carerules.domain.quantity import POWER, read_quantity
from carerules.loop import World
from carerules.planner import (
    AWAKE,
    SECONDS,
    Hours,
    Tariff,
    has_solver,
    plan_drawing,
    plan_lines,
    plan_shape,
    problem_of,
    read_tariff,
    read_window,
    solved,
)

T = TypeVar("T")

AHEAD_MAX = 7 * DAY
LEAST = 8 * HOUR
"""A night's plan goes to the first noon that is at least so far ahead."""


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
              help="How long the solver may look.")  # fmt: skip
@click.option("--simple", is_flag=True, help="By the simple rule, also where the solver is there.")
@click.option("--svg", "svg", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write a drawing of it here.")  # fmt: skip
@site_option
@json_option
def plan_command(
    night: bool, until_text: str | None, awake_text: str, circuit_text: str | None,
    prices: tuple[str, ...], seconds: float, simple: bool, svg: Path | None,
    site_path: Path, as_json: bool,
) -> None:  # fmt: skip
    """Show which pack goes on which station when, and who moves it.

    What is wanted comes from the rules and the planned uses. Each pack is in time at the least
    ageing and with few moves by hand; what cannot be had is said. Nothing is switched.

    Example: carerules plan --until "tomorrow 12:00" --awake 07:00-22:30
    """
    if night and until_text is not None:
        refuse("found `--night` and `--until`, wanted one of them")
    with reader_at(site_path) as reader:
        hours = _hours(reader.site.planning, awake_text, circuit_text, prices)
        if reader.rules.setup is None:
            refuse("the rules have errors; mend them first: `carerules check` shows where")
        world = reader.now().world
    asked = problem_of(world, _until(until_text, world), hours)
    with Progress("planning") as progress:
        if not simple:
            progress.wait(f"at most {seconds:g} s")
        schedule = solved(asked.problem, seconds, simple=simple)
    shape = plan_shape(world, hours, asked, schedule)
    if not simple and not has_solver():
        remark = "a cheaper plan may be there: install carerules with the extra `planner`"
        shape = shape.model_copy(update={"remarks": [*shape.remarks, remark]})
    if svg is not None:
        _write(svg, plan_drawing(shape))
    say(shape, plan_lines(shape), as_json=as_json)


def _hours(
    site: Planning, awake_text: str | None, circuit_text: str | None, prices: tuple[str, ...]
) -> Hours:
    """What the options say, else the site file, else nobody."""
    awake, tariff = site.awake or AWAKE, Tariff(site.price, site.bands)
    if awake_text is not None:
        awake = _read(read_window(awake_text))
    if prices:
        tariff = _read(read_tariff(prices))
    circuit_w = site.circuit_w
    if circuit_text is not None:
        circuit_w = _read(read_quantity(circuit_text, POWER)).value
        if not 1 <= circuit_w <= 100_000:
            refuse(f"found `{circuit_text[:40]}`, wanted 1 W to 100000 W")
    return Hours(awake, circuit_w, tariff)


def _read(read: T | str) -> T:
    """What was read, or what is wrong with it, and exit 2."""
    if isinstance(read, str):
        refuse(read)
    return read


def _until(text: str | None, world: World) -> Moment:
    now = world.local.read(world.now)
    if text is None:
        return _noon_after(now, world)
    read = read_future(text, now)
    if isinstance(read, Problem):
        refuse(read.show())
    until = world.local.moment(read)
    if until - world.now > AHEAD_MAX:
        refuse(f"found `{text[:40]}`, wanted a time within a week: no forecast holds longer")
    return until


def _noon_after(now: datetime, world: World) -> Moment:
    noon = now.replace(hour=12, minute=0, second=0, microsecond=0, tzinfo=None)
    until = world.local.moment(noon)
    while until - world.now < LEAST:
        noon += timedelta(days=1)
        until = world.local.moment(noon)
    return until


def _write(to: Path, drawing: str) -> None:
    try:
        to.write_text(drawing, encoding="utf-8")
    except OSError as error:
        refuse(f"{to}: {error.strerror or error}; choose another place", status=FAILED)
    click.echo(f"wrote {to}", err=True)
