"""What one sample costs on its way, hop by hop: read, stepped, journalled.

`python benchmarks/hops.py [--packs 50,450]` prints microseconds of CPU a sample (voltage, current,
temperature, each minute from each pack), the bytes that a sample keeps in the journal, and the
memory of the process, for sites of so many packs with the shipped rules for lithium polymer. No
network and no broker: those are beside it (docs/fleet.md).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from resource import RUSAGE_SELF, getrusage

sys.path[:0] = [str(Path(__file__).parents[1])]

from carerules.adapters import SqliteJournal, Topics, topics_of  # noqa: E402
from carerules.adapters.doors import Message  # noqa: E402
from carerules.config import SiteFile, read_site  # noqa: E402
from carerules.domain.moment import MINUTE  # noqa: E402
from carerules.domain.signal import catalogue  # noqa: E402
from carerules.loop import new_world, step  # noqa: E402
from carerules.service import read_rules, worth_keeping  # noqa: E402

BEGIN = 1_796_061_600_000  # Mon 30 November 2026, 18:00 UTC
SAMPLES = 9_000
HEAD = """\
name = "shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[mqtt]
host = "127.0.0.1"
[plug.A]
profile = "generic-json"
topic = "shed/a"
[station.A]
load = { plug = "A", power = "60 W" }
"""
PACK = """\
[pack.p{at:04}]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[feed.f{at:04}]
profile = "generic-json"
topic = "shed/p{at:04}"
pack = "p{at:04}"
"""


def measure(packs: int) -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "shed.care").write_text('use "lipo"\n', "utf-8")
        text = HEAD + "".join(PACK.format(at=at) for at in range(packs))
        (folder / "site.toml").write_text(text, "utf-8")
        site = read_site(folder / "site.toml")
        assert isinstance(site, SiteFile), [one.show() for one in site]
        setup = read_rules(site).setup
        assert setup is not None
        topics = topics_of(
            site.on_broker,
            site.plug_profiles,
            site.feeds,
            site.feed_profiles,
            catalogue(site.signals),
        )
        assert isinstance(topics, Topics)
        world, journal = new_world(setup, BEGIN), SqliteJournal.open(folder / "j.db", owner=True)
        cost, events = {"read": 0.0, "step": 0.0, "journal": 0.0}, 0
        for turn in range(max(1, SAMPLES // packs)):
            for at in range(packs):
                heard = BEGIN + (turn + 1) * MINUTE + at * (50_000 // packs)
                said = {"voltage": 23.1 + 0.001 * (turn % 7), "current": 0.0,
                        "temperature": 21.0 + 0.1 * (turn % 5)}  # fmt: skip
                message = Message(f"shed/p{at:04}/telemetry", json.dumps(said).encode(), False)
                marks = [time.process_time()]
                (event,) = topics.read(message, heard, 0)
                marks.append(time.process_time())
                world, outcomes = step(world, event)
                marks.append(time.process_time())
                journal.write(event, [one for one in outcomes if worth_keeping(one)])
                marks.append(time.process_time())
                for name, begun, ended in zip(cost, marks, marks[1:], strict=False):
                    cost[name] += ended - begun
                events += 1
            begun = time.process_time()
            journal.commit()  # samples on which nothing is decided share one, as in the service
            cost["journal"] += time.process_time() - begun
        journal.close()
        size = (folder / "j.db").stat().st_size
        told = ", ".join(f"{name} {1e6 * spent / events:.0f} µs" for name, spent in cost.items())
        print(f"{packs} packs: {told} a sample; {size / events:.0f} bytes kept; "
              f"{getrusage(RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--packs", default="50,450")
    ask.add_argument("--one", type=int, help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.one:
        measure(asked.one)
        return
    for packs in asked.packs.split(","):
        subprocess.run([sys.executable, __file__, "--one", packs], check=True)


if __name__ == "__main__":
    main()
