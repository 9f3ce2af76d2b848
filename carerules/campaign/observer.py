"""Who looks at contacts and cells as they are, never at what anybody says of them.

Knows the safety contract as bounds on the truth. Does not know how the program keeps them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from carerules.campaign.begun import Begun, is_inside
from carerules.campaign.bounds import (
    ALARM_ENDS,
    CELL_V,
    CELL_V_LEAST,
    COLD_K,
    DATA_ENDS,
    FLOWS_A,
    HEAT_K,
    LEASE_ENDS,
    LOOK_AGAIN,
    LOOK_EVERY,
    LOOK_SELDOM,
    METER_ERROR,
    ON_LONGEST,
    PERSON_ENDS,
    REST_SLACK,
    SAG,
    STANDS_STILL_SHARE,
    SURGE,
    UNSEEN_POINTS,
    USE_LEAST,
    Run,
    Worst,
)
from carerules.campaign.excuse import Excuses
from carerules.domain.moment import HOUR, SECOND, Duration, Moment, show_duration
from carerules.domain.pack import SIDES, Side
from carerules.loop import PackState
from carerules.sim import VirtualSite


@dataclass
class Observer:
    """The truth of one night, and each breach of a bound, once.

    Of what the service did it knows when it last stepped, when it wanted OFF, what it told and
    locked. `excused` are plugs that are outside the contract now: a welded contact, a stranger who
    keeps sending ON, a plug whose own timer does not open it. `off_said` are closed plugs to which
    a service that is gone had said OFF. A plug in `liars` says OFF and 0 W while it stays closed
    until its timer opens it: nobody can be told of that. `told` are those of which people were told
    since they were last proved off. `begun` is what the last ON of each plug set out to do; jobs in
    `asking` have a question open, or had it answered with no. `wall` is the wall clock's lead over
    the line (ms). `believable_at` is when each pack was last heard of believably, `believed` what
    the service believes of each pack, `locked_at` when each station that is locked now came to be.
    `late_on`: when an ON that was held up on its way came to its plug, whose timer begins with it.
    `frozen_wh`: what had left each pack whose telemetry stands still when it began to. `unseen_ah`:
    what loads have drawn of each pack since its voltage was told.
    """

    site: VirtualSite
    stepped_at: Moment
    breaches: list[str] = field(default_factory=list)
    worst: Worst = field(default_factory=Worst)
    attended_until: Moment = 0
    stopped_at: Moment | None = None
    excused: Excuses = field(default_factory=lambda: Excuses(LEASE_ENDS))
    liars: Excuses = field(default_factory=lambda: Excuses(LEASE_ENDS))
    off_wanted: dict[str, Moment] = field(default_factory=dict)
    off_said: set[str] = field(default_factory=set)
    cap_wh: dict[str, float] = field(default_factory=dict)
    begun: dict[str, Begun] = field(default_factory=dict)
    asking: set[str] = field(default_factory=set)
    wall: Duration = 0
    told: set[str] = field(default_factory=set)
    locked: set[str] = field(default_factory=set)
    believable_at: dict[str, Moment] = field(default_factory=dict)
    believed: Mapping[str, PackState] = field(default_factory=dict)
    locked_at: dict[str, Moment] = field(default_factory=dict)
    frozen_wh: dict[str, float] = field(default_factory=dict)
    late_on: dict[str, Moment] = field(default_factory=dict)
    unseen_ah: dict[str, float] = field(default_factory=dict)
    _flowed_at: dict[str, Moment] = field(default_factory=dict)
    _flow_since: dict[str, Moment] = field(default_factory=dict)
    _out_ah: dict[str, float] = field(default_factory=dict)
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
        if self.off_wanted or self.off_said:
            self.off_said &= set(closed)
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
        before, self._closed = self._closed, closed
        passed, self._seen_at = now - self._seen_at, now
        self.excused.look(closed, now)
        self.liars.look(closed, now)
        flowing: set[str] = set()
        for plug in closed:
            station, side = bench.side_of[plug]
            pack = bench.pack_at(station)
            if pack is not None:
                self.site.bring(pack)
                if abs(bench.packs[pack].current_a) > FLOWS_A:
                    flowing.add(pack)
            if plug in before:
                self.worst.closed_s += passed / SECOND
            self._told(plug, station)
            run = self._runs.get(plug)
            if run is None or plug in self.excused:
                # What was so while a plug was excused is not held against it afterwards.
                run = self._runs[plug] = self._began(plug, pack, side)
            else:
                run.moved_wh += bench.power_w(plug) * passed / HOUR
            run.meter_share = min(run.meter_share, bench.plugs[plug].meter_share)
            if plug not in self.excused:
                self._contact(plug, station, side, run)
                if pack is not None:
                    self._pack(plug, station, pack, side, run)
                    self._energy(plug, pack, side, run)
                    if plug not in before and side is Side.CHARGER:
                        self._rest(plug, station, pack)
            elif pack is not None:
                self._out_ah[pack] = bench.packs[pack].out_ah
        self._note_use(flowing)
        self._both()

    def _began(self, plug: str, pack: str | None, side: Side) -> Run:
        """A contact has closed, or is no longer excused: what it may move from here on."""
        begun = self.begun.get(plug)
        run = Run(self.site.now, begun=begun)
        if pack is not None:
            run.out_wh = self.site.bench.packs[pack].out_wh
        if pack is None or begun is None or begun.pack != pack:
            return run  # another pack than was said: the bounds on cells and current see to that
        truth, label = self.site.bench.packs[pack], self.site.site.packs[pack]
        socket = self.site.site.stations[self.site.bench.side_of[plug][0]].socket(side)
        usual_w = 0.0 if socket is None else socket.power_w
        run.pack = pack
        run.through_wh = truth.out_wh if side is Side.LOAD else truth.in_wh
        run.most_wh = METER_ERROR * begun.most_wh(truth, label, usual_w)
        run.most_wh += SURGE * usual_w * LEASE_ENDS / HOUR
        return run

    def _energy(self, plug: str, pack: str, side: Side, run: Run) -> None:
        if run.most_wh is None or pack != run.pack or run.begun is not self.begun.get(plug):
            return
        truth = self.site.bench.packs[pack]
        moved_wh = (truth.out_wh if side is Side.LOAD else truth.in_wh) - run.through_wh
        moved_wh *= run.meter_share
        if moved_wh > run.most_wh and plug not in self.liars:
            most = f"its true charge allows {run.most_wh:.1f} Wh"
            self.breach("energy", f"{plug} moved {moved_wh:.1f} Wh of {pack}, {most}")

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

    def _is_seen(self, station: str, pack: str, run: Run) -> bool:
        """Whether anything could show how low the pack there is: a pack that was hung there without
        a word cannot where nothing is told of it; one whose telemetry stands still shows it by what
        has moved meanwhile."""
        believed, truth = self._believed_at(station), self.site.bench.packs[pack]
        blind, frozen_wh = self.site.site.stations[station].blind, self.frozen_wh.get(believed)
        if believed != pack:
            return not blind and frozen_wh is None
        if frozen_wh is None:
            return True
        moved_wh = truth.out_wh - max(frozen_wh, run.out_wh)
        label_wh = self.site.site.packs[pack].capacity_ah * truth.voltage_v
        return moved_wh > STANDS_STILL_SHARE * label_wh

    def _believed_at(self, station: str) -> str:
        """The pack that the service believes to hang there."""
        return next((name for name, one in self.believed.items() if one.station == station), "")

    def _both(self) -> None:
        closed = set(self._closed)
        if len(closed) < 2:
            return
        for station in self.site.site.stations.values():
            plugs = {socket.plug for side in SIDES if (socket := station.socket(side))}
            if (
                len(plugs) == 2
                and plugs <= closed
                and not any(one in self.excused for one in plugs)
            ):
                self.breach("both", f"load and charger of {station.name} are closed")

    def _told(self, plug: str, station: str) -> None:
        wanted = self.off_wanted.get(plug)
        # A service that hangs, or sleeps, tells when it is back: till then the lease is the bound.
        if wanted is None or plug in self.liars or self.stepped_at - wanted <= ALARM_ENDS:
            return
        if self.site.bench.power_w(plug) <= self.site.site.plugs[plug].off_w:
            # The pack behind a welded contact is empty, or gone: it counts from the next flow.
            self.off_wanted[plug] = self.site.now
            return
        if plug not in self.told:
            self.breach("told", f"{plug} is closed 35 s after OFF was wanted, nobody was told")
        # Also what a start found in the facts: under other rules they say more than was told.
        elif station not in self.locked and station not in self.locked_at:
            self.breach("told", f"{plug} is closed 35 s after OFF was wanted, {station} is free")

    def _contact(self, plug: str, station: str, side: Side, run: Run) -> None:
        now = self.site.now
        left = self.attended_until
        if side is Side.CHARGER and now > left:
            heeded = self.stepped_at - left <= PERSON_ENDS or plug in self.off_wanted
            at_last = max(left, self.late_on.get(plug, 0)) + LEASE_ENDS + LOOK_EVERY
            if not (heeded or plug in self.liars) or now > at_last:
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
        self._asked_and_in_time(plug, run)
        if now - run.since > ON_LONGEST + LEASE_ENDS and plug not in self.liars:
            self.breach("caps", f"{plug} closed for {show_duration(now - run.since)}")
        run.cap_wh = self.cap_wh.get(plug, run.cap_wh)
        socket = self.site.site.stations[station].socket(side)
        if plug in self.liars:
            run.moved_wh = 0.0  # its runs are one to the eye: it stays closed from one to the next
        if run.cap_wh is None or socket is None:
            return
        after_wh = SURGE * socket.power_w * LEASE_ENDS / HOUR
        metered_wh = run.moved_wh * run.meter_share
        if metered_wh > METER_ERROR * run.cap_wh + after_wh:
            self.breach("caps", f"{plug} moved {metered_wh:.1f} Wh, cap {run.cap_wh:.1f} Wh")

    def _asked_and_in_time(self, plug: str, run: Run) -> None:
        begun, now = self.begun.get(plug), self.site.now
        if begun is None or plug in self.liars or plug in self.off_wanted:
            return
        if begun.job in self.asking:
            self.breach("asked", f"{plug} is closed for {begun.job}, and nobody has said yes")
        outside = begun.window is not None and not is_inside(begun.window, now + self.wall)
        run.outside_since = _since(run.outside_since, now, outside)
        if run.outside_since is not None and now - run.outside_since > LEASE_ENDS + LOOK_EVERY:
            self.breach("window", f"{plug} closed {show_duration(now - run.outside_since)} outside")

    def _pack(self, plug: str, station: str, pack: str, side: Side, run: Run) -> None:
        now, truth = self.site.now, self.site.bench.packs[pack]
        limits = self.site.site.packs[pack].limits
        draining = side is Side.LOAD
        ends = self._limit_ends
        if self._believed_at(station) != pack:  # it shows as the silence of the one that was said
            ends = max(ends, DATA_ENDS + LEASE_ENDS + LOOK_EVERY)
        warmest = limits.drain_c_max if draining else limits.charge_c_max
        run.hot_since = _since(run.hot_since, now, truth.temperature_c > warmest + HEAT_K)
        if run.hot_since is not None and now - run.hot_since > ends:
            self.breach("heat", f"{plug} closed with {pack} at {truth.temperature_c:.1f} °C")
        lowest, highest = min(truth.cell_v), max(truth.cell_v)
        if not draining:
            cold = truth.temperature_c < limits.charge_c_min - COLD_K
            run.cold_since = _since(run.cold_since, now, cold)
            if run.cold_since is not None and now - run.cold_since > ends:
                self.breach("cold", f"{plug} closed with {pack} at {truth.temperature_c:.1f} °C")
            too_high = highest > limits.cell_v_ceiling + CELL_V and truth.current_a > FLOWS_A
            run.high_since = _since(run.high_since, now, too_high)
            if run.high_since is not None and now - run.high_since > ends:
                self.breach("ceiling", f"{plug} closed with {pack} at {highest:.3f} V a cell")
            run.harmed_since = _since(run.harmed_since, now, lowest < limits.cell_v_harm - CELL_V)
            if run.harmed_since is not None and now - run.harmed_since > ends:
                self.breach("harm", f"{plug} closed with {pack} at {lowest:.3f} V a cell")
            return
        low = lowest < limits.cell_v_floor and self._is_seen(station, pack, run)
        run.low_since = _since(run.low_since, now, low)
        if run.low_since is not None:
            low_for = now - run.low_since
            self.worst.below_floor_s = max(self.worst.below_floor_s, low_for / SECOND)
            if low_for > ends:
                self.breach("floor", f"{pack} at {lowest:.3f} V for {show_duration(low_for)}")
        self._unseen(plug, station, pack)
        # While it makes no step, or has no way to the plug, the lease is what ends it.
        if self.site.site.stations[station].blind or plug in {*self.off_wanted, *self.off_said}:
            return
        believed = self._believed_at(station)
        heard = max(self.believable_at.get(believed, 0), run.since)
        if self.stepped_at - heard > DATA_ENDS + LOOK_EVERY:
            silent = show_duration(now - heard)
            self.breach("data", f"{plug} kept on, {believed} silent for {silent}")

    def _unseen(self, plug: str, station: str, pack: str) -> None:
        """What this load has drawn since the pack's voltage was told to a service that heard it. A
        pack that was hung there without a word is nobody's."""
        truth, label = self.site.bench.packs[pack], self.site.site.packs[pack]
        load = self.site.site.stations[station].load
        moved_ah = truth.out_ah - self._out_ah.get(pack, 0.0)
        self._out_ah[pack] = truth.out_ah
        if self._believed_at(station) != pack or plug in self.liars or load is None:
            return
        drawn_ah = self.unseen_ah[pack] = self.unseen_ah.get(pack, 0.0) + moved_ah
        after_ah = SURGE * load.power_w * LEASE_ENDS / HOUR / label.cells / CELL_V_LEAST
        if drawn_ah > SAG * UNSEEN_POINTS / 100 * label.capacity_ah + after_ah:
            points = f"{100 * drawn_ah / label.capacity_ah:.0f} points"
            self.breach("unseen", f"{plug} has drawn {points} of {pack} since it was read")


def _since(before: Moment | None, now: Moment, holds: bool) -> Moment | None:
    if not holds:
        return None
    return now if before is None else before
