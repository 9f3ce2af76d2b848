"""People, and the room: packs moved with and without a word, everything stopped, a hot room.

Knows what people do and leave undone. Does not know what the service makes of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random

from carerules.campaign.ground import RULES
from carerules.campaign.stage import Act, Stage
from carerules.campaign.troubles.kinds import Trouble
from carerules.domain.event import (
    A_PERSON,
    Attended,
    Cancelled,
    Event,
    Placed,
    Released,
    Sample,
    Stopped,
    Value,
    Wanted,
)
from carerules.domain.moment import HOUR, MINUTE

HOT_C = 68.0
"""A room in which a pack soon passes its warmest: the sun on a closed cabin."""
SWAP = (("egret", None), ("heron", "bench-2"), ("egret", "bench-1"))

_Word = Callable[[Stage, Random], Sequence[Event]]


def _person(what: str, word: _Word) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        its = Random(chance.random())

        def act() -> Sequence[Event]:
            stage.say(f"a person: {what}")
            return word(stage, its)

        return act

    return draw


def _moves(*moves: tuple[str, str | None], told: bool) -> _Word:
    def word(stage: Stage, _: Random) -> Sequence[Event]:
        for pack, station in moves:
            stage.world.place(pack, station)
        return [Placed(stage.now(), *move) for move in moves] if told else []

    return word


def comes(stage: Stage, chance: Random) -> Sequence[Event]:
    """Somebody says that they are there for a while."""
    until = stage.now() + chance.randrange(5 * MINUTE, HOUR)
    stage.observer.attended_until = until
    return [Attended(stage.now(), until)]


def said(stage: Stage, pack: str, error: float) -> Act:
    """Somebody enters what a pack shows that says nothing of itself, about right."""
    spread = 3.0

    def act() -> Sequence[Event]:
        now, truth = stage.now(), 100 * min(stage.world.bench.packs[pack].charges)
        value = Value("pack.soc", max(0.0, min(100.0, truth + spread * error)), spread)
        return [Sample(now, now, pack, (value,), A_PERSON)]

    return act


def reads(stage: Stage, pack: str, error_v: float) -> Act:
    """Somebody reads a pack's voltage, so far off (V), and enters it."""

    def act() -> Sequence[Event]:
        now, volts = stage.now(), round(stage.world.voltage(pack) + error_v, 2)
        stage.say(f"a person: reads {volts} V at {pack}")
        if not stage.is_down:
            stage.observer.unseen_ah.pop(pack, None)
        return [Sample(now, now, pack, (Value("pack.voltage", volts),), A_PERSON)]

    return act


def _stops(stage: Stage, _: Random) -> Sequence[Event]:
    return [Stopped(stage.now(), "a person")]


def _cancels(stage: Stage, chance: Random) -> Sequence[Event]:
    return [Cancelled(stage.now(), f"heron-{chance.randint(1, 3)}")]


def _wants(stage: Stage, chance: Random) -> Sequence[Event]:
    """From a hub or a terminal, for a pack that is fit or not, with somebody there or nobody."""
    pack, now = chance.choice(("heron", "egret")), stage.now()
    if chance.random() < 0.6:
        return [Wanted(now, pack, "storage", chance.choice((0.0, 20.0, 50.0)))]
    return [Wanted(now, pack, "ready", 100.0)]


def _releases(stage: Stage, _: Random) -> Sequence[Event]:
    return [Released(stage.now(), what) for what in ("site", "bench-1", "heron")]


def _heats(stage: Stage, _: Random) -> Sequence[Event]:
    stage.world.settings = replace(stage.world.settings, room_c=HOT_C)
    return []


def _edits(stage: Stage, chance: Random) -> Sequence[Event]:
    stage.edited = chance.randrange(len(RULES))
    return []


PEOPLE: dict[str, Trouble] = {
    "people swap": _person("swaps the packs and says so", _moves(*SWAP, told=True)),
    "people swap untold": _person("swaps the packs and says nothing", _moves(*SWAP, told=False)),
    "people replace": _person("hangs egret on bench-1", _moves(("egret", "bench-1"), told=True)),
    "people take off": _person("takes heron off and says so", _moves(("heron", None), told=True)),
    "people unplug": _person("takes heron off, says nothing", _moves(("heron", None), told=False)),
    "people stop": _person("stops everything", _stops),
    "people cancel": _person("calls a job off", _cancels),
    "people want": _person("wants a pack for storage, or ready", _wants),
    "people release": _person("releases all there is", _releases),
    "people come": _person("stays a while", comes),
    "people edit": _person("edits the rules", _edits),
    "people heat": _person("leaves the sun on the cabin", _heats),
}
