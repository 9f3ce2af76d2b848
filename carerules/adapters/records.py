"""Events and outcomes as rows of text, and back, exactly.

Knows the names that kinds bear in the journal. Does not know where the rows are kept.
A name stands for its kind for ever: a class of `domain` may be renamed, its row here keeps the
word. What cannot be read back is a `RecordError`, never a guess.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import GenericAlias
from typing import Any

from pydantic import ConfigDict, TypeAdapter
from pydantic_core import PydanticSerializationError, ValidationError

from carerules.adapters import entry
from carerules.adapters.entry import Entry
from carerules.adapters.problem import quoted
from carerules.domain import decision, event
from carerules.domain.decision import Outcome
from carerules.domain.event import Event

RECORD_CHARS_MAX = 1 << 20
"""Far above any record (a sample of 200 cells is 2 KiB): a row beyond it is damage."""

EVENT_KINDS: Mapping[str, type[Event]] = {
    "tick": event.Tick,
    "sample": event.Sample,
    "site-sample": event.SiteSample,
    "plug-report": event.PlugReport,
    "plug-link": event.PlugLink,
    "proved": event.Proved,
    "happened": event.Happened,
    "placed": event.Placed,
    "use-planned": event.UsePlanned,
    "use-dropped": event.UseDropped,
    "attended": event.Attended,
    "answered": event.Answered,
    "cancelled": event.Cancelled,
    "released": event.Released,
    "stopped": event.Stopped,
    "started": event.Started,
    "ended": event.Ended,
    "clock-set": event.ClockSet,
    "rejected": event.Rejected,
    "channel-proved": event.ChannelProved,
    "acknowledged": event.Acknowledged,
    "wanted": event.Wanted,
    "chore-answered": event.ChoreAnswered,
    "plan-kept": event.PlanKept,
    "plan-dropped": event.PlanDropped,
}

OUTCOME_KINDS: Mapping[str, type[Outcome]] = {
    "switch-on": decision.SwitchOn,
    "switch-off": decision.SwitchOff,
    "ask-plug": decision.AskPlug,
    "off-proven": decision.OffProven,
    "station-locked": decision.StationLocked,
    "veto": decision.Veto,
    "fired": decision.Fired,
    "job-began": decision.JobBegan,
    "job-moved": decision.JobMoved,
    "job-ended": decision.JobEnded,
    "notice": decision.Notice,
    "chore-opened": decision.ChoreOpened,
    "chore-closed": decision.ChoreClosed,
    "marked": decision.Marked,
    "pack-barred": decision.PackBarred,
    "left-out": decision.LeftOut,
}

ENTRY_KINDS: Mapping[str, type[Entry]] = {
    "recorded": entry.Recorded,
    "measured": entry.Measured,
    "place": entry.Place,
    "use-add": entry.UseAdd,
    "use-drop": entry.UseDrop,
    "attend": entry.Attend,
    "release": entry.Release,
    "stop": entry.Stop,
    "cancel": entry.Cancel,
    "answer": entry.Answer,
    "want": entry.Want,
    "chore": entry.ChoreAnswer,
    "plan-keep": entry.PlanKeep,
    "plan-drop": entry.PlanDrop,
}


class RecordError(Exception):
    """A record of an unknown kind, or one that does not read back as its kind."""


class Records:
    """One family of records: its kinds by name, both ways."""

    def __init__(self, kinds: Mapping[str, type[Any]]) -> None:
        # `constants` keeps NaN and infinity apart from null; strict and forbidding extra keys, so
        # that a damaged row cannot pass as a sound one. A plain dataclass takes no configuration,
        # a tuple around it does: hence each body is an array of one.
        rules = ConfigDict(extra="forbid", strict=True, ser_json_inf_nan="constants")
        self._rules, self._kinds = rules, kinds
        self._names = {kind: name for name, kind in kinds.items()}
        self._adapters: dict[str, TypeAdapter[tuple[Any]]] = {}

    def _adapter(self, name: str) -> TypeAdapter[tuple[Any]]:
        # Built when first met: all of them at import would cost each command a tenth of a second.
        if name not in self._adapters:
            boxed: Any = GenericAlias(tuple, self._kinds[name])
            self._adapters[name] = TypeAdapter(boxed, config=self._rules)
        return self._adapters[name]

    def dump(self, record: object) -> tuple[str, str]:
        """The record's kind and body; raises `RecordError` for what cannot be written."""
        name = self._names.get(type(record))
        if name is None:
            raise RecordError(f"no kind of record for {quoted(record)}")
        try:
            return name, self._adapter(name).dump_json((record,)).decode()
        except (PydanticSerializationError, ValueError) as error:
            # A lone surrogate, say: text that has no bytes.
            raise RecordError(f"a `{name}` cannot be written: {quoted(error)}") from error

    def load(self, kind: str, body: str) -> Any:
        """The record again; raises `RecordError` for an unknown kind or a damaged body."""
        if kind not in self._kinds:
            raise RecordError(f"unknown kind {quoted(kind)}")
        if not isinstance(body, str) or len(body) > RECORD_CHARS_MAX:
            raise RecordError(f"the body of a `{kind}` is no text of at most 1 MiB")
        try:
            return self._adapter(kind).validate_json(body)[0]
        except (ValidationError, ValueError) as error:
            raise RecordError(f"damaged `{kind}`: {_first(error)}") from error


def _first(error: Exception) -> str:
    if isinstance(error, ValidationError):
        detail = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in detail["loc"][1:])
        return f"{where or 'body'}: {detail['msg'].lower()}"
    return quoted(error)


_EVENTS = Records(EVENT_KINDS)
_OUTCOMES = Records(OUTCOME_KINDS)
_ENTRIES = Records(ENTRY_KINDS)


_KIND_OF: Mapping[type, str] = {
    of: kind for kinds in (EVENT_KINDS, OUTCOME_KINDS) for kind, of in kinds.items()
}


def kind_of(record: Event | Outcome) -> str:
    """The kind under which the journal keeps it."""
    return _KIND_OF[type(record)]


def dump_event(record: Event) -> tuple[str, str]:
    """An event's kind and body."""
    return _EVENTS.dump(record)


def load_event(kind: str, body: str) -> Event:
    """The event again, equal to the one written."""
    loaded: Event = _EVENTS.load(kind, body)
    return loaded


def dump_outcome(record: Outcome) -> tuple[str, str]:
    """An outcome's kind and body."""
    return _OUTCOMES.dump(record)


def load_outcome(kind: str, body: str) -> Outcome:
    """The outcome again, equal to the one written."""
    loaded: Outcome = _OUTCOMES.load(kind, body)
    return loaded


def dump_entry(record: Entry) -> tuple[str, str]:
    """An entry's kind and body."""
    return _ENTRIES.dump(record)


def load_entry(kind: str, body: str) -> Entry:
    """The entry again, equal to the one written."""
    loaded: Entry = _ENTRIES.load(kind, body)
    return loaded
