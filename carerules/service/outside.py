"""The outside as it is: a clock, an inbox that fills, plugs over MQTT or asked, people's entries.

Knows how they are joined. Does not know what any of it means.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from carerules.adapters import AddressError, Hold, Inbox, Lane, LineClock, Topics, topics_of
from carerules.adapters.called import Called, CalledWires
from carerules.adapters.mqtt import MqttWires, Wiring
from carerules.config import SiteFile
from carerules.domain.decision import Command, SwitchOff
from carerules.domain.event import Event, Tick
from carerules.domain.moment import Moment
from carerules.domain.signal import catalogue
from carerules.service.timers import SPARE, Timers

ECHO_EVERY_S = 20.0


class RealOutside:
    """Satisfies `domain.ports.Outside`. Without a broker there are the plugs that are asked, and
    people's entries."""

    def __init__(
        self, site: SiteFile, clock: LineClock, *, strict: bool = True, serves: bool = False,
        stops: bool = False,
        hold: Callable[[], Hold] = lambda: Hold.OURS, owner: int | None = None,
    ) -> None:  # fmt: skip
        """Connects to nothing before `start`; raises `AddressError` for a bad password file.

        With `strict` false a plug that cannot be asked, or a broker, keeps nobody from the others:
        `lost` says what is wrong with the broker. Only who `serves` has the broker know it by the
        site file's name; others come beside it, and one that `stops` marks what it sends as a
        person's stop. `hold` is asked before each command whether the site is still ours to
        command; `owner` is the number that each bears.
        """
        self._hold = hold
        self.inbox = Inbox(clock)
        self.timers = Timers(self.inbox)
        self._wires: MqttWires | None = None
        self.lost: str | None = None
        if site.mqtt is not None:
            wiring = Wiring(site.on_broker, site.plug_profiles, _topics(site))
            mqtt = site.mqtt if serves else site.mqtt.visiting()
            try:
                self._wires = MqttWires(mqtt, wiring, self.inbox.put, self.inbox.now, clock.offset,
                                        stops=stops, owner=owner)  # fmt: skip
            except AddressError as error:
                if strict:
                    raise
                self.lost = str(error)
        called = Called(site.called, site.plug_profiles, site.logins)
        self._asked = frozenset(called.plugs)
        self._called = CalledWires(called, self.inbox.put, self.inbox.now, strict=strict)

    def start(self) -> None:
        """Begin to listen."""
        self.timers.start()
        self._called.start()
        if self._wires is not None:
            self._wires.start()
            self.timers.every(ECHO_EVERY_S, self._wires.echo, "echo")

    @property
    def hears(self) -> bool:
        """Whether what is sent to us over the broker still comes, as far as our own messages to
        ourselves show."""
        return self._wires is None or not self._wires.deaf

    def now(self) -> Moment:
        """This moment on the line."""
        return self.inbox.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        """What is heard next. The scheduler wakes us at `due`; should it fail, the inbox does."""
        self.timers.wake_at(due)
        return self.inbox.take(due + SPARE)

    def perform(self, command: Command) -> None:
        """Send it now, or not at all."""
        if not may_send(command, self._hold()):
            return
        if command.plug in self._asked:
            self._called.perform(command)
        elif self._wires is not None:
            self._wires.perform(command)

    def wake(self) -> None:
        """Have `wait` come back at once; from any thread."""
        self.inbox.put(Lane.KEPT, lambda heard: (Tick(heard),))

    def close(self) -> None:
        """Let go of plugs, broker and scheduler."""
        self.timers.close()
        self._called.close()
        if self._wires is not None:
            self._wires.close()


def may_send(command: Command, hold: Hold) -> bool:
    """Whether a command may go out: ON and a question only from who knows that the site is theirs;
    OFF also from who cannot know, as there may be nobody else to say it."""
    match hold:
        case Hold.OURS:
            return True
        case Hold.UNKNOWN:
            return isinstance(command, SwitchOff)
        case Hold.ANOTHERS:
            return False


def _topics(site: SiteFile) -> Topics:
    topics = topics_of(
        site.on_broker, site.plug_profiles, site.feeds, site.feed_profiles,
        catalogue(site.signals),
    )  # fmt: skip
    assert isinstance(topics, Topics), "config has checked plugs and feeds against their profiles"
    return topics
