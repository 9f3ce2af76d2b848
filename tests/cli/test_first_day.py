"""The first day of a stranger with ten packs: one thing to do with each, and where it leads."""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from carerules.cli import main

PACKS = ["boat-a", "boat-b", *(f"{kind}{number}" for kind in ("otter", "drill")
                               for number in range(1, 5))]  # fmt: skip


def typed(*words: str, answers: str = "") -> str:
    got = CliRunner(env={"COLUMNS": "80"}).invoke(
        main, [*words], input=answers, catch_exceptions=False
    )
    assert got.exit_code == 0, got.output
    return got.stdout


def begun(folder: Path) -> str:
    """A site as `carerules new` writes it, after its first quarter of an hour."""
    packs = "".join(f"{pack} lipo 6S 10 Ah\n" for pack in PACKS)
    typed("new", str(folder), answers=f"shed\nUTC\n{packs}\n1\nno\n")
    site = str(folder / "site.toml")
    goes_on(site)
    return site


def goes_on(site: str) -> None:
    typed("run", site, "--days", "0.01", "--speed", "100000")


def asked(site: str, *words: str) -> list[str]:
    """What is on the list, each without its number and since when."""
    lines = " ".join(typed("chore", "--site", site, *words).split())
    return [one.partition(" (since")[0] for one in re.split(r"(?:^| )\d+\. ", lines)[1:]]


def test_ten_new_packs_are_ten_looks_and_one_line_of_status(tmp_path: Path) -> None:
    """With its capacity each had two; nobody reads twenty (common practice, no source)."""
    site = begun(tmp_path / "shed")
    chores = asked(site)
    assert sorted(chores) == sorted(
        f"look at {one}: swelling, cuts, leads, connectors; then `carerules record {one} inspected`"
        for one in PACKS
    )
    shown = typed("status", "--site", site)
    assert shown.count("look at ") == 1
    assert "look at boat-a and 9 more" in shown
    assert max(map(len, shown.splitlines())) <= 80
    decided = typed("log", "--site", site, "--last", "200")
    assert decided.count("for you: look at") == 10
    assert "to do: chore" not in decided  # said twice


def test_status_of_one_pack_has_the_number_of_the_list(tmp_path: Path) -> None:
    """A number of its own, typed behind `carerules chore`, would have been another pack's."""
    site = begun(tmp_path / "shed")
    (number,) = re.findall(r"^  (\d+)\. look", typed("status", "drill3", "--site", site), re.M)
    assert int(number) > 1
    typed("chore", number, "done", "--site", site)
    assert not any("drill3" in one for one in asked(site))
    assert len(asked(site)) == 9


def test_a_look_at_all_empties_the_list(tmp_path: Path) -> None:
    site = begun(tmp_path / "shed")
    typed("record", *PACKS, "inspected", "--site", site)
    assert asked(site) == []  # though no service has taken the entries in yet
    # Looked at, and then charged: now is the time to measure what it holds.
    goes_on(site)
    assert asked(site) == []
    typed("record", "otter1", "charged", "--site", site)
    goes_on(site)
    (one,) = asked(site)
    assert one.startswith("measure the capacity of otter1: ")
    typed("record", "otter1", "capacity", "9.4", "--site", site)
    assert asked(site) == []
