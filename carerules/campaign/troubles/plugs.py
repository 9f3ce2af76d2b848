"""Plugs that fail, lose their mains, or are switched by somebody else.

Knows how a plug goes wrong. Does not know what the service makes of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

from carerules.campaign.bounds import LEASE_ENDS
from carerules.campaign.ground import CHARGERS, LOADS
from carerules.campaign.stage import Act, Stage
from carerules.campaign.troubles.kinds import Trouble
from carerules.domain.decision import SwitchOn
from carerules.domain.event import Event
from carerules.domain.moment import MINUTE, SECOND
from carerules.sim import Fault

OUTSIDE_THE_CONTRACT = (Fault.TIMER_MISSING, Fault.TIMER_LONG, Fault.HANGS, Fault.WELDED)
"""With these a plug does not open by itself: it is excused from what that breaks."""
STRANGER_EACH = 12 * SECOND


def _plug(fault: Fault) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        plug = chance.choice([*LOADS, *LOADS, *CHARGERS])
        mends, after = chance.random() < 0.5, chance.randrange(20 * SECOND, 20 * MINUTE)
        untold = False

        def act() -> Sequence[Event]:
            nonlocal untold
            stage.say(f"{plug} begins: {fault.value}")
            stage.world.wires.fail(plug, fault)
            untold = _cannot_be_told_of(stage, plug, fault)
            if fault in OUTSIDE_THE_CONTRACT:
                stage.observer.excused.begin(plug)
            if untold:
                stage.observer.liars.begin(plug)
            if mends:
                stage.later(after, mend)
            return ()

        def mend() -> Sequence[Event]:
            stage.say(f"{plug} mended: {fault.value}")
            stage.world.wires.mend(plug, fault)
            if fault in OUTSIDE_THE_CONTRACT:
                stage.observer.excused.mend(plug)
            if untold:
                stage.observer.liars.mend(plug)
            return ()

        return act

    return draw


def _cannot_be_told_of(stage: Stage, plug: str, fault: Fault) -> bool:
    """It says OFF and nothing of the power that flows: a welded one without a meter, or whose meter
    tells nothing, too."""
    faults = stage.world.bench.plugs[plug].faults
    metered = stage.world.site.plugs[plug].metered and Fault.READS_NOTHING not in faults
    shown = fault in (Fault.WELDED, Fault.READS_NOTHING)
    return fault is Fault.LIES or (shown and Fault.WELDED in faults and not metered)


def _mains(stage: Stage, chance: Random) -> Act:
    """The mains go for a moment: every plug wakes open."""
    plugs = (*LOADS, *CHARGERS) if chance.random() < 0.5 else (chance.choice(LOADS),)

    def act() -> Sequence[Event]:
        stage.say(f"the mains of {', '.join(plugs)} go for a moment")
        for plug in plugs:
            stage.world.wires.reboot(plug)
        return ()

    return act


def _stranger(stage: Stage, chance: Random) -> Act:
    """Somebody else sends ON: outside the contract, but told, and the station locked."""
    plug = chance.choice([*LOADS, *LOADS, *CHARGERS])
    times = chance.choice([1, 2, 10])

    def over() -> Sequence[Event]:
        stage.observer.excused.mend(plug)
        return ()

    def act(left: int = times) -> Sequence[Event]:
        stage.say(f"a stranger switches {plug} on")
        stage.observer.excused.begin(plug)
        stage.later(LEASE_ENDS, over)
        stage.world.send(SwitchOn(plug, 90, "stranger", 0, False))
        wire = stage.wires[plug]
        if not (wire.cut or wire.lossy or stage.is_down):  # otherwise nobody can know
            # A service that hangs hears of it when it is back.
            stage.observer.off_wanted.setdefault(plug, max(stage.now(), stage.hung_until))
        if left > 1:
            stage.later(STRANGER_EACH, lambda: act(left - 1))
        return ()

    return act


PLUGS: dict[str, Trouble] = {
    **{f"plug {fault.value}": _plug(fault) for fault in Fault},
    "plug mains": _mains,
    "plug stranger": _stranger,
}
