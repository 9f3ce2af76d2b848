"""A pack that pretends to be real: it hangs on a pretended plug and tells its volts, over MQTT.

Knows the pack's truth and what its plug says flows. Does not know rules or the service.

`T/telemetry` tells `{"voltage": V, "current": A, "temperature": °C, "cells": [V, ...]}`.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Moment
from carerules.sim.pack import CellKind, PackTruth, born
from carerules.sim.pretend.wire import (
    Broker,
    Message,
    Stop,
    Up,
    Wire,
    as_number,
    ends_on_signals,
    print_line,
    read_table,
)
from carerules.sim.sensor import NOISE_DRAWS, Noise, sensor_of

STEP_S = 10.0  # the longest step of the pack's own time while current flows


@guarded
class Pretence:
    """What a pack pretends to be: `cells` of a chemistry (`kind`), at first at a charge (`soc`, %),
    on the load of the plug at `plug_topic`.

    `speed` is the pack's time over real time, `every_s` the time between two samples; the same
    `seed` makes the same small errors of them again.
    """

    topic: str
    kind: CellKind
    cells: int = 6
    capacity_ah: float = 16.0
    soc: float = 100.0
    plug_topic: str | None = None
    speed: float = 1.0
    every_s: float = 10.0
    seed: int = 0


class PretendPack:
    """The pack: messages and moments in, telemetry out. Opens no socket.

    Times are milliseconds of a clock that only runs forward.
    """

    def __init__(
        self, one: Pretence, *, say: Callable[[str, dict[str, object]], None],
        print_: Callable[[str], None], now: Moment,
    ) -> None:  # fmt: skip
        chance = Random(f"{one.seed} pack {one.topic}")
        nature = born(one.kind, cells=one.cells, capacity_ah=one.capacity_ah, chance=chance)
        self.truth = PackTruth(nature, soc=one.soc)
        self.topics: list[str] = []
        if one.plug_topic is not None:
            self.topics = [f"{one.plug_topic}/state", f"{one.plug_topic}/truth"]
        self._topic, self._say, self._print = one.topic, say, print_
        self._speed, self._every = one.speed, round(one.every_s * SECOND)
        self._sensor, self._noise = sensor_of(chance), Noise(f"{one.seed} noise {one.topic}")
        self._draw = 0
        self._at, self._tells_at = now, now
        self._power_w = 0.0
        self._ends_at: Moment | None = None
        self._hears_truth = False

    def next_at(self) -> Moment:
        """When it has to be called next, message or none."""
        return self._tells_at

    def hears(self, message: Message, now: Moment) -> None:
        """Its plug said what flows; from then on it does."""
        found = read_table(message.payload) or {}
        is_truth = message.topic.endswith("/truth")
        closed, power_w = found.get("closed" if is_truth else "on"), as_number(found.get("power_w"))
        # A plug that tells the truth beside its state is believed there alone: it may lie.
        if not isinstance(closed, bool) or power_w is None or (self._hears_truth and not is_truth):
            return
        self._hears_truth = is_truth
        self.passes(now)
        flows_w = power_w if closed else 0.0
        if (flows_w > 0) != (self._power_w > 0):
            self._print(f"{flows_w:.1f} W flow; charge {self.truth.soc:.1f} %")
        self._power_w = flows_w
        left_s = as_number(found.get("timer_s"))
        # Without another word the plug's own timer opens it: the broker may be gone by then.
        self._ends_at = None if left_s is None else now + round(left_s * SECOND)

    def passes(self, now: Moment) -> None:
        """Time has come to `now`: the pack's truth follows, and it tells when it is time to."""
        if self._ends_at is not None and now >= self._ends_at:
            self._advance(self._ends_at)
            if self._power_w > 0:
                self._print(f"0.0 W flow; charge {self.truth.soc:.1f} %")
            self._power_w, self._ends_at = 0.0, None
        self._advance(now)
        if now >= self._tells_at:
            self.tell(now)

    def tell(self, now: Moment) -> None:
        """Say what its sensors show."""
        self._tells_at = now + self._every
        draws = self._noise.take(self._draw, 3 + self.truth.nature.cells)
        self._draw = (self._draw + len(draws)) % NOISE_DRAWS
        volts, amps, celsius, cells = self._sensor.read(self.truth, draws)
        self._say(
            f"{self._topic}/telemetry",
            {"voltage": volts, "current": amps, "temperature": celsius, "cells": list(cells)},
        )

    def _advance(self, now: Moment) -> None:
        left_s = max(0.0, (now - self._at) / SECOND * self._speed)
        self._at = max(self._at, now)
        while True:
            step_s = min(left_s, STEP_S) if self._power_w else left_s
            self.truth.advance(step_s, power_w=-self._power_w)
            left_s -= step_s
            if left_s <= 0:
                return


def pretend_pack(
    pretence: Pretence,
    broker: Broker,
    *,
    real_ms: Callable[[], int],
    print_: Callable[[str], None] = print_line,
) -> int:
    """Be a pack until SIGTERM or Ctrl-C; the program's exit code."""
    wire = Wire(broker)
    pack = PretendPack(pretence, say=wire.say, print_=print_, now=real_ms())
    print_(f"pretends to be a pack at `{pretence.topic}`; charge {pack.truth.soc:.1f} %")
    with ends_on_signals(wire.stop):
        wire.begin(pack.topics)
        while True:
            pack.passes(real_ms())
            match wire.next((pack.next_at() - real_ms()) / SECOND):
                case Message() as message:
                    pack.hears(message, real_ms())
                case Up():
                    print_("on the line")
                    pack.tell(real_ms())
                case Stop():
                    break
                case None:
                    pass
    wire.close()
    print_(f"ends; charge {pack.truth.soc:.1f} %")
    return 0
