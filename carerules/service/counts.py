"""What a running service has counted since it began: heard, decided, switched.

Knows events and outcomes. Does not know who asks. It is a teller among others: the evaluator adds
to it, any thread may read it, and a number read a moment early is no harm.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Literal, TypeAlias

from carerules.domain.decision import (
    Ending,
    Fired,
    JobBegan,
    JobEnded,
    LeftOut,
    Notice,
    OffProven,
    Outcome,
    SwitchOff,
    SwitchOn,
    Veto,
)
from carerules.domain.event import BESIDE, Event, PlugReport, Rejected, Sample, Tick
from carerules.domain.frozen import guarded
from carerules.loop import World
from carerules.safety import CHECKS

Word: TypeAlias = Literal["on", "off"]

INTERLOCKS: tuple[str, ...] = tuple(
    dict.fromkeys(name for checks in CHECKS.values() for name, _ in checks)
)
"""Every interlock that can veto."""


@guarded
class Tally:
    """The counts at one moment. `began`: since when, Unix seconds of the host's clock.

    `energy_wh` went through each plug while we had it on, by its own meter. `left_out`: samples
    that came too late. `switched`: ON (without renewals) and OFF (without repeats). `read_back`:
    the plugs that were read back off since then. `step_age_s`: since the loop last stepped (s of
    the host's clock, suspend not counted); None: it never has.
    """

    began: float
    step_age_s: float | None
    events: int
    samples: int
    refused: int
    left_out: int
    fired: int
    notices: int
    jobs_begun: int
    jobs_ended: Mapping[Ending, int]
    vetoes: Mapping[str, int]
    switched: Mapping[Word, int]
    energy_wh: Mapping[str, float]
    read_back: frozenset[str]


class Counts:
    """Counts what it is told."""

    def __init__(self, wall_ms: int, real_ms: Callable[[], int], world: World) -> None:
        """`real_ms` reads a clock that only runs forward."""
        self._began, self._real_ms = wall_ms / 1_000, real_ms
        self._stepped_ms: int | None = None
        self._read_back: frozenset[str] = frozenset()
        self._number: Counter[str] = Counter()
        self._ended: Counter[Ending] = Counter()
        self._vetoes: Counter[str] = Counter()
        self._switched: Counter[Word] = Counter()
        self._energy = dict.fromkeys(world.plugs, 0.0)
        self._this_on = {name: plug.energy_wh for name, plug in world.plugs.items()}

    def tell(self, event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        """One event and what was decided on it."""
        self._stepped_ms = self._real_ms()
        match event:
            case Tick():
                pass
            case Sample():
                self._number.update(("event", "sample"))
            case Rejected(_, origin) if origin != BESIDE:
                self._number.update(("event", "refused"))
            case PlugReport(plug=plug):
                self._number["event"] += 1
                self._meter(plug, world)
            case _:
                self._number["event"] += 1
        for outcome in outcomes:
            self._count(outcome)

    def _meter(self, name: str, world: World) -> None:
        """What a plug counts begins anew with each ON; ours goes on."""
        plug = world.plugs.get(name)
        if plug is None:
            return
        before = self._this_on.get(name, 0.0)
        more = plug.energy_wh - before if plug.energy_wh >= before else plug.energy_wh
        self._this_on[name] = plug.energy_wh
        self._energy[name] = self._energy.get(name, 0.0) + max(0.0, more)

    def _count(self, outcome: Outcome) -> None:
        match outcome:
            case JobBegan():
                self._number["begun"] += 1
            case JobEnded(ending=ending):
                self._ended[ending] += 1
            case Veto(interlock=interlock):
                self._vetoes[interlock] += 1
            case Fired():
                self._number["fired"] += 1
            case Notice():
                self._number["notice"] += 1
            case LeftOut():
                self._number["late"] += 1
            case OffProven(plug=plug):
                self._read_back |= {plug}
            case SwitchOn(renewal=False):
                self._switched["on"] += 1
            case SwitchOff(again=0):
                self._switched["off"] += 1
            case _:
                pass

    def tally(self) -> Tally:
        """The counts now; what can be counted and was not yet is 0."""
        number, stepped = self._number, self._stepped_ms
        return Tally(
            began=self._began,
            step_age_s=None if stepped is None else max(0, self._real_ms() - stepped) / 1_000,
            events=number["event"], samples=number["sample"],
            refused=number["refused"], left_out=number["late"], fired=number["fired"],
            notices=number["notice"], jobs_begun=number["begun"],
            jobs_ended={ending: self._ended[ending] for ending in Ending},
            vetoes={name: self._vetoes[name] for name in INTERLOCKS},
            switched={"on": self._switched["on"], "off": self._switched["off"]},
            energy_wh=dict(self._energy), read_back=self._read_back,
        )  # fmt: skip


@guarded
class Vitals:
    """How a service is, beside its world. None: this process does not know.

    `faulted`: why the journal cannot be written. `drops`: what the inbox had no room for, by lane.
    `letters`: notices that are still to be delivered.
    """

    tally: Tally | None = None
    faulted: str = ""
    drops: Mapping[str, int] | None = None
    letters: int | None = None
