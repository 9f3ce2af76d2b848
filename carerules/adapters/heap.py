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
    return _said("mallopt", _ARENA_MAX, 1)


def give_back() -> bool:
    """Let go of what is free inside the heap; whether the C library had any, and can.

    By itself glibc gives back what is free at the heap's end only (malloc_trim(3)). What a start
    takes and leaves, between things that stay, is half a megabyte.
    """
    return _said("malloc_trim", 0)


def _said(word: str, *numbers: int) -> bool:
    try:
        return bool(getattr(ctypes.CDLL(None), word)(*numbers))
    except (OSError, AttributeError):
        return False
