"""A field of `--json` that is there is never taken away or given another kind within one number."""

from __future__ import annotations

import pytest
from shape_fields import kept, lines_of, now
from test_json_shapes import SHAPES

from carerules.report import LogShape, StatusShape


def broken(before: list[str], after: list[str]) -> list[str]:
    """What programs relied on and would not find; all of a shape may go with its number."""
    numbers = {line.split(":")[0] for line in after}
    return [line for line in before if line.split(":")[0] in numbers and line not in after]


def test_every_field_that_was_ever_there_is_there() -> None:
    assert broken(kept(), now()) == []


def test_what_is_new_is_kept_from_now_on() -> None:
    assert sorted(set(now()) - set(kept())) == [], "run `python tests/cli/shape_fields.py`"


def test_the_list_is_long_and_in_order() -> None:
    lines = kept()
    assert lines == sorted(set(lines))
    assert {line.split(" 1:")[0] for line in lines} >= set(SHAPES)
    assert len(lines) > 400


@pytest.mark.parametrize("change", ["a field less", "another kind"])
def test_a_field_that_goes_or_changes_is_found(change: str) -> None:
    lines = now()
    wanted = "log 1: lines[].text: string"
    assert wanted in lines
    after = [line for line in lines if line != wanted]
    if change == "another kind":
        after.append("log 1: lines[].text: integer")
    assert broken(lines, after) == [wanted]


def test_another_number_may_have_other_fields() -> None:
    before = list(lines_of("log", LogShape))
    after = [line.replace("log 1:", "log 2:") for line in before[:2]]
    assert broken(before, after) == []


def test_lines_go_into_lists_and_say_what_may_be_null() -> None:
    lines = list(lines_of("status", StatusShape))
    assert "status 1: packs[].charge.soc_percent: null | number" in lines
    assert "status 1: now: string (date-time)" in lines
