"""What a program may ask and enter: queries and bodies, read at the door into our own words.

Knows forms and bounds. Does not know what an entry leads to: each takes the way of every entry, by
the same parsers as the command line's.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Literal, TypeAlias, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
)

from carerules.adapters import (
    Answer,
    Cancel,
    ChoreAnswer,
    Entry,
    Problem,
    UseDrop,
    Want,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    parse_use,
    quoted,
)
from carerules.domain.pack import Site
from carerules.domain.spelling import printable

BODY_BYTES_MAX = 16_384
"""Sixty cells and a time, each sign escaped, are a third of it."""
LINES_MAX = 500
"""Of the log in one answer, some 100 KB; the next ones are asked for with `after`."""
SEQ_MAX = (1 << 53) - 1
"""As far as every reader of JSON counts exactly."""

NAME = r"^[A-Za-z][A-Za-z0-9_-]*$"
JOB = r"^[A-Za-z][A-Za-z0-9_-]{0,39}-[0-9]{1,12}$"
TIME = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?(Z|[+-][0-9]{2}:[0-9]{2})$"
)

Named = Annotated[str, Field(min_length=1, max_length=40, pattern=NAME)]
JobName = Annotated[str, Field(max_length=60, pattern=JOB)]
Time = Annotated[
    str,
    Field(max_length=40, pattern=TIME),
    WithJsonSchema({"type": "string", "format": "date-time", "maxLength": 40, "pattern": TIME}),
]
"""RFC 3339, with its offset."""
Size = Annotated[str, Field(max_length=20, pattern=r"^[0-9]{1,6}(\.[0-9]{1,6})? ?(W|A|Ω)$")]
Said = Annotated[str, Field(min_length=1, max_length=200)]

_WHOLE = re.compile(r"-?[0-9]+")
_DECIMAL = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")


def _whole(value: object) -> object:
    return int(value) if isinstance(value, float) and value.is_integer() else value


_also_pointed = BeforeValidator(_whole)
"""`60.0` is a whole number too: to JSON Schema they are one."""


def _written(pattern: re.Pattern[str]) -> BeforeValidator:
    """A number in an address is plain digits, whatever else could be read as one."""

    def check(value: object) -> object:
        if isinstance(value, str) and pattern.fullmatch(value) is None:
            raise ValueError
        return value

    return BeforeValidator(check)


class Asked(BaseModel):
    """A query or body: nothing unnamed. Each kind's checker is made when the first one comes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class Nothing(Asked):
    """A query that takes nothing."""


class WhyQuery(Asked):
    """Of which moment, and of which rule."""

    at: Time | None = Field(None, description="A past moment; without it: now.")
    rule: Named | None = Field(None, description="Only this rule, and no `never`.")


class LogQuery(Asked):
    """Which lines."""

    after: Annotated[int, Field(ge=0, le=SEQ_MAX), _written(_WHOLE)] | None = Field(
        None,
        description="Those after this number of the journal, oldest first; give `next_after` of "
        "the answer before. Without it: the newest ones.",
    )  # fmt: skip
    limit: Annotated[int, _written(_WHOLE)] = Field(
        100,
        ge=1,
        le=LINES_MAX,
        description="So many; the lines of one event stay together.",
    )
    pack: Named | None = Field(None, description="Only what is about this pack.")


class ForecastQuery(Asked):
    """What is to be worked out."""

    action: Literal["drain", "charge"]
    to: Annotated[float, _written(_DECIMAL)] = Field(
        ge=0, le=100, description="The state of charge to end at, in %."
    )
    by: Size | None = Field(
        None,
        description="The load as `60 W`, `8 A` or `2 Ω`; a charger as `8 A` into the pack or as "
        "`180 W` at the wall. Without it: that of the pack's station.",
    )
    start: Annotated[float, Field(ge=0, le=100), _written(_DECIMAL)] | None = Field(
        None, alias="from", description="As if the pack held so much now, in %."
    )


class HealthQuery(Asked):
    """Of which pack."""

    pack: Named | None = Field(None, description="Only this pack.")


# ---- entries ---------------------------------------------------------------------------------


class RecordHappened(Asked):
    """Something happened to a pack."""

    do: Literal["record"]
    pack: Named
    what: Literal["charged", "used", "swelling", "inspected", "calibrated"]
    at: Time | None = Field(None, description="When it was so; without it: now.")


class RecordMeasured(Asked):
    """Something was read off a pack by hand."""

    do: Literal["measure"]
    pack: Named
    what: Literal["voltage", "cells", "soc", "temperature", "capacity", "bars"]
    values: list[Annotated[float, Field(ge=-1_000, le=10_000)]] = Field(
        min_length=1, max_length=60,
        description="V; V of each cell; %; °C; Ah; how many bars are lit, of how many.",
    )  # fmt: skip
    at: Time | None = Field(None, description="When it was read; without it: now.")


class PlaceEntry(Asked):
    """A pack was put on a station, or taken off."""

    do: Literal["place"]
    pack: Named
    station: Named | None = Field(description="Null: it is on none any more.")


class UseAddEntry(Asked):
    """A use is planned; the same name again changes it."""

    do: Literal["use-add"]
    use: Annotated[str, Field(min_length=1, max_length=60)]
    start: Time
    packs: list[Named] = Field(min_length=1, max_length=60)


class UseDropEntry(Asked):
    """A planned use is called off."""

    do: Literal["use-drop"]
    use: Annotated[str, Field(min_length=1, max_length=60)]


class AnswerEntry(Asked):
    """What a job asked is answered."""

    do: Literal["answer"]
    job: JobName
    yes: StrictBool


class CancelEntry(Asked):
    """A job is called off."""

    do: Literal["cancel"]
    job: JobName


class ChoreEntry(Asked):
    """A chore is done, or not shown for some minutes; `key` and `text` as `chores` has them."""

    do: Literal["chore"]
    key: Said
    text: Said
    later_minutes: Annotated[StrictInt, Field(ge=1, le=10_080), _also_pointed] | None = Field(
        None, description="Null: it is done."
    )


class AttendEntry(Asked):
    """Somebody stays with the packs for so many minutes from now."""

    do: Literal["attend"]
    minutes: Annotated[StrictInt, Field(ge=1, le=720), _also_pointed]


class ReleaseEntry(Asked):
    """Somebody has looked at it: a pack, a station or everything may work again."""

    do: Literal["release"]
    what: Named = Field(description="A pack, a station, or `site`.")
    looked: Literal[True] = Field(description="That somebody has looked at it.")


class WantEntry(Asked):
    """A pack is wanted for storage or ready, now and without a rule."""

    do: Literal["want"]
    pack: Named
    goal: Literal["storage", "ready"]
    percent: Annotated[float, Field(ge=0, le=100)] | None = Field(
        None, description="Bring it there; null: 50 % for storage, 100 % when ready."
    )


class StopEntry(Asked):
    """Everything off, now; and nothing on until `site` is released."""

    do: Literal["stop"]


EntryBody: TypeAlias = Annotated[
    RecordHappened | RecordMeasured | PlaceEntry | UseAddEntry | UseDropEntry | AnswerEntry
    | CancelEntry | ChoreEntry | AttendEntry | ReleaseEntry | WantEntry | StopEntry,
    Field(discriminator="do"),
]  # fmt: skip

ENTRY: TypeAdapter[EntryBody] = TypeAdapter(EntryBody, config=ConfigDict(defer_build=True))

Q = TypeVar("Q", bound=Asked)


def read_query(kind: type[Q], pairs: Sequence[tuple[str, str]]) -> Q | Problem:
    """The query of an address; each name once."""
    query = dict(pairs)
    if len(query) != len(pairs):
        return Problem("a name that comes twice", "each once", "leave one out")
    try:
        return kind.model_validate(query)
    except ValidationError as error:
        return _problem(error)


def read_body(body: bytes) -> EntryBody | Problem:
    """The entry of a body."""
    try:
        return ENTRY.validate_json(body, strict=True)
    except ValidationError as error:
        return _problem(error)


def _problem(error: ValidationError) -> Problem:
    first: Any = error.errors(include_url=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "the body"
    wanted = str(first["msg"]).removeprefix("Input should be ").removeprefix("Value error, ")
    given = "nothing" if first["type"] == "missing" else quoted(first["input"])
    return Problem(given, wanted[:1].lower() + wanted[1:] or "plain digits",
                   "`/api/1/openapi.json` says what is taken", where)  # fmt: skip


# ---- as our own words ------------------------------------------------------------------------


def entry_of(body: EntryBody, site: Site, now: datetime) -> Entry | Problem:
    """The entry that a body makes; `now` is the wall time, aware. A stop is none: see `Halt`."""
    match body:
        case RecordHappened(pack=pack, what=what, at=at):
            return parse_record(pack, [what], at, site, now)
        case RecordMeasured(pack=pack, what=what, values=values, at=at):
            return parse_record(pack, [what, *_numbers(what, values)], at, site, now)
        case PlaceEntry(pack=pack, station=station):
            return parse_place(pack, station, site)
        case UseAddEntry(use=use, start=start, packs=packs):
            return parse_use(use, start, packs, site, now)
        case UseDropEntry(use=use):
            return UseDrop(use)
        case AnswerEntry(job=job, yes=yes):
            return Answer(job, yes)
        case CancelEntry(job=job):
            return Cancel(job)
        case ChoreEntry(key=key, text=text, later_minutes=minutes):
            return ChoreAnswer(printable(key), printable(text), minutes)
        case AttendEntry(minutes=stay):
            return parse_attend(str(stay), now)
        case ReleaseEntry(what=what):
            return parse_release(what, site)
        case WantEntry(pack=pack, goal=goal, percent=percent):
            if pack not in site.packs:
                return Problem(quoted(pack), "a pack of the site file", "look at its name")
            return Want(pack, goal, now, percent)
        case StopEntry():
            return Problem("a stop", "an entry", "a stop takes a way of its own")


_UNITS: Mapping[str, str] = {"voltage": " V", "cells": "", "soc": " %", "temperature": " °C",
                             "capacity": " Ah"}  # fmt: skip


def _numbers(what: str, values: Sequence[float]) -> list[str]:
    """The values as the words of `carerules record`."""
    if what == "bars":
        return [" of ".join(f"{value:g}" for value in values)]
    # Twelve decimals are far below what any meter shows; no exponent, which nobody types.
    written = [f"{value:.12f}".rstrip("0").rstrip(".") or "0" for value in values]
    return [f"{one}{_UNITS[what]}" for one in written]
