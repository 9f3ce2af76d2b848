"""Where the process takes its memory from.

Knows the C library. Does not know what memory is for.
"""

from __future__ import annotations

import ctypes

_ARENA_MAX = -8  # M_ARENA_MAX of glibc's malloc.h


def share_heap() -> bool:
    """Have all threads take their memory from one heap; whether the C library can.

    By itself glibc gives each thread one of its own (mallopt(3)), which serves threads that run at
    once. Ours wait most of the time, and a dozen heaps cost most of a megabyte. Another C library
    has no such word, and is left as it is.
    """
    try:
        return bool(ctypes.CDLL(None).mallopt(_ARENA_MAX, 1))
    except (OSError, AttributeError):
        return False
