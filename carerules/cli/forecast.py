"""`carerules forecast`: how long a drain or a charge will take, and what it does to the pack.

Knows the command's words. Does not know how anything is worked out; it switches nothing.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.battery import (
    CannotCarry,
    Charger,
    ConstantCurrent,
    ConstantPower,
    Figures,
    Load,
    Resistor,
    charger_of,
)
from carerules.cli.common import Renamed, json_option, refuse, site_option
from carerules.cli.completing import named, offer
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import say
from carerules.domain.pack import Side
from carerules.domain.quantity import (
    CHARGE_LEVEL,
    CURRENT,
    POWER,
    RESISTANCE,
    Unknown,
    read_quantity,
)
from carerules.loop import World, figures_of, full_v, socket_power
from carerules.report.ahead import forecast_lines, forecast_of


@click.command("forecast")
@click.argument("pack", shell_complete=offer(named("pack")))
@click.argument("action", metavar="drain|charge", type=click.Choice(["drain", "charge"]))
@click.argument("target")
@click.option("--by", "by_text", metavar="SIZE",
              help="The load as `60 W`, `8 A` or `2 Ω`; a charger as `8 A` into the pack or as "
              "`180 W` at the wall. Without it: that of the pack's station.")  # fmt: skip
@click.option("--soc", "from_text", cls=Renamed, old="--from", metavar="PERCENT",
              help="As if the pack held so much now, such as `95`.")  # fmt: skip
@site_option
@json_option
def forecast_command(
    pack: str, action: str, target: str, by_text: str | None, from_text: str | None,
    site_path: Path, as_json: bool,
) -> None:  # fmt: skip
    """Show how long a drain or a charge of PACK to TARGET takes, with its band.

    Time, energy, heat and voltage with their doubt, and a chart. Nothing is switched.

    Example: carerules forecast heron drain 40
    """
    with reader_at(site_path) as reader:
        must_be_one_of(pack, reader.setup.site.packs, "a pack of the site file")
        world = reader.now().world
    goal = _percent(target)
    start = None if from_text is None else _percent(from_text)
    figures = figures_of(world, pack, start)
    if figures is None:
        soc = world.packs[pack].soc
        why = soc.why if isinstance(soc, Unknown) else "never seen"
        refuse(f"the charge of `{pack}` is unknown: {why}; "
               "mend: say what it would be with `--soc 95`")  # fmt: skip
    side = Side.LOAD if action == "drain" else Side.CHARGER
    try:
        by = _by(world, pack, side, by_text, figures)
        shape = forecast_of(world, pack, side, goal, by, figures)
    except CannotCarry as error:
        refuse(f"{pack}: {error}")
    say(shape, forecast_lines(shape), as_json=as_json)


def _percent(text: str) -> float:
    read = read_quantity(text, CHARGE_LEVEL)
    if isinstance(read, str):
        refuse(read)
    if not 0 <= read.value <= 100:
        refuse(f"found `{text[:40]}`, wanted 0 % to 100 %")
    return read.value


def _by(world: World, pack: str, side: Side, text: str | None, figures: Figures) -> Load | Charger:
    """What drains or charges it: as typed, else as the site file has it."""
    watts = amps = ohm = None
    if text is None:
        watts = socket_power(world, pack, side)
        if watts is None:
            refuse(f"no station of the site has a {side.value}; "
                   "mend: say how big it would be with `--by \"60 W\"`")  # fmt: skip
    else:
        read = [read_quantity(text, dimension) for dimension in (POWER, CURRENT, RESISTANCE)]
        watts, amps, ohm = (None if isinstance(one, str) else one.value for one in read)
        bare = sum(value is not None for value in (watts, amps, ohm)) != 1
        if bare or (ohm is not None and side is Side.CHARGER):
            wanted = "`60 W`, `8 A` or `2 Ω`" if side is Side.LOAD else "`8 A` or `180 W`"
            refuse(f"found `{text[:40]}`, wanted a size with its unit, such as {wanted}")
    if side is Side.LOAD:
        if ohm is not None:
            return Resistor(ohm / 1_000)
        return ConstantCurrent(amps) if amps is not None else ConstantPower(watts or 0.0)
    end_v = full_v(world, pack)
    if amps is not None:
        return Charger(amps, end_v, min(amps, 0.05 * figures.capacity_ah))
    return charger_of(figures, watts or 0.0, end_v)
