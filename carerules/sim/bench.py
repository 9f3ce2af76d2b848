"""What really flows between packs, loads and chargers at the stations, and in the crew's hands.

Knows contacts, currents and where each pack is. Does not know messages or when anyone looks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TypeAlias

from carerules.domain.moment import SECOND, Moment
from carerules.domain.pack import SIDES, Pack, Side, Site, Socket
from carerules.sim.pack import PackTruth
from carerules.sim.plain import Plain, number, rows, table, whole
from carerules.sim.plug import PlugTruth
from carerules.sim.settings import VirtualSettings

LOAD_IDLE_W = 0.4  # a load whose own cut-off has let go still lights its display (from memory)
CHARGER_IDLE_W = 2.5  # a charger that is done, or finds no pack (from memory)
STEP_S = 10.0  # the longest step while current flows: a cut-off is found at most this late


_End: TypeAlias = tuple[Socket, PlugTruth]
"""One side of a station: its socket, and the plug that switches it."""


@dataclass(slots=True)
class Hand:
    """What the crew does to a pack: a steady current (A), or a charger of that current."""

    current_a: float
    charging: bool = False
    full: bool = False


class Bench:
    """All packs and plugs of a site, and which pack hangs where."""

    def __init__(
        self,
        site: Site,
        settings: VirtualSettings,
        packs: dict[str, PackTruth],
        plugs: dict[str, PlugTruth],
    ) -> None:
        self.site = site
        self.packs = packs
        self.plugs = plugs
        self.at_station: dict[str, str] = {}
        self.hands: dict[str, Hand] = {}
        self._settings = settings
        self._brought = dict.fromkeys(packs, settings.start)
        # A cut-off and a charger that is done stay so until plug off or pack off.
        self._let_go: set[str] = set()
        self._charger_a = dict.fromkeys(packs, 0.0)
        # Asked at each step of each pack: the sockets and plugs of each station, beside each other.
        self._sides: dict[str, tuple[_End | None, _End | None]] = {
            station.name: (self._end(station.load), self._end(station.charger))
            for station in site.stations.values()
        }
        self.side_of: dict[str, tuple[str, Side]] = {
            socket.plug: (station.name, side)
            for station in site.stations.values()
            for side in SIDES
            if (socket := station.socket(side)) is not None
        }

    def _end(self, socket: Socket | None) -> _End | None:
        return None if socket is None else (socket, self.plugs[socket.plug])

    # ---- where ------------------------------------------------------------------------------

    def pack_at(self, station: str) -> str | None:
        """The pack that hangs there."""
        for pack, place in self.at_station.items():
            if place == station:
                return pack
        return None

    def pack_on(self, plug: str) -> str | None:
        """The pack at the station that the plug switches a side of."""
        station, _ = self.side_of.get(plug, (None, None))
        return None if station is None else self.pack_at(station)

    def place(self, pack: str, station: str | None) -> None:
        """Hang a pack on a station; whatever hung there comes off. None: onto the shelf."""
        if pack in self.at_station:
            self._fresh(self.at_station.pop(pack))
        if station is None:
            return
        before = self.pack_at(station)
        if before is not None:
            del self.at_station[before]
        self._fresh(station)
        self.at_station[pack] = station

    def _fresh(self, station: str) -> None:
        """Another pack, or none: what had let go there finds a new beginning."""
        for side in SIDES:
            socket = self.site.stations[station].socket(side)
            if socket is not None:
                self._let_go.discard(socket.plug)

    # ---- what flows -------------------------------------------------------------------------

    def flows(self, pack: str) -> bool:
        """Whether a contact is closed at the pack's station, or the crew has it in its hands."""
        if pack in self.hands:
            return True
        name = self.at_station.get(pack)
        if name is None:
            return False
        load, charger = self._sides[name]
        return (load is not None and load[1].closed) or (charger is not None and charger[1].closed)

    def bring(self, pack: str, at: Moment, room_c: float) -> bool:
        """Let the pack's truth come to `at`; whether a load or a charger let go on the way."""
        left_s = (at - self._brought[pack]) / SECOND
        self._brought[pack] = at
        truth, hand = self.packs[pack], self.hands.get(pack)
        put_away = hand is not None and not hand.charging and not hand.current_a
        if put_away or not self.flows(pack):
            truth.advance(left_s, room_c=room_c)
            return False
        let_go = False
        while True:
            step_s = min(left_s, STEP_S)
            truth.advance(step_s, current_a=self._current_a(pack, step_s), room_c=room_c)
            left_s -= step_s
            if self._lets_go(pack):
                let_go = True
                truth.advance(0, current_a=self._current_a(pack, 0))
            if left_s <= 0:
                return let_go

    def opened(self, plug: str) -> None:
        """The plug's contact has opened: what hangs on it starts afresh next time."""
        self._let_go.discard(plug)

    def power_w(self, plug: str) -> float:
        """What really goes through a plug now; bring its pack first."""
        if plug not in self.side_of or not self.plugs[plug].closed:
            return 0.0
        station, side = self.side_of[plug]
        socket = self.site.stations[station].socket(side)
        assert socket is not None
        pack = self.pack_at(station)
        idle_w = LOAD_IDLE_W if side is Side.LOAD else CHARGER_IDLE_W
        if pack is None or plug in self._let_go:
            return idle_w
        truth = self.packs[pack]
        if side is Side.CHARGER:
            return self._charger_a[pack] * truth.voltage_v / self._settings.charger_share + idle_w
        if self._settings.load == "power":
            return socket.power_w
        return truth.voltage_v**2 / self._load_ohm(pack, socket) * self._settings.load_share

    def _current_a(self, pack: str, step_s: float) -> float:
        truth = self.packs[pack]
        hand = self.hands.get(pack)
        if hand is not None:
            if not hand.charging:
                return hand.current_a
            charger_a = self._charger_current_a(pack, hand.current_a, step_s)
            return 0.0 if hand.full else charger_a
        name = self.at_station.get(pack)
        if name is None:
            return 0.0
        load, charger = self._sides[name]
        total_a = 0.0
        if load is not None and self._works(load):
            if self._settings.load == "power":
                drawn_w = load[0].power_w / self._settings.load_share
                total_a += truth.current_at_power(-drawn_w, step_s)
            else:
                total_a += truth.current_into_ohms(self._load_ohm(pack, load[0]), step_s)
        if charger is not None and self._works(charger):
            most_a = self._charger_most_a(pack, charger[0])
            total_a += self._charger_current_a(pack, most_a, step_s)
        return total_a

    def _works(self, end: _End) -> bool:
        return end[1].closed and end[0].plug not in self._let_go

    def _load_ohm(self, pack: str, socket: Socket) -> float:
        """The resistor that draws the socket's power at the pack's middling rest voltage."""
        volts = self.packs[pack].nature.rest_v(0.5) * self.site.packs[pack].cells
        return volts * volts / socket.power_w

    # ---- chargers: steady current, then steady voltage at the highest cell, then done ---------

    def _full_v(self, pack: str) -> float:
        """V a cell at which a charger holds: as it is set, else the curve's top, or the pack's
        ceiling below it."""
        if self._settings.charger_full_v is not None:
            return self._settings.charger_full_v
        top_v = self.packs[pack].nature.volts[-1]
        return min(top_v, self.site.packs[pack].limits.cell_v_ceiling)

    def _charger_most_a(self, pack: str, socket: Socket) -> float:
        full_v = self._full_v(pack) * self.site.packs[pack].cells
        return socket.power_w * self._settings.charger_share / full_v

    def _charger_current_a(self, pack: str, most_a: float, step_s: float) -> float:
        wanted_a = self.packs[pack].current_to_reach(self._full_v(pack), step_s)
        self._charger_a[pack] = max(0.0, min(most_a, wanted_a))
        return self._charger_a[pack]

    def _lets_go(self, pack: str) -> bool:
        """Whether the load's own cut-off, or the charger's end, comes now."""
        truth, thing = self.packs[pack], self.site.packs[pack]
        hand = self.hands.get(pack)
        if hand is not None:
            if hand.charging and not hand.full and self._is_full(pack, hand.current_a):
                hand.full = True
                return True
            return False
        name = self.at_station.get(pack)
        if name is None:
            return False
        before = len(self._let_go)
        load, charger = self._sides[name]
        if (
            load is not None
            and self._works(load)
            and truth.voltage_v <= self._cutoff_v(thing) * thing.cells
        ):
            self._let_go.add(load[0].plug)
        if (
            charger is not None
            and self._works(charger)
            and self._is_full(pack, self._charger_most_a(pack, charger[0]))
        ):
            self._let_go.add(charger[0].plug)
        return len(self._let_go) > before

    def _is_full(self, pack: str, most_a: float) -> bool:
        """Done at C/20 (the end of charge in IEC 61960 tests, from memory), at most a tenth."""
        return self._charger_a[pack] <= min(self.site.packs[pack].capacity_ah / 20, most_a / 10)

    def _cutoff_v(self, pack: Pack) -> float:
        if self._settings.load_cutoff_v is not None:
            return self._settings.load_cutoff_v
        return (pack.limits.cell_v_floor + pack.limits.cell_v_harm) / 2

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON."""
        return {
            "packs": {name: truth.snapshot() for name, truth in self.packs.items()},
            "plugs": {name: plug.snapshot() for name, plug in self.plugs.items()},
            "at_station": dict(self.at_station),
            "hands": {pack: asdict(hand) for pack, hand in self.hands.items()},
            "brought": dict(self._brought),
            "let_go": sorted(self._let_go),
            "charger_a": dict(self._charger_a),
        }

    def restore(self, kept: Mapping[str, object], now: Moment) -> None:
        """Go on from a snapshot taken at `now`; what the site no longer has is passed over."""
        packs, plugs = table(kept, "packs"), table(kept, "plugs")
        for name in self.packs.keys() & packs.keys():
            self.packs[name].restore(table(packs, name))
        for name in self.plugs.keys() & plugs.keys():
            self.plugs[name].restore(table(plugs, name))
        known = self.packs.keys()
        self.at_station = {
            pack: str(station)
            for pack, station in table(kept, "at_station").items()
            if pack in known and station in self.site.stations
        }
        hands = table(kept, "hands")
        self.hands = {
            pack: Hand(number(hand, "current_a"), bool(hand["charging"]), bool(hand["full"]))
            for pack in hands
            if pack in known and (hand := table(hands, pack))
        }
        brought, charger_a = table(kept, "brought"), table(kept, "charger_a")
        self._brought = {pack: whole(brought, pack, now) for pack in known}
        self._charger_a = {pack: number(charger_a, pack, 0.0) for pack in known}
        self._let_go = {str(plug) for plug in rows(kept, "let_go") if plug in self.plugs}
