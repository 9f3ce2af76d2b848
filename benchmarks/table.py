"""What carerules costs: start-up, idling, the journal, rehearsal. One command, one table.

    python benchmarks/table.py [--idle-s 60] [--days 2]

Real processes of this checkout on this machine, whatever else it does meanwhile: CPU time is the
figure to compare, wall time is shown beside it. Each row names its target and says whether it
holds. The journal's growth is worked out from some days of the river survey's packs: what is
forgotten after `keep_samples` makes a level, what stays for ever makes the growth.
"""

from __future__ import annotations

import argparse
import os
import platform
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from carerules.adapters import SqliteJournal  # noqa: E402
from carerules.adapters.rescue import compact  # noqa: E402
from carerules.cli.rehearsal import few_collections  # noqa: E402
from carerules.cli.virtual import virtual_outside, virtual_world, visited  # noqa: E402
from carerules.config import SiteFile, read_site  # noqa: E402
from carerules.domain.decision import Outcome  # noqa: E402
from carerules.domain.event import Event, Started, Tick  # noqa: E402
from carerules.domain.moment import DAY, HOUR  # noqa: E402
from carerules.loop import World, new_world  # noqa: E402
from carerules.service import Service, dump_world, read_rules, worth_keeping  # noqa: E402

SURVEY = ROOT / "examples" / "river-survey" / "site.toml"
ONE_PLUG = ROOT / "examples" / "one-plug" / "site.toml"
COMMAND = [sys.executable, "-c", "from carerules.cli import main; main()"]
STARTS = 7
PACKS = 50
PATIENCE_S = 60.0
"""No command here takes half as long, also on a busy machine; one that hangs is ended."""
ONE_PLUG_DAYS = 70
"""Ten weeks, in which eleven times a pack is used and the load is on for some fourteen hours."""
KEEP_DAYS = 35
"""What `keep_samples` is unless a site file says otherwise."""


def environment(**more: str) -> dict[str, str]:
    """As where it is installed: compiled once, and not at every start."""
    kept = {key: one for key, one in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    return {**kept, "PYTHONPATH": str(ROOT), **more}


def row(what: str, found: str, target: str = "-", *, holds: bool | None = None) -> None:
    """A line; without a target nothing holds or does not."""
    assert (holds is None) == (target == "-")
    held = {True: "holds", False: "DOES NOT HOLD", None: "-"}[holds]
    print(f"{what:<34} {found:<30} {target:<16} {held}", flush=True)


def timed(words: Sequence[str]) -> tuple[float, float]:
    """CPU and wall seconds of a command that runs to its end."""
    begun = time.monotonic()
    process = subprocess.Popen(
        [*COMMAND, *words], env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    ending = threading.Timer(PATIENCE_S, process.kill)
    ending.start()
    _, status, used = os.wait4(process.pid, 0)
    ending.cancel()
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return used.ru_utime + used.ru_stime, time.monotonic() - begun


def starts() -> None:
    check = ["check", str(SURVEY.parent / "river.care")]
    timed(check)  # the first one compiles
    cpu, wall = zip(*(timed(check) for _ in range(STARTS)), strict=True)
    row("`check` of a rule file, whole", f"{median(cpu):.2f} s CPU, {min(wall):.2f} s wall",
        "0.25 s", holds=median(cpu) < 0.25)  # fmt: skip


def many_packs(folder: Path) -> Path:
    """A site of fifty packs whose values are typed in by hand: nothing comes by itself."""
    packs = "".join(
        f'[pack.p{at:02}]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
        for at in range(PACKS)
    )
    (folder / "all.care").write_text('use "lipo"\n', "utf-8")
    path = folder / "site.toml"
    path.write_text(f'name = "shelf"\nzone = "UTC"\nrules = ["all.care"]\n{packs}', "utf-8")
    return path


def cpu_of(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_of(pid: int) -> float:
    """Resident memory in MB: millions of bytes."""
    for line in Path(f"/proc/{pid}/status").read_text("ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024 / 1e6
    return float("nan")


def running(folder: Path, idle_s: float) -> None:
    site = many_packs(folder)
    timed(["run", str(site), "--for", "0.00001"])  # the first one compiles
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
        told.bind(str(folder / "told"))
        told.settimeout(PATIENCE_S)
        begun = time.monotonic()
        process = subprocess.Popen(
            [*COMMAND, "run", str(site)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env=environment(NOTIFY_SOCKET=str(folder / "told")),
        )  # fmt: skip
        try:
            while b"READY=1" not in told.recv(4096):
                assert time.monotonic() < begun + PATIENCE_S, "it lives, and is not ready"
            wall, cpu = time.monotonic() - begun, cpu_of(process.pid)
            row(f"`run` of {PACKS} packs, to ready", f"{cpu:.2f} s CPU, {wall:.2f} s wall", "1 s",
                holds=cpu < 1)  # fmt: skip
            time.sleep(2)  # what it puts off until it is ready
            before = cpu_of(process.pid)
            time.sleep(idle_s)
            share = (cpu_of(process.pid) - before) / idle_s
            row(f"idle CPU of {PACKS} packs, {idle_s:.0f} s", f"{share:.2%} of a core", "0.5 %",
                holds=share < 0.005)  # fmt: skip
            row("its memory", f"{rss_of(process.pid):.0f} MB")
        finally:
            ended(process)


def ended(process: subprocess.Popen[bytes]) -> None:
    """Told to leave; one that does not is ended."""
    process.terminate()
    try:
        process.wait(PATIENCE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        raise


def one_plug(days: float) -> None:
    """Ten packs that tell nothing of themselves, on one plug: what is heard is the plug."""
    site = read_site(ONE_PLUG)
    assert isinstance(site, SiteFile)
    setup = read_rules(site).setup
    assert setup is not None
    world = virtual_world(site, None)
    outside = virtual_outside(world, None)
    service = Service(new_world(setup, world.now), outside, None, lambda *_: None, idle=HOUR)
    visited(service, site, world, outside)
    begun = time.process_time()
    with few_collections():
        service.run([Started(world.now)], world.now + round(days * DAY))
    rate = len(site.site.packs) * days / 365 / (time.process_time() - begun)
    row("ten packs on one plug, rehearsed", f"{rate:.3f} pack-years a CPU s", "1 pack-year/s",
        holds=rate >= 1)  # fmt: skip


def played(folder: Path, days: float) -> None:
    """The river survey, journalled as a service would: rows in order, what is worth keeping."""
    site = read_site(SURVEY)
    assert isinstance(site, SiteFile)
    setup = read_rules(site).setup
    assert setup is not None
    journal = SqliteJournal.open(folder / "journal.db", owner=True)
    kept: list[tuple[Event, list[Outcome]]] = []

    def told(event: Event, outcomes: Sequence[Outcome], _now: World) -> None:
        worth = [one for one in outcomes if worth_keeping(one)]
        if worth or not isinstance(event, Tick):
            kept.append((event, worth))

    world = virtual_world(site, None)
    service = Service(new_world(setup, world.now), virtual_outside(world, None), None, told)
    begun, begun_cpu = time.monotonic(), time.process_time()
    with few_collections():
        after = service.run([Started(world.now)], world.now + round(days * DAY))
    cpu, wall = time.process_time() - begun_cpu, time.monotonic() - begun
    packs = len(site.site.packs)
    years = packs * days / 365
    row("rehearsal", f"{years / cpu:.3f} pack-years a CPU s ({wall:.0f} s)", "1 pack-year/s",
        holds=years / cpu >= 1)  # fmt: skip
    one_plug(ONE_PLUG_DAYS)
    for event, outcomes in kept:
        journal.write(event, outcomes)
        if journal.last_seq % 5_000 == 0:
            journal.commit()
    journal.save_snapshot(journal.last_seq, dump_world(after))
    journal.commit()
    journal.close()
    path = folder / "journal.db"
    compact(path)
    whole = path.stat().st_size
    journal = SqliteJournal.open(path, owner=True)
    while journal.forget(journal.last_seq):
        pass
    journal.close()
    compact(path)
    stays = path.stat().st_size
    # A snapshot of the world is in both, and does not grow.
    fixed = len(dump_world(after).encode())
    growth = (stays - fixed) / packs / days * 365 / 1e6
    level = (whole - stays) / packs / days * KEEP_DAYS / 1e6
    row("journal, growth a pack-year", f"{growth:.2f} MB", "20 MB", holds=growth < 20)
    row(f"journal, samples of {KEEP_DAYS} days a pack", f"{level:.1f} MB, a level")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--idle-s", type=float, default=60)
    ask.add_argument("--days", type=float, default=2)
    asked = ask.parse_args()
    load = os.getloadavg()[0]
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, load {load:.1f}\n")
    print(f"{'what':<34} {'found':<30} {'target':<16}")
    with tempfile.TemporaryDirectory() as folder:
        starts()
        running(Path(folder), asked.idle_s)
        played(Path(folder), asked.days)
    print("\nthe service with its board in memory: python benchmarks/resident.py")
    print("replay against other ways: python benchmarks/replay.py")


if __name__ == "__main__":
    main()
