"""Nights on which nobody sees a voltage: drains go down in stages, and are read between them."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from carerules.campaign import Night, night, play
from carerules.campaign.ground import Beginning, drawn
from carerules.domain.moment import MINUTE
from carerules.loop import steer
from carerules.loop import unseen as bounds

TURN = 9  # of `ground.RULES`: down to 40 %, and up again
NIGHTS = 40


def unseen(chance: Random) -> Beginning:
    """A night as drawn, but for packs that tell nothing of themselves and are nearly full."""
    was = drawn(chance)
    ground = was.ground._replace(
        rules=TURN, blind=True, sizes_ah=(1.3, 2.6), floor_v=3.4, metered=(True,) * 4
    )
    packs = {
        name: replace(pack, soc=95.0, feed=False, uneven=1.0)
        for name, pack in was.settings.packs.items()
    }
    settings = replace(was.settings, packs=packs, room_c=20.0)
    return was._replace(ground=ground, settings=settings, length=32 * MINUTE)


def test_stages_that_people_read_between_hold_through_what_goes_wrong(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(night, "drawn", unseen)
    read = gone_on = 0
    for number in range(NIGHTS):
        played = play(Night(1, number), tell=True)
        assert not played.breaches
        story = list(played.story)
        reads = [place for place, line in enumerate(story) if "a person: reads" in line]
        read += bool(reads)
        gone_on += any("SwitchOn" in line for place in reads for line in story[place:])
    assert read > NIGHTS / 3
    assert gone_on > NIGHTS / 4


@pytest.mark.parametrize("number", [31, 62, 80])
def test_the_observer_sees_it_where_the_program_does_not_count(
    monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Another rule, job or start begins where the one before had come down by thirty points."""
    monkeypatch.setattr(night, "drawn", unseen)
    assert not play(Night(1, number)).breaches
    for room in (bounds, steer):
        monkeypatch.setattr(room, "drawn", lambda *_: 0.0)
    (breach,) = play(Night(1, number)).breaches
    assert breach.split(": ")[1] == "unseen"
