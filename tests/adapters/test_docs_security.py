"""docs/security.md names a test for each threat; each must be there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "security.md").read_text("utf-8")
NAMED = re.findall(r"`(test_\w+\.py)::(test_\w+)`", PAGE)


def test_every_row_names_a_test_that_exists() -> None:
    rows = [line for line in PAGE.splitlines() if line.startswith("| ")][2:]
    assert len(rows) == len(NAMED) > 10
    assert all(line.count("|") == 5 and line.rstrip().endswith("` |") for line in rows)
    missing = [
        f"{file}::{name}"
        for file, name in NAMED
        if not any(
            f"def {name}(" in p.read_text("utf-8")
            for p in ROOT.glob(f"tests/*/{file}")
            if p.parent.name != "oracle"
        )
    ]
    assert missing == []
