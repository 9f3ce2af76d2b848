"""docs/json.md, the shapes and what the commands print: three that must say the same."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from reading_kit import FIRES, Story, draining_heron

from carerules.domain.event import Rejected
from carerules.domain.moment import HOUR
from carerules.planner import KeptShape, PlanShape
from carerules.planner import shapes as plan_shapes
from carerules.report import (
    ChoresShape,
    CompareShape,
    ForecastShape,
    HealthShape,
    LogShape,
    StatusShape,
    TimelineShape,
    UsesShape,
    WhyShape,
    calendars,
    course_shapes,
    month_shapes,
    replayed,
    shapes,
)
from carerules.report import fleet as fleet_shapes
from carerules.report.calendars import CalendarsShape
from carerules.report.fleet import FleetReplayShape, FleetReportShape
from carerules.report.month_shapes import MonthShape
from carerules.report.replayed import ReplayShape
from carerules.report.saying import SaidShape

DOCS = (Path(__file__).parents[2] / "docs" / "json.md").read_text("utf-8")

SHAPES: dict[str, type[shapes.Shape]] = {
    "status": StatusShape, "why": WhyShape, "log": LogShape, "uses list": UsesShape,
    "compare": CompareShape,
    "timeline": TimelineShape, "forecast": ForecastShape, "health": HealthShape,
    "report": MonthShape, "replay": ReplayShape, "run": SaidShape, "plan": PlanShape,
    "plan kept": KeptShape,
    "chore": ChoresShape,
    "calendar": CalendarsShape,
    "replay fleet": FleetReplayShape, "report fleet": FleetReportShape,
}  # fmt: skip

COMMANDS = [
    ("status", ("status",)),
    ("status", ("status", "egret")),
    ("why", ("why", "heron")),
    ("why", ("why", "egret", "ready")),
    ("why", ("why", "heron", "--at", "2026-12-01T18:01")),
    ("why", ("why", "egret", "--at", "2026-11-30T19:00")),
    ("timeline", ("timeline", "heron")),
    ("timeline", ("timeline", "egret", "--hours", "2")),
    ("replay", ("replay",)),
    ("replay", ("replay", "--until", "2026-12-01T18:01")),
    ("log", ("log",)),
    ("log", ("log", "--all", "--pack", "heron")),
    ("uses list", ("uses", "list")),
    ("report", ("report",)),
    ("report", ("report", "--month", "2026-12")),
    ("plan", ("plan",)),
    ("plan", ("plan", "--until", "2026-12-05T09:00", "--simple")),
    ("plan kept", ("plan", "--kept")),
    ("calendar", ("calendar",)),
    ("health", ("health",)),
    ("health", ("health", "heron")),
    ("forecast", ("forecast", "heron", "drain", "80", "--from", "100")),
    ("forecast", ("forecast", "egret", "charge", "100 %", "--from", "40 %", "--by", "4 A")),
]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = draining_heron(tmp_path_factory.mktemp("json"))
    story.go(Rejected(FIRES + HOUR, "shed/a", "no number"))
    story.snapshot()
    yield story
    story.close()


def examples() -> dict[str, str]:
    return dict(re.findall(r"^```json ([a-z ]+)\n(.*?)^```$", DOCS, re.MULTILINE | re.DOTALL))


def test_there_is_an_example_of_each_shape() -> None:
    assert set(examples()) == set(SHAPES)


@pytest.mark.parametrize("name", SHAPES)
def test_the_examples_are_of_their_shape(name: str) -> None:
    text = examples()[name]
    shape = SHAPES[name].model_validate_json(text, strict=True)
    assert json.loads(shape.model_dump_json()) == json.loads(text)


@pytest.mark.parametrize(("name", "words"), COMMANDS, ids=str)
def test_what_is_printed_is_of_its_shape(story: Story, name: str, words: tuple[str, ...]) -> None:
    shown = story.run(*words, "--json")
    assert shown.exit_code == 0
    shape = SHAPES[name].model_validate_json(shown.stdout, strict=True)
    assert json.loads(shape.model_dump_json()) == json.loads(shown.stdout)
    assert json.loads(shown.stdout)["shape"] == 1


def keys(flat: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(flat, dict):
        for key, value in flat.items():
            yield key, value
            yield from keys(value)
    elif isinstance(flat, list):
        for one in flat:
            yield from keys(one)


TIMES = {"now", "at", "since", "start", "heard", "on_since", "fires_at", "last_wrote", "good_at",
         "attended_until", "begins", "ends", "until", "ready_at", "ready_from", "ready_until",
         "earliest", "due", "last_at", "was_at", "forgotten_before", "made"}  # fmt: skip


@pytest.mark.parametrize(("name", "words"), COMMANDS, ids=str)
def test_times_carry_their_offset(story: Story, name: str, words: tuple[str, ...]) -> None:
    flat = json.loads(story.run(*words, "--json").stdout)
    times = [value for key, value in keys(flat) if key in TIMES and value is not None]
    assert times
    for text in times:
        assert datetime.fromisoformat(text).utcoffset() is not None


@pytest.mark.parametrize("name", SHAPES)
def test_every_field_is_explained(name: str) -> None:
    named = set(re.findall(r"`([a-z0-9_]+)`", DOCS))
    fields = {key for key, _ in keys(json.loads(examples()[name]))}
    assert fields <= named | {"packs"}, fields - named


def test_every_shape_is_in_an_example_with_all_its_fields() -> None:
    shown = {key for text in examples().values() for key, _ in keys(json.loads(text))}
    wanted = {
        field
        for shape in [
            SaidShape,
            *vars(shapes).values(),
            *vars(course_shapes).values(),
            *vars(month_shapes).values(),
            *vars(plan_shapes).values(),
            *vars(calendars).values(),
            *vars(replayed).values(),
            *vars(fleet_shapes).values(),
        ]
        if isinstance(shape, type) and issubclass(shape, shapes.Shape)
        for field in shape.model_fields
    }
    assert wanted == shown


def test_a_field_too_many_or_too_few_is_no_shape() -> None:
    flat = json.loads(examples()["log"])
    for wrong in (
        {**flat, "more": 1},
        {key: flat[key] for key in ("shape", "site")},
        {**flat, "shape": 2},
    ):
        with pytest.raises(ValueError, match="LogShape"):
            LogShape.model_validate(wrong)
