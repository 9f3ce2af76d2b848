"""The ground that all proofs stand on: axes, boxes of each rule, and what each rule does.

Knows rules and actions. Does not know verdicts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from carerules.domain.action import Action, Charge, Drain, Hold, Rest, Switch, side_of
from carerules.domain.pack import Pack
from carerules.domain.plan import Forbidden, Never, Rule
from carerules.domain.signal import Catalogue
from carerules.lang.prove.axes import SOC, Axes
from carerules.lang.prove.box import Box, Region, TooMuch, Work, meet_regions, meetings
from carerules.lang.prove.cells import CellModel, speaks_of_cells, under_model
from carerules.lang.prove.finder import Finder
from carerules.lang.prove.labels import Labels
from carerules.lang.prove.ranges import Ranges, above, below, join, meet, span
from carerules.lang.prove.region import Regions
from carerules.lang.prove.witness import Answer, Maybe, Witness

END_WITHIN = 0.5
"""Points below its target at which a charge counts as done; a drain ends as little below it."""

Aim: TypeAlias = tuple[tuple[str, float], ...]


class Ground:
    """The plan's rules as boxes, each made once. `packs` None: the site is unknown; `cells`: how
    the cells of each pack behave, where that is known."""

    def __init__(
        self, signals: Catalogue, packs: Sequence[Pack] | None, work: Work,
        cells: Mapping[str, CellModel] | None = None,
    ) -> None:  # fmt: skip
        self.packs = packs
        self.cells = cells or {}
        self.work = work
        self.axes = Axes(signals, None if packs is None else len(packs))
        self.regions = Regions(self.axes, work)
        self.labels = Labels(self.axes, packs, work)
        self.finder = Finder(self.axes, packs or (), work)
        self._true: dict[int, list[Box] | TooMuch] = {}

    def selected(self, what: Rule | Never) -> list[Box]:
        """For which packs it holds."""
        return self.labels.region(what.selector)

    def true(self, what: Rule | Never) -> list[Box]:
        """Where its condition is certainly true, for a pack that it selects. Raises TooMuch."""
        key = id(what)
        if key not in self._true:
            try:
                self._true[key] = meet_regions(
                    self.regions.true(what.when), self.selected(what), self.work
                )
            except TooMuch as much:
                self._true[key] = much
        found = self._true[key]
        if isinstance(found, TooMuch):
            raise TooMuch(*found.args)
        return found

    def allowed(self, never: Never) -> list[Box]:
        """Where it certainly does not forbid: its condition is false, or the pack another one."""
        condition = meet_regions(
            self.regions.false(never.when), self.selected(never), self.work
        )  # fmt: skip
        return condition + self.labels.region(never.selector, False)

    def find(self, boxes: Iterable[Box]) -> Answer:
        """A witness out of any of the boxes; unsure where there may be one."""
        answers: set[Maybe] = {Maybe.NO}
        for box in boxes:
            if box.at_first and Maybe.AT_FIRST in answers:
                continue
            found = self.finder.find(box)
            if box.at_first:
                answers.add(Maybe.NO if found is Maybe.NO else Maybe.AT_FIRST)
            elif isinstance(found, Witness):
                return found
            else:
                answers.add(found)
        return next(one for one in (Maybe.UNSURE, Maybe.AT_FIRST, Maybe.NO) if one in answers)

    def find_both(self, a: Region, b: Region) -> Answer:
        """A witness of two regions at once."""
        return self.find(meetings(a, b, self.work))

    def find_both_by_cells(self, a: Region, b: Region) -> Answer | None:
        """The same as far as the cells' model allows; None: it has no say in it."""
        boxes = list(meetings(a, b, self.work))
        if not self.packs or not any(speaks_of_cells(box, self.axes) for box in boxes):
            return None
        self.work.spend(len(boxes) * len(self.packs))
        return self.find(
            one for box in boxes for one in under_model(box, self.axes, self.packs, self.cells)
        )


# ---- what a rule does --------------------------------------------------------------------------


def aim_of(rule: Rule) -> Aim:
    """What the rule wants of the pack, in order. Two rules with one aim do not quarrel."""
    found: list[tuple[str, float]] = []
    for action in rule.actions:
        match action:
            case Drain(target):
                found.append(("drain", target))
            case Charge(target):
                found.append(("charge", target))
            case Rest() | Hold():
                found.append(("rest", 0.0))
            case Switch(side, time) if time is not None:
                found.append((f"switch {side.value} on", 0.0))
            case _:
                pass
    return tuple(found)


def show_aim(aim: Aim) -> str:
    """`drain to 8 %, rest, charge to 100 %`."""
    return ", ".join(
        f"{word} to {target:.4g} %" if word in ("drain", "charge") else word for word, target in aim
    )


def moves_energy(rule: Rule) -> bool:
    """Whether the rule drains, charges or switches something on."""
    return any(side_of(action) is not None for action in rule.actions)


def movable(rule: Rule) -> Ranges:
    """At which charge its lines have anything to do."""
    found: Ranges = ()
    for action in rule.actions:
        match action:
            case Drain(target):
                found = join(found, above(target, included=False))
            case Charge(target):
                found = join(found, below(target - END_WITHIN, included=False))
            case Rest() | Hold() | Switch():
                return span(0, 100)
            case _:
                pass
    return meet(found, span(0, 100))


def end_of(rule: Rule) -> Ranges | None:
    """The charge at which the rule's last drain or charge leaves the pack; None: no such line."""
    for action in reversed(rule.actions):
        if isinstance(action, (Drain, Charge)):
            return span(max(0.0, action.target - END_WITHIN), action.target)
    return None


def forbidden_kind(action: Action) -> Forbidden | None:
    """Which `never` the action is subject to."""
    side = side_of(action)
    return None if side is None else side.verb


def starting(ground: Ground, rule: Rule) -> list[Box]:
    """Where the rule is true and has something to do. Raises TooMuch."""
    return meet_regions(ground.true(rule), (Box({SOC: movable(rule)}),), ground.work)
