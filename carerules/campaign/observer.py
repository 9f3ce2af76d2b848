"""Who looks at contacts and cells as they are, never at what anybody says of them.

Knows the safety contract as bounds on the truth. Does not know how the program keeps them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from carerules.domain.moment import HOUR, MINUTE, SECOND, Duration, Moment, show_duration
from carerules.domain.pack import SIDES, Side
from carerules.loop import PackState
from carerules.sim import VirtualSite

LOOK_EVERY: Duration = 10 * SECOND
"""While a contact is closed the truth is looked at this often; each bound allows for it."""
LOOK_SELDOM: Duration = 30 * SECOND
"""While no contact is closed nothing can go wrong, but one may close unheard."""
LOOK_AGAIN: Duration = 5 * SECOND
"""Sooner than this nothing new is seen of the same closed contacts."""
LEASE_ENDS: Duration = 95 * SECOND
"""SAFETY 1: off so soon after whatever stops service, host, broker or network."""
DATA_ENDS: Duration = 75 * SECOND
"""SAFETY 1: off so soon after its data became doubtful."""
ALARM_ENDS: Duration = 35 * SECOND
"""SAFETY 4: an urgent notice 30 s after OFF was wanted, and 5 s to look."""
PERSON_ENDS: Duration = 30 * SECOND
"""A charger is off so soon after whoever was with it said they would leave."""
ON_LONGEST: Duration = 4 * HOUR
"""SAFETY 9."""
SURGE = 1.2
"""A load or charger may draw so much over its usual power before it is brought off."""
METER_ERROR = 1.02
HEAT_K = 2.0
"""A sensor's own error (2 sigma of 0.2 K) and its step, and what its pack warms in a look."""

COLD_K = 1.0
"""A sensor's own error and its step; a pack that is charged warms, and leaves the cold."""
USE_LEAST: Duration = MINUTE
"""What flows for less is no use that a pack has to rest from: a plug switched on by mistake and off
again, a charge that is carried over to another station."""
REST_SLACK: Duration = 20 * SECOND
"""Of two looks: when current last flowed is seen at a look, and so is a contact that closes."""
FLOWS_A = 0.02
"""Less is no charge: a charger that finds its pack full."""
CELL_V = 0.01
"""What a meter of cells may be off by, with its step."""

BOUNDS = {
    "floor": "no load is on for 95 s with a cell below its floor",
    "heat": "nothing is on for 95 s with a pack above its warmest",
    "cold": "no charger is on for 95 s with a pack below its coldest",
    "rest": "no charger goes on before the pack has rested from a minute of use",
    "ceiling": "nothing flows for 95 s into a pack with a cell above its ceiling",
    "harm": "no charger is on for 95 s with a cell below what harms it",
    "lease": "nothing is on 95 s after the service last made a step",
    "data": "OFF leaves within 75 s of the pack's last believable word",
    "stop": "nothing is on 95 s after a person stopped everything",
    "locked": "nothing is on 95 s after its station was locked",
    "both": "a station's load and charger are never on at once",
    "caps": "one ON: at most 4 h, and its energy cap and what 95 s move",
    "charger": "no charger is on when nobody is there",
    "told": "on 35 s after OFF was wanted: an urgent notice, station locked",
    "stuck": "the service does not look at one moment again and again",
}
"""What the observer holds the program to, by the word that a breach begins with."""


@dataclass
class Run:
    """One closed stretch of a contact."""

    since: Moment
    moved_wh: float = 0.0
    cap_wh: float | None = None
    low_since: Moment | None = None
    high_since: Moment | None = None
    harmed_since: Moment | None = None
    hot_since: Moment | None = None
    cold_since: Moment | None = None


@dataclass
class Worst:
    """The worst that was seen in a night, within bounds or not (s)."""

    below_floor_s: float = 0.0
    after_stop_s: float = 0.0
    closed_s: float = 0.0


@dataclass
class Observer:
    """The truth of one night, and each breach of a bound, once.

    Of what the service did it knows when it last stepped, when it wanted OFF, what it told and
    locked. `excused` are plugs that are outside the contract: a welded contact, a stranger who
    keeps sending ON, a plug whose own timer does not open it. A plug in `liars` says OFF and 0 W
    while it stays closed until its timer opens it: nobody can be told of that. `told` are those of
    which people were told since they were last proved off. `believable_at` is when each pack was
    last heard of believably, `believed` what the service believes of each pack, `locked_at` when
    each station that is locked now came to be; `late_on`: when an ON that was held up on its way
    came to its plug, whose timer begins with it.
    """

    site: VirtualSite
    stepped_at: Moment
    breaches: list[str] = field(default_factory=list)
    worst: Worst = field(default_factory=Worst)
    attended_until: Moment = 0
    stopped_at: Moment | None = None
    excused: set[str] = field(default_factory=set)
    liars: set[str] = field(default_factory=set)
    off_wanted: dict[str, Moment] = field(default_factory=dict)
    cap_wh: dict[str, float] = field(default_factory=dict)
    told: set[str] = field(default_factory=set)
    locked: set[str] = field(default_factory=set)
    believable_at: dict[str, Moment] = field(default_factory=dict)
    believed: Mapping[str, PackState] = field(default_factory=dict)
    locked_at: dict[str, Moment] = field(default_factory=dict)
    late_on: dict[str, Moment] = field(default_factory=dict)
    _flowed_at: dict[str, Moment] = field(default_factory=dict)
    _flow_since: dict[str, Moment] = field(default_factory=dict)
    _runs: dict[str, Run] = field(default_factory=dict)
    _seen_at: Moment = 0
    _closed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self._begin = self._seen_at = self.site.now
        # A limit is seen with the next sample, and a plug that takes no OFF has its timer then.
        self._limit_ends = LEASE_ENDS + self.site.settings.moving + LOOK_EVERY

    @property
    def looks_at(self) -> Moment:
        """When the truth must be looked at next, if nothing is heard before."""
        return self._seen_at + (LOOK_EVERY if self._closed else LOOK_SELDOM)

    def look(self) -> None:
        """Hold what is true at this moment against every bound, if there is anything new."""
        bench, now = self.site.bench, self.site.now
        closed = tuple([plug for plug, truth in bench.plugs.items() if truth.closed])
        if self.off_wanted:
            for plug in self.off_wanted.keys() - set(closed):
                del self.off_wanted[plug]
        if closed == self._closed:
            if not closed:
                self._seen_at = now
                return
            if now - self._seen_at < LOOK_AGAIN:
                return
        for plug in self._closed:
            if plug not in closed:
                del self._runs[plug]
        passed, self._seen_at, self._closed = now - self._seen_at, now, closed
        flowing: set[str] = set()
        for plug in closed:
            run = self._runs.get(plug)
            if run is None:
                run = self._runs[plug] = Run(now)
            station, side = bench.side_of[plug]
            pack = bench.pack_at(station)
            if pack is not None:
                self.site.bring(pack)
            if run.since != now:
                run.moved_wh += bench.power_w(plug) * passed / HOUR
                self.worst.closed_s += passed / SECOND
            self._told(plug, station)
            if plug not in self.excused:
                self._contact(plug, station, side, run)
                if pack is not None:
                    self._pack(plug, station, pack, side, run)
                    if run.since == now and side is Side.CHARGER:
                        self._rest(plug, station, pack)
            if pack is not None and bench.power_w(plug) > self.site.site.plugs[plug].off_w:
                flowing.add(pack)
        self._note_use(flowing)
        self._both()

    def breach(self, bound: str, what: str) -> None:
        """Take down that a bound does not hold, once in a night."""
        if not any(one.split(": ")[1] == bound for one in self.breaches):
            at = (self.site.now - self._begin) / SECOND
            self.breaches.append(f"{at:.1f} s: {bound}: {what}")

    def _note_use(self, flowing: set[str]) -> None:
        now = self.site.now
        self._flow_since = {pack: self._flow_since.get(pack, now) for pack in flowing}
        for pack, since in self._flow_since.items():
            if now - since >= USE_LEAST:
                self._flowed_at[pack] = now

    def _rest(self, plug: str, station: str, pack: str) -> None:
        """A contact has just closed. A pack that was hung elsewhere without a word is another's."""
        flowed = self._flowed_at.get(pack)
        if flowed is None or self._believed_at(station) != pack:
            return
        rested, limits = self.site.now - flowed, self.site.site.packs[pack].limits
        if rested < limits.rest_before_charge - REST_SLACK:
            self.breach("rest", f"{plug} closes, and {pack} has rested {show_duration(rested)}")

    def _believed_at(self, station: str) -> str:
        """The pack that the service believes to hang there."""
        return next((name for name, one in self.believed.items() if one.station == station), "")

    def _both(self) -> None:
        closed = set(self._closed)
        if len(closed) < 2:
            return
        for station in self.site.site.stations.values():
            plugs = {socket.plug for side in SIDES if (socket := station.socket(side))}
            if len(plugs) == 2 and plugs <= closed and not plugs & self.excused:
                self.breach("both", f"load and charger of {station.name} are closed")

    def _told(self, plug: str, station: str) -> None:
        wanted = self.off_wanted.get(plug)
        if wanted is None or plug in self.liars or self.site.now - wanted <= ALARM_ENDS:
            return
        if self.site.bench.power_w(plug) <= self.site.site.plugs[plug].off_w:
            return  # nothing flows: the pack behind a welded contact is empty, or gone
        if plug not in self.told:
            self.breach("told", f"{plug} is closed 35 s after OFF was wanted, nobody was told")
        elif station not in self.locked:
            self.breach("told", f"{plug} is closed 35 s after OFF was wanted, {station} is free")

    def _contact(self, plug: str, station: str, side: Side, run: Run) -> None:
        now = self.site.now
        ends = LEASE_ENDS if plug in self.liars else PERSON_ENDS
        if side is Side.CHARGER and now > self.attended_until + ends:
            self.breach("charger", f"{plug} is closed and nobody is there")
        stopped = self.stopped_at
        if stopped is not None and now - stopped > LEASE_ENDS + LOOK_EVERY:
            self.breach("stop", f"{plug} closed {show_duration(now - stopped)} after the stop")
        after = now - self.stepped_at
        self.worst.after_stop_s = max(self.worst.after_stop_s, after / SECOND)
        if now - max(self.stepped_at, self.late_on.get(plug, 0)) > LEASE_ENDS + LOOK_EVERY:
            self.breach("lease", f"{plug} closed {show_duration(after)} after the last step")
        locked = now - self.locked_at.get(station, now)
        if locked > LEASE_ENDS + LOOK_EVERY and plug not in self.liars:
            self.breach("locked", f"{plug} closed {show_duration(locked)} after it was locked")
        if now - run.since > ON_LONGEST + LEASE_ENDS and plug not in self.liars:
            self.breach("caps", f"{plug} closed for {show_duration(now - run.since)}")
        run.cap_wh = self.cap_wh.get(plug, run.cap_wh)
        socket = self.site.site.stations[station].socket(side)
        if run.cap_wh is None or socket is None or plug in self.liars:
            return  # a liar's runs are one to the eye: it stays closed from one to the next
        after_wh = SURGE * socket.power_w * LEASE_ENDS / HOUR
        if run.moved_wh > METER_ERROR * run.cap_wh + after_wh:
            self.breach("caps", f"{plug} moved {run.moved_wh:.1f} Wh, cap {run.cap_wh:.1f} Wh")

    def _pack(self, plug: str, station: str, pack: str, side: Side, run: Run) -> None:
        now, truth = self.site.now, self.site.bench.packs[pack]
        limits = self.site.site.packs[pack].limits
        draining = side is Side.LOAD
        warmest = limits.drain_c_max if draining else limits.charge_c_max
        run.hot_since = _since(run.hot_since, now, truth.temperature_c > warmest + HEAT_K)
        if run.hot_since is not None and now - run.hot_since > self._limit_ends:
            self.breach("heat", f"{plug} closed with {pack} at {truth.temperature_c:.1f} °C")
        lowest, highest = min(truth.cell_v), max(truth.cell_v)
        if not draining:
            cold = truth.temperature_c < limits.charge_c_min - COLD_K
            run.cold_since = _since(run.cold_since, now, cold)
            if run.cold_since is not None and now - run.cold_since > self._limit_ends:
                self.breach("cold", f"{plug} closed with {pack} at {truth.temperature_c:.1f} °C")
            too_high = highest > limits.cell_v_ceiling + CELL_V and truth.current_a > FLOWS_A
            run.high_since = _since(run.high_since, now, too_high)
            if run.high_since is not None and now - run.high_since > self._limit_ends:
                self.breach("ceiling", f"{plug} closed with {pack} at {highest:.3f} V a cell")
            run.harmed_since = _since(run.harmed_since, now, lowest < limits.cell_v_harm - CELL_V)
            if run.harmed_since is not None and now - run.harmed_since > self._limit_ends:
                self.breach("harm", f"{plug} closed with {pack} at {lowest:.3f} V a cell")
            return
        run.low_since = _since(run.low_since, now, lowest < limits.cell_v_floor)
        if run.low_since is not None:
            low_for = now - run.low_since
            self.worst.below_floor_s = max(self.worst.below_floor_s, low_for / SECOND)
            if low_for > self._limit_ends:
                self.breach("floor", f"{pack} at {lowest:.3f} V for {show_duration(low_for)}")
        # While it makes no step, or has no way to the plug, the lease is what ends it.
        if self.site.site.stations[station].blind or plug in self.off_wanted:
            return
        believed = self._believed_at(station)
        heard = max(self.believable_at.get(believed, 0), run.since)
        if self.stepped_at - heard > DATA_ENDS + LOOK_EVERY:
            silent = show_duration(now - heard)
            self.breach("data", f"{plug} kept on, {believed} silent for {silent}")


def _since(before: Moment | None, now: Moment, holds: bool) -> Moment | None:
    if not holds:
        return None
    return now if before is None else before
