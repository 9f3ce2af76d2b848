"""`@node`: a kind of node of the syntax tree.

Knows how such classes are made. Does not know what they hold.
"""

from __future__ import annotations

from collections import namedtuple
from typing import Any, TypeVar, cast, dataclass_transform

C = TypeVar("C")

_make: Any = namedtuple  # which the type checker would have called with names written out


@dataclass_transform(frozen_default=True)
def node(cls: type[C]) -> type[C]:
    """A named tuple, which the type checker holds to be a frozen data class.

    A named tuple, because there are many kinds of nodes, and a data class takes seven times as
    long to make at each start. Not told to the type checker, because it compares tuples field by
    field: of nodes that hold one another, in a union of many kinds, it did so for three minutes.
    """
    made = _make(cls.__name__, cls.__annotations__, module=cls.__module__)
    for name, member in vars(cls).items():
        if name in ("__doc__", "__annotations__") or isinstance(member, property):
            setattr(made, name, member)
    return cast("type[C]", made)
