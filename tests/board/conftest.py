"""The kit of the reading commands serves here too: a site with a journal made by hand."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "cli"))


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that is asked for the past begins a process, and politely: beside other tests it may
    be given little of the machine. What a person is to be kept waiting for is no matter here."""
    monkeypatch.setattr("carerules.board.asked.WITHIN_S", 600.0)
    monkeypatch.setattr("carerules.board.halt.AFTER_S", 60.0)
