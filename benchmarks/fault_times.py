"""From a fault to the contact open: real processes, measured. Writes docs/reliability-times.md.

    python benchmarks/fault_times.py [--runs 7] [--long 2] [--at-once 6] [--only NAME]

mosquitto, `carerules run`, a pretended plug and a pretended pack, each a process of its own; the
links of service and plug to the broker go over relays that can be cut, slowed or made lossy. What
counts is the plug's contact, as the plug itself prints it when it moves: no wire lies between it
and the clock here. A run that did not come as far as its fault is counted and shown, not left out.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from math import ceil
from pathlib import Path
from statistics import median
from subprocess import SubprocessError

from fault_play import FAULTS, LONG_S, LONGER_S, ROOT, SHORT_S, Fault, Play, Stage


@dataclass
class Runs:
    """What the runs of one fault came to."""

    fault: Fault
    lease_s: int
    took_s: list[float] = field(default_factory=list)
    never: int = 0
    """Runs in which the contact was still closed well after the bound."""
    unplayed: list[str] = field(default_factory=list)
    """Runs that did not come as far as the fault, each with why."""

    @property
    def over(self) -> int:
        """In how many the contact opened too late, or not at all."""
        return sum(took > self.fault.bound(self.lease_s) for took in self.took_s) + self.never

    def row(self) -> str:
        bound, took = self.fault.bound(self.lease_s), sorted(self.took_s)
        if not took:
            figures = "- | - | -"
        else:
            rank = ceil(0.99 * len(took)) - 1
            figures = f"{median(took):.2f} | {took[rank]:.2f} | {took[-1]:.2f}"
        return (f"| {self.fault.words} | {self.lease_s} | {len(took) + self.never} | {figures} | "
                f"{bound} | {self.over} | {self.never} | {len(self.unplayed)} |")  # fmt: skip


def play(runs: Runs, folder: Path, seed: int, lock: threading.Lock) -> None:
    one = Play(Stage(folder), runs.lease_s, seed)
    bound = runs.fault.bound(runs.lease_s)
    try:
        try:
            one.begin()
            assert "contact closed" in one.plug.said[-1].text, "the load is not on any more"
            at = runs.fault.do(one)
        except (AssertionError, OSError, SubprocessError) as error:
            with lock:
                runs.unplayed.append((str(error) or repr(error)).splitlines()[0])
            return
        opened = one.opens(at, bound + LONGER_S)
        with lock:
            if opened is None:
                runs.never += 1
            else:
                runs.took_s.append(opened - at)
            took = "not opened" if opened is None else f"{opened - at:.2f} s"
            print(f"{runs.fault.name} lease {runs.lease_s} s, seed {seed}: {took}", flush=True)
    finally:
        one.close()


HEAD = """# From a fault to the contact open, measured

mosquitto, the service, a pretended plug and a pretended pack as processes of their own; two relays
between them that can be cut, slowed or made lossy. Measured from the fault to the moment at which
the plug's contact opens, as the plug itself says. The plug is a program: what the relay of a real
one adds is not in here, nor a relay that is welded shut.

The fault comes at a moment by chance within a renewal (each 20 s), so what is left of the lease
differs from run to run. Most runs use the shortest lease that a site file may have, {short} s, and
some the one of 90 s that holds unless the site says otherwise. Where only the plug's own timer ends
it, {short} s less what has run of it since the last renewal is to be expected, and with 90 s just
60 s more. With so few runs the 99th percentile is the worst of them.

Bounds: lease + 5 s where the timer is what opens it (the same that makes 95 s of 90 s); 75 s after
data becomes doubtful, whatever the lease; 10 s where the service itself is there to say OFF.

| fault | lease, s | runs | p50, s | p99, s | worst, s | bound, s | over | not opened | not played |
| --- | --: | --: | --: | --: | --: | --: | --: | --: | --: |
"""


def page(all_runs: list[Runs], at_once: int) -> str:
    rows = "\n".join(runs.row() for runs in all_runs)
    unplayed = [f"- {r.fault.words}: {why}" for r in all_runs for why in r.unplayed]
    notes = "" if not unplayed else "\nNot played, and why:\n\n" + "\n".join(unplayed) + "\n"
    total = sum(len(r.took_s) + r.never for r in all_runs)
    return (
        HEAD.format(short=SHORT_S)
        + rows
        + "\n"
        + notes
        + f"""
{total} runs on {date.today():%Y-%m-%d}, {at_once} at a time: {platform.system()}
{platform.machine()}, {os.cpu_count()} processors shared with other work, Python
{platform.python_version()}. Made by `python benchmarks/fault_times.py`; no test asserts these
times.
"""
    )


def main() -> int:
    options = argparse.ArgumentParser(description="from a fault to the contact open, measured")
    options.add_argument("--runs", type=int, default=7, help="of each fault, with the short lease")
    options.add_argument("--long", type=int, default=2, help="of some, with the lease of 90 s")
    options.add_argument("--at-once", type=int, default=6)
    options.add_argument("--only", action="append", choices=[f.name for f in FAULTS])
    options.add_argument("--out", type=Path, default=ROOT / "docs" / "reliability-times.md")
    asked = options.parse_args()
    faults = [f for f in FAULTS if not asked.only or f.name in asked.only]
    work: list[tuple[Runs, int]] = []
    for fault in faults:
        short = Runs(fault, SHORT_S)
        work += [(short, n) for n in range(asked.runs)]
        if fault.long and asked.long:
            long = Runs(fault, LONG_S)
            work += [(long, n) for n in range(asked.long)]
    lock = threading.Lock()
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(asked.at_once) as pool:
        # One after the other through the faults, so that a busy minute does not hit one of them.
        order = sorted(range(len(work)), key=lambda i: work[i][1])
        done = [
            pool.submit(play, work[i][0], Path(folder) / str(i), work[i][1] * 1_000 + i, lock)
            for i in order
        ]
        for one in done:
            one.result()
    all_runs = _distinct(work)
    asked.out.write_text(page(all_runs, asked.at_once), "utf-8")
    print(asked.out)
    return int(any(r.over or r.unplayed for r in all_runs))


def _distinct(work: list[tuple[Runs, int]]) -> list[Runs]:
    found: list[Runs] = []
    for runs, _ in work:
        if not any(runs is one for one in found):
            found.append(runs)
    return found


if __name__ == "__main__":
    sys.exit(main())
