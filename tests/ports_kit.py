"""A port for a server that is told its number before it listens.

The system gives any free port of one range to whoever asks for one, and to whoever calls somebody:
what it gave and took back may be another's a moment later. These lie below that range, and are
kept from other tests by a name of the abstract kind (unix(7)), which goes with the process.
"""

from __future__ import annotations

import errno
import socket
from pathlib import Path
from random import SystemRandom

RANGE = Path("/proc/sys/net/ipv4/ip_local_port_range")
"""ip(7): the ports that the system gives away, the first and the last."""
BELOW = 10_000


def free_port() -> int:
    """A port of the loopback address at which nobody listens, and which nobody else is given."""
    first = int(RANGE.read_text().split()[0])
    for port in SystemRandom().sample(range(first - BELOW, first), 500):
        if _is_kept(port) and _is_free(port):
            return port
    raise AssertionError(f"of 500 ports below {first} each was taken")


def _is_kept(port: int) -> bool:
    name = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    try:
        name.bind(f"\0carerules-tests-port-{port}")
    except OSError as error:
        name.close()
        if error.errno != errno.EADDRINUSE:
            raise
        return False
    name.detach()  # open for as long as this process lives
    return True


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True
