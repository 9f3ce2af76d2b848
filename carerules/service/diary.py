"""The log in pieces, for who reads on from where they were.

Knows the journal's numbers. Does not know what a line says (report/log).
"""

from __future__ import annotations

from contextlib import closing

from carerules.adapters import JournalPlace, KeptJournal, is_there, open_journal
from carerules.domain.decision import Outcome
from carerules.loop import World
from carerules.report import Diary, LineShape, LogShape

WINDOW_ROWS = 512
"""Events read at first for the newest lines, and before the first line asked for: which pack a plug
was last switched on for is told by what came before."""
SCAN_ROWS_MAX = 20_000
"""Events gone through for one answer: half a second of work, and some hours of a large site."""


def log_after(
    path: JournalPlace, world: World, after: int | None, limit: int, pack: str | None = None
) -> LogShape:
    """The lines after event number `after` (None: the newest), at least those of one event, and
    no event's in part. `next_after` says where to go on, also where nothing was found yet. Raises
    `JournalError`."""
    site = world.setup.site.name
    if not is_there(path):
        return LogShape(site=site, lines=[], next_after=0)
    with closing(open_journal(path, owner=False)) as journal:
        if after is not None:
            lines, end = _lines(journal, world, after, SCAN_ROWS_MAX, pack, limit)
            return LogShape(site=site, lines=lines, next_after=end)
        window, newest = WINDOW_ROWS, journal.last_seq
        while True:
            first = max(0, newest - window)
            lines, end = _lines(journal, world, first, window, pack, None)
            if len(lines) >= limit or first == 0 or window >= SCAN_ROWS_MAX:
                return LogShape(site=site, lines=_newest(lines, limit), next_after=end)
            window = min(2 * window, SCAN_ROWS_MAX)


def _newest(lines: list[LineShape], limit: int) -> list[LineShape]:
    """The last so many, and what belongs to the same event as the first of them."""
    kept = lines[-limit:]
    first = kept[0].seq if kept else 0
    return [line for line in lines if line.seq >= first]


def _lines(
    journal: KeptJournal, world: World, after: int, rows: int, pack: str | None,
    limit: int | None,
) -> tuple[list[LineShape], int]:  # fmt: skip
    """The lines of at most so many events, and the number of the last one that was looked at."""
    diary = Diary(world.local, world.setup.signals)
    start = max(0, after - WINDOW_ROWS)
    newest = journal.last_seq
    outcomes = journal.outcomes(start, on_damage=lambda _: None)
    ahead = next(outcomes, None)
    lines: list[LineShape] = []
    seen, end = 0, min(after, newest)
    for seq, event in journal.events(start, on_damage=lambda _: None):
        if seq > newest:
            break
        decided: list[Outcome] = []
        while ahead is not None and ahead[0] <= seq:
            if ahead[0] == seq:
                decided.append(ahead[1])
            ahead = next(outcomes, None)
        told = list(diary.rows(seq, event, decided, pack))
        if seq <= after:
            continue
        lines += told
        seen, end = seen + 1, seq
        if seen >= rows or (limit is not None and len(lines) >= limit):
            break
    return lines, end
