"""The wires to the plugs: commands under way, what plugs tell, ways that go down.

Knows latency, reports, timers and the broker's word. Does not know what hangs on a plug.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.event import PlugLink, PlugReport
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.sim.ground import Ground
from carerules.sim.plain import Plain, rows, table, whole
from carerules.sim.plug import Fault, PlugTruth
from carerules.sim.sensor import Chance

WILL_AFTER: Duration = 12 * SECOND
"""A broker tells of a lost plug 8 to 15 s late (measured with mosquitto 2.0)."""


class Wires:
    """The way to every plug of a site, and back."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        plugs = ground.bench.plugs
        self._latency = {name: Chance(ground.seed, f"latency {name}") for name in plugs}
        self._arrives = dict.fromkeys(plugs, ground.now)
        self._down: set[str] = set()
        for name in plugs:
            ground.plan("report", name, ground.now + 2 * SECOND)

    # ---- out --------------------------------------------------------------------------------

    def send(self, command: Command) -> None:
        """A command sets out; it arrives 50 to 300 ms later, after those sent before it."""
        ground, plug = self._ground, command.plug
        if plug not in ground.bench.plugs:
            return
        match command:
            case SwitchOn(lease_s=lease_s):
                what: list[object] = ["on", lease_s]
            case SwitchOff():
                what = ["off", None]
            case AskPlug():
                what = ["ask", None]
        latency = round(self._latency[plug].between(*ground.settings.command_latency))
        self._arrives[plug] = max(ground.now + latency, self._arrives[plug])
        ground.plan("command", plug, self._arrives[plug], what)

    def on_command(self, at: Moment, plug: str, what: object) -> None:
        """A command arrives."""
        assert isinstance(what, list)
        word, lease_s = what
        match word:
            case "on":
                self._touch(plug, lambda truth: truth.switch_on(at, lease_s))
            case "off":
                self._touch(plug, lambda truth: truth.switch_off(at))
            case _:
                self._look(plug)

    # ---- by themselves ----------------------------------------------------------------------

    def begin(self, at: Moment) -> None:
        """The listener's first word of every plug."""
        for plug, truth in self._ground.bench.plugs.items():
            if not truth.hears(at):
                self._down.add(plug)
            self._ground.hear(PlugLink(at, plug, up=plug not in self._down))

    def reboot(self, plug: str) -> None:
        """The plug loses its mains for a moment, now."""
        self._touch(plug, lambda truth: truth.reboot(self._ground.now))

    def fail(self, plug: str, fault: Fault) -> None:
        """The plug begins to fail so, now."""
        self._touch(plug, lambda truth: truth.fail(fault))

    def mend(self, plug: str, fault: Fault) -> None:
        """The plug fails so no longer; one that was silent is soon back."""
        self._touch(plug, lambda truth: truth.mend(fault))
        self._ground.plan("back", plug, self._ground.now)

    def on_timer(self, at: Moment, plug: str, _: object) -> None:
        """A plug's own timer may have run out."""
        if self._ground.bench.plugs[plug].deadline == at:  # else renewed or switched off since
            self._touch(plug, lambda truth: truth.expire(at))

    def on_report(self, _at: Moment, plug: str, _: object) -> None:
        """It is time for a plug to tell."""
        self._look(plug)

    def on_will(self, at: Moment, plug: str, _: object) -> None:
        """The broker has missed a plug for long enough to say so."""
        if not self._ground.bench.plugs[plug].hears(at) and plug not in self._down:
            self._down.add(plug)
            self._ground.hear(PlugLink(at, plug, up=False))

    def on_back(self, at: Moment, plug: str, _: object) -> None:
        """A plug may be there again."""
        if self._ground.bench.plugs[plug].hears(at):
            if plug in self._down:
                self._down.discard(plug)
                self._ground.hear(PlugLink(at, plug, up=True))
            self._look(plug)

    def _touch(self, plug: str, act: Callable[[PlugTruth], object]) -> None:
        """Bring the pack to now, act on the plug, let the current follow, and tell."""
        ground = self._ground
        at, truth, pack = ground.now, ground.bench.plugs[plug], ground.bench.pack_on(plug)
        if pack is not None:
            ground.bring(pack)
        act(truth)
        if not truth.closed:
            ground.bench.opened(plug)
        if pack is not None:
            ground.bring(pack)
            ground.hasten(pack)
        if truth.deadline is not None:
            ground.plan("timer", plug, max(at, truth.deadline))
        if not truth.hears(at):
            ground.plan("will", plug, at + WILL_AFTER)
            if truth.away_until is not None and at < truth.away_until:
                ground.plan("back", plug, truth.away_until)
        ground.plan("report", plug, at)

    def _look(self, plug: str) -> None:
        """The plug measures, and says what it says; silent ones measure for the pack's sake."""
        ground = self._ground
        at, truth = ground.now, ground.bench.plugs[plug]
        pack = ground.bench.pack_on(plug) if truth.closed else None
        if pack is not None:
            ground.bring(pack)
        power_w = ground.bench.power_w(plug)
        if power_w:
            meter = 1 + 0.003 * ground.draws(f"plug {plug}", 1)[0]
            power_w = int(power_w * meter * 10 + 0.5) / 10
        said = truth.says(at, power_w)
        if said is not None:
            ground.hear(PlugReport(at, plug, said.on, said.power_w, said.timer_s))
        settings = ground.settings
        each = settings.plug_moving if truth.closed else settings.plug_idle
        ground.plan("report", plug, at + each)

    # ---- keeping ----------------------------------------------------------------------------

    def snapshot(self) -> Plain:
        """Everything that changes, as plain JSON; commands under way are on the agenda."""
        return {
            "latency": {name: chance.drawn for name, chance in self._latency.items()},
            "arrives": dict(self._arrives),
            "down": sorted(self._down),
        }

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from a snapshot."""
        latency, arrives = table(kept, "latency"), table(kept, "arrives")
        for name, chance in self._latency.items():
            chance.drawn = whole(latency, name, 0)
            self._arrives[name] = whole(arrives, name, self._ground.now)
        self._down = {str(plug) for plug in rows(kept, "down") if plug in self._latency}
