"""`@guarded` is what `dataclass(frozen=True, slots=True)` is, for less memory."""

from __future__ import annotations

import copy
import pickle
from dataclasses import FrozenInstanceError, dataclass, field, fields, make_dataclass, replace
from pathlib import Path

import pytest

from carerules.domain.frozen import guarded

ROOT = Path(__file__).resolve().parents[2]


@guarded
class Berth:
    name: str
    depth_m: float = 2.0
    tags: tuple[str, ...] = field(default=(), compare=False)


@guarded
class Buoy(Berth):
    lit: bool = False


@guarded
class Mark:
    """Of one field."""

    height_m: float


@guarded
class Shore:
    """Of none."""


@pytest.mark.parametrize("name", ["name", "depth_m", "new"])
def test_nobody_writes_to_one_or_takes_a_field_away(name: str) -> None:
    for one in (Berth("north"), Buoy("north", lit=True)):
        with pytest.raises(FrozenInstanceError, match=f"cannot assign to field '{name}'"):
            setattr(one, name, 3.0)
        with pytest.raises(FrozenInstanceError, match=f"cannot delete field '{name}'"):
            delattr(one, name)
        assert (one.name, one.depth_m) == ("north", 2.0)


def test_it_has_no_room_for_other_fields() -> None:
    with pytest.raises(AttributeError):
        object.__setattr__(Berth("north"), "new", 1)


def test_equal_ones_are_one_key_and_a_copy_differs_where_it_is_told_to() -> None:
    north = Berth("north", 3.0, ("old",))
    assert {north: 1}[Berth("north", 3.0, ("new",))] == 1
    assert replace(north, depth_m=4.0) == Berth("north", 4.0) != north
    assert repr(north) == "Berth(name='north', depth_m=3.0, tags=('old',))"
    match north:
        case Berth(name, depth):
            assert (name, depth) == ("north", 3.0)


def test_it_compares_as_a_data_class_does() -> None:
    """Held against one that `dataclass` makes, of the same fields."""
    nan = float("nan")
    for ours, values in (
        (Berth, [("a", 1.0, ()), ("a", 1.0, ("x",)), ("b", 1.0, ()), ("a", nan, ())]),
        (Mark, [(1.0,), (1,), (2.0,), (nan,), (nan,)]),
        (Shore, [(), ()]),
    ):
        fields_of = [(one.name, one.type, field(compare=one.compare)) for one in fields(ours)]
        plain = make_dataclass(ours.__name__, fields_of, frozen=True, slots=True)
        made, wanted = [ours(*one) for one in values], [plain(*one) for one in values]
        for one, like in zip(made, wanted, strict=True):
            assert hash(one) == hash(like)
            assert [one == other for other in made] == [like == other for other in wanted]
            assert one != like
    assert Berth("north") != Buoy("north")
    assert Buoy("north") != Buoy("north", lit=True)
    with pytest.raises(TypeError, match="unhashable"):
        hash(Mark([]))  # type: ignore[arg-type]


def test_it_goes_to_another_process_and_back() -> None:
    for one in (Berth("north", 3.0, ("old",)), Buoy("west", lit=True)):
        again = pickle.loads(pickle.dumps(one))
        assert again == one == copy.deepcopy(one)
        assert again.tags == one.tags


def test_its_guard_is_shared() -> None:
    own = dataclass(frozen=True, slots=True)(type("Own", (), {"__annotations__": {"at": "int"}}))
    assert own.__setattr__ not in (Berth.__setattr__, object.__setattr__)
    assert Berth.__setattr__ is Buoy.__setattr__
    assert Berth.__delattr__ is Buoy.__delattr__
    assert own.__eq__ is not Berth.__eq__ is Buoy.__eq__ is not object.__eq__
    assert own.__hash__ is not Berth.__hash__ is Buoy.__hash__ is not object.__hash__


def test_no_value_class_of_ours_has_a_guard_of_its_own() -> None:
    """Two hundred of them would take 2 MB of each service. The contract of plug-ins may not
    know the domain, and is loaded in their own process."""
    door = ROOT / "carerules" / "domain" / "frozen.py"
    texts = {path: path.read_text("utf-8") for path in (ROOT / "carerules").rglob("*.py")}
    assert "@guarded\n" in texts[ROOT / "carerules" / "domain" / "pack.py"]
    dear = [path for path, text in texts.items() if "@dataclass(frozen=True, slots=True)\n" in text
            and path.parent.name != "plugin"]  # fmt: skip
    assert not dear, f"written as `@guarded` elsewhere; only {door.name} says how that is made"
