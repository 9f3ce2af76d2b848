"""A world as text and back: every class by its name, from a list, and nothing else.

Knows the shapes that a world is made of. Does not know where the text is kept. The list makes it
data: no name in a text can bring in anything that is not on it.
"""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from enum import Enum
from hashlib import sha256
from typing import Any

from carerules.battery import estimate, learned, rest, session, track, witness
from carerules.domain import action, keptplan, pack, quantity
from carerules.engine import hold, job, trail
from carerules.engine.evaluate import CountState, RuleState
from carerules.loop import world
from carerules.safety import Dwell, PlugState, Proof, Run


def _name(cls: type[Any]) -> str:
    """`engine.job.Job`: two rooms may use one word, each for its own."""
    return f"{cls.__module__.removeprefix('carerules.')}.{cls.__name__}"


_CLASSES: dict[str, type[Any]] = {
    _name(cls): cls
    for cls in (
        estimate.Estimate, rest.Rest, track.Track, witness.Gauge,
        learned.Learned, learned.Line, learned.Look, session.Session, session.Habit,
        action.Drain, action.Charge, action.Rest, action.Hold, action.Switch, action.Ask,
        action.Notify, action.Chore, action.Mark, action.Quarantine, action.Retire,
        action.DayWindow, action.Hole,
        pack.Use, pack.Side, quantity.Known, quantity.Widening, quantity.Unknown, quantity.Truth,
        quantity.Dimension,
        hold.Run, hold.Past, hold.Edge, hold.Last, trail.Trail, trail.Stretch,
        job.Job, job.Phase, RuleState, CountState, Dwell, Run, PlugState, Proof,
        world.PackState, world.StationState, world.OpenChore,
        keptplan.KeptPlan, keptplan.KeptRun, keptplan.KeptMove, keptplan.KeptWish,
        keptplan.Hours, keptplan.Supposed,
    )
}  # fmt: skip


class ImageError(Exception):
    """The text is not an image of a world of this version."""


def shape() -> str:
    """A fingerprint of all classes and their fields: an image of another shape is not read."""
    words = [f"{name}({','.join(_fields(cls))})" for name, cls in sorted(_CLASSES.items())]
    return sha256(";".join(words).encode()).hexdigest()[:16]


def dump(value: Any) -> str:
    """The value as text. A class that is not on the list is our mistake."""
    return json.dumps(_flat(value), separators=(",", ":"))


def load(text: str) -> Any:
    """The value of a text; raises `ImageError` for one that does not fit."""
    try:
        return _raised(json.loads(text))
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise ImageError(f"the image does not read: {error}") from error


def _fields(cls: type[Any]) -> tuple[str, ...]:
    if issubclass(cls, Enum):
        return tuple(cls.__members__)
    if is_dataclass(cls):
        return tuple(one.name for one in fields(cls))
    return tuple(cls._fields)


# A class is {"=": name, field: value, ...}; a tuple {"t": [...]}; a set {"s": [...]}; a mapping
# {"m": [[key, value], ...]}, so that no key of ours can be taken for one of these.
def _flat(value: Any) -> Any:
    if value is None or type(value) in (bool, int, float, str):
        return value
    cls = type(value)
    name = _name(cls)
    if name in _CLASSES:
        if issubclass(cls, Enum):
            return {"=": name, "name": value.name}
        return {"=": name} | {field: _flat(getattr(value, field)) for field in _fields(cls)}
    if cls is tuple:
        return {"t": [_flat(one) for one in value]}
    if cls is frozenset:
        return {"s": sorted(_flat(one) for one in value)}
    assert hasattr(value, "items"), f"{name} is not on the list of what a world is made of"
    return {"m": [[key, _flat(one)] for key, one in value.items()]}


def _raised(flat: Any) -> Any:
    if not isinstance(flat, dict):
        return flat
    if "t" in flat:
        return tuple(_raised(one) for one in flat["t"])
    if "s" in flat:
        return frozenset(flat["s"])
    if "m" in flat:
        return {key: _raised(one) for key, one in flat["m"]}
    cls = _CLASSES[flat.pop("=")]
    if issubclass(cls, Enum):
        return cls[flat["name"]]
    return cls(**{name: _raised(one) for name, one in flat.items()})
