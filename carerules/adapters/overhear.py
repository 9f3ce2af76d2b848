"""A while of listening at a broker: what was said on which topic, and nothing else.

Knows one connection and its limits. Says nothing itself, and does not know what anything means.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Event as Flag
from threading import Lock

from carerules.adapters.address import MqttAddress, broker_password
from carerules.adapters.broker import BrokerLine, Callbacks
from carerules.adapters.payload import PAYLOAD_BYTES_MAX
from carerules.domain.frozen import guarded

TOPICS_MAX = 2_000
"""A house of two hundred things, each on ten topics; on what is beyond nobody reads a proposal."""
BYTES_MAX = 8 << 20
SECONDS_MAX = 600


@guarded
class Overheard:
    """What came last on a topic, how often, and whether only the broker remembered it."""

    payload: bytes
    times: int = 1
    retained: bool = False


@guarded
class Listened:
    """All of it. `beyond`: how many messages were over a limit, and are not in it; `fault`: why the
    broker was not reached, or what it refused."""

    topics: Mapping[str, Overheard]
    beyond: int = 0
    fault: str = ""
    up: bool = True


@dataclass(slots=True)
class _Ear:
    topics: dict[str, Overheard] = field(default_factory=dict)
    size: int = 0
    beyond: int = 0
    fault: str = ""
    up: Flag = field(default_factory=Flag)
    lock: Lock = field(default_factory=Lock)

    def hear(self, topic: str, payload: bytes, retained: bool) -> None:
        with self.lock:
            known = self.topics.get(topic)
            more = len(payload) - (len(known.payload) if known else -len(topic))
            full = known is None and len(self.topics) >= TOPICS_MAX
            if full or len(payload) > PAYLOAD_BYTES_MAX or self.size + more > BYTES_MAX:
                self.beyond += 1
                return
            self.size += more
            times = 1 if known is None else known.times + 1
            self.topics[topic] = Overheard(payload, times, retained)

    def note(self, why: str) -> None:
        self.fault = self.fault or why


def overhear(address: MqttAddress, name: str, seconds: float, wait: Flag) -> Listened:
    """Listen for so long, or until `wait` is set. Raises `AddressError` for a bad password file."""
    password = broker_password(address)
    ear = _Ear()
    line: BrokerLine

    def up() -> None:
        ear.up.set()
        line.subscribe([("#", 0)])

    line = BrokerLine(name, address, password, Callbacks(
        up, lambda: None, ear.hear, lambda _: None, ear.note,
    ))  # fmt: skip
    line.start()
    try:
        wait.wait(min(seconds, SECONDS_MAX))
    finally:
        line.close()
    with ear.lock:
        return Listened(dict(ear.topics), ear.beyond, ear.fault, ear.up.is_set())
