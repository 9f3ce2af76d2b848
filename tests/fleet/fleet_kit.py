"""A fleet of two sites, whose journals were really stepped and exported, and a cluster to ask.

`herd` is a larger one, of the random tapes that hold replay against the engine (tests/replay).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result
from distributed import LocalCluster

sys.path[:0] = [str(Path(__file__).parents[1] / "cli")]

from reading_kit import (  # noqa: E402
    FIRES,
    RULES,
    Story,
    draining_heron,
    full_heron,
    seen_heron,
)

from carerules.cli import main  # noqa: E402
from carerules.domain.event import Sample, Value  # noqa: E402
from carerules.domain.moment import HOUR, MINUTE, SECOND  # noqa: E402

MILDER = RULES.replace("for 24 h", "for 20 h").replace("> 40 °C for 5 min", "> 45 °C") + (
    'rule mild\n    when pack.temperature > 25 °C for 2 min: notify "mild"\n'
)


def carerules(*words: str | Path) -> Result:
    return CliRunner().invoke(main, list(map(str, words)), catch_exceptions=False)


def north(folder: Path) -> Story:
    """heron lies full for a day, is drained, and grows warm."""
    story = draining_heron(folder)
    for minute in range(0, 30, 3):
        at = FIRES + HOUR + minute * MINUTE
        value = 41.0 if 3 <= minute < 15 else 30.0
        story.go(Sample(at, at, "heron", (Value("pack.temperature", value),), "probe"))
    story.snapshot()
    return story


def south(folder: Path) -> Story:
    """heron again (another pack of that name), that falls by itself; egret is worn out."""
    story = full_heron(folder)
    for step in range(12):
        at = FIRES + step * HOUR
        story.go(seen_heron(at, cell_v=4.19 - 0.04 * step))
        seen = (Value("pack.soc", 60.0 - 4 * step, 2.0), Value("pack.capacity", 3.2, 0.1))
        story.go(Sample(at + SECOND, at + SECOND, "egret", seen, "probe"))
    story.snapshot()
    return story


def exported(story: Story, to: Path, *words: str) -> Result:
    return carerules("export", story.path, "--to", to, "--format", "parquet", "--tape", *words)


@contextmanager
def cluster(workers: int = 2) -> Iterator[LocalCluster]:
    """Processes of one thread each, no page."""
    with LocalCluster(n_workers=workers, threads_per_worker=1, processes=True,
                      dashboard_address=":0", silence_logs="CRITICAL") as made:  # fmt: skip
        yield made


def told(*words: str | Path) -> Any:
    shown = carerules(*words, "--json")
    assert shown.exit_code == 0, shown.output
    return json.loads(shown.stdout)
