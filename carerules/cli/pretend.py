"""`carerules pretend plug|pack`: devices that are programs, for tests and trials without hardware.

Knows the options. Does not know the service: it meets these as it meets real ones.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

import click

from carerules.adapters import HOST, Problem, read_host
from carerules.battery import shipped_chemistries
from carerules.cli.common import refuse
from carerules.sim import MEANING, Fault
from carerules.sim.pretend import Broker, Pretence, pretend_pack, pretend_plug

F = TypeVar("F", bound=Callable[..., Any])

BROKER_PORT = 1_883


def _broker_options(command: F) -> F:
    """`--topic` and `--broker`, which comes as a `Broker`."""

    @wraps(command)
    def with_broker(
        *args: Any, broker_text: str, host: str | None, port: int | None, **rest: Any
    ) -> Any:
        read = read_host(broker_text)
        if isinstance(read, Problem):
            refuse(read.show())
        broker = Broker(host or read[0], port or read[1] or BROKER_PORT)
        return command(*args, broker=broker, **rest)

    told: Any = with_broker
    for option in (
        click.option("--host", hidden=True, help="Of `--broker`, as it was typed once."),
        click.option("--port", type=click.IntRange(1, 65_535), hidden=True,
                     help="Of `--broker`, as it was typed once."),
        click.option("--broker", "broker_text", default=f"127.0.0.1:{BROKER_PORT}",
                     show_default=True, metavar="HOST:PORT", help="Where the broker is."),
        click.option("--topic", required=True, metavar="TOPIC", help="The topic that it lives at."),
    ):  # fmt: skip
        told = option(told)
    return told  # type: ignore[no-any-return]


@click.group("pretend")
def pretend_command() -> None:
    """Play a plug or a pack over MQTT, in the generic protocol of docs/plugs.md.

    Example: carerules pretend plug --topic shed/a-load
    """


@pretend_command.command("plug")
@_broker_options
@click.option("--load-power", default=60, show_default=True, metavar="W",
              type=click.FloatRange(0, 20_000), help="What hangs on it draws so much.")  # fmt: skip
@click.option(
    "--pack", "pack_topic", metavar="TOPIC", help="The topic of the pack that feeds the load."
)
@click.option("--fault", "faults", multiple=True, metavar="FAULT",
              type=click.Choice([f.value for f in Fault]),
              help="; ".join(f"{f.value}: {words}" for f, words in MEANING.items()))  # fmt: skip
@click.option("--fault-after", default=0, metavar="SECONDS", type=click.FloatRange(0),
              help="Until the faults begin.")  # fmt: skip
def plug_command(
    broker: Broker, topic: str, load_power: float, pack_topic: str | None,
    faults: tuple[str, ...], fault_after: float,
) -> None:  # fmt: skip
    """Be a plug with a timer and a meter.

    Example: carerules pretend plug --topic shed/a-load --pack packs/heron
    """
    raise SystemExit(pretend_plug(
        topic, broker, real_ms=HOST.boot_ms, load_power_w=load_power,
        pack_topic=pack_topic, faults=[Fault(name) for name in faults], faults_after_s=fault_after,
    ))  # fmt: skip


@pretend_command.command("pack")
@_broker_options
@click.option("--chemistry", default="lipo", show_default=True, metavar="NAME",
              help="Which of the shipped chemistries its cells are of.")  # fmt: skip
@click.option("--cells", default=6, show_default=True, type=click.IntRange(1, 200),
              metavar="NUMBER", help="How many cells stand in series.")  # fmt: skip
@click.option("--capacity", default=16, show_default=True, metavar="AH",
              type=click.FloatRange(0.01, 5_000), help="What it holds, new and full.")  # fmt: skip
@click.option("--soc", default=100, show_default=True, metavar="PERCENT",
              type=click.FloatRange(0, 100), help="How full it is at first.")  # fmt: skip
@click.option(
    "--plug", "plug_topic", metavar="TOPIC", help="The topic of the plug whose load it feeds."
)
@click.option(
    "--speed",
    default=1,
    show_default=True,
    type=click.FloatRange(0, 100_000),
    metavar="TIMES",
    help="How much faster than life its charge moves.",
)
@click.option("--every", default=10, show_default=True, metavar="SECONDS",
              type=click.FloatRange(0.05, 3_600), help="Between two samples.")  # fmt: skip
@click.option(
    "--seed",
    default=0,
    show_default=True,
    type=click.IntRange(0),
    metavar="NUMBER",
    help="The same seed makes the same small errors of its readings again.",
)
def pack_command(
    broker: Broker, topic: str, chemistry: str, cells: int, capacity: float, soc: float,
    plug_topic: str | None, speed: float, every: float, seed: int,
) -> None:  # fmt: skip
    """Be a pack that tells its volts, amps and degrees.

    Example: carerules pretend pack --topic packs/heron --plug shed/a-load --soc 100
    """
    kinds = shipped_chemistries()
    if chemistry not in kinds:
        refuse(
            f"found `{chemistry}`, wanted a chemistry that ships; "
            f"mend: there are {', '.join(f'`{one}`' for one in sorted(kinds))}"
        )
    pretence = Pretence(
        topic, kinds[chemistry], cells, capacity, soc, plug_topic, speed, every, seed
    )  # fmt: skip
    raise SystemExit(pretend_pack(pretence, broker, real_ms=HOST.boot_ms))
