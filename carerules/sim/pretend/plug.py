"""A plug that pretends to be real: relay, meter and dead-man timer, over MQTT.

Knows its contact, its load, and the load's own cut-off. Does not know rules or the service.

`T/set` takes `{"on": true, "for_s": 90}` and `{"on": false}`; `T/get` asks. `T/state` tells
`{"on": ..., "power_w": ..., "timer_s": ...}` on each change, on being asked and each 10 s;
`T/link` is online or offline, kept at the broker. `T/truth` tells what really is, for a pretended
pack and for observers: a plug that lies tells it there all the same.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from carerules.domain.moment import SECOND, Moment
from carerules.sim.plug import MEANING, Fault, PlugTruth
from carerules.sim.pretend.wire import (
    Broker,
    Message,
    Stop,
    Up,
    Wire,
    as_number,
    ends_on_signals,
    print_line,
    read_table,
)

TELLS_EACH_S = 10.0
FOR_S_MAX = 86_400.0
CUTOFF_CELL_V = 3.2  # the load's own: below the floors that chemistries ship with
IDLE_W = 0.4  # a load whose cut-off has let go


class PretendPlug:
    """The plug's own mind: messages and moments in, what is to be said out. Opens no socket.

    `say(topic, table)` and `print_(line)` are how it speaks. Times are milliseconds of a clock
    that only runs forward.
    """

    def __init__(
        self,
        topic: str,
        *,
        load_power_w: float,
        say: Callable[[str, dict[str, object]], None],
        print_: Callable[[str], None],
        now: Moment,
        pack_topic: str | None = None,
    ) -> None:
        self.truth = PlugTruth()
        self.topics = [f"{topic}/set", f"{topic}/get"]
        self._telemetry = None if pack_topic is None else f"{pack_topic}/telemetry"
        if self._telemetry is not None:
            self.topics.append(self._telemetry)
        self._topic, self._load_power_w = topic, load_power_w
        self._say, self._print = say, print_
        self._tells_at = now
        self._let_go = False

    def power_w(self) -> float:
        """What really flows."""
        if not self.truth.closed:
            return 0.0
        return IDLE_W if self._let_go else self._load_power_w

    def next_at(self) -> Moment:
        """When it has to be called next, message or none."""
        moments = (self._tells_at, self.truth.deadline, self.truth.away_until)
        return min(moment for moment in moments if moment is not None)

    def hears(self, message: Message, now: Moment) -> None:
        """A message came in."""
        if message.topic == self._telemetry:
            self._hears_pack(message.payload, now)
        elif not self.truth.hears(now):
            return
        elif message.topic.endswith("/get"):
            self.tell(now)
        else:
            self._hears_command(message.payload, now)

    def passes(self, now: Moment) -> None:
        """Time has come to `now`."""
        if self.truth.away_until is not None and now >= self.truth.away_until:
            self.truth.away_until = None
            self._print("started again, relay open")
            self.tell(now)
        if self.truth.expire(now):
            self._changed("timer ran out", now)
        if now >= self._tells_at:
            self.tell(now)

    def fail(self, fault: Fault, now: Moment) -> None:
        """Begin to fail so."""
        self.truth.fail(fault)
        self._changed(f"fault `{fault.value}`: {MEANING[fault]}", now)

    def tell(self, now: Moment) -> None:
        """Say its state; an observer hears the truth."""
        self._tells_at = now + round(TELLS_EACH_S * SECOND)
        said = self.truth.says(now, self.power_w())
        if said is not None:
            self._say(
                f"{self._topic}/state",
                {"on": said.on, "power_w": said.power_w, "timer_s": said.timer_s},
            )
        left = None if self.truth.deadline is None else (self.truth.deadline - now) / SECOND
        self._say(
            f"{self._topic}/truth",
            {"closed": self.truth.closed, "power_w": self.power_w(), "timer_s": left},
        )

    def _hears_command(self, payload: bytes, now: Moment) -> None:
        match read_table(payload):
            case {"on": True, **rest}:
                for_s = as_number(rest.get("for_s"))
                if "for_s" in rest and (for_s is None or not 0 < for_s <= FOR_S_MAX):
                    self._refuse(payload)
                    return
                self.truth.switch_on(now, for_s)
                self._changed("ON" if for_s is None else f"ON for {for_s:g} s", now)
            case {"on": False}:
                self.truth.switch_off(now)
                self._changed("OFF", now)
            case _:
                self._refuse(payload)

    def _hears_pack(self, payload: bytes, now: Moment) -> None:
        found = read_table(payload) or {}
        volts, cells = as_number(found.get("voltage")), found.get("cells")
        if volts is None or not isinstance(cells, list) or not cells:
            return
        if self.truth.closed and not self._let_go and volts / len(cells) <= CUTOFF_CELL_V:
            self._let_go = True
            self._changed(f"the load's own cut-off at {volts:.2f} V", now)

    def _changed(self, why: str, now: Moment) -> None:
        if not self.truth.closed:
            self._let_go = False
        contact = "closed" if self.truth.closed else "open"
        self._print(f"{why}; contact {contact}, {self.power_w():.1f} W")
        self.tell(now)

    def _refuse(self, payload: bytes) -> None:
        shown = ascii(payload[:60].decode("utf-8", "replace"))[1:-1]
        wanted = '`{"on": true, "for_s": 90}` or `{"on": false}`'
        self._print(f"refused: found `{shown}`, wanted {wanted}")


def pretend_plug(
    topic: str,
    broker: Broker,
    *,
    real_ms: Callable[[], int],
    load_power_w: float = 60.0,
    pack_topic: str | None = None,
    faults: Collection[Fault] = (),
    faults_after_s: float = 0.0,
    print_: Callable[[str], None] = print_line,
) -> int:
    """Be a plug until SIGTERM or Ctrl-C; the program's exit code.

    The timer runs in real time, with or without a broker. `faults` begin `faults_after_s` after
    the start.
    """
    wire = Wire(broker, link_topic=f"{topic}/link")
    plug = PretendPlug(
        topic,
        load_power_w=load_power_w,
        say=wire.say,
        print_=print_,
        now=real_ms(),
        pack_topic=pack_topic,
    )
    fails_at = real_ms() + round(faults_after_s * SECOND)
    print_(f"pretends to be a plug at `{topic}`; contact open")
    with ends_on_signals(wire.stop):
        wire.begin(plug.topics)
        waiting = list(faults)
        while True:
            now = real_ms()
            if waiting and now >= fails_at:
                for fault in waiting:
                    plug.fail(fault, now)
                waiting = []
            plug.passes(now)
            _line_follows(plug, wire)
            until = min(plug.next_at(), fails_at) if waiting else plug.next_at()
            match wire.next((until - real_ms()) / SECOND):
                case Message() as message:
                    plug.hears(message, real_ms())
                case Up():
                    print_("on the line")
                    plug.tell(real_ms())
                case Stop():
                    break
                case None:
                    pass
    wire.close()
    print_("ends; a real plug would keep its timer")
    return 0


def _line_follows(plug: PretendPlug, wire: Wire) -> None:
    """A plug without power has no line; a hung one leaves it open."""
    faults = plug.truth.faults
    if Fault.DIES in faults or plug.truth.away_until is not None:
        if wire.is_running():
            wire.drop()
    elif Fault.HANGS in faults:
        if wire.is_running():
            wire.hang()
    elif not wire.is_running():
        wire.back()
