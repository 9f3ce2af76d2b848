"""How things stand, each figure with how it was found and when: docs/status.md.

    python benchmarks/status.py [--measure tests,safety,page,table,axe,fuzz] [--coverage FILE]

What `--measure` names is measured now, on this machine with whatever else it does (without it: the
number of tests and the page's weight). What other commands have recorded (planted faults, nights,
fault times) is read from their pages with the date that stands there. What this command measured
before is carried over from docs/status.md with its date. Where there is neither it says so.
Coverage is read from what `coverage json` wrote, if that is given.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from calendar import month_name
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGE = DOCS / "status.md"
NOT_MEASURED = "not measured"
PATIENCE_S = 60.0
MONTHS = tuple(month_name)[1:]
FUZZ_MINUTES = 2.0


@dataclass(frozen=True)
class Figure:
    """One row: `part` groups rows; `when` is an ISO date, or a dash where nothing was measured."""

    part: str
    what: str
    found: str
    how: str
    when: str = "-"


WANTED: tuple[tuple[str, str], ...] = (
    ("Tests", "tests"),
    ("Tests", "coverage, lines"),
    ("Tests", "coverage, branches"),
    ("Tests", "coverage of the safety room, lines"),
    ("Tests", "coverage of the safety room, branches"),
    ("Tests", "random inputs at every door"),
    ("Tests", "faults planted in functions of the safety room"),
    ("Tests", "faults planted in its constants and tables"),
    ("Nights", "nights of troubles"),
    ("Nights", "nights that broke a bound"),
    ("Nights", "from a fault to the contact open, lease 90 s"),
    ("Cost", "`check` of a rule file, whole"),
    ("Cost", "`run` of 50 packs, to ready"),
    ("Cost", "idle CPU of 50 packs"),
    ("Cost", "memory of a service with 50 packs"),
    ("Cost", "memory with the board, played"),
    ("Cost", "memory with the board, a broker"),
    ("Cost", "memory, also with plugs by HTTP"),
    ("Cost", "rehearsal"),
    ("Cost", "ten packs on one plug, rehearsed"),
    ("Cost", "journal, growth a pack-year"),
    ("Cost", "journal, samples of 35 days a pack"),
    ("Page", "the board with its style and script"),
    ("Page", "a pack's page"),
    ("Page", "findings of axe"),
)
"""Every row of the page, in order: one that nobody has measured is shown all the same."""


# ---- recorded by others --------------------------------------------------------------------------


def mutation(page: str) -> Iterator[Figure]:
    """From docs/reliability-mutation.md."""
    dated = re.search(r"\d{4}-\d\d-\d\d", page)
    wholes = re.findall(r"^\| \*\*all\*\* \| \*\*(\d+)\*\* \| \*\*(\d+)\*\* \|", page, re.M)
    names = [what for _, what in WANTED if what.startswith("faults planted")]
    for what, (planted, found) in zip(names, wholes, strict=False):
        share = int(found) / int(planted)
        yield Figure("Tests", what, f"{found} of {planted} found, {share:.1%}",
                     "[reliability-mutation.md](reliability-mutation.md)",
                     dated[0] if dated else "-")  # fmt: skip


def nights(page: str) -> Iterator[Figure]:
    """From docs/reliability.md: each table of a campaign; the last date above it is its own."""
    said: dict[str, list[str]] = {"nights of troubles": [], "nights that broke a bound": []}
    day, when = None, "-"
    for line in page.splitlines():
        day = re.search(rf"\b(\d{{1,2}}) ({'|'.join(MONTHS)}) (\d{{4}})", line) or day
        if line.startswith("| nights |"):
            said["nights of troubles"].append(line.split("|")[2].strip())
            if day:
                when = f"{day[3]}-{MONTHS.index(day[2]) + 1:02}-{int(day[1]):02}"
        elif line.startswith("| nights that broke a bound |"):
            said["nights that broke a bound"].append(line.split("|")[2].strip())
    for what, found in said.items():
        if found:
            yield Figure("Nights", what, "; ".join(found), "[reliability.md](reliability.md)", when)


def fault_times(page: str) -> Iterator[Figure]:
    """From docs/reliability-times.md: the worst of all faults under the usual lease."""
    rows = re.findall(r"^\| (.+?) \| 90 \| (\d+) \| [\d.]+ \| [\d.]+ \| ([\d.]+) \|", page, re.M)
    dated = re.search(r"runs on (\d{4}-\d\d-\d\d)", page)
    if rows:
        worst = max(rows, key=lambda row: float(row[2]))
        found = f"{worst[2]} s at worst of {sum(int(row[1]) for row in rows)} runs ({worst[0]})"
        yield Figure("Nights", "from a fault to the contact open, lease 90 s", found,
                     "[reliability-times.md](reliability-times.md)",
                     dated[1] if dated else "-")  # fmt: skip


def coverage(file: Path, of: str = "coverage", how: str = "`coverage json`") -> Iterator[Figure]:
    """From what `coverage json` wrote."""
    told = json.loads(file.read_text("utf-8"))
    totals, when = told["totals"], told["meta"]["timestamp"][:10]
    counts = {"lines": ("covered_lines", "num_statements"),
              "branches": ("covered_branches", "num_branches")}  # fmt: skip
    for what, (covered, whole) in counts.items():
        if totals.get(whole):
            found = f"{totals[covered] / totals[whole]:.1%} of {totals[whole]}"
            yield Figure("Tests", f"{of}, {what}", found, how, when)


def carried_over(page: str) -> Iterator[Figure]:
    """What an earlier run of this command wrote, as far as it was measured."""
    part = ""
    for line in page.splitlines():
        if line.startswith("## "):
            part = line[3:].strip()
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if line.startswith("| ") and len(cells) == 4 and re.fullmatch(r"\d{4}-\d\d-\d\d", cells[3]):
            yield Figure(part, *cells)


# ---- measured now --------------------------------------------------------------------------------


def today() -> str:
    return date.today().isoformat()


def load() -> str:
    return f"load {os.getloadavg()[0]:.0f} on {os.cpu_count()} cores"


def run(*words: str, **more: str) -> str:
    """What a program says; its failure is ours."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), **more}
    done = subprocess.run(words, cwd=ROOT, env=env, check=False, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{' '.join(words)} ended with {done.returncode}:\n{done.stdout[-2_000:]}")
    return done.stdout


def tests() -> Iterator[Figure]:
    told = run(sys.executable, "-m", "pytest", "--collect-only", "-q", "-n", "0")
    counts = [int(count) for count in re.findall(r"^\S+\.py: (\d+)$", told, re.M)]
    if not counts:
        raise SystemExit(f"no test was counted:\n{told[-500:]}")
    found = f"{sum(counts)} in {len(counts)} files"
    yield Figure("Tests", "tests", found, "`pytest --collect-only`", today())


def safety() -> Iterator[Figure]:
    """Needs coverage.py; the room's own tests alone."""
    with tempfile.TemporaryDirectory() as folder:
        env = {"COVERAGE_FILE": f"{folder}/data"}
        run(sys.executable, "-m", "coverage", "run", "--branch", "--source", "carerules/safety",
            "-m", "pytest", "-q", "-n", "0", "tests/safety", **env)  # fmt: skip
        file = Path(folder) / "told.json"
        run(sys.executable, "-m", "coverage", "json", "-o", str(file), **env)
        yield from coverage(file, "coverage of the safety room", "`coverage` of `tests/safety`")


def fuzz() -> Iterator[Figure]:
    run(sys.executable, "-m", "pytest", "tests/fuzz", "-q", "-n", "0",
        CARERULES_FUZZ_MINUTES=str(FUZZ_MINUTES))  # fmt: skip
    yield Figure("Tests", "random inputs at every door", f"{FUZZ_MINUTES:g} min, nothing found",
                 "`pytest tests/fuzz`", today())  # fmt: skip


def axe() -> Iterator[Figure]:
    told = run(sys.executable, "-m", "pytest", "tests/board/test_board_browser.py", "-q", "-n", "0",
               "-k", "axe")  # fmt: skip
    passed = re.search(r"(\d+) passed", told)
    dots = re.search(r"^(\.+)\s+\[100%\]", told, re.M)
    count = int(passed[1]) if passed else len(dots[1]) if dots else 0
    if not count:
        raise SystemExit(f"no test of axe ran:\n{told[-500:]}")
    yield Figure("Page", "findings of axe", f"0 ({count} tests, light and dark)",
                 "`pytest tests/board/test_board_browser.py -k axe`", today())  # fmt: skip


OTHERWISE = {"memory of a service with 50 packs": "its memory"}
"""What a row of benchmarks/table.py begins with, where it is not what it is called here."""
TABLE = {OTHERWISE.get(what, what): what for part, what in WANTED if part == "Cost"}


def benchmark(name: str, *words: str) -> Iterator[Figure]:
    """With the interpreter that runs this: what is said of memory wants one without the extras."""
    about = load()
    told = run(sys.executable, f"benchmarks/{name}.py", *words)
    rows = list(table_rows(told, f"`benchmarks/{name}.py`, {about}"))
    if not rows:
        raise SystemExit(f"benchmarks/{name}.py has no row that is known:\n{told[-500:]}")
    yield from rows


def table_rows(told: str, how: str) -> Iterator[Figure]:
    """The rows of benchmarks/table.py: 34 signs what, 30 found, 16 target, and whether it holds
    (a dash where there is no target)."""
    for line in told.splitlines():
        what = next((name for head, name in TABLE.items() if line.startswith(head)), None)
        if what is None:
            continue
        rest = line[35:] if len(line) > 35 else ""
        found = re.match(r"(.+?)(?:\s{2,}|\s(?=\S+ ?\S* +(?:holds|DOES|-$)))", rest)
        target = re.search(r"\s(\S[^()]*?)\s+(?:holds|DOES NOT HOLD)$", rest)
        wanted = target[1].split("  ")[-1].strip() if target else "-"
        words = (found[1] if found else rest).strip()
        if wanted != "-":
            words += f"; wanted {wanted}: {'holds' if line.endswith(' holds') else 'does not hold'}"
        yield Figure("Cost", what, words, how, today())


def page() -> Iterator[Figure]:
    """The board of the river survey, asked of a real process; bytes as they are sent."""
    with tempfile.TemporaryDirectory() as folder:
        site = Path(folder) / "survey"
        shutil.copytree(ROOT / "examples" / "river-survey", site)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            door = f"127.0.0.1:{free.getsockname()[1]}"
        command = [sys.executable, "-c", "from carerules.cli import main; main()", "run",
                   str(site / "site.toml"), "--board", door, "--speed", "60"]  # fmt: skip
        service = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        try:
            board = fetched(f"http://{door}/", PATIENCE_S)
            names = ("board.css", "board.js", "mark.svg")
            files = [fetched(f"http://{door}/static/{name}") for name in names]
            packs = re.findall(rb'id="pack-([\w-]+)"', board)
            own = fetched(f"http://{door}/pack/{packs[0].decode()}")
        finally:
            service.terminate()
            service.wait(PATIENCE_S)
    whole = len(board) + sum(map(len, files))
    how = f"fetched from `carerules run --board`, {len(packs)} packs"
    yield Figure("Page", "the board with its style and script", kilobytes(whole), how, today())
    yield Figure("Page", "a pack's page", kilobytes(len(own)), how, today())


def kilobytes(count: int) -> str:
    return f"{count / 1_000:.1f} KB"


def fetched(address: str, patience_s: float = 5.0) -> bytes:
    """What is there; waits for a service that is only beginning."""
    ends = time.monotonic() + patience_s
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5) as answer:
                body: bytes = answer.read()
                return body
        except OSError:
            if time.monotonic() > ends:
                raise
            time.sleep(0.3)


MEASURES: dict[str, Callable[[], Iterator[Figure]]] = {
    "tests": tests, "safety": safety, "page": page, "memory": lambda: benchmark("resident"),
    "table": lambda: benchmark("table", "--idle-s", "20", "--days", "1"), "axe": axe, "fuzz": fuzz,
}  # fmt: skip


# ---- the page ------------------------------------------------------------------------------------


HEAD = """\
# How things stand

Made by `python benchmarks/status.py`; a change here is lost. Each figure was measured by that
command, or is read from the page that it links, on the day that stands beside it. They are those
of a model and of one machine, and promise nothing about yours: [trust.md](trust.md).
"""


def merged(*layers: Iterable[Figure]) -> list[Figure]:
    """Every row that is wanted: of the last layer that has it, or as not measured."""
    known = {(one.part, one.what): one for layer in layers for one in layer}
    return [known.get(key, Figure(*key, NOT_MEASURED, "-")) for key in WANTED]


def laid_out(figures: Iterable[Figure]) -> str:
    lines = HEAD.splitlines()
    part = ""
    for one in figures:
        if one.part != part:
            part = one.part
            lines += ["", f"## {part}", "", "| what | found | how | when |",
                      "| --- | --- | --- | --- |"]  # fmt: skip
        lines.append(f"| {one.what} | {one.found} | {one.how} | {one.when} |")
    return "\n".join(lines) + "\n"


def recorded(docs: Path) -> list[Figure]:
    """What other commands have left in their pages."""
    sources = {"reliability-mutation.md": mutation, "reliability.md": nights,
               "reliability-times.md": fault_times}  # fmt: skip
    return [figure for name, read in sources.items() if (docs / name).exists()
            for figure in read((docs / name).read_text("utf-8"))]  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--measure", default="tests,page", help=f"of {', '.join(MEASURES)}; `none`")
    ask.add_argument("--coverage", type=Path, help="what `coverage json` wrote")
    ask.add_argument("--out", type=Path, default=PAGE)
    asked = ask.parse_args()
    kinds = [] if asked.measure == "none" else asked.measure.split(",")
    if strange := sorted(set(kinds) - set(MEASURES)):
        ask.error(f"found `{strange[0]}`, wanted of {', '.join(MEASURES)}")
    before = PAGE.read_text("utf-8") if PAGE.exists() else ""
    layers: list[Iterable[Figure]] = [carried_over(before), recorded(DOCS)]
    if asked.coverage is not None:
        layers.append(coverage(asked.coverage))
    layers += [list(MEASURES[kind]()) for kind in kinds]
    asked.out.write_text(laid_out(merged(*layers)), "utf-8")
    print(f"{asked.out}: Python {platform.python_version()}, {load()}")


if __name__ == "__main__":
    main()
