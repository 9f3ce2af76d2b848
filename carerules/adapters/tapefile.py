"""Tapes in Parquet: what each pack's rules could have seen, a row a change.

Knows files and columns. Does not know rules. A file holds whole packs, and each signal's rows lie
together (a row group), by pack and time: who wants three signals reads those three.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
import pyarrow as arrow
from pyarrow import parquet

Ints: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]

ROWS_MAX = 64_000_000
"""Rows of one signal in one file: more is read as nothing of ours, before memory is made for it."""


class Rows(NamedTuple):
    """One signal of several packs: the rows of pack `p` are `first[p]` to `first[p + 1]`.

    `age` is how long a value had been true when it was seen (ms), `slope` its change a ms; NaN in
    `value` is unknown.
    """

    first: Ints
    moment: Ints
    order: Ints
    value: Floats
    age: Ints
    slope: Floats


class ToldRow(NamedTuple):
    """From a moment on, all times of one kind of happening; `about` empty: the planned uses."""

    pack: str
    moment: int
    order: int
    about: str
    times: Sequence[int]


class TapeFileError(Exception):
    """A file that cannot be read, or is not of this kind; its words say which."""


_PACK = arrow.dictionary(arrow.int32(), arrow.string())
_SEEN = arrow.schema([
    ("signal", arrow.dictionary(arrow.int32(), arrow.string())), ("pack", _PACK),
    ("moment_ms", arrow.int64()), ("order", arrow.int64()), ("value", arrow.float64()),
    ("age_ms", arrow.int64()), ("slope_per_ms", arrow.float64()),
])  # fmt: skip
_READ = ["pack", "moment_ms", "order", "value", "age_ms", "slope_per_ms"]
_TOLD = arrow.schema([
    ("pack", arrow.string()), ("moment_ms", arrow.int64()), ("order", arrow.int64()),
    ("about", arrow.string()), ("times_ms", arrow.list_(arrow.int64())),
])  # fmt: skip


def write_seen(path: Path, packs: Sequence[str], columns: Mapping[str, Rows]) -> None:
    """The signals of these packs; one without rows is left out. Raises OSError."""
    with _made(path) as file, parquet.ParquetWriter(
        file, _SEEN, compression="zstd", use_dictionary=["signal", "pack", "order", "value",
                                                         "age_ms", "slope_per_ms"],
        column_encoding={"moment_ms": "DELTA_BINARY_PACKED"},
    ) as writer:  # fmt: skip
        for signal, rows in columns.items():
            length = len(rows.moment)
            if not length:
                continue
            number = np.repeat(np.arange(len(packs), dtype=np.int32), np.diff(rows.first))
            told = [
                _of_one(signal, length),
                arrow.DictionaryArray.from_arrays(arrow.array(number), arrow.array(list(packs))),
                *(arrow.array(one)
                  for one in (rows.moment, rows.order, rows.value, rows.age, rows.slope)),
            ]  # fmt: skip
            writer.write_table(arrow.Table.from_arrays(told, schema=_SEEN), row_group_size=length)


def _of_one(word: str, length: int) -> Any:
    return arrow.DictionaryArray.from_arrays(
        arrow.array(np.zeros(length, np.int32)), arrow.array([word])
    )


def read_seen(path: Path, packs: Sequence[str], signals: Collection[str]) -> dict[str, Rows]:
    """Those of the signals that have rows. Raises TapeFileError.

    Every row must be of one of `packs`, in their order and in the order of time: what rules came to
    on a file that is not so would be wrong without a word.
    """
    found: dict[str, Rows] = {}
    with _opened(path) as file:
        if file.schema_arrow.remove_metadata() != _SEEN.remove_metadata():
            raise TapeFileError("it is no tape")
        for at in range(file.metadata.num_row_groups):
            signal = _signal_of(file.metadata.row_group(at))
            if signal not in signals:
                continue
            if signal in found or file.metadata.row_group(at).num_rows > ROWS_MAX:
                raise TapeFileError(f"its signal `{signal}` is there twice, or too long")
            # Whoever has several cores gives each a worker: one that takes two slows another.
            table = file.read_row_group(at, columns=_READ, use_threads=False)
            found[signal] = _rows(table, packs)
    return found


def _signal_of(group: Any) -> str:
    told = group.column(0).statistics
    if told is None or not told.has_min_max or told.min != told.max:
        raise TapeFileError("the rows of a signal do not lie together")
    return str(told.min)


def _rows(table: Any, packs: Sequence[str]) -> Rows:
    table = table.combine_chunks()
    if any(column.null_count for column in table.columns):
        raise TapeFileError("a value is missing")
    coded = table.column("pack").combine_chunks()
    coded = coded.chunk(0) if isinstance(coded, arrow.ChunkedArray) else coded
    places = {name: at for at, name in enumerate(packs)}
    number = np.array([places.get(name, -1) for name in coded.dictionary.to_pylist()], np.int64)[
        coded.indices.to_numpy()
    ]
    moment, order, value, age, slope = (table.column(name).to_numpy() for name in _READ[1:])
    if len(number) and number.min() < 0:
        raise TapeFileError("it has a pack that its list of packs does not name")
    turns = number[1:] - number[:-1]
    later = (moment[1:] > moment[:-1]) | ((moment[1:] == moment[:-1]) & (order[1:] > order[:-1]))
    if (turns < 0).any() or ((turns == 0) & ~later).any():
        raise TapeFileError("its rows are not in order")
    first = np.searchsorted(number, np.arange(len(packs) + 1))
    return Rows(first, moment, order, value, age, slope)


def write_told(path: Path, told: Sequence[ToldRow]) -> None:
    """What happened and was planned. Raises OSError."""
    columns = [[row[at] for row in told] for at in range(len(_TOLD))]
    table = arrow.Table.from_arrays(
        [arrow.array(column, type=one.type) for column, one in zip(columns, _TOLD, strict=True)],
        schema=_TOLD,
    )
    with _made(path) as file:
        parquet.write_table(table, file, compression="zstd")


def read_told(path: Path) -> list[ToldRow]:
    """What happened and was planned, as it was written. Raises TapeFileError."""
    with _opened(path) as file:
        if file.schema_arrow.remove_metadata() != _TOLD.remove_metadata():
            raise TapeFileError("it is no tape")
        columns = [column.to_pylist() for column in file.read(use_threads=False).columns]
    return [ToldRow(*row) for row in zip(*columns, strict=True)]


def read_table(path: Path, columns: Sequence[str]) -> dict[str, list[Any]] | None:
    """Some columns of a table of `export`; None: there is no such file. Raises TapeFileError."""
    if not path.exists():
        return None
    with _opened(path) as file:
        if missing := set(columns) - set(file.schema_arrow.names):
            raise TapeFileError(f"it has no column `{min(missing)}`")
        table = file.read(columns=list(columns), use_threads=False)
        return {name: table.column(name).to_pylist() for name in columns}


class _opened:  # noqa: N801 - reads as a word where it is used
    """A Parquet file, and one kind of error whatever is wrong with it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Any:
        try:
            self._file = parquet.ParquetFile(self._path, memory_map=False)
        except (OSError, arrow.ArrowException) as error:
            raise TapeFileError(_why(error)) from error
        return self._file

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        self._file.close()
        if isinstance(error, (OSError, arrow.ArrowException, UnicodeDecodeError)):
            raise TapeFileError(_why(error)) from error


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    return "it cannot be read as Parquet"


def _made(path: Path) -> Any:
    """For its owner only, as the journal that it is made of."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600),
                     "wb")  # fmt: skip
