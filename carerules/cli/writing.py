"""Files that a command writes: whole, or not at all.

Knows files. Does not know what stands in them.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from carerules.cli.common import FAILED, refuse


def put(to: Path, content: bytes) -> None:
    """Write a file, or leave what was there and say why, with exit status 1.

    What is no file (a pipe, a terminal) is written to as it is.
    """
    try:
        if to.is_file():
            replace_file(to, content)
        elif to.exists():
            to.write_bytes(content)
        else:
            _make(to, content)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        refuse(f"cannot write `{to}`: {why}; mend: name another place", status=FAILED)


def replace_file(path: Path, raw: bytes) -> None:
    """Put other bytes in a file: all of them or none, with its permissions and owner.

    A link stays a link: the file that it leads to is replaced. Raises OSError.
    """
    path = path.resolve(strict=True)
    before = path.stat()
    handle, new = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
            stream.flush()
            os.fchmod(handle, before.st_mode & 0o7777)
            with suppress(PermissionError):  # only root gives a file away, and need not here
                os.fchown(handle, before.st_uid, before.st_gid)
            os.fsync(handle)
        os.replace(new, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(new)
        raise


def _make(path: Path, raw: bytes) -> None:
    try:
        path.write_bytes(raw)
    except OSError:
        with suppress(OSError):
            path.unlink()
        raise
