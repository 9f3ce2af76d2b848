"""The same to be done with many packs is one line of `status`, and each is still on the list."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.cli import main

BIRDS = ("heron", "egret", "teal", "rail", "rail-2", "coot")
RULES = """
rule look
    when time since inspection > 1 d: chore "look at {pack}"
rule weigh on pack heron
    when time since inspection > 1 d: chore "weigh {pack}"
"""


def typed(*words: str) -> str:
    got = CliRunner().invoke(main, [*words], catch_exceptions=False)
    assert got.exit_code == 0, got.output
    return got.stdout


@pytest.mark.parametrize(("count", "told"), [
    (3, ["look at heron", "weigh heron", "look at egret", "look at teal"]),
    (6, ["look at heron and 5 more", "weigh heron"]),
])  # fmt: skip
def test_what_is_alike_is_told_once(tmp_path: Path, count: int, told: list[str]) -> None:
    site = tmp_path / "site.toml"
    packs = "".join(
        f'[pack.{bird}]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n'
        for bird in BIRDS[:count]
    )
    site.write_text(
        f'name = "shed"\nzone = "UTC"\nrules = ["care.care"]\n{packs}'
        "[virtual]\nstart = 2026-12-01T08:00:00\n", encoding="utf-8",
    )  # fmt: skip
    (tmp_path / "care.care").write_text(RULES, encoding="utf-8")
    typed("run", str(site), "--days", "0.01", "--speed", "100000")
    shown = typed("status", str(BIRDS[0]), "--site", str(site)).partition("for you:\n")[2]
    assert "more" not in shown
    rows = typed("status", "--site", str(site)).partition("for you:\n")[2].splitlines()
    rows = [row.strip() for row in rows if row]
    assert [row.partition(". ")[2].partition(" (since")[0] for row in rows[: len(told)]] == told
    assert rows[len(told):] == (["`carerules chore` lists each with its number"] if count > 3
                                else [])  # fmt: skip
    # The number is that of the list, which leaves out none.
    listed = typed("chore", "--site", str(site)).splitlines()
    assert len(listed) == count + 1
    numbered = {row.strip().partition(" (since")[0] for row in listed}
    alone = [row.partition(" and ")[0].partition(" (since")[0] for row in rows[: len(told)]]
    assert set(alone) <= numbered
