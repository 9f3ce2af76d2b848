"""`carerules pretend plug|pack`: devices that are programs, for tests and trials without hardware.

Knows the options. Does not know the service: it meets these as it meets real ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from carerules.adapters import HOST
from carerules.battery import shipped_chemistries
from carerules.cli.common import refuse
from carerules.sim import MEANING, Fault
from carerules.sim.pretend import Broker, pretend_pack, pretend_plug

F = TypeVar("F", bound=Callable[..., Any])


def _broker_options(command: F) -> F:
    for option in (
        click.option("--host", default="127.0.0.1", show_default=True, help="Where the broker is."),
        click.option(
            "--port",
            default=1883,
            show_default=True,
            type=click.IntRange(1, 65_535),
            help="The broker's port.",
        ),
        click.option("--topic", required=True, help="The topic that it lives at."),
    ):
        command = option(command)
    return command


@click.group("pretend")
def pretend_command() -> None:
    """Play a plug or a pack over MQTT, in the generic protocol of docs/plugs.md.

    Example: carerules pretend plug --topic shed/a-load
    """


@pretend_command.command("plug")
@_broker_options
@click.option("--load-power", default=60.0, show_default=True, metavar="W",
              type=click.FloatRange(0, 20_000), help="What hangs on it draws so much.")  # fmt: skip
@click.option("--pack", "pack_topic", help="The topic of the pack that feeds the load.")
@click.option("--fault", "faults", multiple=True, metavar="FAULT",
              type=click.Choice([f.value for f in Fault]),
              help="; ".join(f"{f.value}: {words}" for f, words in MEANING.items()))  # fmt: skip
@click.option("--fault-after", default=0.0, metavar="S", type=click.FloatRange(0),
              help="Seconds until the faults begin.")  # fmt: skip
def plug_command(
    host: str, port: int, topic: str, load_power: float, pack_topic: str | None,
    faults: tuple[str, ...], fault_after: float,
) -> None:  # fmt: skip
    """Be a plug with a timer and a meter.

    Example: carerules pretend plug --topic shed/a-load --pack packs/heron
    """
    raise SystemExit(pretend_plug(
        topic, Broker(host, port), real_ms=HOST.boot_ms, load_power_w=load_power,
        pack_topic=pack_topic, faults=[Fault(name) for name in faults], faults_after_s=fault_after,
    ))  # fmt: skip


@pretend_command.command("pack")
@_broker_options
@click.option("--chemistry", default="lipo", show_default=True,
              help="Which of the shipped chemistries its cells are of.")  # fmt: skip
@click.option("--cells", default=6, show_default=True, type=click.IntRange(1, 200),
              help="How many cells stand in series.")  # fmt: skip
@click.option("--capacity", default=16.0, show_default=True, metavar="AH",
              type=click.FloatRange(0.01, 5_000), help="What it holds, new and full.")  # fmt: skip
@click.option("--soc", default=100.0, show_default=True, metavar="%",
              type=click.FloatRange(0, 100), help="How full it is at first.")  # fmt: skip
@click.option("--plug", "plug_topic", help="The topic of the plug whose load it feeds.")
@click.option("--speed", default=1.0, show_default=True, type=click.FloatRange(0, 100_000),
              help="How much faster than life its charge moves.")  # fmt: skip
@click.option("--every", default=10.0, show_default=True, metavar="S",
              type=click.FloatRange(0.05, 3_600), help="Seconds between samples.")  # fmt: skip
@click.option("--seed", default=0, show_default=True, type=click.IntRange(0),
              help="The same seed makes the same small errors of its readings again.")  # fmt: skip
def pack_command(
    host: str, port: int, topic: str, chemistry: str, cells: int, capacity: float, soc: float,
    plug_topic: str | None, speed: float, every: float, seed: int,
) -> None:  # fmt: skip
    """Be a pack that tells its volts, amps and degrees.

    Example: carerules pretend pack --topic packs/heron --plug shed/a-load --soc 100
    """
    kinds = shipped_chemistries()
    if chemistry not in kinds:
        refuse(f"`{chemistry}`: no such chemistry, wanted one of {', '.join(sorted(kinds))}")
    raise SystemExit(pretend_pack(
        topic, Broker(host, port), kinds[chemistry], real_ms=HOST.boot_ms, cells=cells,
        capacity_ah=capacity, soc=soc, plug_topic=plug_topic, speed=speed, every_s=every, seed=seed,
    ))  # fmt: skip
