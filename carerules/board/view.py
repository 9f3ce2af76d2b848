"""What the page says: a pure function of the shapes that `report` makes.

Knows shapes. Does not know what is said of a pack (`packrow`), nor HTML, nor where a shape comes
from.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from carerules.board.packrow import Mood, Note, Row, for_page, row_of
from carerules.domain.frozen import guarded
from carerules.domain.spelling import ALIKE_MAX, counted, renamed
from carerules.report import StatusShape, show_at
from carerules.report.shapes import ChoreShape, PlugShape, StationShape

if TYPE_CHECKING:
    from carerules.board.planview import PlanView

NAMED_MAX = 6
"""Names in the page's first line, to be read from across a room."""


@guarded
class PlugRow:
    """One plug of a station."""

    mood: Mood
    name: str
    words: str


@guarded
class StationRow:
    """One station: what is on it, why it is locked, and its plugs."""

    name: str
    pack: str
    locked: str
    plugs: tuple[PlugRow, ...]


@guarded
class ChoreRow:
    """Something for a person: what, since when, and how it can be answered."""

    key: str
    job: str
    asks: bool
    stay: bool
    text: str
    since: str
    later: str
    pack: str


@guarded
class MoreRow:
    """The same to be done with more packs than are shown at once: in words, and each."""

    words: str
    chores: tuple[ChoreRow, ...]


@guarded
class Board:
    """All that the page says."""

    site: str
    now: datetime
    clock: str
    summary: str
    notes: tuple[Note, ...]
    stopped: bool
    attended: str
    rows: tuple[Row, ...]
    stations: tuple[StationRow, ...]
    chores: tuple[ChoreRow, ...]
    more: tuple[MoreRow, ...]
    put_off: tuple[ChoreRow, ...]
    plan: PlanView | None = None


def board_of(status: StatusShape, plan: PlanView | None = None) -> Board:
    """The whole page of a status, and what is said of the plan that is kept."""
    rows = tuple(row_of(pack, status) for pack in status.packs)
    chores, more = _few_alike([_chore(one) for one in status.chores if one.later is None])
    return Board(
        site=status.site,
        now=status.now,
        clock=show_at(status.now),
        summary=_summary(rows),
        notes=tuple(_head(status)),
        stopped=status.stopped is not None,
        attended="" if status.attended_until is None else f"{status.attended_until:%H:%M}",
        rows=rows,
        stations=tuple(_station(one, status) for one in status.stations),
        chores=chores,
        more=more,
        put_off=tuple(_chore(one) for one in status.chores if one.later is not None),
        plan=plan,
    )


def _head(status: StatusShape) -> Iterator[Note]:
    if status.stopped is not None:
        yield Note("look", f"everything is stopped ({status.stopped})")
    if not status.service.running:
        wrote = status.service.last_wrote
        since = "" if wrote is None else f"; the last one wrote {show_at(wrote)}"
        yield Note("look", f"no service runs: nothing is switched or watched{since}")
    if not status.rules_loaded:
        yield Note("look", "the rules have errors, so none is shown: see `carerules check`")
    if status.virtual:
        yield Note("wait", "a virtual site: nothing real is switched")
    if status.entries_waiting:
        yield Note(
            "wait", f"{counted(status.entries_waiting, 'entry', 'entries')} not yet taken in"
        )
    if status.damaged_rows:
        yield Note("look", f"rows of the journal that do not read back: {status.damaged_rows}")


_SUMMARY: tuple[tuple[Mood, str], ...] = (
    ("look", "to look at"), ("work", "at work"), ("wait", "waiting"), ("rest", "at rest"),
)  # fmt: skip


def _summary(rows: tuple[Row, ...]) -> str:
    counts = [(sum(row.mood == mood for row in rows), words) for mood, words in _SUMMARY]
    said = ", ".join(f"{number} {words}" for number, words in counts if number)
    names = [row.name for row in rows if row.mood == "look"]
    if not names:
        return said
    more = f" and {len(names) - NAMED_MAX} more" if len(names) > NAMED_MAX else ""
    return f"{said}; look at {', '.join(names[:NAMED_MAX])}{more}"


def _station(station: StationShape, status: StatusShape) -> StationRow:
    return StationRow(
        name=station.station,
        pack=station.pack or "",
        locked=station.locked or "",
        plugs=tuple(_plug(plug, status) for plug in station.plugs),
    )


def _plug(plug: PlugShape, status: StatusShape) -> PlugRow:
    words = {
        "off": "off, read back",
        "on": "on",
        "off unproved": "NOT proved off: go there and look",
        "on unasked": "ON though nobody here asked for it",
    }[plug.state]
    moods: dict[str, Mood] = {"off": "rest", "on": "work"}
    if plug.state == "on" and not status.service.running:
        words = "was on when last heard"
    if plug.power_w is not None and plug.state != "off":
        words += f", {plug.power_w:.0f} W"
    if plug.on_since is not None:
        words += f", since {show_at(plug.on_since)}"
    if not plug.reached:
        words += "; it cannot be reached"
    if plug.heard is None:
        words += "; never heard"
    if plug.unguarded is not None:
        words += f"; no guard: {plug.unguarded}"
    mood = moods.get(plug.state, "look")
    return PlugRow(mood, f"{plug.side} {plug.plug}", words)


def _few_alike(chores: list[ChoreRow]) -> tuple[tuple[ChoreRow, ...], tuple[MoreRow, ...]]:
    """The first few of each kind, and the rest: on a first day nobody finds the packs below ten
    looks. When one of the few is done, the next comes up."""
    alike: dict[str, list[ChoreRow]] = {}
    for one in chores:
        kind = renamed(one.text, one.pack) if one.pack and not one.job else one.key
        alike.setdefault(kind, []).append(one)
    below = {one.key for same in alike.values() for one in same[ALIKE_MAX:]}
    more = [
        MoreRow(_more_words(rest), rest)
        for same in alike.values()
        if (rest := tuple(same[ALIKE_MAX:]))
    ]
    return tuple(one for one in chores if one.key not in below), tuple(more)


def _more_words(rest: tuple[ChoreRow, ...]) -> str:
    """`look at 2 more packs: swelling, cuts (rail, coot)`."""
    first, packs = rest[0], counted(len(rest), "more pack")
    text = renamed(first.text, first.pack, packs, count=1)
    said = text if text != first.text else f"{packs}: {text}"
    return f"{said} ({', '.join(one.pack for one in rest)})"


def _chore(chore: ChoreShape) -> ChoreRow:
    return ChoreRow(
        key=chore.key, job=chore.job or "", asks=chore.asks, stay="`carerules attend" in chore.text,
        text=for_page(chore.text), since=show_at(chore.since), pack=chore.pack or "",
        later="" if chore.later is None else show_at(chore.later),
    )  # fmt: skip
