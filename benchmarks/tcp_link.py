"""A link that can be spoilt: a TCP relay between an MQTT client and its broker.

Knows sockets, and where one MQTT packet ends (OASIS MQTT 5.0, section 2.1: a byte of kind, a length
of one to four bytes). Does not know topics. The kernel of a small test machine has no netem; a
relay in user space does what is needed here.

Four ways to be: `sound`; `cut`: nothing passes either way and nobody is told, as when a cable is
pulled; `slow`: each piece comes so many seconds late, in order; `lossy`: of messages and of their
acknowledgements each is lost with a chance, and the connection itself stays.
"""

from __future__ import annotations

import random
import socket
import threading
from contextlib import suppress
from queue import SimpleQueue
from time import monotonic, sleep

PIECE_BYTES = 65_536
PUBLISH, PUBACK = 3, 4  # kinds of packet, section 2.1.2
HELD_S = 0.02  # how often a piece that is held looks whether the link is whole again


class Link:
    """Listens on a free port of the loopback address; each connection is relayed to `to_port`."""

    def __init__(self, to_port: int, seed: int) -> None:
        self._to_port = to_port
        self._chance = random.Random(seed)
        self.is_cut = False
        self.late_s = 0.0
        self.loss = 0.0
        self.lost = 0
        """Messages thrown away so far."""
        self._open: list[socket.socket] = []
        self._closed = False
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._door.getsockname()[1]
        self._begin(self._listen)

    def close(self) -> None:
        """Let go of every connection."""
        self._closed = True
        for one in (self._door, *self._open):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _begin(self, body: object, *words: object) -> None:
        threading.Thread(target=body, args=words, daemon=True).start()  # type: ignore[arg-type]

    def _listen(self) -> None:
        while not self._closed:
            try:
                client, _ = self._door.accept()
            except OSError:
                return
            self._open.append(client)
            try:
                broker = socket.create_connection(("127.0.0.1", self._to_port), 2)
            except OSError:
                client.close()  # nobody there: the client tries again
                continue
            broker.settimeout(None)
            self._open.append(broker)
            for source, sink in ((client, broker), (broker, client)):
                waiting: SimpleQueue[tuple[float, bytes]] = SimpleQueue()
                self._begin(self._take_in, source, waiting)
                self._begin(self._give_out, sink, source, waiting)

    def _take_in(self, source: socket.socket, waiting: SimpleQueue[tuple[float, bytes]]) -> None:
        rest = b""
        with suppress(OSError):
            while piece := source.recv(PIECE_BYTES):
                packets, rest = split(rest + piece)
                for packet in packets:
                    if packet[0] >> 4 in (PUBLISH, PUBACK) and self._chance.random() < self.loss:
                        self.lost += 1
                    else:
                        waiting.put((monotonic() + self.late_s, packet))
        waiting.put((monotonic(), b""))

    def _give_out(
        self, sink: socket.socket, source: socket.socket,
        waiting: SimpleQueue[tuple[float, bytes]],
    ) -> None:  # fmt: skip
        with suppress(OSError):
            while True:
                due, packet = waiting.get()
                # What was on its way when the cable was pulled, the end of a connection too, is
                # not heard of on the other side before it is put back.
                while monotonic() < due or self.is_cut:
                    if self._closed:
                        return
                    sleep(HELD_S)
                if not packet:
                    break
                sink.sendall(packet)
        for one in (sink, source):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


def split(stream: bytes) -> tuple[list[bytes], bytes]:
    """Whole MQTT packets, and the beginning of one that has not all come yet."""
    packets = []
    while len(stream) >= 2:
        length, shift, at = 0, 0, 1
        while True:
            if at >= len(stream):
                return packets, stream
            byte = stream[at]
            length |= (byte & 0x7F) << shift
            at, shift = at + 1, shift + 7
            if not byte & 0x80:
                break
        end = at + length
        if len(stream) < end:
            break
        packets.append(stream[:end])
        stream = stream[end:]
    return packets, stream
