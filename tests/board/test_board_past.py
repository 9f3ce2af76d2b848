"""A stretch of the past: what `timeline` says of a story, and how the board draws it."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from board_kit import browser, pages
from reading_kit import (
    FIRES,
    T0,
    Story,
    begin,
    draining_heron,
    full_heron,
    off_reports,
    seen_heron,
)

from carerules.board.past import past_of, why_page_of
from carerules.domain.decision import SwitchOff
from carerules.domain.event import (
    A_PERSON,
    Happened,
    Placed,
    PlugReport,
    Sample,
    Stopped,
    Tick,
    Value,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND
from carerules.report import StatusShape, TimelineShape, WhyShape


def line(story: Story, *words: str) -> TimelineShape:
    shown = story.run("timeline", "heron", "--json", *words)
    assert shown.exit_code == 0, shown.output
    return TimelineShape.model_validate_json(shown.output)


def drained(folder: Path) -> Story:
    """heron is drained for an hour, then everything is stopped and read back off."""
    story = draining_heron(folder)
    for number in range(1, 7):
        at = FIRES + number * 10 * MINUTE
        story.go(
            seen_heron(at, 4.19 - 0.01 * number, current=-2.6),
            PlugReport(at + SECOND, "A-load", True, 58.0, 89.0),
        )
    end = FIRES + HOUR + MINUTE
    story.go(Stopped(end, "a person"), PlugReport(end + SECOND, "A-load", False, 0.0))
    story.go(PlugReport(end + 10 * SECOND, "A-load", False, 0.0))
    return story


def test_what_a_person_read_and_a_plug_metered_days_before_counts(tmp_path: Path) -> None:
    """Of a pack that tells nothing of itself there is no younger word; `status` says the same."""
    story = begin(tmp_path)
    typed, on = T0 + MINUTE, T0 + 2 * HOUR
    story.go(Sample(typed, typed, "heron", (Value("pack.voltage", 24.9, 0.01),), A_PERSON))
    for number in range(360):
        story.go(PlugReport(on + number * 10 * SECOND, "A-load", True, 60.0, 80.0))
    story.go(PlugReport(on + HOUR, "A-load", False, 0.0))
    story.go(Tick(on + 5 * DAY), *off_reports(on + 5 * DAY + SECOND))
    status = StatusShape.model_validate_json(story.run("status", "heron", "--json").output)
    now = status.packs[0].charge.soc_percent
    assert now is not None
    assert 70 < now < 85  # 4.15 V a cell, less an hour of 60 W out of some 355 Wh
    assert line(story, "--hours", "12").levels[-1].soc_percent == pytest.approx(now, abs=0.1)


def test_rules_jobs_and_plugs_lie_where_they_were(tmp_path: Path) -> None:
    story = drained(tmp_path)
    shape = line(story, "--hours", "2")
    spans = {(one.kind, one.name): one for one in shape.spans}
    fires = story.world.local.read(FIRES)
    job = spans["job", "heron-1, full-too-long"]
    assert job.begins == fires
    assert job.ends == fires + timedelta(minutes=61)
    load = spans["load", "A-load"]
    assert abs((load.begins - fires).total_seconds()) < 60
    off = next(world.now for _, decided, world in story.told for one in decided
               if isinstance(one, SwitchOff) and world.now > FIRES)  # fmt: skip
    assert load.ends == story.world.local.read(off)
    assert not load.goes_on
    assert [one.soc_percent for one in shape.levels] == sorted(
        (one.soc_percent for one in shape.levels), reverse=True
    )
    assert any("everything was stopped" in one.text for one in shape.marks)


def test_a_veto_is_there_with_its_interlock(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Tick(FIRES))  # the rule fires and nothing fresh is known of the pack's voltage
    names = [one.name for one in line(story, "--hours", "1").spans if one.kind == "veto"]
    told = [one.text for one in line(story, "--hours", "1").marks if "not on A" in one.text]
    assert names
    assert told
    assert names[0] in told[0]


def test_only_the_stretch_is_told(tmp_path: Path) -> None:
    story = drained(tmp_path)
    shape = line(story, "--hours", "2", "--until", "2026-12-01T12:00")
    assert not shape.spans
    assert not shape.marks
    assert all(shape.since <= one.at <= shape.until for one in shape.levels)


def test_a_snapshot_and_none_give_the_same_stretch(tmp_path: Path) -> None:
    story = drained(tmp_path)
    whole = line(story, "--hours", "1")
    story.snapshot()
    story.go(Tick(story.world.now + MINUTE))
    until = story.world.local.read(FIRES + HOUR + MINUTE + 10 * SECOND)
    again = line(story, "--hours", "1", "--until", until.replace(tzinfo=None).isoformat()[:19])
    assert [one.text for one in again.marks] == [one.text for one in whole.marks]
    assert [(one.kind, one.name) for one in again.spans] == [
        (one.kind, one.name) for one in whole.spans
    ]


def test_words_for_a_terminal(tmp_path: Path) -> None:
    shown = drained(tmp_path).run("timeline", "heron", "--hours", "2")
    assert "job      heron-1, full-too-long: Tue 01 Dec 18:01 to Tue 01 Dec 19:02" in shown.output
    assert all(len(row) <= 80 for row in shown.output.splitlines())


# ---- drawn -------------------------------------------------------------------------------------


def test_the_drawing_is_to_scale(tmp_path: Path) -> None:
    shape = line(drained(tmp_path), "--hours", "2")
    past = past_of(shape, 2, shape.until)
    whole = (shape.until - shape.since).total_seconds()
    job = next(lane for lane in past.lanes if lane.kind == "job")
    begun = (job_begins(shape) - shape.since).total_seconds()
    assert job.stripes[0].x == pytest.approx(1000 * begun / whole, abs=0.1)
    assert job.stripes[0].wide == pytest.approx(1000 * 61 * 60 / whole, abs=0.2)
    points = [tuple(map(float, p.split(","))) for p in past.pieces[-1].line.split()]
    levels = [one for one in shape.levels if one.soc_percent is not None]
    assert points[-1][1] == pytest.approx(100 - (levels[-1].soc_percent or 0), abs=0.06)
    assert all(0 <= x <= 1000 and 0 <= y <= 100 for x, y in points)
    assert len(past.ticks) == 5
    assert past.later == ""
    assert past.earlier == "2026-12-01T17:02:10"


def job_begins(shape: TimelineShape) -> datetime:
    return next(one.begins for one in shape.spans if one.kind == "job")


def test_a_charge_that_was_unknown_leaves_a_gap(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    for hour in range(1, 3):
        at = T0 + hour * HOUR
        story.go(seen_heron(at))
    story.go(Placed(T0 + 3 * HOUR, "heron", None))
    at = T0 + 3 * HOUR + MINUTE
    story.go(Happened(at, at, "heron", "use", "a person"), Tick(T0 + 6 * HOUR))
    at = T0 + 7 * HOUR
    story.go(Happened(at, at, "heron", "charge", "a person"))
    story.go(Happened(at, at, "heron", "full", "a person"), seen_heron(at + MINUTE))
    shape = line(story, "--hours", "8")
    assert any(one.soc_percent is None for one in shape.levels)
    assert len(past_of(shape, 8, shape.until).pieces) >= 2


def test_nothing_known_is_said(tmp_path: Path) -> None:
    shown = full_heron(tmp_path).run("timeline", "egret", "--json", "--until", "2026-11-30T18:00")
    shape = TimelineShape.model_validate_json(shown.output)
    past = past_of(shape, 24, shape.until)
    assert past.pieces == ()
    assert past.known == "the charge was unknown in all that time"


def test_the_why_page_says_each_condition_with_what_it_saw(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    shown = story.run("why", "heron", "--json", "--at", "2026-12-01T18:01:00")
    why = why_page_of(WhyShape.model_validate_json(shown.output))
    first = why.reasons[0]
    assert (first.rule, first.holds) == ("full-too-long", "holds")
    assert first.because == "a pack left full loses capacity"
    hold = first.when.parts[0]
    assert (hold.ran, hold.share) == ("24 h of 24 h", 1.0)
    assert any(seen.startswith("pack.soc: ") for seen in hold.parts[0].seen + hold.seen)
    assert any("to do: drain to 80 %" in text for text in why.decisions)


# ---- asked for over the wire ---------------------------------------------------------------------


def test_each_decision_opens_its_why(tmp_path: Path) -> None:
    client = browser(pages(drained(tmp_path)))
    shown = client.get("/pack/heron/past?hours=6")
    assert shown.status_code == 200
    ways = re.findall(r'href="(/pack/heron/why\?at=[^"]+)"', shown.text)
    assert ways
    why = client.get(ways[-1])
    assert why.status_code == 200
    assert "full-too-long: holds" in why.text
    assert "Decided then" in why.text


@pytest.mark.parametrize("asked", [
    "hours=;rm", "hours=99999", "until=--site", "until=%00", "until=2026-13-45", "hours=6&until=x",
])  # fmt: skip
def test_what_does_not_fit_is_as_if_nothing_was_said(tmp_path: Path, asked: str) -> None:
    """Nothing that is asked for becomes an option of the command."""
    client = browser(pages(full_heron(tmp_path)))
    assert client.get(f"/pack/heron/past?{asked}").status_code == 200


def test_a_time_before_the_journal_is_said_in_words(tmp_path: Path) -> None:
    client = browser(pages(full_heron(tmp_path)))
    shown = client.get("/pack/heron/why?at=2020-01-01T00:00:00")
    assert shown.status_code == 422
    assert "when the journal begins" in shown.text
    assert client.get("/pack/nobody/past").status_code == 404
    assert client.get("/pack/nobody/why").status_code == 404
