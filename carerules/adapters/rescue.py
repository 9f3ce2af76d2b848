"""A journal copied while it is in use, made smaller, or read as far as a damaged one can be.

Knows SQLite's backup and its pages. Does not know what the rows mean. The file that is copied or
rescued is opened for reading only, and never changed.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from carerules.adapters import schema, store
from carerules.adapters.leaves import leaf_rows
from carerules.adapters.records import RecordError, load_event, load_outcome
from carerules.domain.frozen import guarded
from carerules.domain.ports import JournalError

PAGES_A_STEP = 256  # a MiB at a time: the service gets its turn at the file in between
TABLES: tuple[str, ...] = (
    "events", "outcomes", "entries", "snapshots", "meta", "plans", "incidents", "outbox", "proven",
    "outbox_read", "notice_words",
)  # fmt: skip
FIRST_PAGE = "the list of tables"
ROWS_LOST_MAX = 100_000
"""Row numbers tried one by one after a page that does not read; more is a hole without an end."""


@guarded
class Saved:
    """How many rows of each table were saved, and where some were not: tables, or their list."""

    rows: dict[str, int]
    damaged: tuple[str, ...]


def back_up(path: Path, to: Path) -> int:
    """Copy the journal at `path` to a new file, whole, while a service runs; its size in bytes.

    Uses SQLite's online backup (sqlite.org/backup.html): the copy is as of one commit. Raises
    `JournalError`; an existing file is never written over.
    """
    with (
        store.faults(to),
        closing(_read_only(path)) as source,
        _whole_or_gone(to),
        closing(sqlite3.connect(to)) as target,
    ):
        source.backup(target, pages=PAGES_A_STEP)
        # The copy stands alone: no -wal that would have to be carried along.
        target.execute("PRAGMA journal_mode = DELETE")
        wrong = target.execute("PRAGMA quick_check(1)").fetchone()[0]
        if wrong != "ok":
            raise store.damaged(path, str(wrong))
    _flush(to)
    return to.stat().st_size


@contextmanager
def _whole_or_gone(to: Path) -> Iterator[None]:
    """A new file of ours, which stays only where what is written into it ends well."""
    os.close(_made(to))
    try:
        yield
    except BaseException:
        to.unlink(missing_ok=True)
        raise


def compact(path: Path) -> tuple[int, int]:
    """Give back the room of what was forgotten; the size before and after in bytes.

    Only where no service runs: raises `JournalBusy`. Needs as much free space again meanwhile.
    """
    lock = store.own(path)
    try:
        with store.faults(path):
            before = path.stat().st_size
            with closing(store.connect(path, owner=True)) as database:
                database.execute("VACUUM")
                database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return before, path.stat().st_size
    finally:
        os.close(lock)


def salvage(path: Path, to: Path) -> Saved:
    """Write what can still be read of a damaged journal to a new one; how much that is.

    The damaged file is opened for reading only. A row that does not read is left out with its
    page's neighbours; the new file passes SQLite's own check, or `JournalError` is raised.
    """
    rows: dict[str, int] = {}
    with store.faults(to), TemporaryDirectory(dir=to.resolve().parent) as folder:
        _read_only(path).close()
        legible = path if _has_tables(path) else _with_first_page(path, Path(folder))
        damaged = [] if legible == path else [FIRST_PAGE]
        with (
            _whole_or_gone(to),
            closing(_read_only(legible or path)) as source,
            closing(sqlite3.connect(to, isolation_level=None)) as target,
        ):
            schema.migrate(target)
            target.execute("PRAGMA foreign_keys = OFF")
            for table in TABLES:
                target.execute("BEGIN")
                rows[table], sound = _rescued(source, target, table)
                if not sound:
                    damaged.append(table)
                    rows[table] += _off_leaves(legible or path, target, table)
                target.execute("COMMIT")
            # An outcome without its event has nothing to hang on.
            target.execute("DELETE FROM outcomes WHERE event_seq NOT IN (SELECT seq FROM events)")
            if damaged:
                _doubt_snapshots(target)
            wrong = target.execute("PRAGMA quick_check(1)").fetchone()[0]
            if wrong != "ok":
                raise JournalError(f"`{to}` does not hold: {wrong}", "look at the disk")
    _flush(to)
    return Saved(rows, tuple(damaged))


def _doubt_snapshots(target: sqlite3.Connection) -> None:
    """Drop what is kept of the state where it does not read, or where later events are lost: their
    numbers would be given again, to events that it would then be taken to know.

    The rest is kept: it holds what was learned from samples that were forgotten since. Events that
    are lost after it are lost with it and without.
    """
    newest = target.execute("SELECT coalesce(max(seq), 0) FROM events").fetchone()[0]
    for seq, body in target.execute("SELECT seq, body FROM snapshots").fetchall():
        if seq > newest or not _is_json(body):
            target.execute("DELETE FROM snapshots WHERE seq = ?", (seq,))


def _is_json(body: object) -> bool:
    try:
        return isinstance(json.loads(str(body)), dict)
    except (ValueError, RecursionError):
        return False


def _has_tables(path: Path) -> bool:
    """Whether the first page says where the tables are."""
    with closing(_read_only(path)) as source:
        try:
            return bool(source.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchall())
        except sqlite3.DatabaseError:
            return False


def _with_first_page(path: Path, folder: Path) -> Path | None:
    """A copy of the file with a first page that reads; None: no journal is laid out like it.

    The first page holds where each table begins. All journals made by one version are laid out
    alike, in one way as they are made and in another as they are compacted; which one it is shows
    by the kinds of the pages at which tables and indices begin (sqlite.org/fileformat.html, 1.3 and
    1.6). One that has grown up with older versions fits neither.
    """
    copy = folder / "copy.db"
    for compacted in (False, True):
        page, begins = _model(folder / f"model-{compacted}.db", compacted=compacted)
        with path.open("rb") as damaged:
            kinds = {}
            for number in begins:
                damaged.seek((number - 1) * len(page))
                kinds[number] = damaged.read(1)
        if any(kinds[number] not in wanted for number, wanted in begins.items()):
            continue
        shutil.copyfile(path, copy)
        wal = path.with_name(path.name + "-wal")
        if wal.exists():
            shutil.copyfile(wal, folder / "copy.db-wal")
        with copy.open("r+b") as mended:
            # How the file is written, by rollback or -wal; and of how many pages it is.
            way = b"\2\2" if wal.exists() else b"\1\1"
            pages = (path.stat().st_size // len(page)).to_bytes(4, "big")
            mended.write(page[:18] + way + page[20:28] + pages + page[32:])
        return copy
    return None


_TABLE_PAGES, _INDEX_PAGES = (b"\x05", b"\x0d"), (b"\x02", b"\x0a")


def _model(path: Path, *, compacted: bool) -> tuple[bytes, dict[int, tuple[bytes, bytes]]]:
    """The first page of an empty journal, and what kind of page begins where in every journal."""
    with closing(sqlite3.connect(path, isolation_level=None)) as model:
        schema.migrate(model)
        if compacted:
            model.execute("VACUUM")
        begins = {
            number: _TABLE_PAGES if kind == "table" else _INDEX_PAGES
            for kind, number in model.execute("SELECT type, rootpage FROM sqlite_master")
        }
        size = model.execute("PRAGMA page_size").fetchone()[0]
    return path.read_bytes()[:size], begins


def _rescued(
    source: sqlite3.Connection, target: sqlite3.Connection, table: str
) -> tuple[int, bool]:
    """Copy a table row by row in the order of its numbers, jumping over what does not read."""
    saved, after, sound, lost = 0, -1, True, 0
    try:
        columns = [row[1] for row in source.execute(f"PRAGMA table_info({table})")]
    except sqlite3.DatabaseError:
        return 0, False
    if not columns:
        return 0, True  # an older journal had no such table
    names, marks = ", ".join(columns), ", ".join("?" * len(columns))
    query = f"SELECT rowid, {names} FROM {table} WHERE rowid > ? ORDER BY rowid"
    while lost < ROWS_LOST_MAX:
        try:
            for number, *values in source.execute(query, (after,)):
                if number <= after:  # a page that leads back to itself gives its rows for ever
                    raise sqlite3.DatabaseError("the numbers do not rise")
                target.execute(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", values)
                after, saved, lost = number, saved + 1, 0
            return saved, sound
        except sqlite3.DatabaseError:
            sound = False
            after, lost = after + 1, lost + 1
    return saved, False


_LOADS: dict[str, Callable[[str, str], object]] = {
    "events": load_event,
    "outcomes": load_outcome,
}


def _off_leaves(source: Path, target: sqlite3.Connection, table: str) -> int:
    """Rows that no page leads to any more, and that read as what they are; how many.

    Events and outcomes have their kind and body in the same places, and no kind in common.
    """
    load, saved = _LOADS.get(table), 0
    if load is None:
        return 0
    for number, values in leaf_rows(source):
        match values:
            case (None, int() as moment, str() as kind, str() as body) if number > 0:
                try:
                    load(kind, body)
                except RecordError:
                    continue
                row = (number, moment, kind, body)
                done = target.execute(f"INSERT OR IGNORE INTO {table} VALUES (?, ?, ?, ?)", row)
                saved += done.rowcount
            case _:
                continue
    return saved


def _read_only(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise JournalError(f"no journal at `{path}`", "name the site that has one")
    uri = f"{path.resolve().as_uri()}?mode=ro"
    return sqlite3.connect(uri, uri=True, timeout=store.BUSY_MS / 1_000)


def _made(to: Path) -> int:
    """A new file for its owner only."""
    try:
        return os.open(to, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    except FileExistsError:
        raise JournalError(f"`{to}` is there already", "name a new file") from None


def _flush(to: Path) -> None:
    """On the disk, the file and its name."""
    for one in (to, to.resolve().parent):
        descriptor = os.open(one, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
