"""One plug put to the test: does it confirm, does its own timer open it, is OFF read back?

Knows the plug's lease and its reports. Does not know rules or packs: whoever calls sees to it that
no pack hangs there and that no service runs. However the test ends, it ends with OFF.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from carerules.adapters import Hold, LineClock, Login, PlugProfile
from carerules.adapters.power_on import called_power_on_fault, power_on_fault
from carerules.config import SiteFile
from carerules.domain.decision import AskPlug, OffProven, SwitchOff, SwitchOn
from carerules.domain.event import PlugLink, PlugReport
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.pack import Plug
from carerules.safety import PlugState, hear, link, unknown_plug, want_off
from carerules.service.outside import RealOutside

LEASE_S = 15
"""Short, so that the test is; longer only where the plug's timer knows nothing so short."""
RENEW_AFTER: Duration = 5 * SECOND
"""A timer that counts from the first ON would cut every drain short: the test renews once."""
EARLY: Duration = 2 * SECOND
LATE: Duration = 5 * SECOND
"""The timer may open this much before or after its time: read-back is asked for each second."""
REACHED_WITHIN: Duration = 10 * SECOND
CONFIRMED_WITHIN: Duration = 15 * SECOND
OFF_WITHIN: Duration = 30 * SECOND
ASK_EVERY: Duration = SECOND
LOOK_EVERY: Duration = SECOND // 4


class FailedError(Exception):
    """The plug did not do as it was told, or did not say so."""


@guarded
class Verdict:
    """What came of a test: whether the plug holds, why, what was seen, line by line.

    `opened_s`: how long after the last ON the plug opened by itself; None: that was not seen.
    `proved_off`: whether it was read back off when the test had ended.
    """

    holds: bool
    why: str
    seen: tuple[str, ...]
    opened_s: float | None
    proved_off: bool


def put_to_test(
    site: SiteFile, clock: LineClock, name: str, say: Callable[[str], None],
    hold: Callable[[], Hold] = lambda: Hold.OURS,
) -> Verdict:  # fmt: skip
    """Test one plug over its own wires; takes half a minute and a little. `say` hears each line;
    `hold` as for `RealOutside`.

    Raises `AddressError` where the broker's address cannot be used.
    """
    outside = RealOutside(site, clock, hold=hold)
    outside.start()
    plug = site.site.plugs[name]
    test = _Test(outside, plug, site.plug_profiles[plug.profile], say, outside.now())
    try:
        try:
            test.go()
            _asks_after_mains(site, test)
            holds, why = True, f"opened by its own timer after {test.opened_s:.0f} s"
        except FailedError as failed:
            holds, why = False, str(failed)
        proved_off = test.bring_off()
    finally:
        outside.perform(SwitchOff(name, "the test is over"))
        outside.close()
    return Verdict(holds, why, tuple(test.seen), test.opened_s, proved_off)


def _asks_after_mains(site: SiteFile, test: _Test) -> None:
    """The state after a loss of mains, where the plug can be asked; otherwise it is said so."""
    question = test.profile.power_on
    name, within_s = test.plug.name, REACHED_WITHIN / SECOND
    if question is None:
        test.note("its state after a loss of mains cannot be asked: pull it and see")
        return
    if name in site.called:
        login = site.logins.get(name, Login())
        wrong = called_power_on_fault(test.plug, test.profile, login, within_s)
    else:
        assert site.mqtt is not None, "config has seen that the plug can be reached"
        wrong = power_on_fault(site.mqtt, test.plug, question, within_s)
    if wrong is not None:
        raise FailedError(wrong)
    test.note("it says that it stays off after a loss of mains")


@dataclass(slots=True)
class _Test:
    outside: RealOutside
    plug: Plug
    profile: PlugProfile
    say: Callable[[str], None]
    now: Moment
    opened_s: float | None = None
    seen: list[str] = field(default_factory=list)
    _state: PlugState = field(init=False)
    _linked: bool = False
    _asked: Moment = 0

    def __post_init__(self) -> None:
        self._state = unknown_plug(self.plug, self.now)

    def go(self) -> None:
        """Every part of the test, in order; raises `FailedError` at the first that fails."""
        if not self._until(lambda: self._linked, REACHED_WITHIN):
            raise FailedError("the broker or the plug cannot be reached")
        if not self.bring_off():
            raise FailedError("it was not read back off before the test")
        self.note("read back off")
        lease_s = self.profile.lease_for(LEASE_S)
        assert lease_s is not None, "only a plug with a timer is put to the test"
        self._on(lease_s)
        self.note("confirmed that it is on")
        self._wait(RENEW_AFTER)
        said = self._on(lease_s)
        if self.plug.timer_shown:
            self.note(f"its timer is armed: {self._state.timer_s:.0f} s")
        self._expires(lease_s, said)
        self._no_power()
        self._on(lease_s)
        took = self._off()
        self.note(f"OFF read back after {took / SECOND:.1f} s")

    # ---- the parts -----------------------------------------------------------------------------

    def _on(self, lease_s: int) -> Moment:
        """ON, and its confirmation with the timer armed; when it was said."""
        said = self.now
        self.outside.perform(SwitchOn(self.plug.name, lease_s, "doctor", said, renewal=False))

        def confirmed() -> bool:
            state = self._state
            armed = not self.plug.timer_shown or 0 < (state.timer_s or 0) <= lease_s + 1
            return bool(state.on) and state.on_heard > said and armed

        if not self._until(confirmed, min(CONFIRMED_WITHIN, lease_s * SECOND - 2 * EARLY)):
            if not self._state.on or self._state.on_heard <= said:
                raise FailedError("it did not confirm that it is on")
            raise FailedError("its timer was not armed as we set it")
        return said

    def _expires(self, lease_s: int, said: Moment) -> None:
        """The plug opens by itself, neither early nor late."""
        opened = self._until(lambda: self._state.on is False, lease_s * SECOND + LATE)
        took = self.now - said
        if not opened:
            raise FailedError(
                f"it is still on, or silent, {took // SECOND} s after an ON for {lease_s} s: "
                "its timer does not open it"
            )
        self.opened_s = took / SECOND
        if took < lease_s * SECOND - EARLY:
            raise FailedError(
                f"it opened {self.opened_s:.0f} s after an ON for {lease_s} s: a renewal "
                "gives its timer no more time, or somebody else switched it"
            )
        self.note(f"opened by its own timer {self.opened_s:.1f} s after an ON for {lease_s} s")

    def _no_power(self) -> None:
        if not self.plug.metered:
            return
        opened = self._state.on_heard

        def none_flows() -> bool:
            state = self._state
            return state.power_heard >= opened and (state.power_w or 0.0) <= self.plug.off_w

        if not self._until(none_flows, OFF_WITHIN):
            raise FailedError("no power of 0 W was read back after its timer opened it")
        self.note(f"{self._state.power_w or 0.0:.1f} W after it opened")

    def _off(self) -> Duration:
        began = self.now
        self._state = unknown_plug(self.plug, self.now)
        if not self.bring_off():
            raise FailedError("OFF was not read back")
        return self.now - began

    def bring_off(self) -> bool:
        """OFF again and again until it is read back; whether it was."""
        if self._state.proven_off:
            self._state = unknown_plug(self.plug, self.now)
        give_up = self.now + OFF_WITHIN
        while self.now < give_up:
            self._state, words = want_off(self._state, self.plug, "put to the test", self.now)
            for word in words:
                if isinstance(word, OffProven):
                    return True
                self.outside.perform(word)
            self._listen()
        return False

    # ---- time and the wire ---------------------------------------------------------------------

    def _wait(self, how_long: Duration) -> None:
        self._until(lambda: False, how_long)

    def _until(self, holds: Callable[[], bool], within: Duration) -> bool:
        """Listen, and ask each second, until it holds; whether it came to hold."""
        give_up = self.now + within
        while not holds():
            if self.now >= give_up:
                return False
            if self._linked and self.now - self._asked >= ASK_EVERY:
                self._asked = self.now
                self.outside.perform(AskPlug(self.plug.name))
            self._listen()
        return True

    def _listen(self) -> None:
        for event in self.outside.wait(self.now + LOOK_EVERY):
            match event:
                case PlugReport(plug=name) if name == self.plug.name:
                    self._state = hear(self._state, event)
                case PlugLink(plug=name, up=up) if name == self.plug.name:
                    self._state, self._linked = link(self._state, up=up), up
                case _:
                    pass
        self.now = self.outside.now()

    def note(self, text: str) -> None:
        """One line of what was seen."""
        self.seen.append(text)
        self.say(text)
