"""Every event, outcome and entry survives the journal's text exactly; damage never passes."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from enum import Enum
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import (
    RecordError,
    dump_entry,
    dump_event,
    dump_outcome,
    load_entry,
    load_event,
    load_outcome,
)
from carerules.adapters.entry import Entry
from carerules.adapters.records import ENTRY_KINDS, EVENT_KINDS, OUTCOME_KINDS
from carerules.domain.decision import Outcome
from carerules.domain.event import Event, Sample, Tick, Value

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
WHOLE = st.integers(-(1 << 63), (1 << 63) - 1)
LEAVES: dict[object, st.SearchStrategy[Any]] = {
    str: TEXT,
    int: WHOLE,
    bool: st.booleans(),
    float: st.floats(allow_nan=False),  # NaN equals nothing: it is tested apart
    type(None): st.none(),
    datetime: st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)),
}


def any_of(kind: Any) -> st.SearchStrategy[Any]:
    """Any value of a type: a union, a dataclass, a tuple, a set, an enum or a leaf."""
    if kind in LEAVES:
        return LEAVES[kind]
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return st.one_of([any_of(each) for each in args])
    if origin is Literal:
        return st.sampled_from(args)
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(any_of(args[0]), max_size=3).map(tuple)
    if origin is tuple:
        return st.tuples(*map(any_of, args))
    if origin is frozenset:
        return st.frozensets(any_of(args[0]), max_size=3)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return st.sampled_from(kind)
    assert is_dataclass(kind), f"a field of a new type: {kind}"
    hints = get_type_hints(kind)
    return st.builds(kind, **{part.name: any_of(hints[part.name]) for part in fields(kind)})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("union", "kinds"),
    [(Event, EVENT_KINDS), (Outcome, OUTCOME_KINDS), (Entry, ENTRY_KINDS)],
    ids=["event", "outcome", "entry"],
)
def test_every_kind_has_a_name(union: object, kinds: dict[str, type]) -> None:
    assert set(kinds.values()) == set(get_args(union))
    assert all(is_dataclass(kind) for kind in kinds.values())


@given(any_of(Event))
def test_events_come_back_equal(event: Event) -> None:
    assert load_event(*dump_event(event)) == event


@given(any_of(Outcome))
def test_outcomes_come_back_equal(outcome: Outcome) -> None:
    assert load_outcome(*dump_outcome(outcome)) == outcome


@given(any_of(Entry))
def test_entries_come_back_equal(entry: Entry) -> None:
    assert load_entry(*dump_entry(entry)) == entry


def test_no_number_and_infinity_come_back() -> None:
    sample = Sample(1, 1, "heron", (Value("a", math.nan), Value("b", -math.inf)), "x")
    back = load_event(*dump_event(sample))
    assert isinstance(back, Sample)
    assert math.isnan(back.values[0].value)
    assert back.values[1].value == -math.inf


def test_the_kinds_come_back_as_themselves() -> None:
    """Two kinds with the same fields are not mixed up."""
    for name in EVENT_KINDS:
        if EVENT_KINDS[name].__dataclass_fields__.keys() == {"heard"}:
            assert type(load_event(name, '[{"heard": 1}]')) is EVENT_KINDS[name]


@pytest.mark.parametrize(
    ("kind", "body", "says"),
    [
        ("tock", '[{"heard": 1}]', "unknown kind `tock`"),
        ("tick", "", "damaged `tick`"),
        ("tick", '[{"heard": 1}', "damaged `tick`"),
        ("tick", '[{"heard": 1, "more": 2}]', "more"),
        ("tick", "[{}]", "heard"),
        ("tick", '[{"heard": "1"}]', "heard"),
        ("tick", '[{"heard": 1.5}]', "heard"),
        ("tick", "[]", "damaged"),
        ("tick", '{"heard": 1}', "damaged"),
        ("tick", '[{"heard": 1}, {"heard": 1}]', "damaged"),
        ("plug-link", '[{"heard": 1, "plug": "a", "up": 1}]', "up"),
        ("tick", "[" * 100_000, "damaged"),
        ("tick", " " * (1 << 20) + '[{"heard": 1}]', "1 MiB"),
    ],
)
def test_damage_is_named(kind: str, body: str, says: str) -> None:
    with pytest.raises(RecordError, match=says):
        load_event(kind, body)


@given(st.sampled_from(sorted(EVENT_KINDS)), st.text(max_size=60))
def test_any_other_text_is_refused(kind: str, body: str) -> None:
    try:
        event = load_event(kind, body)
    except RecordError:
        return
    assert load_event(*dump_event(event)) == event


@given(any_of(Event), st.data())
def test_a_cut_row_is_refused(event: Event, data: st.DataObject) -> None:
    kind, body = dump_event(event)
    cut = data.draw(st.integers(0, len(body) - 1))
    with pytest.raises(RecordError):
        load_event(kind, body[:cut])


def test_text_without_bytes_is_refused() -> None:
    with pytest.raises(RecordError, match="cannot be written"):
        dump_event(Sample(1, 1, "\ud800", (), "x"))


def test_a_stranger_is_refused() -> None:
    with pytest.raises(RecordError, match="no kind of record"):
        dump_outcome(Tick(1))  # type: ignore[arg-type]
