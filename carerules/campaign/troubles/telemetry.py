"""Samples that lie, lack something, come late, or do not come.

Knows how what is told departs from what is. Does not know what the service makes of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random

from carerules.campaign.ground import PACKS
from carerules.campaign.stage import Act, Spoiler, Stage
from carerules.campaign.troubles.kinds import Trouble
from carerules.domain.event import Event, Sample
from carerules.domain.moment import MINUTE, SECOND


def _telemetry(name: str, spoiler: Callable[[], Spoiler], doubtful: bool) -> Trouble:
    def draw(stage: Stage, chance: Random) -> Act:
        pack = chance.choice(PACKS)
        lasts = chance.randrange(30 * SECOND, 30 * MINUTE)

        def act() -> Sequence[Event]:
            stage.say(f"telemetry of {pack}: {name}")
            stage.spoilers[pack] = spoiler()
            stage.doubtful.discard(pack)
            if doubtful:
                stage.doubtful.add(pack)
            if name == "frozen":
                stage.world.bring(pack)
                stage.observer.frozen_wh[pack] = stage.world.bench.packs[pack].out_wh
            stage.later(lasts, mend)
            return ()

        def mend() -> Sequence[Event]:
            stage.say(f"telemetry of {pack} is back")
            stage.spoilers.pop(pack, None)
            stage.doubtful.discard(pack)
            stage.observer.frozen_wh.pop(pack, None)
            return ()

        return act

    return draw


def _with_values(sample: Sample, change: Callable[[float], float]) -> Sample:
    values = tuple(replace(value, value=change(value.value)) for value in sample.values)
    return replace(sample, cells=tuple(map(change, sample.cells)), values=values)


def _only(sample: Sample, signal: str) -> Sample:
    kept = tuple(value for value in sample.values if value.signal == signal)
    return replace(sample, cells=(), values=kept)


def _frozen() -> Spoiler:
    held: list[Sample] = []

    def spoil(sample: Sample) -> Sample:
        held.append(sample)
        return replace(held[0], heard=sample.heard, at=sample.at)

    return spoil


def _always(spoil: Spoiler) -> Callable[[], Spoiler]:
    return lambda: spoil


_ROWS: tuple[tuple[str, Callable[[], Spoiler], bool], ...] = (
    ("missing", _always(lambda sample: None), True),  # noqa: ARG005
    ("frozen", _frozen, False),
    ("not a number", _always(lambda sample: _with_values(sample, lambda _: float("nan"))), True),
    ("milli", _always(lambda sample: _with_values(sample, lambda value: value * 1_000)), True),
    ("cells missing", _always(lambda sample: replace(sample, cells=())), False),
    ("late", _always(lambda sample: replace(sample, at=sample.at - 25 * SECOND)), False),
    ("very late", _always(lambda sample: replace(sample, at=sample.at - 5 * MINUTE)), True),
    ("voltage only", _always(lambda sample: _only(sample, "pack.voltage")), False),
    ("temperature only", _always(lambda sample: _only(sample, "pack.temperature")), True),
    ("no temperature", _always(
        lambda sample: replace(sample, values=tuple(
            value for value in sample.values if value.signal != "pack.temperature"
        ))
    ), False),
)  # fmt: skip
"""Name, what it does to a sample, and whether nothing that a drain needs can be believed then."""

TELEMETRY: dict[str, Trouble] = {
    f"telemetry {name}": _telemetry(name, spoiler, doubtful) for name, spoiler, doubtful in _ROWS
}
