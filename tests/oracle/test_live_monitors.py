"""Fresh random cases against the monitors themselves, and the tables made anew.

Needs rtamt, reelay and scipy (docs/oracles/README.md); not part of the ordinary tests. Each run
draws other cases and prints the number they came from; CARERULES_ORACLE_CASES says how many.
"""

from __future__ import annotations

import json
import os
import sys
from importlib.metadata import version
from pathlib import Path
from random import Random, SystemRandom

import pytest

pytest.importorskip("rtamt")
pytest.importorskip("reelay")
pytest.importorskip("scipy")

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "docs" / "oracles"), str(ROOT / "tests" / "oracle_tables")]

import make_tables  # noqa: E402
import monitors  # noqa: E402
from traces_kit import activations, engine_says, loop_fires, ready_for  # noqa: E402

CASES = int(os.environ.get("CARERULES_ORACLE_CASES", "100"))


def fresh() -> Random:
    number = SystemRandom().randrange(2**32)
    print(f"cases from {number}")
    return Random(number)


@pytest.mark.parametrize("gaps", [False, True])
def test_the_engine_agrees_on_fresh_cases(gaps: bool) -> None:
    chance = fresh()
    for _ in range(CASES):
        case = monitors.random_case(chance, gaps=gaps)
        wanted = make_tables.ask_both(case)
        assert engine_says(ready_for(case["formula"]), case["traces"], case["end"]) == wanted, case


def test_the_step_agrees_on_fresh_silences() -> None:
    chance = fresh()
    for _ in range(CASES // 2):
        case = monitors.random_silence(chance)
        end = case["end"] // 2 * 2
        wanted = [at for at in activations(make_tables.ask_both(case)) if at < end]
        assert loop_fires(case["formula"], case["samples"], end) == wanted, case


def test_the_tables_are_what_the_libraries_say(tmp_path: Path) -> None:
    """The same versions write the same bytes; other versions, the same answers."""
    make_tables.main(tmp_path)
    for name in ("monitors.json", "slopes.json"):
        made = (tmp_path / name).read_text(encoding="utf-8")
        kept = (ROOT / "docs" / "oracles" / name).read_text(encoding="utf-8")
        kept_by = json.loads(kept)["made by"]
        if all(version(library) == kept_by[library] for library in kept_by):
            assert made == kept
        assert json.loads(made)["cases"] == json.loads(kept)["cases"]
