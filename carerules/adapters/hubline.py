"""A line to the broker on which something is kept up to date there for a hub.

Knows what the broker remembers under some topics, and brings it step by step to what is wanted.
Does not know what any of it means: a `Script` does.

What the broker remembers is asked of the broker itself, at each connection: so also what an
earlier service left there, on another machine, is found and tidied up. In flight are at most so
many messages; what changes while they are is sent once, as it is then.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from math import inf
from threading import Lock
from time import monotonic, sleep
from typing import Protocol

from carerules.adapters.address import MqttAddress
from carerules.adapters.broker import BrokerLine, Callbacks, Will
from carerules.adapters.problem import quoted
from carerules.domain.frozen import guarded

IN_FLIGHT_MAX = 16
"""As `adapters/mqtt` has it: below the library's own 20, above which it would queue."""
GATHER_S = 1.5
"""So long the broker has to send what it remembers: right behind its answer to the subscription."""
GATHERED_MAX = 40_000
"""A site of 500 packs has some 20 000 topics in both conventions; more is somebody else's."""
GATHERED_BYTES_MAX = 32 << 20
FAREWELL_S = 2.0
"""So long a goodbye is waited for: with it goes whoever waits for the service to end."""
ORDERS_MAX = 32
"""Hands press no more in a second; the rest is dropped and told of."""
ORDER_BYTES_MAX = 1_024
ORDER_AGE_MAX_S = 10.0
"""An order that has waited so long for us is not obeyed any more."""


class Script(Protocol):
    """What a convention says of topics; `carerules.hub` has two."""

    @property
    def will(self) -> tuple[str, str] | None:
        """Said by the broker when we are gone; None: nothing."""

    @property
    def farewell(self) -> tuple[str, str] | None:
        """Said by us when we leave; None: nothing."""

    @property
    def orders(self) -> tuple[str, ...]:
        """Filters of what is sent to us."""

    @property
    def remembered(self) -> tuple[str, ...]:
        """Filters of what we had the broker remember."""

    @property
    def birth(self) -> tuple[str, str] | None:
        """Said by a hub that has begun."""

    def concerns(self, topic: str) -> bool:
        """Whether a topic can be of this site at all; what is said on others is passed over."""

    def is_ours(self, topic: str, payload: str, kept: Mapping[str, str]) -> bool:
        """Whether what is remembered is ours."""

    def steps(self, kept: Mapping[str, str], wanted: Mapping[str, str]
              ) -> Sequence[tuple[str, str]]:  # fmt: skip
        """From what is remembered to what is wanted."""


@guarded
class Heard:
    """An order as it came."""

    at_s: float
    topic: str
    payload: str


@guarded
class Ears:
    """Whom a line tells. On the line's own thread; none may block.

    `order`: an order; true when it was obeyed at once and need not wait. `dropped`: one that is
    not obeyed, and why. `born`: the hub has begun. `kick`: there is something to do.
    """

    order: Callable[[str, str], bool]
    dropped: Callable[[str, str], None]
    born: Callable[[], None]
    fault: Callable[[str], None]
    kick: Callable[[], None]


class HubLine:
    """One connection for one convention. `pump` may be called by any one thread."""

    def __init__(
        self, name: str, address: MqttAddress, password: str | None, script: Script, ears: Ears
    ) -> None:
        self._script, self._ears = script, ears
        self._lock = Lock()
        self._kept: dict[str, str] = {}
        self._raw: dict[str, str] = {}
        self._raw_bytes = 0
        self._gather_until: float | None = None
        self._ready = False
        self._queue: deque[tuple[str, str]] = deque()
        self._brought: Mapping[str, str] | None = None
        self._in_flight: set[int] = set()
        self._early: set[int] = set()
        self._waiting: deque[Heard] = deque()
        self.sent = 0
        """How many messages were sent since the start."""
        self._line = BrokerLine(
            name, address, password,
            Callbacks(self._up, self._down, self._on_message, self._acknowledged, ears.fault,
                      listening=self._listening),
            None if script.will is None else Will(*script.will),
        )  # fmt: skip

    def start(self) -> None:
        """Begin to connect."""
        self._line.start()

    def close(self) -> None:
        """Say goodbye, where there is somebody to say it to.

        Its acknowledgement is waited for: a connection that is closed with something in it unread
        is reset, and a broker that sees a reset does the will, over the goodbye.
        """
        if self._ready and self._script.farewell is not None:
            topic, payload = self._script.farewell
            number = self._line.publish(topic, payload, qos=1, expiry_s=None, retain=True)
            self._note(topic, payload, number)
            give_up = monotonic() + FAREWELL_S
            while self._in_flight and self._ready and monotonic() < give_up:
                sleep(0.01)
        self._line.close()

    def again(self) -> None:
        """Say everything again at the next `pump`: what the broker remembers may be lost."""
        with self._lock:
            if self._ready:
                # Not all: what is to be taken away must still be known.
                self._kept = dict.fromkeys(self._kept, AGAIN)
                self._queue.clear()
                self._brought = None

    def say(self, topic: str, payload: str) -> None:
        """Something that is not remembered; dropped where nobody can hear it."""
        if self._ready:
            self._line.publish(topic, payload, qos=0, expiry_s=60)

    def orders(self) -> Sequence[Heard]:
        """The orders that wait, oldest first; late ones are dropped and told of."""
        with self._lock:
            taken, self._waiting = tuple(self._waiting), deque()
        now = monotonic()
        fresh: list[Heard] = []
        for one in taken:
            if now - one.at_s > ORDER_AGE_MAX_S:
                self._ears.dropped(one.topic, f"an order {now - one.at_s:.0f} s old is not obeyed")
            else:
                fresh.append(one)
        return fresh

    def pump(self, wanted: Mapping[str, str]) -> bool:
        """Send what brings the broker nearer to `wanted`; whether it has acknowledged all of it.

        The same mapping again costs nothing: it must not have been changed since.
        """
        if not self._is_gathered():
            return False
        with self._lock:
            if not self._queue:
                if self._brought is wanted:
                    return not self._in_flight
                self._queue.extend(self._script.steps(self._kept, wanted))
                self._brought = wanted
        while True:
            with self._lock:
                if not self._queue or not self._ready:
                    return self._ready and not self._in_flight
                if len(self._in_flight) >= IN_FLIGHT_MAX:
                    return False
                topic, payload = self._queue.popleft()
            number = self._line.publish(topic, payload, qos=1, expiry_s=None, retain=True)
            self._note(topic, payload, number)

    def _note(self, topic: str, payload: str, number: int | None) -> None:
        with self._lock:
            if number is None:
                self._queue.clear()  # the connection is going; the next one begins anew
                self._brought = None
                return
            self.sent += 1
            if number in self._early:
                self._early.discard(number)
            else:
                self._in_flight.add(number)
            if payload:
                self._kept[topic] = payload
            else:
                self._kept.pop(topic, None)

    def _is_gathered(self) -> bool:
        with self._lock:
            if self._ready or self._gather_until is None or monotonic() < self._gather_until:
                return self._ready
            raw, self._raw = self._raw, {}
            self._gather_until = None
            ours = self._script.is_ours
            self._kept = {t: payload for t, payload in raw.items() if ours(t, payload, raw)}
            self._ready = True
        # Only what is sent to us is of use from here on.
        self._line.unsubscribe(self._script.remembered)
        self._line.subscribe(((topic, 0) for topic in self._script.orders), marked=True)
        if self._script.birth is not None:
            self._line.subscribe([(self._script.birth[0], 0)])
        return True

    # ---- on the line's thread ----------------------------------------------------------------

    def _up(self) -> None:
        with self._lock:
            self._forget()
            self._gather_until = inf
        self._line.subscribe([(topic, 0) for topic in self._script.remembered])

    def _listening(self) -> None:
        with self._lock:
            if self._gather_until == inf:
                self._gather_until = monotonic() + GATHER_S
        self._ears.kick()

    def _down(self) -> None:
        with self._lock:
            self._forget()

    def _forget(self) -> None:
        self._ready, self._gather_until, self._brought = False, None, None
        self._queue.clear()
        self._in_flight.clear()
        self._early.clear()
        self._kept, self._raw, self._raw_bytes = {}, {}, 0

    def _acknowledged(self, number: int) -> None:
        with self._lock:
            if number in self._in_flight:
                self._in_flight.discard(number)
            else:
                self._early.add(number)  # it came before `publish` had returned
        self._ears.kick()

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if self._script.birth is not None and topic == self._script.birth[0]:
            # Retained it is no news: all has just been said.
            if not retained and payload.decode("utf-8", "replace") == self._script.birth[1]:
                self._ears.born()
        elif not self._script.concerns(topic):
            return
        elif self._gather_until is not None:
            self._gather(topic, payload, retained)
        else:
            self._order(topic, payload, retained)

    def _gather(self, topic: str, payload: bytes, retained: bool) -> None:
        with self._lock:
            if not retained or not payload or len(self._raw) >= GATHERED_MAX:
                return
            self._raw_bytes += len(payload)
            if self._raw_bytes <= GATHERED_BYTES_MAX:
                self._raw[topic] = payload.decode("utf-8", "replace")

    def _order(self, topic: str, payload: bytes, retained: bool) -> None:
        if retained:
            if payload:
                self._ears.dropped(topic, f"a retained order is not obeyed: {quoted(payload[:40])}")
            return
        if len(payload) > ORDER_BYTES_MAX:
            self._ears.dropped(topic, f"an order of {len(payload)} bytes is not read")
            return
        text = payload.decode("utf-8", "replace")
        if self._ears.order(topic, text):
            return
        with self._lock:
            if len(self._waiting) < ORDERS_MAX:
                self._waiting.append(Heard(monotonic(), topic, text))
                text = ""
        if text:
            self._ears.dropped(topic, "too many orders at once")
        self._ears.kick()


AGAIN = "\0"
"""Stands for what the broker remembers when that is to be said again whatever it is."""
