"""A fleet on the disk: a folder for each site, and in it `tape.json` and its bunches of packs.

Knows the files' names and what the list says. Does not know rules. A bunch is some packs of one
site, whole: it is what one worker takes at a time.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import ValidationError, field_validator

from carerules.adapters import Problem, quoted
from carerules.bounded import read_bounded
from carerules.domain.moment import Duration, LocalTime, Moment
from carerules.domain.pack import Limits, Pack
from carerules.domain.quantity import Dimension
from carerules.domain.signal import Signal
from carerules.report.shapes import Shape

LIST = "tape.json"
"""The list of a site's folder, written last: without it the rest is not whole."""
LIST_BYTES_MAX = 64 << 20
"""Some hundred thousand packs."""
SITES_MAX = 100_000
"""More are no fleet that one person asks about."""
BUNCH_PACKS = 100
"""At one reading in ten minutes and a hundred days 1.4 million rows a signal, some 300 MB in all
while rules are gone through: two workers fit a small machine, and a second's work is not lost with
a worker."""

_NOT_ASKED = Limits(0, 0, 0, 0, 0, 0, 0)
"""A replay asks when a condition holds, and never what an interlock would allow."""


class TapePackShape(Shape):
    """A pack as rules select it; `barred`: why it takes no energy at the end, empty: it may."""

    name: str
    chemistry: str
    cells: int
    capacity_ah: float
    tags: list[str]
    role: str
    barred: str
    retired: str

    def pack(self) -> Pack:
        """The pack, without limits."""
        return Pack(self.name, self.chemistry, self.cells, self.capacity_ah, _NOT_ASKED,
                    frozenset(self.tags), self.role)  # fmt: skip


class TapeSignalShape(Shape):
    """A signal of the site's own, from `low` to `high` in its unit; `max_age_ms` null: it is
    kept."""

    name: str
    dimension: str
    unit: str
    max_age_ms: int | None
    low: float
    high: float
    bridge_ms: int

    def signal(self) -> Signal:
        """The catalogue's row."""
        return Signal(self.name, Dimension(self.dimension, self.unit), self.max_age_ms, self.low,
                      self.high, self.name, bridge=self.bridge_ms)  # fmt: skip


class TapeBunchShape(Shape):
    """A bunch: its two files, and whose rows are in them, in this order."""

    seen: str
    told: str
    packs: list[str]

    @field_validator("seen", "told")
    @classmethod
    def _beside(cls, name: str) -> str:
        if Path(name).name != name or not name.endswith(".parquet"):
            raise ValueError("a file that is not beside the list")
        return name


class TapeShape(Shape):
    """`tape.json`. `offsets`: from each moment on, how far the wall clock leads the line (ms)."""

    shape: Literal[1] = 1
    carerules: str
    site: str
    zone: str
    begins: Moment
    ends: Moment
    forgotten_before: Moment | None
    facts: int
    left_out: int
    offsets: list[tuple[Moment, Duration]]
    signals: list[TapeSignalShape]
    packs: list[TapePackShape]
    bunches: list[TapeBunchShape]

    def local(self) -> tuple[tuple[Moment, LocalTime], ...]:
        """How moments read on the wall, from each change on."""
        zone = ZoneInfo(self.zone)
        return tuple((since, LocalTime(zone, offset)) for since, offset in self.offsets)

    def chosen(self, bunch: TapeBunchShape) -> Mapping[str, Pack]:
        """The packs of a bunch."""
        known = {one.name: one for one in self.packs}
        return {name: known[name].pack() for name in bunch.packs}


def sites_of(fleet: Path) -> Sequence[Path]:
    """The folders of the sites, in order: the folder itself, or those in it. Raises OSError."""
    if (fleet / LIST).is_file():
        return [fleet]
    return [one for one in sorted(fleet.iterdir()) if (one / LIST).is_file()]


def read_list(folder: Path) -> TapeShape | Problem:
    """What a site's folder says of itself; or what is wrong with it."""
    path = folder / LIST
    try:
        text = read_bounded(path, LIST_BYTES_MAX)
    except OSError as error:
        return _wrong(path, (error.strerror or "it cannot be read").lower())
    if len(text) > LIST_BYTES_MAX:
        return _wrong(path, f"more than {LIST_BYTES_MAX >> 20} MiB")
    try:
        told = TapeShape.model_validate_json(text, strict=False)
        for slip in _slips(told):
            return _wrong(path, slip)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        return _wrong(path, f"a `{where}` that does not fit" if where else "no JSON")
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return _wrong(path, "a zone that nobody knows")
    return told


def _slips(told: TapeShape) -> Iterator[str]:
    ZoneInfo(told.zone)
    names = [one.name for one in told.packs]
    bunched = [name for bunch in told.bunches for name in bunch.packs]
    if sorted(bunched) != sorted(names) or len(set(names)) != len(names):
        yield "packs that are not in one bunch each"
    if not told.offsets or told.ends < told.begins:
        yield "no time"
    for one in told.signals:
        if not one.name.startswith("site."):
            yield f"a signal {quoted(one.name)} that is not the site's own"


def _wrong(path: Path, what: str) -> Problem:
    return Problem(what, "the list of a tape", "write it again with `carerules export --tape`",
                   str(path))  # fmt: skip
