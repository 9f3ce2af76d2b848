"""A pack on a station with everything in order, from which each test spoils one thing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from carerules.domain.decision import Intent, Veto
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment
from carerules.domain.pack import Limits, Pack, Plug, Side, Socket, Station
from carerules.domain.quantity import Known, Reading, Unknown
from carerules.safety import Bench, Dwell, Outlet, Permit, PlugState, permit

NOW: Moment = 1_764_892_800_000
LIMITS = Limits(
    cell_v_floor=3.4, cell_v_ceiling=4.22, cell_v_harm=3.0,
    drain_c_min=0.0, drain_c_max=50.0, charge_c_min=5.0, charge_c_max=45.0,
)  # fmt: skip
PACK = Pack("heron", "lipo", 6, 16.0, LIMITS)
STATION = Station("bench", Socket("load", 60.0), Socket("charger", 200.0))
LOAD, CHARGER = Plug("load", "kit"), Plug("charger", "kit")
OFF = PlugState("load", on=False, on_heard=NOW - SECOND, power_w=0.0, power_heard=NOW - SECOND)


def known(value: float, spread: float = 0.0, age: int = 0, slope: float = 0.0) -> Known:
    return Known(value, spread, NOW - age, "kit", slope)


UNKNOWN = Unknown("stale")
IN_ORDER: Mapping[str, Reading] = {
    "pack.soc": known(80, 2),
    "pack.cell.min": known(3.9, 0.005),
    "pack.cell.max": known(3.92, 0.005),
    "pack.temperature": known(21, 0.5),
    "pack.rested": known(2 * HOUR),
    "pack.current": known(0.0, 0.02),
}


def on(plug: str = "load", since: int = 10 * MINUTE, **changes: Any) -> PlugState:
    """A plug that is on as it should be, for the job `job`."""
    power_w = 60.0 if plug == "load" else 200.0
    state = PlugState(
        plug, on_at=NOW - since, said_at=NOW - 5 * SECOND, job="job", on=True,
        on_heard=NOW - SECOND, power_w=power_w, power_heard=NOW - SECOND, timer_s=80.0,
        confirmed=True,
    )  # fmt: skip
    return replace(state, **changes)


@dataclass
class Case:
    """Everything in order; `but` changes one thing."""

    side: Side = Side.LOAD
    target: float = 50.0
    bench: dict[str, Any] = field(default_factory=dict)
    readings: dict[str, Reading] = field(default_factory=lambda: dict(IN_ORDER))
    plugs: dict[str, tuple[Plug, PlugState]] = field(
        default_factory=lambda: {
            "load": (LOAD, OFF),
            "charger": (CHARGER, replace(OFF, name="charger")),
        }
    )

    def reading(self, name: str, value: Reading | None) -> Case:
        kept = {key: one for key, one in self.readings.items() if key != name}
        return replace(self, readings=kept if value is None else {**kept, name: value})

    def plug(self, name: str, state: PlugState | None = None, plug: Plug | None = None) -> Case:
        known_plug, known_state = self.plugs[name]
        one = (plug or known_plug, state or known_state)
        return replace(self, plugs={**self.plugs, name: one})

    def but(self, **changes: Any) -> Case:
        own = {name: changes.pop(name) for name in ("side", "target") if name in changes}
        return replace(self, bench={**self.bench, **changes}, **own)

    def verdict(self) -> Permit | Veto:
        fields: dict[str, Any] = {
            "now": NOW, "pack": PACK, "station": STATION, "readings": self.readings, "room": {},
            "dwell": Dwell(time_max=4 * HOUR, energy_wh_max=1_000.0),
            "attended_until": NOW + HOUR if self.side is Side.CHARGER else 0,
        }  # fmt: skip
        intent = Intent("job", "rule", "heron", "bench", self.side, self.target, "kit", HOUR, 100.0)
        fields.update(self.bench)
        load, charger = (self._outlet(fields["station"].socket(side)) for side in Side)
        outlet, other = (load, charger) if self.side is Side.LOAD else (charger, load)
        return permit(intent, Bench(outlet=outlet, other=other, **fields))

    def _outlet(self, socket: Socket | None) -> Outlet | None:
        return None if socket is None else Outlet(socket, *self.plugs[socket.plug])

    def interlock(self) -> str:
        """The interlock that refuses, or nothing."""
        verdict = self.verdict()
        return verdict.interlock if isinstance(verdict, Veto) else ""


def draining() -> Case:
    return Case()


def charging() -> Case:
    return Case(side=Side.CHARGER, target=90.0)
