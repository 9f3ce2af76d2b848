"""Replay of ten rules over 1000 packs, two days at one minute: ours, and three other ways.

`python benchmarks/replay.py [--packs N] [--rounds N] [--ways ours,numpy,polars,duckdb]` prints a
row a way: rule-samples a second (the samples of all packs, times ten rules), how
many times slower than ours, and the most memory that its process held. Each way runs in a process
of its own, on one thread, on the same data, and must find the same firings; a way whose library is
not installed is said to be missing. Needs numpy; polars and duckdb if they are to be compared.
What is timed is from columns in memory to the list of firings; `with loading` also counts bringing
the columns into the library's own form.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC
from importlib.util import find_spec
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ.setdefault(_threads, "1")

import numpy as np  # noqa: E402

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

from replay_rules import MINUTE_MS, RULES, TEXT, Columns, Found, columns  # noqa: E402

from carerules.battery import shipped_chemistries  # noqa: E402
from carerules.domain.moment import LocalTime  # noqa: E402
from carerules.domain.pack import Pack  # noqa: E402
from carerules.domain.signal import catalogue  # noqa: E402
from carerules.lang import load  # noqa: E402
from carerules.replay import Column, Tape, replay  # noqa: E402

WAYS = ("ours", "numpy", "polars", "duckdb")


def ours(data: Columns) -> tuple[float, Callable[[], Found]]:
    signals = catalogue()
    plan = load({"bench.care": TEXT}, catalogue=signals).plan
    assert plan is not None
    begun = time.perf_counter()
    names = tuple(f"p{at:04}" for at in range(data.packs))
    limits = shipped_chemistries()["lipo"].limits
    packs = {name: Pack(name, "lipo", 6, 16.0, limits) for name in names}
    first = np.arange(data.packs + 1) * data.length
    moment = np.tile(data.time, data.packs)
    tape = Tape(
        names, int(data.time[0]), int(data.time[-1]),
        {
            "pack.soc": Column(first, moment, data.soc.ravel()),
            "pack.temperature": Column(first, moment, data.temperature.ravel()),
            "pack.current": Column(first, moment, data.current.ravel()),
        },
        ((int(data.time[0]), LocalTime(UTC)),),
    )  # fmt: skip
    loading = time.perf_counter() - begun

    def run() -> Found:
        done = replay(plan, packs, tape, signals)
        assert not done.online, done.online
        return [(one.rule, int(one.pack[1:]), one.at) for one in done.firings]

    return loading, run


def numpy(data: Columns) -> tuple[float, Callable[[], Found]]:
    """Rule by rule over whole columns: the last sample at which a condition did not hold."""
    ops = {">=": np.greater_equal, ">": np.greater, "<=": np.less_equal, "<": np.less}
    signals = {"soc": data.soc, "temperature": data.temperature, "current": data.current}
    number = np.arange(1, data.length + 1, dtype=np.int32)

    def held(atoms: Any, time_ms: int) -> Any:
        so = np.logical_and.reduce([ops[op](signals[name], at) for name, op, at in atoms])
        if not time_ms:
            return so
        last_not = np.maximum.accumulate(np.where(so, np.int32(0), number), axis=1)
        since = data.time[np.minimum(last_not, data.length - 1)]
        return so & (data.time - since >= time_ms)

    def run() -> Found:
        found: Found = []
        for name, terms in RULES:
            so = np.logical_and.reduce([held(atoms, time_ms) for atoms, time_ms in terms])
            so[:, 1:] &= ~so[:, :-1].copy()
            pack, at = np.nonzero(so)
            found += zip([name] * len(at), pack.tolist(), data.time[at].tolist(), strict=True)
        return found

    return 0.0, run


def polars(data: Columns) -> tuple[float, Callable[[], Found]]:
    """Expressions over a frame: the time of the last rising edge, carried forward in each pack."""
    import polars as pl  # noqa: PLC0415

    begun = time.perf_counter()
    frame = pl.DataFrame(data.flat())
    loading = time.perf_counter() - begun
    ops = {">=": "ge", ">": "gt", "<=": "le", "<": "lt"}

    def run() -> Found:
        asked = []
        for name, terms in RULES:
            edges, held = [], []
            for at, (atoms, time_ms) in enumerate(terms):
                so = pl.all_horizontal([getattr(pl.col(n), ops[op])(v) for n, op, v in atoms])
                if time_ms:
                    edge = so & ~so.shift(1, fill_value=False).over("pack")
                    since = pl.when(edge).then(pl.col("time")).forward_fill().over("pack")
                    edges.append(since.alias(f"since{at}"))
                    so = so & (pl.col("time") - pl.col(f"since{at}") >= time_ms)
                held.append(so)
            one = frame.lazy().with_columns(edges)
            one = one.with_columns(pl.all_horizontal(held).fill_null(value=False).alias("so"))
            rises = pl.col("so") & ~pl.col("so").shift(1, fill_value=False).over("pack")
            asked.append((name, one.filter(rises).select("pack", "time")))
        answers = pl.collect_all([one for _, one in asked])
        return [
            (name, pack, at)
            for (name, _), answer in zip(asked, answers, strict=True)
            for pack, at in answer.iter_rows()
        ]

    return loading, run


def duckdb(data: Columns) -> tuple[float, Callable[[], Found]]:
    """SQL with window functions, a query a rule."""
    import duckdb as library  # noqa: PLC0415

    begun = time.perf_counter()
    base = library.connect()
    base.execute("SET threads = 1")
    base.register("given", data.flat())
    base.execute("CREATE TABLE samples AS SELECT * FROM given")
    loading = time.perf_counter() - begun
    over = "OVER (PARTITION BY pack ORDER BY time)"

    def query(terms: Any) -> str:
        so = [" AND ".join(f"{n} {op} {v}" for n, op, v in atoms) for atoms, _ in terms]
        first = ", ".join(f"({one}) AS so{at}" for at, one in enumerate(so))
        # The last sample of the pack at which it did not hold; the run began at the one after.
        last = ", ".join(
            f"max(CASE WHEN NOT so{at} THEN time END) {over} AS not{at}" for at in range(len(so))
        )
        begin = "min(time) OVER (PARTITION BY pack)"
        held = " AND ".join(
            f"so{at} AND time - coalesce(not{at} + {MINUTE_MS}, begin) >= {time_ms}"
            for at, (_, time_ms) in enumerate(terms)
        )
        return f"""
            WITH a AS (SELECT pack, time, {begin} AS begin, {first} FROM samples),
                 b AS (SELECT *, {last} FROM a),
                 c AS (SELECT pack, time, {held} AS so FROM b),
                 d AS (SELECT *, lag(so) {over} AS before FROM c)
            SELECT pack, time FROM d WHERE so AND NOT coalesce(before, false)"""

    def run() -> Found:
        return [
            (name, pack, at)
            for name, terms in RULES
            for pack, at in base.execute(query(terms)).fetchall()
        ]

    return loading, run


def measure(way: str, packs: int, rounds: int) -> None:
    """One way in this process: a line of JSON."""
    data = columns(packs)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    loading, run = {"ours": ours, "numpy": numpy, "polars": polars, "duckdb": duckdb}[way](data)
    best, cpu, found = 1e9, 1e9, list[Any]()
    for _ in range(rounds):
        found.clear()
        begun, begun_cpu = time.perf_counter(), time.process_time()
        found = run()
        best = min(best, time.perf_counter() - begun)
        cpu = min(cpu, time.process_time() - begun_cpu)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(json.dumps({
        "loading_s": loading, "wall_s": best, "cpu_s": cpu, "samples": data.packs * data.length,
        "rss_mb": most / 1024, "data_mb": before / 1024, "firings": sorted(found),
    }))  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--packs", type=int, default=1000)
    ask.add_argument("--rounds", type=int, default=3)
    ask.add_argument("--ways", default=",".join(WAYS))
    ask.add_argument("--one", help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.one:
        measure(asked.one, asked.packs, asked.rounds)
        return
    print(f"{asked.packs} packs, 2 days at one minute, {len(RULES)} rules; best of {asked.rounds}")
    print(f"{'way':<8} {'CPU s':>8} {'M rule-samples/s':>17} {'with loading':>13} "
          f"{'ratio':>7} {'RSS MB':>7}  firings")  # fmt: skip
    reference: dict[str, Any] | None = None
    for way in asked.ways.split(","):
        if way in ("polars", "duckdb") and find_spec(way) is None:
            print(f"{way:<8} not installed")
            continue
        words = [sys.executable, __file__, "--one", way, "--packs", str(asked.packs),
                 "--rounds", str(asked.rounds)]  # fmt: skip
        # What a way says of its failure is for whoever looks on.
        done = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True)
        told = json.loads(done.stdout)
        reference = reference or told
        rule_samples = told["samples"] * len(RULES) / 1e6
        same = "as ours" if told["firings"] == reference["firings"] else "DIFFERENT"
        print(f"{way:<8} {told['cpu_s']:>8.3f} {rule_samples / told['cpu_s']:>17.1f} "
              f"{rule_samples / (told['cpu_s'] + told['loading_s']):>13.1f} "
              f"{told['cpu_s'] / reference['cpu_s']:>7.2f} {told['rss_mb']:>7.0f}  "
              f"{len(told['firings'])} {same}", flush=True)  # fmt: skip
        if same == "DIFFERENT":
            sys.exit(f"{way} fires elsewhere")


if __name__ == "__main__":
    main()
