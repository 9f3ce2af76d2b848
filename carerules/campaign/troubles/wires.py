"""The way to the plugs: cut, lossy, slow, doubled; and the broker that all of them share.

Knows what a wire does to messages. Does not know what they say.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from carerules.campaign.ground import LOADS
from carerules.campaign.stage import Act, Stage, Wire
from carerules.campaign.troubles.kinds import Trouble
from carerules.domain.event import Event, PlugLink
from carerules.domain.moment import MINUTE, SECOND

NOTICED_AFTER = 12 * SECOND
"""So late a broker's will, or a missing echo, says that it is gone (measured: 8 to 15 s)."""


def _wire(name: str, spoil: Callable[[Wire, Random], None]) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        plug = chance.choice(LOADS)
        lasts, its = chance.randrange(10 * SECOND, 20 * MINUTE), Random(chance.random())

        def act() -> Sequence[Event]:
            stage.say(f"the way to {plug}: {name}")
            spoil(stage.wires[plug], its)
            stage.later(lasts, mend)
            return ()

        def mend() -> Sequence[Event]:
            stage.say(f"the way to {plug} is as before")
            stage.wires[plug] = Wire()
            return ()

        return act

    return draw


def _cut(wire: Wire, _: Random) -> None:
    wire.cut = True


def _lossy(wire: Wire, chance: Random) -> None:
    wire.lossy = chance


def _slow(wire: Wire, chance: Random) -> None:
    wire.delay = chance.randrange(5 * SECOND, 60 * SECOND)


def _doubled(wire: Wire, _: Random) -> None:
    wire.doubled = True


def _broker(stage: Stage, chance: Random) -> Act:
    """The broker goes: no word to any plug or from it, nor from any pack."""
    lasts = chance.randrange(5 * SECOND, 15 * MINUTE)

    def act() -> Sequence[Event]:
        stage.say("the broker goes")
        for wire in stage.wires.values():
            wire.cut = True
        for pack in stage.setup.site.packs:
            stage.spoilers[pack] = lambda _: None
            stage.doubtful.add(pack)
        if lasts > NOTICED_AFTER:
            stage.later(NOTICED_AFTER, lambda: _links(stage, up=False))
        stage.later(lasts, back)
        return ()

    def back() -> Sequence[Event]:
        stage.say("the broker is back")
        for plug in stage.wires:
            stage.wires[plug] = Wire()
        stage.spoilers.clear()
        stage.doubtful.clear()
        return _links(stage, up=True)

    return act


def _links(stage: Stage, *, up: bool) -> Sequence[Event]:
    plugs = stage.world.bench.plugs.items()
    now = stage.now()
    return [PlugLink(now, name, up) for name, truth in plugs if not up or truth.hears(now)]


WIRES: dict[str, Trouble] = {
    "wire cut": _wire("cut", _cut),
    "wire lossy": _wire("a third is lost", _lossy),
    "wire slow": _wire("words arrive late", _slow),
    "wire doubled": _wire("each word arrives twice", _doubled),
    "wire broker": _broker,
}
