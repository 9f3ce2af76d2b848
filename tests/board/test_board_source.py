"""Where the status comes from: when there is something new, and when a service has gone quiet."""

from __future__ import annotations

from pathlib import Path

import pytest
from reading_kit import FIRES, SECOND, begin, full_heron

from carerules.board import JournalSource, RunningSource
from carerules.board import source as source_module
from carerules.domain.event import Happened, Tick


def test_two_worlds_of_one_moment_are_two(tmp_path: Path) -> None:
    """A person's entry is taken in at the moment of the event before it."""
    story = full_heron(tmp_path)
    source = RunningSource(lambda: story.world)
    first, now = source.version(), story.world.now
    assert source.version() == first
    story.go(Happened(now, now, "egret", "full", "a person"))
    assert story.world.now == now
    assert source.version() != first


def test_a_service_that_stands_still_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = full_heron(tmp_path)
    clock = [100.0]
    monkeypatch.setattr(source_module.time, "monotonic", lambda: clock[0])
    source = RunningSource(lambda: story.world)
    assert source.silent_s() == 0
    clock[0] += source_module.SILENT_S + 1
    assert source.silent_s() == pytest.approx(source_module.SILENT_S + 1)
    story.go(Tick(story.world.now + SECOND))
    assert source.silent_s() == 0


def test_a_journal_that_is_written_gives_another_version(tmp_path: Path) -> None:
    story = begin(tmp_path)
    source = JournalSource(story.site)
    before = source.version()
    story.go(Happened(FIRES, FIRES, "heron", "full", "a person"))
    assert source.version() != before
    shape = source.look()
    assert next(one for one in shape.packs if one.pack == "heron").charge.soc_percent == 100


def test_edited_rules_are_read_again(tmp_path: Path) -> None:
    story = begin(tmp_path)
    source = JournalSource(story.site)
    assert source.look().rules_loaded
    (tmp_path / "shed.care").write_text("rule broken when\n", "utf-8")
    assert not source.look().rules_loaded
