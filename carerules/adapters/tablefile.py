"""Tables written to files, batch by batch: CSV always, Parquet where pyarrow is installed.

Knows files and formats. Does not know what is in a table. A file appears under its name when it is
whole, and never in the place of another unless that was asked for. For its owner only, as the
journal that it is made of.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Protocol, TypeAlias

from carerules.adapters.problem import Problem, quoted

Format: TypeAlias = Literal["csv", "parquet"]
BATCH_ROWS = 5_000
"""Some megabytes of the widest table."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Columned(Protocol):
    """A column: its name and kind (time, text, real, whole, truth)."""

    @property
    def name(self) -> str:
        """What stands above it."""

    @property
    def kind(self) -> str:
        """What its values are: time, text, real, whole, truth."""


class Writer(Protocol):
    """Takes rows until it is closed."""

    def write(self, rows: Sequence[Sequence[object]]) -> None:
        """More rows, in the order of the columns."""

    def close(self) -> None:
        """All has been written."""


class TableFiles:
    """The files of one export. Rows are held until they make a batch."""

    def __init__(self, folder: Path, form: Format, *, overwrite: bool) -> None:
        """Opens nothing yet; see `begin`."""
        self._folder, self._form, self._overwrite = folder, form, overwrite
        self._writers: dict[str, Writer] = {}
        self._held: dict[str, list[Sequence[object]]] = {}
        self.rows: dict[str, int] = {}

    def begin(self, tables: Mapping[str, Sequence[Columned]]) -> Problem | None:
        """Open a file for each table; or why not, and nothing is left behind. Raises OSError."""
        for name in tables:
            if not self._overwrite and os.path.lexists(self.path(name)):
                return Problem(
                    f"{quoted(self.path(name))}, which is there already",
                    "a folder without it",
                    "add `--overwrite`, or name another folder",
                )
        if not self._folder.is_dir():
            self._folder.mkdir(mode=0o700, parents=True)
        try:
            for name, columns in tables.items():
                self._writers[name] = _writer(self._part(name), self._form, columns)
                self._held[name], self.rows[name] = [], 0
        except ModuleNotFoundError as error:
            self.abandon()
            return Problem(f"no `{error.name}`", "it, to write Parquet",
                           "`pip install 'carerules[export]'`, or `--format csv`")  # fmt: skip
        return None

    def add(self, name: str, row: Sequence[object]) -> None:
        """One row of a table."""
        held = self._held[name]
        held.append(row)
        self.rows[name] += 1
        if len(held) >= BATCH_ROWS:
            self._writers[name].write(held)
            held.clear()

    def finish(self) -> None:
        """Write what is held, and give each file its name."""
        for name, writer in self._writers.items():
            if self._held[name]:
                writer.write(self._held[name])
            writer.close()
        for name in self._writers:
            self._part(name).replace(self.path(name))
        self._writers.clear()

    def abandon(self) -> None:
        """Leave nothing behind."""
        for name, writer in self._writers.items():
            with suppress(Exception):
                writer.close()
            self._part(name).unlink(missing_ok=True)
        self._writers.clear()

    def path(self, name: str) -> Path:
        """Where a table goes."""
        return self._folder / f"{name}.{self._form}"

    def _part(self, name: str) -> Path:
        return self._folder / f".{name}.{self._form}.{os.getpid()}.part"


def _writer(path: Path, form: Format, columns: Sequence[Columned]) -> Writer:
    return _Parquet(path, columns) if form == "parquet" else _Csv(path, columns)


def _made(path: Path) -> int:
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)


class _Csv:
    """As RFC 4180 has it: a header, CRLF, quotes where they are needed; UTF-8."""

    def __init__(self, path: Path, columns: Sequence[Columned]) -> None:
        self._file = os.fdopen(_made(path), "w", encoding="utf-8", errors="replace", newline="")
        self._csv = csv.writer(self._file)
        self._csv.writerow([one.name for one in columns])

    def write(self, rows: Sequence[Sequence[object]]) -> None:
        self._csv.writerows([[_plain(cell) for cell in row] for row in rows])

    def close(self) -> None:
        self._file.close()


def _plain(cell: object) -> object:
    match cell:
        case None:
            return ""
        case bool():
            return "true" if cell else "false"
        case datetime():
            return cell.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        case str() if cell.startswith(_FORMULA):
            # A spreadsheet would run it, and strangers' words come through here (OWASP, CSV
            # injection). Parquet has the words as they were.
            return f"'{cell}"
        case _:
            return cell


class _Parquet:
    """One row group a batch; times in UTC to the millisecond."""

    def __init__(self, path: Path, columns: Sequence[Columned]) -> None:
        # Only who writes Parquet needs it, and waits the half second that it takes.
        import pyarrow as arrow  # noqa: PLC0415
        from pyarrow import parquet  # noqa: PLC0415

        kinds: dict[str, Any] = {
            "time": arrow.timestamp("ms", tz="UTC"), "text": arrow.string(),
            "real": arrow.float64(), "whole": arrow.int64(), "truth": arrow.bool_(),
        }  # fmt: skip
        self._arrow = arrow
        self._schema = arrow.schema([(one.name, kinds[one.kind]) for one in columns])
        self._file = os.fdopen(_made(path), "wb")
        self._writer = parquet.ParquetWriter(self._file, self._schema)

    def write(self, rows: Sequence[Sequence[object]]) -> None:
        columns = [
            self._arrow.array([_sound(row[at]) for row in rows], type=one.type)
            for at, one in enumerate(self._schema)
        ]
        self._writer.write_batch(self._arrow.record_batch(columns, schema=self._schema))

    def close(self) -> None:
        self._writer.close()
        self._file.close()


def _sound(cell: object) -> object:
    """Half of a surrogate pair is no text: it shows as a mark."""
    return cell.encode("utf-8", "replace").decode() if isinstance(cell, str) else cell
