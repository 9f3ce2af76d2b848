"""`@frozen`: a value class that nobody writes to.

Knows how such classes are made. Does not know what they hold.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar, dataclass_transform

C = TypeVar("C")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[C]) -> type[C]:
    """A slotted, hashable dataclass that the type checker holds to be frozen.

    At run time nothing guards it: the guard makes each new value four times as dear, and a sample
    makes a dozen. Used where values are made for each sample, or for each word of a text that is
    read at each key; elsewhere `dataclass(frozen=True)`.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)
