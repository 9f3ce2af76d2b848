"""Kinds of nodes: what the type checker is told of them is also so at run time."""

from __future__ import annotations

import inspect

import pytest

from carerules.domain.diagnostic import Span
from carerules.lang import statements, syntax
from carerules.lang.syntax import ReferenceNode, Word

KINDS = [
    kind for module in (syntax, statements) for name, kind in vars(module).items()
    if name.endswith("Node") and inspect.isclass(kind) and kind.__module__ == module.__name__
]  # fmt: skip


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_a_node_is_a_tuple_of_its_fields_and_knows_its_place(kind: type) -> None:
    assert issubclass(kind, tuple)
    assert kind.__match_args__ == tuple(kind.__annotations__)  # type: ignore[attr-defined]
    assert hasattr(kind, "span")
    assert kind.__doc__ is not None
    assert kind.__doc__.startswith(("`", "A ", "One ", "The "))


def test_nobody_writes_to_a_node() -> None:
    place = Span("a.care", 1, 1, 1, 5)
    reference = ReferenceNode(Word("NAME", "full", place))
    assert reference.span == place
    with pytest.raises(AttributeError):
        reference.name = reference.name  # type: ignore[misc]
