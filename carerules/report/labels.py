"""Labels for packs, on sheets to be printed: who it is, what it holds, and where its page is.

Knows millimetres and SVG. Does not know which packs there are, nor a printer.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from carerules.battery import Chemistry
from carerules.domain.frozen import guarded
from carerules.domain.moment import LocalTime
from carerules.domain.pack import Pack
from carerules.report.markup import Markup, joined, tag

PAGE_MM = (210.0, 297.0)
"""A4 (ISO 216)."""
SIZE_MIN_MM = (30.0, 15.0)
"""Smaller, neither the code nor the name can be read."""
QUIET = 4
"""Modules that stay white around a code (ISO/IEC 18004)."""


@guarded
class Label:
    """What stands on one label. `code`: the modules of a QR code, True is dark; empty: none."""

    name: str
    makeup: str
    energy: str
    made: str
    code: tuple[tuple[bool, ...], ...] = ()


@guarded
class Sheet:
    """How labels lie on a page (all mm): their size, and the paper's margin."""

    wide: float = 63.5
    high: float = 38.1
    margin: float = 7.0

    @property
    def columns(self) -> int:
        """How many lie side by side."""
        return int((PAGE_MM[0] - 2 * self.margin + 1e-9) // self.wide)

    @property
    def rows(self) -> int:
        """How many lie below each other."""
        return int((PAGE_MM[1] - 2 * self.margin + 1e-9) // self.high)


def label_of(
    pack: Pack, chemistry: Chemistry, local: LocalTime, printed: date,
    code: tuple[tuple[bool, ...], ...] = (),
) -> Label:  # fmt: skip
    """The label of a pack. Its energy (Wh) is what the rest curve of its chemistry holds at the
    capacity of the site file: what the maker printed on it holds where the two differ."""
    volts = _mean_v(chemistry)
    wh = volts * pack.cells * pack.capacity_ah
    made = f"made {local.read(pack.made):%Y-%m}" if pack.made is not None else ""
    return Label(
        pack.name,
        f"{pack.chemistry}  {pack.cells}S  {pack.capacity_ah:g} Ah",
        f"{wh:.0f} Wh  {volts * pack.cells:.1f} V",
        f"{made}{'  ' if made else ''}label {printed:%Y-%m-%d}",
        code,
    )


def _mean_v(chemistry: Chemistry) -> float:
    """The mean rest voltage of a cell (V) from empty to full: the area under its curve."""
    at, volts = chemistry.fractions, chemistry.volts
    return sum(
        (b - a) * (low + high) / 2
        for a, b, low, high in zip(at, at[1:], volts, volts[1:], strict=False)
    ) / (at[-1] - at[0])


def sheet_pages(labels: Sequence[Label], sheet: Sheet) -> list[str]:
    """The labels on A4 pages, one SVG document each, in millimetres.

    Raises ValueError where not one label fits.
    """
    a_page = sheet.columns * sheet.rows
    if a_page < 1 or sheet.wide < SIZE_MIN_MM[0] or sheet.high < SIZE_MIN_MM[1]:
        least = f"{SIZE_MIN_MM[0]:g}x{SIZE_MIN_MM[1]:g}"
        raise ValueError(
            f"found labels of `{sheet.wide:g}x{sheet.high:g}` mm, wanted {least} at least, and "
            "small enough for an A4 page"
        )
    return [_page(labels[first : first + a_page], sheet) for first in range(0, len(labels), a_page)]


def _page(labels: Sequence[Label], sheet: Sheet) -> str:
    parts = []
    for place, label in enumerate(labels):
        row, column = divmod(place, sheet.columns)
        x = (PAGE_MM[0] - sheet.columns * sheet.wide) / 2 + column * sheet.wide
        y = (PAGE_MM[1] - sheet.rows * sheet.high) / 2 + row * sheet.high
        parts.append(tag("g", _label(label, sheet), transform=f"translate({x:.2f},{y:.2f})"))
    wide, high = PAGE_MM
    return tag(
        "svg", tag("style", Markup(_STYLE)), *parts, xmlns="http://www.w3.org/2000/svg",
        width=f"{wide:g}mm", height=f"{high:g}mm", viewBox=f"0 0 {wide:g} {high:g}",
    )  # fmt: skip


def _label(label: Label, sheet: Sheet) -> Markup:
    pad = 2.5
    room = sheet.wide - 2 * pad
    parts = [
        tag("rect", x=0.4, y=0.4, width=sheet.wide - 0.8, height=sheet.high - 0.8, rx=1.5,
            class_="edge")
    ]  # fmt: skip
    if label.code:
        side = min(sheet.high - 1.0, sheet.wide * 0.52)
        unit = side / (len(label.code) + 2 * QUIET)
        x, y = sheet.wide - 0.5 - side + QUIET * unit, (sheet.high - side) / 2 + QUIET * unit
        parts.append(_code(label.code, x, y, unit))
        room = sheet.wide - 0.5 - side - pad
    lines = [label.makeup, label.energy, *label.made.split("  ")]
    name_mm = min(7.0, sheet.high / 5, room / (0.68 * max(4, len(label.name))))
    line_mm = min(3.4, (sheet.high - 2 * pad - name_mm) / (1.35 * len(lines)),
                  room / (0.55 * max(map(len, lines))))  # fmt: skip
    y = pad + name_mm
    parts.append(tag("text", label.name, x=pad, y=y, font_size=name_mm, class_="name"))
    for words in lines:
        y += 1.35 * line_mm
        parts.append(tag("text", words, x=pad, y=y, font_size=line_mm))
    return joined(*parts)


def _code(code: Sequence[Sequence[bool]], x: float, y: float, unit: float) -> Markup:
    """The code in one path from `x`, `y` on, a module `unit` mm wide."""
    runs = []
    for row, modules in enumerate(code):
        first: int | None = None
        for column, dark in enumerate([*modules, False]):
            if dark and first is None:
                first = column
            elif not dark and first is not None:
                runs.append(f"M{first},{row}h{column - first}v1h-{column - first}z")
                first = None
    place = f"translate({x:.3f},{y:.3f}) scale({unit:.5f})"
    return tag("path", d="".join(runs), transform=place, class_="code")


_STYLE = (
    "text{font-family:system-ui,sans-serif;fill:#000;white-space:pre}.name{font-weight:700}"
    ".edge{fill:none;stroke:#999;stroke-width:.15}.code{fill:#000;shape-rendering:crispEdges}"
)
