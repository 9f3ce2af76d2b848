"""What many packs weigh in memory: the worlds' state after each has been looked at.

    python benchmarks/memory.py [--packs 100000] [--sites 1000]

So many sites, each a world of its own, with the ten rules of `replay_rules.py`. Every pack reports
charge, temperature and current once, and again a minute later, through the real step, as in the
service; then the memory of this process (RSS, from /proc) is read, less what it held before the
first world. Nothing is shared between sites but the rules' plan and the chemistries, which are
parsed once.
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import time
from datetime import UTC
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from replay_rules import BEGIN, MINUTE_MS, TEXT  # noqa: E402

from carerules.battery import shipped_chemistries  # noqa: E402
from carerules.domain.event import Sample, Value  # noqa: E402
from carerules.domain.moment import LocalTime  # noqa: E402
from carerules.domain.pack import Pack, Site  # noqa: E402
from carerules.domain.signal import catalogue  # noqa: E402
from carerules.lang import load  # noqa: E402
from carerules.loop import World, make_setup, new_world, step  # noqa: E402


def rss_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def heard(world: World, names: list[str], at: int, share: float) -> World:
    """Each pack's report of one minute."""
    for number, name in enumerate(names):
        values = (
            Value("pack.soc", 20 + (number * 7 + share) % 80, 2.0),
            Value("pack.temperature", 15 + (number * 3 + share) % 25, 0.5),
            Value("pack.current", -0.1 + number % 3, 0.05),
        )
        world, _ = step(world, Sample(at, at, name, values, "feed"))
    return world


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--packs", type=int, default=100_000)
    ask.add_argument("--sites", type=int, default=1_000)
    asked = ask.parse_args()
    gc.disable()  # nothing here is a cycle, and all of it stays
    signals, chemistries = catalogue(), shipped_chemistries()
    plan = load({"bench.care": TEXT}, catalogue=signals).plan
    assert plan is not None
    before, begun = rss_mb(), time.process_time()
    worlds = []
    for site in range(asked.sites):
        names = [f"s{site}p{at}" for at in range(asked.packs // asked.sites)]
        packs = {name: Pack(name, "lipo", 6, 16.0, chemistries["lipo"].limits) for name in names}
        setup = make_setup(
            Site(f"s{site}", LocalTime(UTC), packs, {}, {}), chemistries, signals, plan
        )
        world = new_world(setup, BEGIN)
        world = heard(world, names, BEGIN, 0.0)
        world = heard(world, names, BEGIN + MINUTE_MS, 0.3)
        worlds.append(world)
    assert all(state.looked_at for world in worlds for state in world.packs.values())
    used, number = rss_mb() - before, sum(len(world.packs) for world in worlds)
    spent = time.process_time() - begun
    print(f"{number} packs in {asked.sites} worlds: {used:.0f} MB, {used / number * 1e3:.2f} KB "
          f"a pack; {rss_mb():.0f} MB in all; {spent / number / 2 * 1e6:.0f} us of CPU a message",
    )  # fmt: skip


if __name__ == "__main__":
    main()
