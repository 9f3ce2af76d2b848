"""Every address of the interface for programs, as a table: what it takes, and what it answers.

Knows both sides of each. Does not know how one is served: the addresses served and the file that
describes them are made of it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Literal, TypeAlias

from starlette.requests import Request
from starlette.responses import Response

from carerules.board.api.answers import Answers, EntryShape
from carerules.board.api.words import (
    Asked,
    ForecastQuery,
    HealthQuery,
    LogQuery,
    Nothing,
    WhyQuery,
)
from carerules.domain.frozen import guarded
from carerules.planner import KeptShape
from carerules.report import (
    ChoresShape,
    ForecastShape,
    HealthShape,
    LogShape,
    StatusShape,
    UsesShape,
    WhyShape,
)
from carerules.report.shapes import Shape

Answer: TypeAlias = Callable[[Answers, Request, Any], Awaitable[Response]]


@guarded
class Door:
    """One address. `wrong`: beside what any address may answer, and why."""

    path: str
    method: Literal["GET", "POST"]
    answer: Answer
    query: type[Asked]
    shape: type[Shape]
    summary: str
    wrong: Mapping[int, str]


_PACK = {404: "The site file has no such pack."}

DOORS: tuple[Door, ...] = (
    Door("/status", "GET", Answers.status, Nothing, StatusShape,
         "The whole site: as `carerules status --json`.", {}),
    Door("/packs/{pack}", "GET", Answers.pack, Nothing, StatusShape,
         "One pack: as `carerules status PACK --json`, but for what needs the pack's past.", _PACK),
    Door("/why/{pack}", "GET", Answers.why, WhyQuery, WhyShape,
         "Why each rule holds or not, now or at a past moment: as `carerules why PACK --json`.",
         {404: "No such pack or rule, or nothing is journalled of that moment."}),
    Door("/log", "GET", Answers.log, LogQuery, LogShape,
         "What was seen, decided and done: as `carerules log --json`.", _PACK),
    Door("/chores", "GET", Answers.chores, Nothing, ChoresShape,
         "What only a person can do: as `carerules chore --json`.", {}),
    Door("/plan", "GET", Answers.plan, Nothing, KeptShape,
         "The plan that is kept, against what is so: as `carerules plan --kept --json`.", {}),
    Door("/uses", "GET", Answers.uses, Nothing, UsesShape,
         "The planned uses, soonest first: as `carerules uses list --json`.", {}),
    Door("/forecast/{pack}", "GET", Answers.forecast, ForecastQuery, ForecastShape,
         "How long a drain or charge takes: as `carerules forecast --json`. Nothing is switched.",
         {**_PACK, 409: "It cannot be worked out as things stand; the detail says why."}),
    Door("/health", "GET", Answers.health, HealthQuery, HealthShape,
         "How packs age: as `carerules health --json`. It takes seconds on a long journal.", _PACK),
    Door("/entries", "POST", Answers.enter, Nothing, EntryShape,
         "Enter what a person did, saw or wants. It goes the way of every entry, and is refused by "
         "the same rules. Send `Origin` with the board's own address, as its page does.",
         {403: "`Origin` is not the board's own.",
          409: "It does not fit the site, or the service refused it; the detail says why.",
          413: "The body is too long.", 415: "The body is no JSON."}),
)  # fmt: skip
"""Every address below `BASE`, but the description itself."""
