"""The rules and the invented packs of `benchmarks/replay.py`.

The same ten rules twice: in the language, and as terms for those who do not speak it (all terms of
a rule hold at once, each all of its comparisons, without a break for so many milliseconds).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAYS = 2
BEGIN = 1_772_409_600_000  # Mon 2 March 2026, midnight UTC

Found: TypeAlias = list[tuple[str, int, int]]
Term: TypeAlias = tuple[tuple[tuple[str, str, float], ...], int]

TEXT = """\
rule full-day
    when pack.soc >= 95 for 24 h: notify "it"
rule hot
    when pack.temperature > 45 °C for 5 min: notify "it"
rule low-idle
    when pack.soc <= 30 and ((pack.current > -0.2 A and pack.current < 0.2 A) for 30 min):
        notify "it"
rule empty
    when pack.soc < 10: notify "it"
rule warm-full
    when (pack.soc >= 80 and pack.temperature >= 35 °C) for 2 h: notify "it"
rule cold-charge
    when (pack.temperature < 0 °C and pack.current > 0.5 A) for 1 min: notify "it"
rule lies-idle
    when pack.soc >= 60 and ((pack.current > -0.2 A and pack.current < 0.2 A) for 6 h):
        notify "it"
rule burning
    when pack.temperature >= 60 °C: notify "it"
rule topped
    when pack.soc >= 99 for 30 min: notify "it"
rule low-band
    when pack.soc between 20 % and 30 % for 4 h: notify "it"
"""

_IDLE = (("current", ">", -0.2), ("current", "<", 0.2))

RULES: tuple[tuple[str, tuple[Term, ...]], ...] = (
    ("full-day", (((("soc", ">=", 95.0),), 24 * HOUR_MS),)),
    ("hot", (((("temperature", ">", 45.0),), 5 * MINUTE_MS),)),
    ("low-idle", (((("soc", "<=", 30.0),), 0), (_IDLE, 30 * MINUTE_MS))),
    ("empty", (((("soc", "<", 10.0),), 0),)),
    ("warm-full", (((("soc", ">=", 80.0), ("temperature", ">=", 35.0)), 2 * HOUR_MS),)),
    ("cold-charge", (((("temperature", "<", 0.0), ("current", ">", 0.5)), MINUTE_MS),)),
    ("lies-idle", (((("soc", ">=", 60.0),), 0), (_IDLE, 6 * HOUR_MS))),
    ("burning", (((("temperature", ">=", 60.0),), 0),)),
    ("topped", (((("soc", ">=", 99.0),), 30 * MINUTE_MS),)),
    ("low-band", (((("soc", ">=", 20.0), ("soc", "<=", 30.0)), 4 * HOUR_MS),)),
)


@dataclass(frozen=True, slots=True)
class Columns:
    """A row a pack, a column a minute."""

    time: Any
    soc: Any
    temperature: Any
    current: Any

    @property
    def packs(self) -> int:
        return int(self.soc.shape[0])

    @property
    def length(self) -> int:
        return int(self.soc.shape[1])

    def flat(self) -> dict[str, Any]:
        """All rows one after the other, as tables want them."""
        return {
            "pack": np.repeat(np.arange(self.packs, dtype=np.int32), self.length),
            "time": np.tile(self.time, self.packs),
            "soc": self.soc.ravel(), "temperature": self.temperature.ravel(),
            "current": self.current.ravel(),
        }  # fmt: skip


def columns(packs: int) -> Columns:
    """Packs that are charged, used and left lying at random, read as coarsely as sensors read."""
    chance = np.random.default_rng(20_260_302)
    length = DAYS * 24 * 60
    time = BEGIN + np.arange(length, dtype=np.int64) * MINUTE_MS
    flows = np.zeros((packs, length))
    for pack in range(packs):
        at = 0
        while at < length:
            lasts = int(chance.exponential(180)) + 3
            flows[pack, at : at + lasts] = chance.choice([0.0, 2.5, -3.0], p=[0.5, 0.27, 0.23])
            at += lasts
    charge = chance.uniform(5, 100, packs)
    kept_full = chance.random(packs) < 0.15
    warmth = chance.choice([-6.0, 12.0, 24.0, 37.0], packs, p=[0.15, 0.25, 0.4, 0.2])
    heat = np.zeros(packs)
    soc, temperature = np.empty((packs, length)), np.empty((packs, length))
    for at in range(length):
        flow = flows[:, at]
        flow[kept_full] = np.where(charge[kept_full] < 97, 2.5, 0.0)
        flow[(charge >= 100) & (flow > 0)] = 0.0
        flow[(charge <= 3) & (flow < 0)] = 0.0
        charge = np.clip(charge + 0.12 * flow - 0.0003, 0, 100)
        heat += (4.5 * np.abs(flow) - heat) * 0.03
        soc[:, at] = charge
        temperature[:, at] = warmth + 7 * np.sin(2 * np.pi * at / 1440) + heat
    soc = np.clip(np.round(soc + chance.normal(0, 0.08, soc.shape), 1), 0, 100)
    temperature = np.round(temperature + chance.normal(0, 0.4, soc.shape), 1)
    current = np.round(flows + chance.normal(0, 0.05, soc.shape), 2)
    return Columns(time, soc, temperature, current)
