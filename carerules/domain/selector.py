"""Which packs a rule is about, by what is written of them.

Knows labels. Does not know what a rule asks of them.
"""

from __future__ import annotations

from typing import Literal, TypeAlias, assert_never

from carerules.domain.condition import Op, compare
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack


@guarded
class Named:
    """`pack heron`."""

    name: str


@guarded
class ChemistryIs:
    """`lipo packs`, `packs where chemistry is lipo`."""

    chemistry: str


@guarded
class Tagged:
    """`smart packs`, `packs where tagged "smart"`."""

    tag: str


@guarded
class RoleIs:
    """`packs where role is boat`."""

    role: str


@guarded
class Rated:
    """`packs where cells = 4`, `packs where capacity > 2 Ah`: by what stands on the label."""

    what: Literal["cells", "capacity"]
    op: Op
    value: float


@guarded
class AllOf:
    """All of them; of none: every pack."""

    parts: tuple[Selector, ...] = ()


@guarded
class AnyOf:
    """At least one of them."""

    parts: tuple[Selector, ...]


@guarded
class NoneOf:
    """Not this."""

    part: Selector


Selector: TypeAlias = Named | ChemistryIs | Tagged | RoleIs | Rated | AllOf | AnyOf | NoneOf

EVERY_PACK: Selector = AllOf()


def selects(selector: Selector, pack: Pack) -> bool:
    """Whether the selector takes in the pack."""
    match selector:
        case Named(name):
            return pack.name == name
        case ChemistryIs(chemistry):
            return pack.chemistry == chemistry
        case Tagged(tag):
            return tag in pack.tags
        case RoleIs(role):
            return pack.role == role
        case Rated(what, op, value):
            rated = float(pack.cells) if what == "cells" else pack.capacity_ah
            return compare(rated, op, value)
        case AllOf(parts):
            return all(selects(part, pack) for part in parts)
        case AnyOf(parts):
            return any(selects(part, pack) for part in parts)
        case NoneOf(part):
            return not selects(part, pack)
        case _:
            assert_never(selector)
