"""The machine that the service runs on: killed, hung, asleep, its clock, its disk.

Knows what happens to a machine. Does not know what the service makes of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from carerules.campaign.bounds import ALARM_ENDS, LOOK_EVERY
from carerules.campaign.ground import RULES
from carerules.campaign.journal import Spoil
from carerules.campaign.stage import Act, Stage
from carerules.campaign.troubles.kinds import Trouble
from carerules.domain.event import ClockSet, Event
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration


def _killed(stage: Stage, chance: Random) -> Act:
    lasts = chance.choice([2 * SECOND, 30 * SECOND, 5 * MINUTE, 20 * MINUTE])

    def act() -> Sequence[Event]:
        stage.down_until = stage.now() + lasts
        return ()

    return act


def _killed_and(what: str, lost: Callable[[Stage, Random], None]) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        killed, its = _killed(stage, chance), Random(chance.random())

        def act() -> Sequence[Event]:
            stage.say(what)
            lost(stage, its)
            return killed()

        return act

    return draw


def _loses_snapshots(stage: Stage, _: Random) -> None:
    stage.journal.lose_snapshots()


def _has_other_rules(stage: Stage, chance: Random) -> None:
    stage.edited = chance.randrange(len(RULES))


def _hangs(stage: Stage, chance: Random) -> Act:
    """It hears nothing for a while, and then everything at once."""
    lasts = chance.choice([5 * SECOND, 30 * SECOND, 2 * MINUTE, 10 * MINUTE])

    def act() -> Sequence[Event]:
        stage.say(f"the service hangs for {lasts / SECOND:.0f} s")
        stage.hung_until = stage.now() + lasts
        return ()

    return act


def _disk(spoil: Spoil) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        restarts, after = chance.random() < 0.7, chance.randrange(MINUTE, 12 * MINUTE)
        again = _killed(stage, chance)

        def act() -> Sequence[Event]:
            stage.say(f"the journal: {spoil.value}")
            stage.journal.next_fault = spoil
            if restarts:
                stage.later(after, again)
            return ()

        return act

    return draw


def _clock(step: Duration, asleep: Duration) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        by = step if chance.random() < 0.5 else -2 * step

        def act() -> Sequence[Event]:
            stage.say(f"the wall clock is {by / SECOND:+.0f} s off; {asleep / SECOND:.0f} s asleep")
            awake = stage.now() + asleep
            if asleep > ALARM_ENDS:
                stage.observer.off_wanted.clear()  # nobody can tell in time; it is sought anew
            while stage.now() < awake:  # nobody listens meanwhile
                stage.world.advance_once(min(awake, stage.now() + LOOK_EVERY))
                stage.observer.look()
            stage.observer.wall = by
            return [ClockSet(stage.now(), by, asleep)]

        return act

    return draw


MACHINE: dict[str, Trouble] = {
    "machine killed": _killed,
    "machine forgets": _killed_and("the snapshots are gone", _loses_snapshots),
    "machine edited": _killed_and("the rules are edited while it is down", _has_other_rules),
    "machine hangs": _hangs,
    "machine clock": _clock(HOUR, 0),
    "machine dozes": _clock(30 * SECOND, 3 * SECOND),
    "machine asleep": _clock(HOUR, 10 * MINUTE),
    **{f"machine disk {spoil.value}": _disk(spoil) for spoil in Spoil},
}
