"""What a stretch of time came to: each rule's work, each pack's time full, what stepped in.

Knows outcomes and worlds. Does not know whether they were real or played.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from carerules.battery import Band, Ledger, empty_ledger, lain
from carerules.domain.decision import (
    ChoreOpened,
    Ending,
    Fired,
    JobEnded,
    Notice,
    Outcome,
    PackBarred,
    Veto,
)
from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, Moment
from carerules.domain.pack import FULL_PERCENT
from carerules.domain.quantity import Known
from carerules.domain.spelling import counted
from carerules.loop import World

PRICE_EVERY: Duration = HOUR
"""How often lying is priced: what published cells say of a month differs severalfold, and an hour
on the way from one charge to another is a small part of what a pack lies."""
READ_EVERY: Duration = 10 * MINUTE
"""How often the packs' charge is read off for the time above 95 %, which is shown in hours."""


@dataclass(slots=True)
class RuleTally:
    """One rule: how often it fired, how its jobs ended, and what they moved (Wh)."""

    fired: int = 0
    endings: Counter[Ending] = field(default_factory=Counter)
    energy_wh: float = 0.0


@dataclass(slots=True)
class PackTally:
    """One pack: time above 95 %, time in which its charge was unknown, what lying cost."""

    full: Duration = 0
    unknown: Duration = 0
    ledger: Ledger | None = None


@dataclass(slots=True)
class Tally:
    """The sum of everything that was told to it, in order."""

    rules: dict[str, RuleTally] = field(default_factory=dict)
    packs: dict[str, PackTally] = field(default_factory=dict)
    interlocks: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    barred: list[tuple[str, str]] = field(default_factory=list)
    chores: int = 0
    notices: int = 0
    urgent: int = 0
    samples: int = 0
    began: Moment | None = None
    _read_at: Moment = 0
    _priced_at: Moment = 0

    def begin(self, world: World) -> None:
        """Every rule and pack has its row, also one to which nothing happens."""
        self.rules = {rule.name: RuleTally() for rule in world.setup.plan.rules}
        self.packs = {
            name: PackTally(ledger=empty_ledger(world.setup.chemistries[pack.chemistry]))
            for name, pack in world.setup.site.packs.items()
        }
        self.began = self._read_at = self._priced_at = world.now

    def add(self, outcomes: Sequence[Outcome], world: World) -> None:
        """One step."""
        if world.now - self._read_at >= READ_EVERY:
            self._read(world, world.now - self._read_at)
            self._read_at = world.now
        if world.now - self._priced_at >= PRICE_EVERY:
            self._price(world, world.now - self._priced_at)
            self._priced_at = world.now
        if outcomes:
            self.count(outcomes)

    def count(self, outcomes: Sequence[Outcome]) -> None:
        """What was decided, without a look at any pack."""
        for outcome in outcomes:
            match outcome:
                case Fired(rule):
                    self.rules.setdefault(rule, RuleTally()).fired += 1
                case JobEnded(_, rule, _, ending, _, energy_wh):
                    row = self.rules.setdefault(rule, RuleTally())
                    row.endings[ending] += 1
                    row.energy_wh += energy_wh
                case Veto(_, pack, station, interlock):
                    self.interlocks[interlock, pack, station] += 1
                case PackBarred(pack, _, why):
                    self.barred.append((pack, why))
                case ChoreOpened():
                    self.chores += 1
                case Notice(urgent=urgent):
                    self.notices += 1
                    self.urgent += urgent
                case _:
                    pass

    def _read(self, world: World, since: Duration) -> None:
        for name, state in world.packs.items():
            soc = state.soc
            if not isinstance(soc, Known):
                self.packs[name].unknown += since
            elif soc.value_at(world.now) >= FULL_PERCENT:
                self.packs[name].full += since

    def _price(self, world: World, since: Duration) -> None:
        for name, state in world.packs.items():
            row, soc = self.packs[name], state.soc
            if row.ledger is None:
                continue
            temp = state.estimate.readings.get("pack.temperature")
            level = soc.value_at(world.now) if isinstance(soc, Known) else None
            warm = temp.value if isinstance(temp, Known) else None
            row.ledger = lain(row.ledger, level, warm, since)


def tally_lines(tally: Tally, world: World) -> list[str]:
    """The tally as tables for a terminal of 80 columns."""
    lines = [f"{'rule':34} {'fired':>5} {'done':>5} {'ended else':>10} {'energy':>9}"]
    for name, rule in tally.rules.items():
        other = sum(rule.endings.values()) - rule.endings[Ending.DONE]
        energy = f"{rule.energy_wh:.0f} Wh" if rule.energy_wh else "-"
        lines.append(
            f"{name[:34]:34} {rule.fired:5} {rule.endings[Ending.DONE]:5} {other:10} {energy:>9}"
        )
    lines += ["", f"{'pack':34} {'above 95 %':>12} {'unknown':>12} {'now':>12}"]
    for name, pack in tally.packs.items():
        match world.packs[name].soc:
            case Known() as soc:
                now = f"{soc.shown_at(world.now):.0f} ± {soc.spread_at(world.now):.0f} %"
            case _:
                now = "unknown"
        lines.append(f"{name[:34]:34} {_hours(pack.full):>12} {_hours(pack.unknown):>12} {now:>12}")
    lines += ["", *ledger_lines({name: pack.ledger for name, pack in tally.packs.items()}), ""]
    if tally.interlocks:
        lines.append("interlocks that stepped in:")
        for (interlock, name, station), count in sorted(tally.interlocks.items()):
            lines.append(f"  {interlock}: {name} on {station}, {counted(count, 'time')}")
    else:
        lines.append("no interlock had to step in")
    lines += [f"{name} was barred: {why}" for name, why in tally.barred]
    lines.append(
        f"{counted(tally.chores, 'chore')}, {counted(tally.notices, 'notice')}, "
        f"{tally.urgent} of them urgent"
    )
    return lines


def ledger_lines(ledgers: Mapping[str, Ledger | None]) -> list[str]:
    """What lying cost each pack, for a terminal of 80 columns: bands, in percent of capacity."""
    lines = [
        f"{'lying, % of capacity':22} {'above 80 %':>10} {'cost':>13} {'extra above 80':>15} "
        f"{'saved to full':>15}"
    ]
    for name, ledger in ledgers.items():
        if ledger is None or ledger.loss is None or not ledger.seen_time:
            lines.append(f"{name[:22]:22} {'-':>10} {'nothing is published or known':>45}")
            continue
        lines.append(
            f"{name[:22]:22} {_hours(ledger.high_time):>10} {show_band(ledger.loss):>13} "
            f"{show_band(ledger.high_extra):>15} {show_band(ledger.saved):>15}"
        )
    return [*lines, "from published cells, which differ severalfold: an order of size, no promise"]


def ledger_flat(ledger: Ledger | None) -> dict[str, object] | None:
    """The ledger for JSON: hours, and bands of percent of capacity; None: nothing is known."""
    if ledger is None or ledger.loss is None:
        return None
    return {
        "above_80_percent_s": ledger.high_time // SECOND,
        "seen_s": ledger.seen_time // SECOND,
        "lost_percent": _flat(ledger.loss),
        "extra_above_80_percent": _flat(ledger.high_extra),
        "saved_to_full_percent": _flat(ledger.saved),
    }


def _flat(cost: Band | None) -> dict[str, float] | None:
    return None if cost is None else {
        "low": round(cost.low, 5), "mid": round(cost.mid, 5), "high": round(cost.high, 5),
    }  # fmt: skip


def show_band(cost: Band | None) -> str:
    """`0.011 to 0.052`, the least and the most that published cells say."""
    return "-" if cost is None else f"{cost.low:.3f} to {cost.high:.3f}"


def _hours(time: Duration) -> str:
    return f"{time / HOUR:.1f} h" if time else "-"
