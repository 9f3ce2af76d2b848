"""docs/status.md: each figure has a way and a day, and nothing is there that nobody measured."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGE = (DOCS / "status.md").read_text("utf-8")


@pytest.fixture(scope="module")
def status() -> ModuleType:
    spec = importlib.util.spec_from_file_location("status_page", ROOT / "benchmarks" / "status.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_page_has_each_row_once_and_each_figure_its_day(status: ModuleType) -> None:
    rows = [line.strip("|").split(" | ") for line in PAGE.splitlines() if line.startswith("| ")]
    rows = [[cell.strip() for cell in row] for row in rows if row[0].strip() not in ("what", "---")]
    assert [row[0] for row in rows] == [what for _, what in status.WANTED]
    for what, found, how, when in rows:
        if found == status.NOT_MEASURED:
            assert (how, when) == ("-", "-"), what
        else:
            assert re.search(r"\d", found), what
            assert re.fullmatch(r"20\d\d-\d\d-\d\d", when), what
            assert how.startswith(("`", "[", "fetched")), what


def test_the_page_is_as_the_command_lays_it_out(status: ModuleType) -> None:
    assert status.laid_out(status.merged(status.carried_over(PAGE))) == PAGE


def test_what_others_recorded_is_read_off_their_pages(status: ModuleType) -> None:
    found = {one.what: one for one in status.recorded(DOCS)}
    assert len(found) >= 3
    assert all(one.when.startswith("20") for one in found.values())
    assert {(one.part, one.what) for one in found.values()} <= set(status.WANTED)


MUTATION = """\
Made (mutmut 3.8.1,
2026-11-25; it works on a copy).
| **all** | **10** | **9** | **90.0%** |
| **all** | **4** | **4** | **100.0%** |
"""
NIGHTS = """\
Campaign 1, each time, 6 November 2026:

| | |
| nights | 5 000, of 12 min |
| nights that broke a bound | 2 |

A night costs much (7 November 2026; more).
"""
TIMES = """\
| broker: gone | 30 | 10 | 1.00 | 2.00 | 29.00 | 35 |
| broker: gone | 90 | 4 | 1.00 | 2.00 | 70.00 | 95 |
| link: cut | 90 | 4 | 1.00 | 2.00 | 80.50 | 95 |
18 runs on 2026-11-24, 10 at a time
"""


def told(figures: list[object]) -> list[tuple[str, str]]:
    return [(one.found, one.when) for one in figures]  # type: ignore[attr-defined]


def test_each_recorded_page_is_read_by_its_words(status: ModuleType) -> None:
    day = "2026-11-25"
    assert told(list(status.mutation(MUTATION))) == [
        ("9 of 10 found, 90.0%", day), ("4 of 4 found, 100.0%", day),
    ]  # fmt: skip
    assert told(list(status.nights(NIGHTS))) == [
        ("5 000, of 12 min", "2026-11-06"), ("2", "2026-11-06"),
    ]  # fmt: skip
    assert told(list(status.fault_times(TIMES))) == [
        ("80.50 s at worst of 8 runs (link: cut)", "2026-11-24"),
    ]
    assert [*status.mutation(""), *status.nights(""), *status.fault_times("")] == []


TABLE = """\
Python 3.11.7, 2 cores, load 8.4

what                               found                          target
`check` of a rule file, whole      0.29 s CPU, 0.87 s wall        0.25 s           DOES NOT HOLD
idle CPU of 50 packs, 20 s         0.15% of a core                0.5 %            holds
its memory                         63 MB                          -                -
rehearsal                          0.017 pack-years a CPU s (4 s) 1 pack-year/s    DOES NOT HOLD
journal, samples of 35 days a pack 16.1 MB, a level               -                -
"""


def test_the_benchmarks_table_is_read(status: ModuleType) -> None:
    assert [(one.what, one.found) for one in status.table_rows(TABLE, "x")] == [
        ("`check` of a rule file, whole",
         "0.29 s CPU, 0.87 s wall; wanted 0.25 s: does not hold"),
        ("idle CPU of 50 packs", "0.15% of a core; wanted 0.5 %: holds"),
        ("memory of a service with 50 packs", "63 MB"),
        ("rehearsal", "0.017 pack-years a CPU s (4 s); wanted 1 pack-year/s: does not hold"),
        ("journal, samples of 35 days a pack", "16.1 MB, a level"),
    ]  # fmt: skip


def test_coverage_is_read_where_it_was_measured(status: ModuleType, tmp_path: Path) -> None:
    file = tmp_path / "coverage.json"
    totals = {"covered_lines": 90, "num_statements": 100, "covered_branches": 3, "num_branches": 4}
    file.write_text(
        json.dumps({"meta": {"timestamp": "2026-11-20T10:00:00"}, "totals": totals}), "utf-8"
    )
    assert told(list(status.coverage(file))) == [
        ("90.0% of 100", "2026-11-20"), ("75.0% of 4", "2026-11-20"),
    ]  # fmt: skip
    del totals["num_branches"]
    file.write_text(
        json.dumps({"meta": {"timestamp": "2026-11-20T10:00:00"}, "totals": totals}), "utf-8"
    )
    assert [one.what for one in status.coverage(file)] == ["coverage, lines"]


def test_the_newest_layer_counts_and_what_nobody_measured_says_so(status: ModuleType) -> None:
    old = status.Figure("Tests", "tests", "7 in 1 files", "`x`", "2026-01-01")
    new = status.Figure("Tests", "tests", "8 in 1 files", "`x`", "2026-02-01")
    rows = {one.what: one for one in status.merged([old], [new])}
    assert rows["tests"] is new
    assert rows["rehearsal"].found == status.NOT_MEASURED
    page = status.laid_out(rows.values())
    assert list(status.carried_over(page)) == [new]
