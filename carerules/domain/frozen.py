"""`@guarded` and `@frozen`: value classes that nobody writes to.

Knows how such classes are made. Does not know what they hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import FrozenInstanceError, dataclass, field, fields
from functools import cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar, dataclass_transform

__all__ = ["changed", "frozen", "guarded"]

C = TypeVar("C")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def guarded(cls: type[C]) -> type[C]:
    """As `dataclass(frozen=True, slots=True)`: who writes to a value gets `FrozenInstanceError`.

    All these classes share the two functions that refuse, the one that shows, and the two that
    compare. By itself each has its own, which is 9 of the 14 KB of a class of four fields, and a
    service loads more than two hundred classes.
    """
    made: Any = dataclass(frozen=True, slots=True, repr=False, eq=False)(cls)
    made.__setattr__, made.__delattr__ = _refuse_to_write, _refuse_to_delete
    made.__repr__ = cls.__dict__.get("__repr__", _shown)
    made.__eq__, made.__hash__ = _same, _hashed
    return made  # type: ignore[no-any-return]


def _shown(value: Any) -> str:
    """As a dataclass shows itself."""
    parts = (f"{one.name}={getattr(value, one.name)!r}" for one in fields(value) if one.repr)
    return f"{type(value).__qualname__}({', '.join(parts)})"


def _same(value: Any, other: Any) -> Any:
    """As a dataclass compares itself: field by field, with its own class alone."""
    if value is other:
        return True
    if other.__class__ is not value.__class__:
        return NotImplemented
    compared = _compared(value.__class__)
    return compared(value) == compared(other)


def _hashed(value: Any) -> int:
    return hash(_compared(value.__class__)(value))


@cache
def _compared(cls: type[Any]) -> Callable[[object], tuple[Any, ...]]:
    """What makes two of a class the same, of one of them."""
    names = [one.name for one in fields(cls) if one.compare]
    if len(names) > 1:
        return attrgetter(*names)
    # Of one field it would give the field, and of none it cannot be made.
    return lambda value: tuple(getattr(value, name) for name in names)


def _refuse_to_write(_value: object, name: str, _new: object) -> NoReturn:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(_value: object, name: str) -> NoReturn:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[C]) -> type[C]:
    """A slotted, hashable dataclass that the type checker holds to be frozen.

    At run time nothing guards it: the guard makes each new value four times as dear, and a sample
    makes a dozen. Used where values are made for each sample, or for each word of a text that is
    read at each key; elsewhere `@guarded`.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)


if TYPE_CHECKING:  # the checker knows what it may change
    from dataclasses import replace as changed
else:

    def changed(value: C, /, **changes: Any) -> C:
        """A copy of a `@frozen` value with some fields changed: as `dataclasses.replace`, at a
        third of its price."""
        cls = type(value)
        after = cls(*_all_fields(cls)(value))
        for name, new in changes.items():
            setattr(after, name, new)
        return after


@cache
def _all_fields(cls: type) -> attrgetter[tuple[Any, ...]]:
    return attrgetter(*(one.name for one in fields(cls)))
