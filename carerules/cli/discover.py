"""`carerules discover`: listen at a broker, and propose a site file.

Knows the options. Does not know what is recognised, nor how it is put.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from threading import Event as Flag

import click

from carerules.adapters import (
    AddressError,
    FeedProfile,
    MqttAddress,
    PlugProfile,
    Problem,
    feed_profiles,
    plug_profiles,
    read_host,
)
from carerules.adapters.overhear import overhear
from carerules.adapters.recognise import feeds_among, plugs_among, states_among
from carerules.cli.common import FAILED, refuse, site_option
from carerules.cli.sites import site_at
from carerules.config.propose import Known, propose
from carerules.domain.spelling import counted
from carerules.hub.model import is_own

BROKER_PORT = 1_883


@click.command("discover")
@site_option
@click.option("--broker", metavar="HOST:PORT", help="Listen there, instead of at a site's broker.")
@click.option(
    "--seconds",
    type=click.FloatRange(1, 600),
    default=20,
    show_default=True,
    metavar="SECONDS",
    help="How long to listen. Some plugs speak once in 5 min.",
)
@click.option("--chemistry", metavar="NAME", help="That of every pack that is heard.")
@click.option("--capacity", metavar="AH", help='That of every pack, such as "16 Ah".')
@click.option("--cells", type=click.IntRange(1, 200), metavar="NUMBER",
              help="Those of every pack that does not tell.")  # fmt: skip
def discover_command(
    site_path: Path, broker: str | None, seconds: float, chemistry: str | None,
    capacity: str | None, cells: int | None,
) -> None:  # fmt: skip
    """Listen at a broker, and propose a site file: packs, feeds and plugs that a profile knows.

    Nothing is said at the broker and nothing is written or switched. What no message can tell (a
    label, what hangs on a plug) stands on lines that begin with `#?`. Exit status 1 when the broker
    was not reached.

    Example: carerules discover --broker 127.0.0.1:1883 --seconds 60 > proposed.toml
    """
    address = _address(broker, site_path)
    click.echo(f"listening at {address.show()} for {seconds:g} s", err=True)
    try:
        listened = overhear(address, f"carerules-ear-{time.time_ns() % 10**9}", seconds, Flag())
    except AddressError as error:
        refuse(str(error))
    if not listened.up:
        refuse(f"{address.show()}: {listened.fault or 'no answer'}; nothing was heard; mend: see"
               " that a broker runs there, or name another one with `--broker HOST:PORT`",
               status=FAILED)  # fmt: skip
    others = {topic: one for topic, one in listened.topics.items() if not is_own(topic)}
    if own := len(listened.topics) - len(others):
        click.echo(f"left out: {counted(own, 'topic')} that carerules keeps for a hub", err=True)
    listened = replace(listened, topics=others)
    plugs = [one for one in plug_profiles().values() if isinstance(one, PlugProfile)]
    feeds = [one for one in feed_profiles().values() if isinstance(one, FeedProfile)]
    fed = feeds_among(listened.topics, feeds, time.time_ns() // 1_000_000)
    fed += states_among(listened.topics)
    plugged = plugs_among(listened.topics, plugs)
    known = Known(chemistry, capacity, cells)
    proposal = propose(address, listened, seconds, plugged, fed, known)
    click.echo(proposal.text, nl=False)
    word = "whole" if proposal.whole else "not whole yet"
    click.echo(f"plugs: {len(plugged)}, feeds: {len(fed)}; {word}, lines that ask you: "
               f"{proposal.asks}", err=True)  # fmt: skip
    if listened.fault:
        click.echo(f"{address.show()}: {listened.fault}", err=True)


def _address(broker: str | None, site_path: Path) -> MqttAddress:
    if broker is None:
        site = site_at(site_path)
        if site.mqtt is None:
            mend = "say `--broker HOST:PORT`"
            refuse(Problem("no `mqtt`", "a site with a broker", mend, str(site_path)).show())
        return site.mqtt
    read = read_host(broker)
    if isinstance(read, Problem):
        refuse(read.show())
    host, port = read
    return MqttAddress(host=host, port=port or BROKER_PORT)
