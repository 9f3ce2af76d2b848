"""Lines for a terminal of 80 columns: folded under a hanging indent, and harmless.

Knows widths. Does not know what the words mean.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from datetime import datetime
from typing import TypeAlias
from unicodedata import east_asian_width

from carerules.domain.moment import SECOND, show_duration
from carerules.domain.spelling import printable

WIDTH = 80
NAME_WIDTH = 30
"""Of names in a column: a longer one is cut short there, and whole elsewhere."""
_HALF = "\ufdd0"  # no text has it: Unicode keeps it for such a use, and `printable` takes it out
LEAST = 24  # a text column narrower than this is a ladder of single words

Paint: TypeAlias = Callable[[str, str], str]
"""The text, coloured for a tone where colours are wanted. Only ever an aid: the words say it."""


def plain(_tone: str, text: str) -> str:
    """No colour."""
    return text


def fold(head: str, text: str, hang: int | None = None) -> list[str]:
    """`head` and then `text`, folded at 80 columns; further lines begin at `hang`."""
    head, text = _doubled(printable(head)), printable(text)
    hang = len(head) if hang is None else hang
    if WIDTH - max(hang, len(head)) < LEAST:
        hang = 4
    lines = wrap(text, WIDTH, initial_indent=head, subsequent_indent=" " * hang)
    return lines or [head.replace(_HALF, "").rstrip()]


def short_name(name: str) -> str:
    """A name for a column of names."""
    name = printable(name)
    return name if len(name) <= NAME_WIDTH else name[: NAME_WIDTH - 1] + "…"


def wrap(text: str, width: int, **indents: str) -> list[str]:
    """Lines of at most `width` columns of a terminal; broken at blanks where that can be."""
    lines = textwrap.wrap(_doubled(text), width, break_on_hyphens=False, **indents)  # type: ignore[arg-type]
    return [line.replace(_HALF, "") for line in lines]


def _doubled(text: str) -> str:
    """With a mark behind each character that a terminal shows over two columns (Unicode Standard
    Annex 11), so that it counts twice."""
    if text.isascii():
        return text
    return "".join(c + _HALF if east_asian_width(c) in "WF" else c for c in text)


def show_s(seconds: float) -> str:
    """Seconds as a person says them: `18 h 12 min`."""
    whole = round(seconds) * SECOND if seconds >= 1 else round(10 * seconds) * (SECOND // 10)
    return show_duration(whole)


def show_at(at: datetime) -> str:
    """`Sat 05 Dec 08:00`, the wall time as it stands in the shape."""
    return at.strftime("%a %d %b %H:%M")


def show_percent(value: float, spread: float | None) -> str:
    """`100 % ± 2 %`."""
    return f"{value:.0f} %" + (f" ± {spread:.0f} %" if spread is not None else "")
