"""The rows of the tables in docs/oracles that are about cells."""

from __future__ import annotations

import csv
from pathlib import Path

ORACLES = Path(__file__).parents[2] / "docs" / "oracles"

CURVES = {
    # the same points as in docs/oracles/drain_table.py, where their sources stand
    "lco": ((0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 1.0),
            (3.0, 3.5421, 3.6396, 3.6954, 3.7331, 3.7925, 3.9089, 3.9945, 4.0879, 4.2)),
    "lfp": ((0, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95, 0.98, 1.0),
            (2.0, 3.0502, 3.1894, 3.2307, 3.2897, 3.3031, 3.3248, 3.344, 3.3479, 3.6)),
}  # fmt: skip


def table(name: str) -> list[list[str]]:
    """Every row of a table, its first line (who made it) left out."""
    with (ORACLES / name).open(encoding="utf-8", newline="") as file:
        return [row for row in csv.reader(file) if not row[0].startswith("#")]


def drains(kind: str) -> list[list[str]]:
    """The rows of `drains.csv` of one kind."""
    return [row[1:] for row in table("drains.csv") if row[0] == kind]
