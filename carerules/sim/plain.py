"""Plain JSON back into what it was: the small readers of every snapshot.

Knows shapes. Does not know what they mean. A snapshot is our own file: a shape that does not fit
is a bug or a torn file, and is said so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

Plain: TypeAlias = dict[str, object]
"""What JSON can hold, by name."""


def table(kept: Mapping[str, object], name: str) -> Plain:
    """The table `name`; raises `ValueError` where there is none."""
    found = kept.get(name)
    if isinstance(found, dict):
        return found
    raise ValueError(f"found no table `{name}` in the snapshot; begin afresh")


def rows(kept: Mapping[str, object], name: str) -> list[object]:
    """The list `name`; raises `ValueError` where there is none."""
    found = kept.get(name)
    if isinstance(found, list):
        return found
    raise ValueError(f"found no list `{name}` in the snapshot; begin afresh")


def whole(kept: Mapping[str, object], name: str, default: int | None = None) -> int:
    """The whole number `name`; without it the default, where there is one. Raises `ValueError`."""
    found = kept.get(name, default)
    if isinstance(found, int) and not isinstance(found, bool):
        return found
    raise ValueError(f"found no whole number `{name}` in the snapshot; begin afresh")


def number(kept: Mapping[str, object], name: str, default: float | None = None) -> float:
    """The number `name`; without it the default, where there is one. Raises `ValueError`."""
    found = kept.get(name, default)
    if isinstance(found, (int, float)) and not isinstance(found, bool):
        return found
    raise ValueError(f"found no number `{name}` in the snapshot; begin afresh")


def moment_or_none(kept: Mapping[str, object], name: str) -> int | None:
    """The moment `name`, or that there is none."""
    return None if kept.get(name) is None else whole(kept, name)
