"""One bunch of packs as a tape: read from its two files, as it was laid down.

Knows files and tapes. Does not know rules.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from carerules.adapters.tapefile import Rows, TapeFileError, ToldRow, read_seen, read_told
from carerules.domain.moment import Moment
from carerules.fleet.folder import TapeBunchShape, TapeShape
from carerules.replay import Column, Tape, Told


def read_bunch(
    folder: Path, listed: TapeShape, bunch: TapeBunchShape, signals: Collection[str]
) -> Tape:
    """The tape of a bunch, with those of the signals that were ever heard. Raises TapeFileError."""
    packs = tuple(bunch.packs)
    seen = read_seen(folder / bunch.seen, packs, signals)
    for signal, rows in seen.items():
        if len(rows.moment) and not (
            listed.begins <= rows.moment.min() and rows.moment.max() <= listed.ends
        ):
            raise TapeFileError(f"its signal `{signal}` has times that the list does not")
    columns = {signal: _column(rows) for signal, rows in seen.items()}
    return Tape(packs, listed.begins, listed.ends, columns, listed.local(),
                _told(packs, read_told(folder / bunch.told)))  # fmt: skip


def _column(rows: Rows) -> Column:
    """What is nothing everywhere is left away, which a replay needs not look at."""
    return Column(
        rows.first, rows.moment, rows.value,
        rows.order if rows.order.any() else None,
        rows.moment - rows.age if rows.age.any() or rows.slope.any() else None,
        rows.slope if rows.slope.any() else None,
    )  # fmt: skip


def _told(packs: Sequence[str], rows: Sequence[ToldRow]) -> Mapping[str, tuple[Told, ...]]:
    found: dict[str, list[Told]] = {name: [] for name in packs}
    for row in rows:
        if row.pack not in found:
            raise TapeFileError("it has a pack that its list of packs does not name")
        told = found[row.pack]
        last = told[-1] if told else Told(row.moment, row.order, {}, ())
        if told and (last.moment, last.order) > (row.moment, row.order):
            raise TapeFileError("its rows are not in order")
        times: tuple[Moment, ...] = tuple(row.times)
        happened, uses = last.happened, last.uses
        if row.about:
            happened = {**happened, row.about: times}
        else:
            uses = times
        if told and (last.moment, last.order) == (row.moment, row.order):
            told.pop()
        told.append(Told(row.moment, row.order, happened, uses))
    return {name: tuple(told) for name, told in found.items()}
