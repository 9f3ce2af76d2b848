"""The journal's file on the disk: opened, owned, its rows, and its faults in words.

Knows SQLite, locks and modes. Does not know what the journal holds.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from errno import ENOENT, ENOSPC, EROFS
from pathlib import Path
from threading import RLock
from typing import Any

from carerules.adapters import schema
from carerules.adapters.rows import Hold, Statement
from carerules.domain.ports import JournalError

BUSY_MS = 2_000  # a manual entry is written in milliseconds; longer than this is a hung program
LOOKED_AT_MAX = 50
"""Times a fifth of a second: a look takes microseconds, but its process may be held up in it."""
CACHE_KB = 256
"""Of pages kept in memory by each connection; SQLite's own 2000 make megabytes of a service that
has run for a while. What is written goes to the end of a few tables, and what is read lies in the
kernel's own memory of the file."""


class JournalBusy(JournalError):  # noqa: N818 (busy says it)
    """Another service owns this journal: two would switch the same plugs."""

    def __init__(self, name: str, pid: int | None, host: str = "") -> None:
        who = f"process {pid}" if pid is not None else "another process"
        super().__init__(
            f"{name} belongs to {who}{f' on {host}' if host else ''}, which is running",
            "stop that service first, or give this one a journal of its own",
        )
        self.pid = pid


def named(path: Path) -> str:
    """How messages call the journal in that file."""
    return f"journal `{path}`"


class SqliteRows:
    """The rows of one file; satisfies `adapters.rows.Rows`."""

    fence: int | None = None
    fenced = False  # the kernel's lock is let go of by nothing but the end of the process

    def __init__(self, path: Path, *, owner: bool) -> None:
        """Open the file, make it where there is none. Raises `JournalBusy`, `JournalError`."""
        self.path, self.name, self.owned = path, named(path), owner
        self._lock = own(path) if owner else None
        try:
            self.database = connect(path, owner=owner)
            with faults(path):
                self._inode = path.stat().st_ino
        except BaseException:
            self._unlock()
            raise

    def all(self, query: str, *row: object) -> list[Any]:
        """What a query finds."""
        with faults(self.path):
            return self.database.execute(query, row).fetchall()

    def together(self, statements: Iterable[Statement]) -> int:
        """One transaction, synced when this returns: how many rows it changed."""
        changed, statements = 0, list(statements)
        with faults(self.path):
            if len(statements) == 1:  # a transaction by itself
                return self.database.execute(*statements[0]).rowcount
            self.database.execute("BEGIN IMMEDIATE")
            try:
                for statement, row in statements:
                    changed = self.database.execute(statement, row).rowcount
                self.database.execute("COMMIT")
            except BaseException:
                # A full disk has rolled back already by itself.
                if self.database.in_transaction:
                    self.database.execute("ROLLBACK")
                raise
        return changed

    def check(self) -> None:
        """Raises JournalError when the file was moved away or replaced: what is written then goes
        where nobody reads it, and what people enter goes where we do not look."""
        with faults(self.path):
            there = self.path.stat().st_ino if self.path.exists() else None
        if there != self._inode:
            raise JournalError(f"{self.name} was moved away or replaced",
                               "stop the service and start it again")  # fmt: skip

    def hold(self) -> Hold:
        """Nobody can take the lock from a process that lives."""
        return Hold.OURS if self._lock is not None else Hold.ANOTHERS

    def close(self) -> None:
        """Let go of the file and the lock."""
        self.database.close()
        self._unlock()

    def _unlock(self) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None


def own(path: Path) -> int:
    """Take the lock beside the journal, for as long as the descriptor given back is open.

    The kernel lets go of it when the process ends, however it ends: no stale lock can stay.
    Raises `JournalBusy` when another process holds it.
    """
    lock = path.with_name(path.name + ".lock")
    with faults(path):
        _make_folder(path.parent)
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        _lock(descriptor)
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    except BlockingIOError:
        holder = os.pread(descriptor, 32, 0).strip()
        os.close(descriptor)
        raise JournalBusy(named(path), int(holder) if holder.isdigit() else None) from None
    except OSError as error:
        os.close(descriptor)
        raise _from_os(path, error) from error
    return descriptor


def _lock(descriptor: int) -> None:
    """Take the lock. An owner who leaves is waited for a little; somebody who only looks who has it
    (`owner_of`), and whose process does not have its turn meanwhile, for longer."""
    for wait_s in (0.01, 0.05, 0.2, *[0.2] * LOOKED_AT_MAX):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(wait_s)
        else:
            return
        if wait_s == 0.2:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)  # an owner's cannot be shared
            fcntl.flock(descriptor, fcntl.LOCK_UN)
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def owner_of(path: Path) -> int | None:
    """The process that owns the journal now; None: nobody does. Takes nothing and makes nothing."""
    try:
        flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC  # a stop waits for no pipe there either
        descriptor = os.open(path.with_name(path.name + ".lock"), flags)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        return None
    except BlockingIOError:
        holder = os.pread(descriptor, 32, 0).strip()
        return int(holder) if holder.isdigit() else 0
    finally:
        os.close(descriptor)


class _Connection(sqlite3.Connection):
    """A connection that is counted for as long as it is open."""

    counted: Path | None = None

    def close(self) -> None:
        """Let go of the file."""
        with _GUARD:
            super().close()
            if self.counted is not None:
                _OPEN_HERE[self.counted] -= 1
                self.counted = None


_GUARD = RLock()
_OPEN_HERE: Counter[Path] = Counter()
"""How many connections this process has to each file."""


def connect(path: Path, *, owner: bool) -> sqlite3.Connection:
    """Open the file, make or migrate its tables; raises `JournalError` naming file and mend.

    Where this process has it open already, it is touched by SQLite alone: closing any other
    descriptor of it would let go of all of the process's locks on it (fcntl(2)), and the next
    program to leave would take the -wal away under us (sqlite.org/howtocorrupt.html, 2.2).
    """
    database: _Connection | None = None
    try:
        with _GUARD, faults(path):
            known = path.resolve()
            if not _OPEN_HERE[known] or not path.is_file():
                _make_folder(path.parent)
                _make_file(path)
                _look(path, thoroughly=owner)
            database = sqlite3.connect(
                path, timeout=BUSY_MS / 1_000, isolation_level=None, check_same_thread=False,
                factory=_Connection,
            )  # fmt: skip
            _OPEN_HERE[known] += 1
            database.counted = known
            _prepare(database, path, owner=owner)
        return database
    except BaseException:
        if database is not None:
            database.close()
        raise


def _prepare(database: sqlite3.Connection, path: Path, *, owner: bool) -> None:
    found, whose = schema.version(database), schema.application_id(database)
    fresh = found == 0 and whose == 0 and _is_empty(database)
    if not fresh and whose != schema.APPLICATION_ID:
        raise JournalError(
            f"`{path}` is a database of something else", "name another file for the journal"
        )
    if found > schema.VERSION:
        raise JournalError(
            f"journal `{path}` is of version {found}, this program knows up to {schema.VERSION}",
            "install the newer program, or name another journal",
        )
    database.execute("PRAGMA journal_mode = WAL")
    # FULL: a commit that returned is on the disk. NORMAL may lose the last commits at power loss,
    # and one of them may be the intent to switch a plug on.
    database.execute("PRAGMA synchronous = FULL")
    database.execute("PRAGMA foreign_keys = ON")
    database.execute(f"PRAGMA cache_size = -{CACHE_KB}")
    if found < schema.VERSION:
        if not owner and not fresh:
            raise JournalError(
                f"journal `{path}` was written by an older version", "start the service once"
            )
        schema.migrate(database)


def _look(path: Path, *, thoroughly: bool) -> None:
    """Whether it is a sound database, before anything may write to it: a connection that may, and
    is the last to leave, takes the -wal into the file and away, also into a damaged one."""
    hot = path.with_name(path.name + "-journal").exists()
    if path.stat().st_size == 0 or hot:
        return  # new; or killed while it was made, which only one that may write can undo
    uri = f"{path.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True, timeout=BUSY_MS / 1_000)) as database:
        _is_empty(database)
        if not thoroughly:
            return
        if database.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise damaged(path, "its pages do not fit together")


def _is_empty(database: sqlite3.Connection) -> bool:
    return not database.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchall()


def _make_folder(folder: Path) -> None:
    if not folder.is_dir():
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def _make_file(path: Path) -> None:
    # Made by us before SQLite sees it: its own files beside this one then take the same mode.
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        os.fchmod(descriptor, 0o600)
    finally:
        os.close(descriptor)


def damaged(path: Path, how: str) -> JournalError:
    """The file cannot be read. It may still be of use to somebody: it is never deleted here."""
    return JournalError(
        f"journal `{path}` is damaged: {how}",
        "write what can be read to a new file (`carerules journal salvage saved.db`); then "
        f"move it aside with its -wal and -shm (`mv {path.name} {path.name}.damaged`) and put "
        "the new one, a backup or nothing in its place",
    )


# By the prefix of SQLite's own name of the error.
_FAULTS = (
    ("SQLITE_FULL", "the disk is full", "free some space; what waits is written then"),
    ("SQLITE_BUSY", "another program holds it", "end the program that has it open"),
    ("SQLITE_LOCKED", "another program holds it", "end the program that has it open"),
    ("SQLITE_READONLY", "it cannot be written", "give the service's user the file and its folder"),
    ("SQLITE_PERM", "it cannot be opened", "give the service's user the file and its folder"),
    ("SQLITE_CANTOPEN", "it cannot be opened", "give the service's user the file and its folder"),
    ("SQLITE_IOERR", "the disk gives an error", "look at the disk (`dmesg`), then start again"),
)


_MENDS = {
    ENOENT: "make its folder first, or name another",
    ENOSPC: "free some space; what waits is written then",
    EROFS: "name a place that can be written",
}


@contextmanager
def faults(path: Path) -> Iterator[None]:
    """Whatever goes wrong with the file inside comes out as a `JournalError` with its mend."""
    try:
        yield
    except sqlite3.Error as error:
        raise _from_sqlite(path, error) from error
    except OSError as error:
        raise _from_os(path, error) from error


def _from_sqlite(path: Path, error: sqlite3.Error) -> JournalError:
    name = getattr(error, "sqlite_errorname", "") or ""
    for prefix, what, mend in _FAULTS:
        if name.startswith(prefix):
            return JournalError(f"journal `{path}`: {what}", mend)
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return damaged(path, "it is no sound database")
    return JournalError(
        f"journal `{path}`: {str(error).lower() or 'unknown fault'}",
        "move it aside if it happens again, and report it",
    )


def _from_os(path: Path, error: OSError) -> JournalError:
    return JournalError(
        f"journal `{path}`: {(error.strerror or 'unknown fault').lower()}",
        _MENDS.get(error.errno or 0, "give the service's user the file and its folder"),
    )
