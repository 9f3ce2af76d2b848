"""A fleet of invented packs, and how its replay and report scale from one worker to two.

`python benchmarks/fleet.py make FOLDER [--packs 10000] [--days 100]` writes tapes: sites of 100
packs, a reading of charge, temperature and current each ten minutes (one in 200 is missing), health
once a week; the charge as the estimate has it, with all its digits, the others as coarsely as
sensors read. `python benchmarks/fleet.py measure FOLDER [--rounds 3]` goes through them with the
ten rules of `replay_rules.py`: in one process, then on one and on two workers in turn, each a
process of one thread; and the same for the report. It prints wall and CPU seconds, how much CPU
other work took meanwhile, and efficiency: time on one worker over twice the time on two. Where
other work leaves no quiet machine, the wall says nothing: the last line has what CPU time alone
would give, if nothing that is done here overlapped with the workers. All must come to the same.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "ARROW_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

import numpy as np  # noqa: E402
from replay_rules import BEGIN, TEXT  # noqa: E402

from carerules.adapters import Problem  # noqa: E402
from carerules.battery import shipped_chemistries  # noqa: E402
from carerules.domain.moment import DAY, MINUTE, LocalTime  # noqa: E402
from carerules.domain.pack import Pack, Site  # noqa: E402
from carerules.domain.plan import Plan  # noqa: E402
from carerules.domain.signal import catalogue  # noqa: E402
from carerules.fleet import (  # noqa: E402
    Fleet,
    Hands,
    RuleSide,
    here,
    open_fleet,
    replay_fleet,
    report_fleet,
    rule_files,
    write_tape,
)
from carerules.fleet.cluster import Cluster  # noqa: E402
from carerules.fleet.hand import Done, Work  # noqa: E402
from carerules.lang import load  # noqa: E402
from carerules.loop import make_setup, new_world  # noqa: E402
from carerules.replay import Column, Recording, Tape  # noqa: E402

EACH = 10 * MINUTE
SITE_PACKS = 100
CHEMISTRIES = ("lipo", "li-ion", "lifepo4")


def make_site(job: tuple[Path, int, int, int]) -> int:
    """One site of `packs` packs over `days`; how many readings."""
    folder, number, packs, days = job
    chance = np.random.default_rng([20_260_302, number])
    names = tuple(f"p{number * SITE_PACKS + at:06}" for at in range(packs))
    soc, temperature, current = courses(chance, packs, days * DAY // EACH)
    time_line = BEGIN + np.arange(soc.shape[1], dtype=np.int64) * EACH
    heard = chance.random(soc.shape) >= 1 / 200
    first = np.concatenate(([0], np.cumsum(heard.sum(axis=1))))
    moment = np.broadcast_to(time_line, soc.shape)[heard]
    weeks = np.arange(BEGIN, BEGIN + days * DAY, 7 * DAY, dtype=np.int64)
    health = np.clip(chance.normal(88, 12, (packs, 1)) - 0.05 * np.arange(len(weeks)), 40, 102)
    columns = {
        "pack.soc": Column(first, moment, soc[heard]),
        "pack.temperature": Column(first, moment, temperature[heard]),
        "pack.current": Column(first, moment, current[heard]),
        "pack.health": Column(
            np.arange(packs + 1) * len(weeks), np.tile(weeks, packs), health.ravel()
        ),
    }
    local, ends = LocalTime(UTC), BEGIN + days * DAY
    known = shipped_chemistries()
    kinds = [one for one in CHEMISTRIES if one in known] or sorted(known)[:1]
    of_site = {
        name: Pack(name, kinds[at % len(kinds)], 6, 16.0, known[kinds[at % len(kinds)]].limits)
        for at, name in enumerate(names)
    }
    site = Site(f"yard {number:04}", local, of_site, {}, {})
    world = new_world(make_setup(site, known, catalogue(), Plan()), BEGIN)
    tape = Tape(names, BEGIN, ends, columns, ((BEGIN, local),))
    to = folder / f"yard-{number:04}"
    to.mkdir(parents=True, exist_ok=True)
    readings = sum(len(one.moment) for one in columns.values())
    write_tape(to, Recording(tape, readings, 0), world, (), None)
    return readings


def courses(chance: Any, packs: int, length: int) -> tuple[Any, Any, Any]:
    """Packs that are charged, used and left lying at random, a column each ten minutes."""
    turns = chance.random((packs, length)) < 1 / 40
    kinds = chance.choice([0.0, 2.5, -3.0], (packs, length), p=[0.6, 0.22, 0.18])
    last = np.maximum.accumulate(np.where(turns, np.arange(length), 0), axis=1)
    flows = np.ascontiguousarray(np.take_along_axis(kinds, last, axis=1).T)
    charge, heat = chance.uniform(5, 100, packs), np.zeros(packs)
    kept_full = chance.random(packs) < 0.15
    warmth = chance.choice([-6.0, 12.0, 24.0, 37.0], packs, p=[0.1, 0.3, 0.5, 0.1])
    soc, warm = np.empty((length, packs)), np.empty((length, packs))
    for at in range(length):
        flow = flows[at]
        flow[kept_full] = np.where(charge[kept_full] < 97, 2.5, 0.0)
        flow[(charge >= 100) & (flow > 0)] = 0.0
        flow[(charge <= 3) & (flow < 0)] = 0.0
        charge = np.clip(charge + 1.2 * flow - 0.003, 0, 100)
        heat += (4.5 * np.abs(flow) - heat) * 0.26
        soc[at], warm[at] = charge, heat
    day = 7 * np.sin(2 * np.pi * np.arange(length) * EACH / DAY)[:, None]
    soc = np.clip(soc + chance.normal(0, 0.08, soc.shape), 0, 100)
    temperature = np.round(warm + day + warmth + chance.normal(0, 0.4, soc.shape), 1)
    current = np.round(flows + chance.normal(0, 0.05, soc.shape), 2)
    return soc.T, temperature.T, current.T


def make(folder: Path, packs: int, days: int) -> None:
    jobs = [(folder, at, min(SITE_PACKS, packs - at * SITE_PACKS), days)
            for at in range(-(-packs // SITE_PACKS))]  # fmt: skip
    begun = time.perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        readings = sum(pool.map(make_site, jobs))
    size = sum(one.stat().st_size for one in folder.rglob("*") if one.is_file())
    print(f"{packs} packs, {packs * days} pack-days in {len(jobs)} sites: {readings} readings, "
          f"{size / 1e6:.0f} MB ({size / readings:.2f} bytes a reading), "
          f"made in {time.perf_counter() - begun:.0f} s")  # fmt: skip


# ---- measuring -------------------------------------------------------------------------------


def counted(hands: Hands, cpu: list[float]) -> Hands:
    def doing(works: Sequence[Work]) -> Iterator[Done]:
        for done in hands(works):
            cpu[0] += done["cpu_s"]
            yield done

    return doing


def busy_s() -> float:
    """CPU seconds that the machine has worked, whoever for."""
    words = Path("/proc/stat").read_text("ascii").split("\n", 1)[0].split()
    user, nice, system, _idle, _wait, irq, soft = (int(one) for one in words[1:8])
    return (user + nice + system + irq + soft) / os.sysconf("SC_CLK_TCK")


def children_s() -> float:
    """CPU seconds of this process and of all that it started and that still run."""
    import psutil  # noqa: PLC0415 - comes with distributed

    own = psutil.Process()
    return sum(sum(one.cpu_times()[:2]) for one in (own, *own.children(recursive=True)))


def quiet(within_s: float) -> None:
    """Wait until other work leaves the machine nearly alone for three seconds, as far as it may."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        before = busy_s()
        time.sleep(3)
        if busy_s() - before < 0.1 * 3 * (os.cpu_count() or 1):
            return


@dataclass(frozen=True)
class Took:
    """Seconds on the wall; of CPU in bunches; and of CPU beside them, here and in the scheduler,
    which no worker takes off us."""

    wall: float
    bunches: float
    beside: float


def timed(what: str, ask: Callable[[Hands], Any], hands: Hands) -> tuple[Took, Any]:
    cpu, load = [0.0], os.getloadavg()[0]
    busy, own, begun = busy_s(), children_s(), time.perf_counter()
    beside = time.process_time()
    came_to = ask(counted(hands, cpu))
    wall, beside = time.perf_counter() - begun, time.process_time() - beside
    others = max(0.0, busy_s() - busy - (children_s() - own))
    most = (os.cpu_count() or 1) * wall
    print(f"{what:<24} {wall:7.1f} s wall, {cpu[0]:7.1f} s CPU in bunches, {beside:.1f} "
          f"beside, others took "
          f"{others:5.1f} s CPU of {most:.0f}, load before {load:.2f}", flush=True)  # fmt: skip
    return Took(wall, cpu[0], beside), came_to


def asks_of(fleet: Fleet) -> dict[str, Callable[[Hands], Any]]:
    loaded = load({"bench.care": TEXT}, catalogue=catalogue())
    assert loaded.plan is not None
    rules = RuleSide("bench.care", rule_files(loaded, ["bench.care"]), loaded.plan)

    def unheard(_done: int) -> None:
        pass

    return {
        "replay": lambda hands: replay_fleet(fleet, rules, None, fleet.stretches(), hands, unheard),
        "report": lambda hands: report_fleet(fleet, hands, unheard),
    }


def measure(folder: Path, rounds: int, wait_s: float) -> None:
    import dask  # noqa: PLC0415
    from distributed import LocalCluster  # noqa: PLC0415

    # As docs/replay.md advises: else each array's memory is given back and asked for anew.
    dask.config.set({"distributed.nanny.pre-spawn-environ": {
        "OMP_NUM_THREADS": 1, "MALLOC_TRIM_THRESHOLD_": 1 << 30, "MALLOC_MMAP_THRESHOLD_": 1 << 30,
    }})  # fmt: skip

    fleet = open_fleet(folder)
    if isinstance(fleet, Problem):
        sys.exit(fleet.show())
    for name, ask in asks_of(fleet).items():
        _, alone = timed(f"{name}, one process", ask, here)
        firings = sum(one.after or 0 for one in getattr(alone, "rules", ()) if name == "replay")
        print(f"  {alone.packs} packs, {alone.pack_days:.0f} pack-days, {alone.readings} readings"
              + (f", {firings} firings" if name == "replay" else ""))  # fmt: skip
        took: dict[int, list[Took]] = {1: [], 2: []}
        for _ in range(rounds):
            for workers in (1, 2):
                with LocalCluster(
                    n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0"
                ) as local, Cluster(local.scheduler_address) as hands:  # fmt: skip
                    quiet(wait_s)
                    one, told = timed(f"{name}, {workers} worker(s)", ask, hands)
                took[workers].append(one)
                if told != alone:
                    sys.exit(f"{name} on {workers} workers came to something else")
        each = [one.wall / (2 * two.wall) for one, two in zip(took[1], took[2], strict=True)]
        middle = median(one.wall for one in took[1]) / (2 * median(one.wall for one in took[2]))
        alone_s = median(one.bunches + one.beside for one in took[1])
        both_s = median(one.bunches / 2 + one.beside for one in took[2])
        print(f"{name}: efficiency {', '.join(f'{one:.2f}' for one in each)}; "
              f"by medians {middle:.2f}; the same results each time")  # fmt: skip
        print(f"{name}: by CPU alone, nothing beside bunches overlapping: "
              f"{alone_s / (2 * both_s):.2f}")  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("what", choices=("make", "measure"))
    ask.add_argument("folder", type=Path)
    ask.add_argument("--packs", type=int, default=10_000)
    ask.add_argument("--days", type=int, default=100)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--wait", type=float, default=0.0,
                     help="seconds to wait at most, each time, for a quiet machine")  # fmt: skip
    asked = ask.parse_args()
    if asked.what == "make":
        make(asked.folder, asked.packs, asked.days)
    else:
        measure(asked.folder, asked.rounds, asked.wait)


if __name__ == "__main__":
    main()
