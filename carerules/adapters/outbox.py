"""The outbox beside the journal: what is to be delivered, and what people said to it.

Knows rows. Does not know when a letter goes. It has a connection of its own, so that delivery
never waits in the evaluator's way; each change is one short transaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, fields
from typing import Any

from pydantic import TypeAdapter, ValidationError

from carerules.adapters.place import JournalPlace, rows_at
from carerules.adapters.records import RecordError, load_outcome
from carerules.adapters.rows import Statement, put
from carerules.domain.decision import Outcome
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration, Moment
from carerules.domain.notice import Incident, Letter, Outbox
from carerules.domain.ports import JournalError

WORDS_WAITING_MAX = 100  # far more than a person says while no service runs
OUTCOMES_A_LOOK = 1_000

_COLUMNS = tuple(one.name for one in fields(Letter))


@guarded
class Word:
    """What a person said to an incident: `ack`, `snooze` for so long, or `test`."""

    id: int
    word: str
    key: str
    length: Duration


class OutboxFile:
    """The outbox of one journal. One thread at a time."""

    def __init__(self, place: JournalPlace) -> None:
        """Raises `JournalError`. The owner of the journal may have it open in this process."""
        self._rows = rows_at(place, owner=False)
        self._incidents: TypeAdapter[Incident] = TypeAdapter(Incident)

    def close(self) -> None:
        """Let go of the file."""
        self._rows.close()

    # ---- reading -----------------------------------------------------------------------------

    def load(self) -> Outbox:
        """The outbox as it was last saved. An incident that does not read back is left out."""
        incidents = {}
        for key, body in self._all("SELECT key, body FROM incidents"):
            try:
                incidents[key] = self._incidents.validate_json(body)
            except ValidationError:
                continue
        letters = {}
        for row in self._all(f"SELECT {', '.join(_COLUMNS)} FROM outbox ORDER BY number"):
            values = dict(zip(_COLUMNS, row, strict=True))
            letters[row[0]] = Letter(**{**values, "urgent": bool(values["urgent"])})
        return Outbox(incidents, letters, dict(self._all("SELECT channel, at FROM proven")))

    def read_up_to(self) -> int:
        """The number of the outcome up to which notices have been taken up; without any, all that
        is there: old news is not sent when channels are first declared."""
        rows = self._all("SELECT seq FROM outbox_read")
        if rows:
            return int(rows[0][0])
        newest: int = self._all("SELECT coalesce(max(seq), 0) FROM outcomes")[0][0]
        self.save(Outbox(), Outbox(), newest)
        return newest

    def decided(self, after: int) -> list[tuple[int, Moment, list[Outcome]]]:
        """The outcomes after a number that people may be told of, event by event: the number of
        the last one, when it was heard, and the outcomes. What does not read back is left out."""
        rows = self._all(
            "SELECT o.seq, o.event_seq, e.heard, o.kind, o.body FROM outcomes o "
            "JOIN events e ON e.seq = o.event_seq WHERE o.seq > ? AND o.kind IN "
            "('notice', 'pack-barred', 'station-locked', 'chore-closed') ORDER BY o.seq LIMIT ?",
            after, OUTCOMES_A_LOOK,
        )  # fmt: skip
        told: list[tuple[int, Moment, list[Outcome]]] = []
        last_event = None
        for seq, event, heard, kind, body in rows:
            try:
                outcome = load_outcome(kind, body)
            except RecordError:
                continue
            if event == last_event:
                told[-1] = (seq, heard, [*told[-1][2], outcome])
            else:
                told.append((seq, heard, [outcome]))
            last_event = event
        return told

    def words(self) -> list[Word]:
        """What people said and nobody has taken up yet."""
        rows = self._all("SELECT id, word, key, length FROM notice_words WHERE taken = 0")
        return [Word(*row) for row in rows]

    # ---- writing -----------------------------------------------------------------------------

    def save(self, before: Outbox, after: Outbox, read: int, words: Iterable[Word] = ()) -> None:
        """What has changed, in one transaction, with how far outcomes and words were taken up."""
        statements: list[Statement] = []
        for key, incident in after.incidents.items():
            if before.incidents.get(key) != incident:
                body = self._incidents.dump_json(incident).decode()
                row = (key, incident.number, body)
                statements.append((put("incidents", "key", "number", "body"), row))
        for key in before.incidents.keys() - after.incidents.keys():
            statements.append(("DELETE FROM incidents WHERE key = ?", (key,)))
        for number, letter in after.letters.items():
            if before.letters.get(number) != letter:
                whole = tuple(map(_whole, astuple(letter)))
                statements.append((put("outbox", *_COLUMNS), whole))
        for number in before.letters.keys() - after.letters.keys():
            statements.append(("DELETE FROM outbox WHERE number = ?", (number,)))
        for proof in after.proven.items() - before.proven.items():
            statements.append((put("proven", "channel", "at"), proof))
        statements.append((put("outbox_read", "id", "seq"), (1, read)))
        statements += [
            ("UPDATE notice_words SET taken = 1 WHERE id = ?", (one.id,)) for one in words
        ]
        self._rows.together(statements)

    def say(self, word: str, key: str, length: Duration, wall_ms: int) -> None:
        """Leave a person's word for the service, durable at once. Raises `JournalError`, also where
        too many wait already."""
        waiting = self._all("SELECT count(*) FROM notice_words WHERE taken = 0")[0][0]
        if waiting >= WORDS_WAITING_MAX:
            raise JournalError(f"{waiting} answers to notices are waiting", "start the service")
        row = (wall_ms, word, key, length)
        self._rows.together([(
            "INSERT INTO notice_words (written_wall_ms, word, key, length) VALUES (?, ?, ?, ?)",
            row,
        )])  # fmt: skip

    def _all(self, query: str, *row: object) -> list[Any]:
        return self._rows.all(query, *row)


def _whole(value: object) -> object:
    """A truth as a number, which every database has a column for."""
    return int(value) if isinstance(value, bool) else value
