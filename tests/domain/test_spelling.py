"""How a number of things is said."""

from __future__ import annotations

from carerules.domain.spelling import counted


def test_one_is_no_plural() -> None:
    assert [counted(number, "pack") for number in (0, 1, 2)] == ["0 packs", "1 pack", "2 packs"]
    assert [counted(number, "try", "tries") for number in (1, 3)] == ["1 try", "3 tries"]
