"""A crew that takes packs out and brings them back: enough of people to make a week real.

Knows uses and hands. Does not know rules, nor that anything watches.

At a use's start its packs come off, are drained in the field by 40 to 80 points, come back some
hours later, are charged by hand with somebody present, and hang where they hung before.
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.domain.event import Attended, Happened, Placed
from carerules.domain.moment import HOUR, MINUTE, Duration, Moment
from carerules.domain.pack import Use
from carerules.sim.bench import Hand
from carerules.sim.ground import Ground
from carerules.sim.plain import Plain, number, rows, table, whole
from carerules.sim.sensor import Chance

LOOKS_EACH: Duration = MINUTE
STAYS: Duration = 3 * HOUR  # how long the crew says it will be with the packs that it charges
FIELD_H = 1.5  # hours over which a pack is drained in the field
HAND_C = 0.8  # current of the crew's own charger, in capacities an hour
SOURCE = "virtual crew"


class Crew:
    """The uses that are planned and the packs in the crew's hands."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._uses: dict[str, tuple[Moment, list[str]]] = {}
        self._chance = Chance(ground.seed, "crew")
        self._homes: dict[str, str] = {}
        # In the field: the charge (%) at which the pack is put away, and when it is back.
        self._field: dict[str, tuple[float, Moment]] = {}

    def has_out(self, pack: str) -> bool:
        """Whether the pack is away in the field, where nothing hears it."""
        return pack in self._field

    def uses(self) -> set[str]:
        """The uses still to come, by name."""
        return set(self._uses)

    def expect(self, use: Use) -> None:
        """A use is planned, or changed."""
        self._uses[use.name] = (use.start, sorted(use.packs))
        self._ground.plan("use", use.name, use.start)

    def forget(self, name: str) -> None:
        """A use is called off."""
        self._uses.pop(name, None)

    def on_use(self, at: Moment, name: str, _: object) -> None:
        """A use begins: its packs go out."""
        start, packs = self._uses.get(name, (None, []))
        if start != at:
            return  # put off, or called off
        del self._uses[name]
        # Settings without a crew: uses are planned, and nobody comes.
        for pack in packs if self._ground.settings.crew else ():
            if pack in self._ground.bench.packs and pack not in self._ground.bench.hands:
                self._take_out(pack, at)

    def on_step(self, at: Moment, pack: str, _: object) -> None:
        """A minute later, in the field or on the crew's charger."""
        ground = self._ground
        if pack not in ground.bench.hands:
            return
        ground.bring(pack)
        if pack not in self._field:
            if self._is_charged(pack, at):
                return
        elif at >= self._field[pack][1]:
            self._bring_back(pack, at)
        else:
            self._use_up(pack)
            if not ground.bench.hands[pack].current_a:
                ground.plan("crew", pack, self._field[pack][1])  # it is put away till it comes back
                return
        ground.plan("crew", pack, at + LOOKS_EACH)

    def charge(self, pack: str, at: Moment) -> None:
        """Somebody takes the pack off and charges it by hand; it hangs there again when full."""
        if pack not in self._ground.bench.hands:
            self._taken_off(pack, at)
            self._to_charger(pack, at)
            self._ground.plan("crew", pack, at + LOOKS_EACH)

    def _taken_off(self, pack: str, at: Moment) -> None:
        home = self._ground.bench.at_station.get(pack)
        if home is not None:
            self._homes[pack] = home
            self._ground.place(pack, None)
            self._ground.hear(Placed(at, pack, None))

    def _take_out(self, pack: str, at: Moment) -> None:
        ground, bench = self._ground, self._ground.bench
        self._taken_off(pack, at)
        ground.hear(Happened(at, at, pack, "use", SOURCE))
        ground.bring(pack)
        drop = self._chance.between(40, 80)
        back = at + round(self._chance.between(4, 8) * HOUR)
        self._field[pack] = (bench.packs[pack].soc - drop, back)
        bench.hands[pack] = Hand(-drop / 100 * bench.site.packs[pack].capacity_ah / FIELD_H)
        ground.plan("crew", pack, at + LOOKS_EACH)

    def _use_up(self, pack: str) -> None:
        """Whoever flies or sails it stops at the floor, as its maker asks."""
        bench = self._ground.bench
        truth, hand = bench.packs[pack], bench.hands[pack]
        low_v = min(truth.cell_v)
        if truth.soc <= self._field[pack][0] or low_v <= bench.site.packs[pack].limits.cell_v_floor:
            hand.current_a = 0.0

    def _bring_back(self, pack: str, at: Moment) -> None:
        del self._field[pack]
        self._to_charger(pack, at)

    def _to_charger(self, pack: str, at: Moment) -> None:
        ground, bench = self._ground, self._ground.bench
        ground.bring(pack)
        bench.hands[pack] = Hand(HAND_C * bench.site.packs[pack].capacity_ah, charging=True)
        ground.hear(Attended(at, at + STAYS))
        ground.hear(Happened(at, at, pack, "charge", SOURCE))

    def _is_charged(self, pack: str, at: Moment) -> bool:
        ground, bench = self._ground, self._ground.bench
        if not bench.hands[pack].full:
            return False
        del bench.hands[pack]
        ground.bring(pack)
        ground.hear(Happened(at, at, pack, "full", SOURCE))
        home = self._homes.pop(pack, None)
        if home is not None and bench.pack_at(home) is None:
            ground.place(pack, home)
            ground.hear(Placed(at, pack, home))
        return True

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON."""
        return {
            "uses": {
                name: {"start": start, "packs": list(packs)}
                for name, (start, packs) in self._uses.items()
            },
            "drawn": self._chance.drawn,
            "homes": dict(self._homes),
            "field": {
                pack: {"soc": soc, "back": back} for pack, (soc, back) in self._field.items()
            },
        }

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from a snapshot."""
        uses, field = table(kept, "uses"), table(kept, "field")
        known, stations = self._ground.bench.packs, self._ground.bench.site.stations
        self._uses = {
            name: (whole(use, "start"), [str(pack) for pack in rows(use, "packs")])
            for name in uses
            if (use := table(uses, name))
        }
        self._chance.drawn = whole(kept, "drawn")
        self._homes = {
            pack: str(station)
            for pack, station in table(kept, "homes").items()
            if pack in known and station in stations
        }
        self._field = {
            pack: (number(out, "soc"), whole(out, "back"))
            for pack in field
            if pack in known and (out := table(field, pack))
        }
