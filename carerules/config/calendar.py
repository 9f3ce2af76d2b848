"""The tables of a site file about calendars: where each lies, and which events plan which uses.

Knows the keys, and what must hold between them. Does not know what stands in a calendar.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field, WithJsonSchema

from carerules.adapters import CalendarAddress, url_fault
from carerules.calendar import Pick
from carerules.config.known import Known, Raw, named, names
from carerules.config.problem import Key, found, quoted
from carerules.config.things import PACKS_MAX, Table
from carerules.config.values import (
    Measure,
    Name,
    PasswordFile,
    PlainFile,
    Title,
    name_of,
    refused,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, HOUR, MINUTE, WEEK, Duration
from carerules.domain.pack import Pack
from carerules.domain.quantity import DURATION

CALENDARS_MAX = 20  # one for each member of a large crew
EVENTS_MAX = 100  # kinds of event in a calendar that mean a use
CLOCK = r"^(?:[01][0-9]|2[0-3]):[0-5][0-9]$"
WAYS = ("file", "url", "url_file")


def _clock(value: str) -> str:
    if re.fullmatch(CLOCK, value) is None:
        raise refused(found(value), "a time of the day, such as `08:00`")
    return value


def _path(value: str) -> str:
    # Not whether it is there: one that is away for a while must not keep a site from starting.
    if not value or "\0" in value or len(value) > 1_000:
        raise refused(found(value), "the path of a file")
    return value


Clock = Annotated[str, AfterValidator(_clock), WithJsonSchema({"type": "string", "pattern": CLOCK})]
FilePath = Annotated[str, AfterValidator(_path), WithJsonSchema({"type": "string", "minLength": 1})]
Words = Annotated[list[Title], Field(max_length=50)]


class EventTable(Table):
    """Which events of a calendar plan a use, and of which packs.

    An event is meant that has one of the words in its summary, or one of the categories; without
    `words` and `categories`, every event of the calendar.
    """

    words: Words = Field(
        default=[],
        description="Words, or some words together, that stand in the summary of the event. Whole "
        "words; capitals do not matter.",
        examples=[["survey", "night dive"]],
    )
    categories: Words = Field(
        default=[],
        description="Categories of the event, whole; capitals do not matter.",
        examples=[["field work"]],
    )
    packs: list[Annotated[str, name_of("pack")]] = Field(
        default=[],
        max_length=PACKS_MAX,
        description="The packs that are wanted full when it begins.",
        examples=[["heron", "egret"]],
    )
    tags: list[Name] = Field(
        default=[],
        max_length=20,
        description="Every pack that has one of these tags is wanted full too.",
        examples=[["boat"]],
    )


class CalendarTable(Table):
    """A calendar whose events plan uses; it needs the extra `calendar` (docs/calendars.md)."""

    file: FilePath | None = Field(
        default=None,
        description="The calendar's iCalendar file, taken from the site file's folder. One of "
        "`file`, `url` and `url_file`.",
        examples=["crew.ics"],
    )
    url: str | None = Field(
        default=None,
        max_length=2_000,
        description="The calendar's URL, with TLS, or of this machine.",
        examples=["https://calendar.example.org/crew.ics"],
    )
    url_file: PasswordFile | None = Field(
        default=None,
        description="A file with the URL and nothing else, where the URL is itself a secret "
        "(mode 0600).",
        examples=["crew-url"],
    )
    user: Title | None = Field(
        default=None, description="The name to log in with.", examples=["shed"]
    )
    password_file: PasswordFile | None = Field(
        default=None,
        description="A file with the password and nothing else (mode 0600).",
        examples=["crew-password"],
    )
    ca_file: PlainFile | None = Field(
        default=None,
        description="The certificate authority that the server is checked against. Without it: "
        "those of the system.",
        examples=["ca.pem"],
    )
    plain: bool = Field(
        default=False,
        description="Take the calendar from another machine without TLS. Whoever is on the way can "
        "read it, and change what is planned.",
    )
    every: Annotated[float, Measure(DURATION, 5 * MINUTE, WEEK, "1 h")] = Field(
        default=float(HOUR), description="How often one looks for news. Without it: 1 h."
    )
    ahead: Annotated[float, Measure(DURATION, DAY, 366 * DAY, "60 d")] = Field(
        default=float(60 * DAY),
        description="How far ahead events plan uses. Without it: 60 d.",
    )
    all_day_at: Clock = Field(
        default="00:00",
        description="When the use begins that an event plans which lasts all day. Without it: as "
        "the day begins.",
        examples=["08:00"],
    )
    event: dict[Name, EventTable] = Field(
        default={},
        max_length=EVENTS_MAX,
        description="Which events plan a use, each kind by a name of yours.",
    )


@guarded
class CalendarSettings:
    """A calendar of a site that was checked; `all_day_min` is a minute of the day."""

    name: str
    address: CalendarAddress
    picks: tuple[Pick, ...]
    every: Duration = HOUR
    ahead: Duration = 60 * DAY
    all_day_min: int = 0


def calendar_of(
    name: str, table: CalendarTable, folder: Path, packs: Mapping[str, Pack]
) -> CalendarSettings:
    """The settings of a table that passed every check."""

    def beside(path: str | None) -> Path | None:
        return None if path is None else folder / path

    address = CalendarAddress(
        beside(table.file), table.url, beside(table.url_file), table.user,
        beside(table.password_file), beside(table.ca_file), table.plain,
    )  # fmt: skip
    picks = tuple(
        Pick(kind, frozenset(event.packs) | _tagged(packs, event.tags), tuple(event.words),
             tuple(event.categories))
        for kind, event in table.event.items()
    )  # fmt: skip
    hour, minute = map(int, table.all_day_at.split(":"))
    return CalendarSettings(
        name, address, picks, round(table.every), round(table.ahead), 60 * hour + minute
    )


def _tagged(packs: Mapping[str, Pack], tags: list[str]) -> frozenset[str]:
    return frozenset(name for name, pack in packs.items() if pack.tags & set(tags))


# ---- what must hold --------------------------------------------------------------------------

Mistake = tuple[Key, str, str, str]


def calendar_mistakes(raw: Raw, _known: Known) -> Iterator[Mistake]:
    """What is wrong between the keys of a calendar's table, and with the tags that it names."""
    count = len(names(raw, "calendar"))
    if count > CALENDARS_MAX:
        yield ("calendar",), f"{count} calendars", f"at most {CALENDARS_MAX}", ""
    tags = _all_tags(raw)
    for name, table in named(raw, "calendar"):
        key = ("calendar", name)
        yield from _way(key, table, virtual="virtual" in raw)
        if not table.get("event"):
            wanted = "which events plan a use of which packs"
            yield key, "no `event`", wanted, f"add a table `[calendar.{name}.event.NAME]`"
        for kind, event in named(table, "event"):
            yield from _event((*key, "event", kind), event, tags)


def _way(key: Key, table: Raw, *, virtual: bool) -> Iterator[Mistake]:
    ways = [way for way in WAYS if way in table]
    if len(ways) != 1:
        said = " and ".join(quoted(way) for way in ways) if ways else "no place where it lies"
        mend = "take the others out" if ways else 'add `file = "..."` or `url = "..."`'
        yield key, said, "one of `file`, `url` and `url_file`", mend
    if virtual and ways and "file" not in table:
        mend = "keep a copy of it in a `file`"
        yield (*key, ways[0]), "a URL for a virtual site", "a `file`: it asks nobody outside", mend
    for one, other in (("user", "password_file"), ("password_file", "user")):
        if one in table and other not in table:
            yield (*key, one), f"no `{other}`", f"`{other}` beside it", f"add `{other}`"
    if "file" in table:
        for one in ("user", "password_file", "ca_file", "plain"):
            if one in table:
                yield (*key, one), f"`{one}` beside `file`", "a calendar with a URL", "take it out"
    url = table.get("url")
    if isinstance(url, str):
        fault = url_fault(url, plain=table.get("plain") is True, with_password="user" in table)
        if fault:
            wanted = "a URL with TLS, or of this machine"
            yield (*key, "url"), fault, wanted, "begin with `https://`"


def _event(key: Key, event: Raw, tags: frozenset[str]) -> Iterator[Mistake]:
    if not event.get("packs") and not event.get("tags"):
        mend = 'add `packs = ["..."]`'
        yield key, "neither `packs` nor `tags`", "the packs that are wanted full", mend
    asked = event.get("tags")
    for tag in asked if isinstance(asked, list) else ():
        if isinstance(tag, str) and tag not in tags:
            yield (*key, "tags"), found(tag), "a tag that some pack has", "give it to a pack"


def _all_tags(raw: Raw) -> frozenset[str]:
    """Those of the packs, and those that follow from what else is said of one (config/site)."""
    lists = [pack.get("tags") for _, pack in named(raw, "pack")]
    said = {tag for one in lists if isinstance(one, list) for tag in one if isinstance(tag, str)}
    return frozenset(said | {"self-discharging", "built-in"})
