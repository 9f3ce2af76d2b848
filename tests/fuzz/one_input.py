"""One input at one door, from standard input, with at most so much CPU time and memory.

python tests/fuzz/one_input.py care < file
"""

from __future__ import annotations

import resource
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

CPU_S_MAX = 10
MEMORY_MAX = 768 << 20


def forever(_data: bytes) -> None:
    """So that the test of the bound has something to stop."""
    while True:
        pass


def greedy(_data: bytes) -> None:
    """Likewise for memory."""
    bytearray(2 * MEMORY_MAX)


def main(name: str, cpu_s: str = str(CPU_S_MAX)) -> None:
    from targets import TARGETS

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX, MEMORY_MAX))
    used = sum(resource.getrusage(resource.RUSAGE_SELF)[:2])
    most = int(used) + int(cpu_s)
    resource.setrlimit(resource.RLIMIT_CPU, (most, most))
    ({"forever": forever, "greedy": greedy} | TARGETS)[name](sys.stdin.buffer.read())


if __name__ == "__main__":
    main(*sys.argv[1:])
