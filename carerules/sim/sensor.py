"""What sensors make of the truth: noise, a gain a little off, steps.

Knows sensors. Does not know who reads them.
"""

from __future__ import annotations

from random import Random

from carerules.domain.frozen import guarded
from carerules.sim.pack import PackTruth

NOISE_DRAWS = 8_191  # a prime: packs that step through it by any stride meet every draw
SLICE_MAX = 64  # the most draws taken at once: 60 cells in series and four more


class Noise:
    """Unit-normal draws from a seed, taken in slices round a ring.

    A fresh draw costs 0.4 µs and a sample wants nine; a slice of the ring costs 0.1 µs in all.
    """

    def __init__(self, seed: str) -> None:
        chance = Random(seed)
        ring = [chance.gauss(0, 1) for _ in range(NOISE_DRAWS)]
        self._ring = ring + ring[:SLICE_MAX]

    def take(self, start: int, count: int) -> list[float]:
        """`count` draws from `start` on, which is below `NOISE_DRAWS`; `count` <= `SLICE_MAX`."""
        return self._ring[start : start + count]


class Chance:
    """Rare draws: the n-th is a function of seed, name and n, so its whole state is n."""

    def __init__(self, seed: int, name: str, drawn: int = 0) -> None:
        self._name = f"{seed} {name}"
        self.drawn = drawn

    def between(self, low: float, high: float) -> float:
        """An even draw."""
        self.drawn += 1
        return Random(f"{self._name} {self.drawn}").uniform(low, high)


@guarded
class PackSensor:
    """How well a pack is measured: 1 sigma of noise, and the steps in which it is told.

    `gain` and `zero_a` belong to the current sensor; below `dead_a` it says nothing flows. The
    steps are what hobby monitors and smart packs print (common practice, no source).
    """

    gain: float = 1.0
    zero_a: float = 0.0
    cell_noise_v: float = 0.002
    pack_noise_v: float = 0.005
    current_noise_a: float = 0.005
    temperature_noise_c: float = 0.08
    dead_a: float = 0.03

    def read(
        self, pack: PackTruth, draws: list[float]
    ) -> tuple[float, float, float, tuple[float, ...]]:
        """Volts at the leads (0.01), A (0.01), °C (0.1) and volts of each cell (0.001).

        Takes one draw a cell and three more.
        """
        rest_v, added_v = pack.rest_v, pack.current_a * pack.nature.ohm + pack.pair_v
        rise, noise = added_v / len(rest_v), self.cell_noise_v
        cells = tuple(
            [
                int((rest + rise + noise * draw) * 1_000 + 0.5) / 1_000
                for rest, draw in zip(rest_v, draws[3:], strict=True)
            ]
        )
        volts = pack.rest_sum_v + added_v + self.pack_noise_v * draws[0]
        volts = int(volts * 100 + 0.5) / 100
        amps = pack.current_a * self.gain + self.zero_a + self.current_noise_a * draws[1]
        amps = round(amps, 2) if not -self.dead_a < amps < self.dead_a else 0.0
        celsius = round(pack.temperature_c + self.temperature_noise_c * draws[2], 1)
        return volts, amps, celsius, cells


def sensor_of(chance: Random) -> PackSensor:
    """A sensor as it comes: gain within 0.5 %, zero within 10 mA (from memory)."""
    return PackSensor(gain=1 + chance.uniform(-0.005, 0.005), zero_a=chance.uniform(-0.01, 0.01))
