"""The wires of a site over MQTT: messages in, commands out.

Knows which line carries what, and that a late command is worse than none. Does not decide anything.

Two lines, so that a flood of samples cannot hold up a command: one hears, one commands. A command
is sent now or dropped; nothing here, in the library or at the broker keeps it for later.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from threading import Lock
from uuid import uuid4

from carerules.adapters.address import MqttAddress, broker_password
from carerules.adapters.broker import BrokerLine, Callbacks
from carerules.adapters.doors import Message
from carerules.adapters.inbox import Lane, Put
from carerules.adapters.plug import ON_EXPIRY_S, Unsaid, Wire, command_topics, say
from carerules.adapters.problem import quoted
from carerules.adapters.profile import PlugProfile
from carerules.adapters.topics import Topics
from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.event import BESIDE, Event, PlugLink, Rejected
from carerules.domain.frozen import guarded
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.pack import Plug

UNACKNOWLEDGED_MAX: Duration = 2 * SECOND
"""A broker that has not acknowledged a command for so long may be stopped with its buffers full of
them: no ON is added to those. Measured on one machine: 7 ms at most, and 31 ms while another client
sent 20 000 messages a second."""

IN_FLIGHT_MAX = 16
"""Below the library's own 20, above which it would begin to keep messages back."""


ECHOES_LOST_MAX = 3
"""Messages to ourselves that may be lost in a row, as any of QoS 0 may: with the next one that does
not come back the hearing line is deaf. A count, and no time: a suspend loses none."""


@guarded
class Wiring:
    """What the wires carry: the plugs with their profiles, and the doors of all topics."""

    plugs: Mapping[str, Plug]
    profiles: Mapping[str, PlugProfile]
    topics: Topics


class MqttWires:
    """The site's two lines to its broker. `perform` may be called by any one thread."""

    def __init__(
        self,
        address: MqttAddress,
        wiring: Wiring,
        put: Put,
        now: Callable[[], Moment],
        offset: Callable[[], Duration],
        *,
        stops: bool = False,
        owner: int | None = None,
    ) -> None:
        """Nothing is connected before `start`; raises `AddressError` for a bad password file.

        `stops`: what is sent is marked as a person's stop, for a service that runs beside it.
        `owner`: the number of the ownership that commands are sent under, where there is one.
        """
        self._owner = owner
        password = broker_password(address)
        self._address, self._wiring = address, wiring
        self._put, self._now, self._offset = put, now, offset
        self._stops = stops
        self._lock = Lock()
        self._both_up = False
        self._in_flight: dict[int, Moment] = {}
        self._early: set[int] = set()
        self._plug_of = {
            topic: plug.name
            for plug in wiring.plugs.values()
            for topic in command_topics(plug, wiring.profiles[plug.profile])
        }
        name = address.client_id or f"carerules-{uuid4().hex[:8]}"
        self._echo_topic = f"carerules/echo/{name}"
        self._echoed = False  # whether one came back since the line came up
        self._unheard = 0
        self._hearing = BrokerLine(f"{name}-in", address, password, Callbacks(
            self._hearing_up, self._down, self._on_message, lambda _: None, self._fault,
        ))  # fmt: skip
        self._commanding = BrokerLine(f"{name}-out", address, password, Callbacks(
            self._commanding_up, self._down, self._on_command, self._acknowledged, self._fault,
            self._on_marked,
        ))  # fmt: skip

    def start(self) -> None:
        """Begin to connect both lines; what comes of it arrives as events."""
        self._hearing.start()
        self._commanding.start()

    def close(self) -> None:
        """End both lines; commands already given to `perform` are sent first."""
        self._commanding.close()
        self._hearing.close()

    def perform(self, command: Command) -> None:
        """Send a command now or drop it; a drop is heard as `PlugLink` down or `Rejected`."""
        try:
            self._perform(command)
        except Exception as error:
            self._fault(f"a command failed: {quoted(error)}")

    @property
    def deaf(self) -> bool:
        """Whether the broker is there and nothing that we send ourselves comes back any more: then
        plugs and packs are not heard either. A broker that never let it through is not judged."""
        return self._both_up and self._echoed and self._unheard > ECHOES_LOST_MAX

    def echo(self) -> None:
        """Send ourselves a message, so that a hearing line that has gone deaf shows."""
        if not self._both_up:
            return
        self._unheard += 1
        self._hearing.publish(self._echo_topic, b"", qos=0, expiry_s=ON_EXPIRY_S)
        if self.deaf:
            self._fault(f"{self._unheard} messages to ourselves in a row have not come back")

    # ---- commands ----------------------------------------------------------------------------

    def _perform(self, command: Command) -> None:
        plug = self._wiring.plugs[command.plug]
        wire = say(command, plug, self._wiring.profiles[plug.profile])
        if isinstance(wire, Unsaid):
            self._refuse(plug.name, wire.why)
        elif isinstance(command, SwitchOn):
            self._switch_on(command, wire)
        else:
            self._send(plug.name, wire.topic, wire.payload, wire.expiry_s)

    def _switch_on(self, command: SwitchOn, wire: Wire) -> None:
        now = self._now()
        age = now - command.permit_at
        left_s = (wire.expiry_s * SECOND - age) // SECOND
        if left_s < 1:
            self._refuse(command.plug, f"an ON that is {age / SECOND:.0f} s old is not sent")
            return
        with self._lock:
            waiting = len(self._in_flight)
            oldest = min(self._in_flight.values(), default=now)
        if waiting >= IN_FLIGHT_MAX or now - oldest > UNACKNOWLEDGED_MAX:
            self._refuse(command.plug, "an ON is not sent: the broker does not acknowledge")
            return
        self._send(command.plug, wire.topic, wire.payload, left_s)

    def _send(self, plug: str, topic: str, payload: str, expiry_s: int) -> None:
        sent = self._now()
        # Not under our lock: the library holds its own while it tells of an acknowledgement.
        number = self._commanding.publish(
            topic, payload, qos=1, expiry_s=expiry_s, stop=self._stops, owner=self._owner
        )
        if number is None:
            self._put(Lane.KEPT, lambda heard: (PlugLink(heard, plug, up=False),))
            return
        with self._lock:
            if number in self._early:
                self._early.discard(number)
            else:
                self._in_flight[number] = sent

    def _acknowledged(self, number: int) -> None:
        with self._lock:
            if self._in_flight.pop(number, None) is None:
                # It came before `publish` had returned.
                self._early.add(number)

    def _refuse(self, origin: str, why: str) -> None:
        self._put(Lane.REFUSED, lambda heard: (Rejected(heard, origin, why),))

    def _fault(self, why: str) -> None:
        self._refuse(self._address.show(), why)

    # ---- on the lines' threads ---------------------------------------------------------------

    def _hearing_up(self) -> None:
        self._echoed, self._unheard = False, 0
        self._tell_up()
        self._listen()

    def _commanding_up(self) -> None:
        with self._lock:
            self._in_flight.clear()
            self._early.clear()
        # Retained commands come at once; and whatever another sender tells our plugs, later.
        self._commanding.subscribe(((topic, 1) for topic in self._plug_of), ours_too=False)
        if self._tell_up():
            # Again: a plug's retained "offline" must be heard after our "up", not before it.
            self._listen()

    def _tell_up(self) -> bool:
        with self._lock:
            changed = not self._both_up and self._hearing.is_up and self._commanding.is_up
            self._both_up = self._both_up or changed
        if changed:
            self._tell_links(up=True)
        return changed

    def _down(self) -> None:
        with self._lock:
            changed, self._both_up = self._both_up, False
            self._in_flight.clear()
            self._early.clear()
        if changed:
            self._tell_links(up=False)

    def _tell_links(self, *, up: bool) -> None:
        plugs = tuple(self._wiring.plugs)
        self._put(Lane.KEPT, lambda heard: [PlugLink(heard, plug, up) for plug in plugs])

    def _listen(self) -> None:
        topics = self._wiring.topics
        # QoS 0 for samples: the next one is worth more than a late one. A plug's word is awaited.
        wanted = [(topic, int(topics.carries_plugs(topic))) for topic in topics.subscriptions]
        self._hearing.subscribe([*wanted, (self._echo_topic, 0)])

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic == self._echo_topic:
            self._echoed, self._unheard = True, 0
            return
        topics, offset = self._wiring.topics, self._offset
        message, reachable = Message(topic, payload, retained), self._both_up

        def read(heard: Moment) -> list[Event]:
            # A plug that says it is there cannot be commanded while the other line is down; its
            # word is asked for again when that line comes up.
            return [
                event
                for event in topics.read(message, heard, offset())
                if reachable or not (isinstance(event, PlugLink) and event.up)
            ]

        self._put(Lane.PLUG if topics.carries_plugs(topic) else Lane.SAMPLE, read)

    def _on_marked(self, topic: str, payload: bytes, retained: bool) -> None:
        """What calls itself a person's stop. A stranger may call an ON so: only the very words that
        we ourselves would say for OFF, or to ask, are taken for one."""
        plug = self._wiring.plugs.get(self._plug_of.get(topic, ""))
        if plug is not None and not retained:
            profile = self._wiring.profiles[plug.profile]
            if _is(say(SwitchOff(plug.name, ""), plug, profile), topic, payload):
                self._refuse(BESIDE, f"says OFF to plug `{plug.name}` itself")
                return
            if _is(say(AskPlug(plug.name), plug, profile), topic, payload):
                return
        self._on_command(topic, payload, retained)

    def _on_command(self, topic: str, payload: bytes, retained: bool) -> None:
        plug = self._plug_of.get(topic)
        if plug is None or not payload:
            return  # an empty payload is a retained command that somebody has just cleared
        if not retained:
            said = quoted(payload[:40].decode("utf-8", "replace"))
            self._refuse(topic, f"somebody else commands plug `{plug}`: {said}")
            return
        cleared = (
            "cleared" if self._address.clear_retained else "clear it: publish nothing, retained"
        )
        self._refuse(topic, f"a retained command for plug `{plug}` lay at the broker; {cleared}")
        if self._address.clear_retained:
            self._commanding.publish(topic, b"", qos=1, expiry_s=ON_EXPIRY_S, retain=True)


def _is(wire: Wire | Unsaid, topic: str, payload: bytes) -> bool:
    return isinstance(wire, Wire) and (wire.topic, wire.payload.encode()) == (topic, payload)
