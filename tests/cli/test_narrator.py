"""What a running service says of itself: how charged everything is, where that is news."""

from __future__ import annotations

from pathlib import Path

import pytest
from reading_kit import full_heron

from carerules.cli.narrator import LOOK_ROUND_EVERY, SAME_ROUND_EVERY, Narrator
from carerules.domain.event import Happened, Tick
from carerules.domain.moment import HOUR, MINUTE


def test_how_charged_everything_is_is_said_again_where_it_changed_or_each_hour(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = full_heron(tmp_path)
    clock = [0]
    narrate = Narrator(lambda: clock[0])

    def rounds(time: int) -> list[str]:
        capsys.readouterr()
        for _ in range(time // LOOK_ROUND_EVERY):
            clock[0] += LOOK_ROUND_EVERY
            narrate(Tick(story.world.now), (), story.world)
        return [line.split("seen", 1)[1].strip() for line in capsys.readouterr().out.splitlines()]

    assert rounds(10 * MINUTE) == ["heron 100 %, egret 60 %"]
    assert rounds(SAME_ROUND_EVERY) == ["heron 100 %, egret 60 %"]
    used = Happened(story.world.now, story.world.now + MINUTE, "heron", "use", "a person")
    story.go(used)
    assert rounds(10 * MINUTE) == ["heron unknown, egret 60 %"]
    assert len(rounds(5 * HOUR)) == 5 * HOUR // SAME_ROUND_EVERY
