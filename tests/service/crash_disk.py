"""A disk that begins to fail at a moment, or a death inside a call: the kernel does it.

A filter on system calls (seccomp(2): SECCOMP_RET_ERRNO, _KILL_PROCESS), put on by the process for
itself: it needs no rights, no disk image and nothing in the program. Numbers of the calls: the
kernel's tables (asm/unistd_64.h for x86-64, asm-generic/unistd.h for aarch64). The log of a night
goes out by write(2), the database by pwrite64(2), so the one can fail without the other.
"""

from __future__ import annotations

import ctypes
import errno
import platform
import resource
from collections.abc import Mapping

CALLS: Mapping[str, Mapping[str, int]] = {
    "x86_64": {"fsync": 74, "fdatasync": 75, "pwrite64": 18, "ftruncate": 77, "fallocate": 285},
    "aarch64": {"fsync": 82, "fdatasync": 83, "pwrite64": 68, "ftruncate": 46, "fallocate": 47},
}
FAILURES: Mapping[str, tuple[tuple[str, ...], int]] = {
    "fsync-fails": (("fsync", "fdatasync"), errno.EIO),
    "write-fails": (("pwrite64", "ftruncate", "fallocate"), errno.EIO),
    "disk-full": (("pwrite64", "fallocate"), errno.ENOSPC),
    "read-only": (("pwrite64", "ftruncate", "fallocate", "fsync", "fdatasync"), errno.EROFS),
}
DEATHS: Mapping[str, tuple[str, ...]] = {
    "dies-in-write": ("pwrite64",),
    "dies-in-sync": ("fsync", "fdatasync"),
}
"""Killed by the kernel inside the next such call: of a commit, before its first page is written; or
when all of it is, and nobody has been told."""
NO_NEW_PRIVS, SET_SECCOMP, MODE_FILTER = 38, 22, 2
LOAD, EQUAL, RETURN = 0x20, 0x15, 0x06
ALLOW, FAIL, KILL = 0x7FFF0000, 0x00050000, 0x80000000


class Line(ctypes.Structure):
    """One instruction of the filter (linux/filter.h)."""

    _fields_ = (("code", ctypes.c_uint16), ("jt", ctypes.c_uint8), ("jf", ctypes.c_uint8),
                ("k", ctypes.c_uint32))  # fmt: skip


class Program(ctypes.Structure):
    """The filter."""

    _fields_ = (("length", ctypes.c_ushort), ("lines", ctypes.POINTER(Line)))


def fail(how: str) -> None:
    """From now on these calls of this process fail, or end it; there is no way back."""
    names, error = (DEATHS[how], None) if how in DEATHS else FAILURES[how]
    answer = KILL if error is None else FAIL | error
    numbers = [CALLS[platform.machine()][name] for name in names]
    lines = [Line(LOAD, 0, 0, 0)]
    lines += [Line(EQUAL, len(numbers) - i, 0, number) for i, number in enumerate(numbers)]
    lines += [Line(RETURN, 0, 0, ALLOW), Line(RETURN, 0, 0, answer)]
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    libc = ctypes.CDLL(None, use_errno=True)
    program = Program(len(lines), (Line * len(lines))(*lines))
    no_more_rights = libc.prctl(NO_NEW_PRIVS, 1, 0, 0, 0)
    if no_more_rights or libc.prctl(SET_SECCOMP, MODE_FILTER, ctypes.byref(program), 0, 0):
        raise OSError(ctypes.get_errno(), "no filter on system calls can be put on here")
