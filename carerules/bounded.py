"""A file, read up to a bound, and never waited for: the one way in for whatever a path names.

Knows pipes, devices and folders. Does not know what is in the file.
"""

from __future__ import annotations

import os
import stat
from errno import EINVAL, EISDIR
from pathlib import Path


def read_bounded(path: Path, bytes_max: int) -> bytes:
    """What is in the file, at most one byte more than `bytes_max`: so that who asks sees that there
    is more.

    Raises `OSError`, also for what is no file: who reads a pipe waits until somebody writes to it
    (open(2)), a device may have no end, and to open one may be to use it. `ValueError` for a path
    that none can be.
    """
    _must_be_file(path, os.stat(path))
    # Should it have become a pipe just now, then this does not wait for it either.
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as stream:
        _must_be_file(path, os.fstat(stream.fileno()))
        return stream.read(bytes_max + 1)


def _must_be_file(path: Path, found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(EISDIR, os.strerror(EISDIR), str(path))
    if not stat.S_ISREG(found.st_mode):
        raise OSError(EINVAL, "a pipe or a device, and no file", str(path))
