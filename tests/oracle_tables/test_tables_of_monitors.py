"""Our engine against what two public monitors of temporal logic say of the same cases.

Source: docs/oracles/monitors.json, made by docs/oracles/make_tables.py with rtamt (dense time,
offline; BSD-3-Clause) and reelay (dense time; MPL-2.0); README.md there names versions. Both gave
the same answer to every case. Neither library is needed here.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from traces_kit import activations, engine_says, loop_fires, ready_for

TABLE = json.loads(
    (Path(__file__).parents[2] / "docs" / "oracles" / "monitors.json").read_text(encoding="utf-8")
)
STEPS = [case for case in TABLE["cases"] if "traces" in case]
SILENCES = [case for case in TABLE["cases"] if "samples" in case]


def test_the_table_is_all_there() -> None:
    assert len(STEPS) == 300
    assert len(SILENCES) == 200
    assert sum(any("u" in trace for trace in case["traces"].values()) for case in STEPS) > 100
    assert sum(bool(activations(case["answer"])) for case in SILENCES) > 50


@pytest.mark.parametrize("case", STEPS, ids=lambda case: json.dumps(case["formula"]))
def test_the_engine_agrees(case: dict[str, Any]) -> None:
    """At every instant, yes, no and unknown alike."""
    assert engine_says(ready_for(case["formula"]), case["traces"], case["end"]) == case["answer"]


@pytest.mark.parametrize("case", SILENCES, ids=lambda case: json.dumps(case["formula"]))
def test_the_step_fires_when_the_monitors_say_so(case: dict[str, Any]) -> None:
    """Samples that fall silent, through the real step: stale after ten minutes, bridged."""
    end = case["end"] // 2 * 2
    wanted = [at for at in activations(case["answer"]) if at < end]
    assert loop_fires(case["formula"], case["samples"], end) == wanted
