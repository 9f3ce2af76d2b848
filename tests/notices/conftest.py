"""The servers of these tests live in their own process, and answer when it has its turn."""

from __future__ import annotations

import pytest
from notices_kit import PATIENCE_S

from carerules.adapters import sending


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending, "ANSWER_S_MAX", PATIENCE_S)
