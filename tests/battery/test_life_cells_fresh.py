"""The ageing cells that ship are as their script makes them from the published parameters."""

import sys
from pathlib import Path

from oracle_rows import ORACLES

from carerules.shipped import shipped

sys.path.insert(0, str(ORACLES))

import life_cells


def test_the_files_are_what_the_script_makes(tmp_path: Path) -> None:
    life_cells.main(tmp_path)
    ship = {
        entry.name: entry.read_text(encoding="utf-8")
        for entry in (shipped("battery/chemistries") / "life").iterdir()
    }
    assert ship == {file.name: file.read_text(encoding="utf-8") for file in tmp_path.iterdir()}
