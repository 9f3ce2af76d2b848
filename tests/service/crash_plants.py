"""Faults of ours, planted to see that the checks of a killed night find them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from carerules.adapters import SqliteJournal, WaitingEntry
from carerules.domain.moment import Moment
from carerules.loop import World, intake, new_world
from carerules.service import Desk, restore, run

Service = dict[str, Any]
"""The parts of the service that a plant may put something else in the place of."""


def never_durable(service: Service) -> None:
    """A commit that says it is done and is not."""
    SqliteJournal.commit = lambda *_: None  # type: ignore[method-assign]


def no_off_first(service: Service) -> None:
    """A start that brings nothing off."""
    intake._off_first = lambda turn, _now, **_: tuple(turn.world.packs)


def knows_nothing(service: Service) -> None:
    """A start that does not look into the journal."""
    service["restore"] = lambda _journal, setup, now: new_world(setup, now)


def answers_later(service: Service) -> None:
    """An entry whose answer is written in a later commit than its events."""
    late: list[tuple[WaitingEntry, str]] = []
    waiting, answer = Desk.waiting, Desk.answer

    def answer_what_is_late(desk: Desk) -> Sequence[WaitingEntry]:
        for one in late:
            answer(desk, *one)
        late.clear()
        return waiting(desk)

    Desk.waiting = answer_what_is_late  # type: ignore[method-assign]
    Desk.answer = lambda _desk, one, text: late.append((one, text))  # type: ignore[method-assign]


def counts_anew(service: Service) -> None:
    """Rules that begin to count again at each start."""

    def restored(journal: Any, setup: Any, now: Moment) -> World:
        world, fresh = restore(journal, setup, now), new_world(setup, now)
        packs = {
            name: replace(state, rules=fresh.packs[name].rules)
            for name, state in world.packs.items()
        }
        return replace(world, packs=packs)

    service["restore"] = restored


def forgets_chores(service: Service) -> None:
    """A start that does not know what was on the to-do list."""
    service["restore"] = lambda *known: replace(restore(*known), chores={})


def looks_away(_service: Service) -> None:
    """A service that takes no notice of a journal that cannot be written."""
    run.Service._fault = lambda *_: None  # type: ignore[method-assign]


PLANTS = {
    plant.__name__: plant
    for plant in (
        never_durable,
        no_off_first,
        knows_nothing,
        answers_later,
        counts_anew,
        forgets_chores,
        looks_away,
    )
}
