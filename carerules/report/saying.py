"""What a running service says, as records for a program: one for each thing seen, decided, done.

Knows sentences and the record's shape. Does not know where it goes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

from pydantic import AwareDatetime

from carerules.adapters import kind_of
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.domain.moment import Moment
from carerules.loop import World
from carerules.report.shapes import Shape
from carerules.report.words import Line, Tone, line_of, said


class SaidShape(Shape):
    """One line of `carerules run --log json`.

    `kind` is that of the event or decision, as the journal has it; `service` for what the service
    says of itself.
    """

    shape: Literal[1] = 1
    at: AwareDatetime
    site: str
    tone: Tone
    kind: str
    about: str | None
    text: str


def records_of(event: Event, outcomes: Sequence[Outcome], world: World) -> Iterator[SaidShape]:
    """A record for the event, if it has a sentence, and for each outcome that has one."""
    heard = said(event, world.local)
    told: Iterable[tuple[str, Line | None]] = [
        (kind_of(event), heard),
        *((kind_of(outcome), line_of(outcome)) for outcome in outcomes),
    ]
    for kind, line in told:
        if line is not None:
            yield record(world, world.now, kind, line)


def record(world: World, at: Moment, kind: str, line: Line) -> SaidShape:
    """One record."""
    return SaidShape(
        at=world.local.read(at), site=world.setup.site.name, tone=line.tone, kind=kind,
        about=line.about or None, text=line.text,
    )  # fmt: skip
