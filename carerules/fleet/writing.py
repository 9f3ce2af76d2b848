"""A recording laid down in a folder: bunches of packs, and the list last.

Knows recordings and files. Does not know where the facts came from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from carerules.adapters.tapefile import Rows, ToldRow, write_seen, write_told
from carerules.domain.moment import LocalTime, Moment
from carerules.domain.signal import Signal
from carerules.fleet.folder import (
    BUNCH_PACKS,
    LIST,
    TapeBunchShape,
    TapePackShape,
    TapeShape,
    TapeSignalShape,
)
from carerules.fleet.which import version
from carerules.loop import World
from carerules.replay import Column, Recording, Told


def write_tape(
    folder: Path, recording: Recording, world: World, own: Sequence[Signal],
    forgotten_before: Moment | None, *, bunch_packs: int = BUNCH_PACKS,
) -> TapeShape:  # fmt: skip
    """Lay it down, over what is there. `world`: as it is at the end; `own`: the site's own signals.

    Raises OSError. The old list goes first and the new one comes last, so that a folder that was
    written halfway is no tape.
    """
    tape, site = recording.tape, world.setup.site
    (folder / LIST).unlink(missing_ok=True)
    for stale in (*folder.glob("seen-*.parquet"), *folder.glob("told-*.parquet")):
        stale.unlink()
    bunches = []
    for number, begin in enumerate(range(0, len(tape.packs), bunch_packs)):
        names = tape.packs[begin : begin + bunch_packs]
        bunch = TapeBunchShape(
            seen=f"seen-{number:04}.parquet", told=f"told-{number:04}.parquet", packs=list(names)
        )
        write_seen(folder / bunch.seen, names, {
            signal: _cut(column, begin, begin + len(names))
            for signal, column in tape.columns.items()
        })  # fmt: skip
        write_told(folder / bunch.told, [
            row for name in names for row in _told(name, tape.told.get(name, ()))
        ])  # fmt: skip
        bunches.append(bunch)
    told = TapeShape(
        carerules=version(), site=site.name, zone=str(site.local.zone), begins=tape.begins,
        ends=tape.ends, forgotten_before=forgotten_before, facts=recording.facts,
        left_out=recording.left_out, offsets=_offsets(tape.local),
        signals=[_signal(one) for one in own],
        packs=[
            TapePackShape(
                name=name, chemistry=pack.chemistry, cells=pack.cells,
                capacity_ah=pack.capacity_ah, tags=sorted(pack.tags), role=pack.role,
                barred=world.packs[name].barred, retired=world.packs[name].retired,
            )
            for name, pack in site.packs.items()
        ],
        bunches=bunches,
    )  # fmt: skip
    part = folder / f".{LIST}.part"
    part.write_text(told.model_dump_json(indent=1), encoding="utf-8")
    part.chmod(0o600)
    part.replace(folder / LIST)
    return told


def _cut(column: Column, begin: int, end: int) -> Rows:
    """The rows of some packs that stand together."""
    first = column.first[begin : end + 1]
    part = slice(int(first[0]), int(first[-1]))
    moment, length = column.moment[part], int(first[-1] - first[0])
    return Rows(
        first - first[0], moment,
        np.zeros(length, np.int64) if column.order is None else column.order[part],
        column.value[part],
        np.zeros(length, np.int64) if column.since is None else moment - column.since[part],
        np.zeros(length) if column.slope is None else column.slope[part],
    )  # fmt: skip


def _told(pack: str, told: Sequence[Told]) -> Iterator[ToldRow]:
    """Only what is other than before: a happening that goes on is told once."""
    happened: Mapping[str, tuple[Moment, ...]] = {}
    uses: tuple[Moment, ...] = ()
    for one in told:
        for about in sorted({*happened, *one.happened}):
            times = one.happened.get(about, ())
            if times != happened.get(about, ()):
                yield ToldRow(pack, one.moment, one.order, about, times)
        if one.uses != uses:
            yield ToldRow(pack, one.moment, one.order, "", one.uses)
        happened, uses = one.happened, one.uses


def _offsets(local: Sequence[tuple[Moment, LocalTime]]) -> list[tuple[Moment, int]]:
    return [(since, one.offset) for since, one in local]


def _signal(one: Signal) -> TapeSignalShape:
    return TapeSignalShape(
        name=one.name, dimension=one.dimension.name, unit=one.dimension.unit,
        max_age_ms=one.max_age, low=one.low, high=one.high, bridge_ms=one.bridge,
    )  # fmt: skip
