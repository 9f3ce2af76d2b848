"""From the tree of a scenario to its meaning: packs of its own, a time line, what is expected.

Knows scenarios, and when each of their lines is. Does not know how one is played out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import cast

from carerules.domain import scenario as d
from carerules.domain.diagnostic import Mend
from carerules.domain.quantity import CAPACITY, CHARGE_LEVEL, COUNT, Quantity
from carerules.lang import statements as st
from carerules.lang import syntax as s
from carerules.lang.clock import minute_of_day, weekday
from carerules.lang.conditions import in_range
from carerules.lang.findings import try_name
from carerules.lang.happening import Happenings
from carerules.lang.limits import CELLS_MAX, SCENARIO_TIME_MAX
from carerules.lang.scope import Scope, written

WEEK_BEGINS = datetime(2026, 3, 2)  # a Monday, as domain.scenario has it; a wall time, in no zone


def scenario(node: st.ScenarioNode, scope: Scope, rules: frozenset[str]) -> d.Scenario:
    """The scenario, without what was slipped in it and is told to the findings.

    `rules`: all names that `by` may give.
    """
    return _Telling(node, scope, rules).told()


class _Telling:
    """One scenario on its way from its tree; a slip goes to the findings, and reading goes on."""

    def __init__(self, node: st.ScenarioNode, scope: Scope, rules: frozenset[str]) -> None:
        self.node, self.scope, self.findings = node, scope, scope.findings
        self.packs: dict[str, d.GivenPack] = {}
        self.given: list[tuple[datetime, d.Change]] = []
        self.times: dict[int, datetime | None] = {}
        self.happenings = Happenings(scope, self.packs.keys(), rules)

    def told(self) -> d.Scenario:
        lines = [one for one in self.node.scenes if isinstance(one, st.LineNode)]
        givens = [one for one in self.node.scenes if not isinstance(one, st.LineNode)]
        self._order()
        sinces = {id(one): self._since(one) for one in givens}
        known = [since for since in sinces.values() if since is not None]
        opening = lines[0].when if lines else None
        start = min(known, default=WEEK_BEGINS)
        if not known and isinstance(opening, st.MomentNode):
            start = self._next(opening, WEEK_BEGINS) or WEEK_BEGINS
        latest = max(known, default=start)
        for one in givens:  # the packs first: what is given of one may stand above it
            if isinstance(one, st.GivenPackNode):
                self._pack(one, sinces[id(one)] or start)
        for one in givens:
            if isinstance(one, st.GivenNode):
                self._given(one, sinces[id(one)] or start, latest)
        self.given.sort(key=lambda one: one[0])
        told = tuple(self._lines(lines, start, latest))
        self._expects(lines)
        name = self.node.name
        return d.Scenario(
            name.text, tuple(self.packs.values()), start, tuple(self.given), told, name.span
        )

    def _order(self) -> None:
        below = False
        for one in self.node.scenes:
            below = below or isinstance(one, st.LineNode)
            if below and not isinstance(one, st.LineNode):
                self.findings.add(
                    "misplaced", "what is given stands above the first `at` or `after`", one.span,
                    Mend("move it up, or write the change on a line with a time"),
                )  # fmt: skip
                return

    def _expects(self, lines: Iterable[st.LineNode]) -> None:
        if not any(isinstance(item, st.ExpectNode) for line in lines for item in line.items):
            self.findings.add(
                "cannot-fail", "this scenario expects nothing of any rule, and cannot fail",
                self.node.name.span,
                Mend("say what is to happen, such as `at Sat 18:00: expect heron drain`"),
            )  # fmt: skip

    # ---- when --------------------------------------------------------------------------------

    def _since(self, node: st.GivenPackNode | st.GivenNode) -> datetime | None:
        """A time of the first week, so that the order in which things are given is free."""
        moment = _since_of(node)
        if moment is None:
            return None
        if moment.day is None:
            self.findings.add(
                "unknown-day", f"`since` names a day, and `{moment.clock.text}` has none",
                moment.span, Mend(f"write it as `Fri {moment.clock.text}`"),
            )  # fmt: skip
        return self._next(moment, WEEK_BEGINS)

    def _next(self, node: st.MomentNode, after: datetime) -> datetime | None:
        """The next such time at or after another; asked again, what was answered first."""
        if id(node) not in self.times:
            self.times[id(node)] = self._found(node, after)
        return self.times[id(node)]

    def _found(self, node: st.MomentNode, after: datetime) -> datetime | None:
        minute = minute_of_day(node.clock, self.scope)
        day = None if node.day is None else weekday(node.day, self.scope, capital=True)
        if minute is None or (day is None and node.day is not None):
            return None
        found = after.replace(hour=minute // 60, minute=minute % 60)
        while found < after or (day is not None and found.weekday() != day):
            found += timedelta(days=1)
        return found

    def _later(self, node: s.AmountNode, of: str, start: datetime) -> datetime | None:
        """So long after a time."""
        length = self.scope.duration(node, of)
        if length is None:
            return None
        if length > SCENARIO_TIME_MAX:
            self.findings.add(
                "out-of-range", "a scenario lasts at most three years", node.span,
                Mend(f"`{written(node)}` is longer; rules know no longer time than seasons"),
            )  # fmt: skip
            return None
        return start + timedelta(milliseconds=length)

    def _time(self, node: st.LineNode, start: datetime, before: datetime) -> datetime | None:
        """When a line is, at or after the one before."""
        if isinstance(node.when, st.MomentNode):
            return self._next(node.when, before)
        time = self._later(node.when, "`after`", start)
        if time is None:
            return None
        if time < before:
            self.findings.add(
                "backwards", f"`after {written(node.when)}` counts from {_shown(start)}, and the"
                f" line above is at {_shown(before)}", node.when.span,
                Mend("put the lines in the order of their times"),
            )  # fmt: skip
        return time  # told once: the lines below count on from here

    # ---- what is given -----------------------------------------------------------------------

    def _pack(self, node: st.GivenPackNode, since: datetime) -> None:
        name = node.name.text
        if name in self.packs:
            self.findings.add(
                "duplicate-name", f"`{name}` is given above", node.name.span,
                Mend("say all of a pack on one line"),
            )  # fmt: skip
            return
        traits: dict[str, s.Word | s.AmountNode] = {}
        tags: set[str] = set()
        for trait in node.traits:
            kind = trait.kind
            if kind.type == "TAGGED":
                tags.add(cast(s.Word, trait.what).text)
            elif kind.type in traits:
                if kind.span.column == trait.what.span.column:
                    continue  # put in by a guess, which is told
                self.findings.add("twice", f"`{kind.text}` stands twice on this line", kind.span,
                                  Mend("leave one of them out"))  # fmt: skip
            elif not isinstance(trait.what, st.MomentNode):
                traits[kind.type] = trait.what
        # Known from here on, whatever is wrong with its traits.
        self.packs[name] = d.GivenPack(
            name, self._chemistry(traits), self._cells(traits), self._capacity(traits),
            frozenset(tags), _role(traits), placed="ON" not in traits,
        )  # fmt: skip
        if "AT" in traits and (level := self._amount(traits, "AT")) is not None:
            at = cast(s.AmountNode, traits["AT"])
            if in_range("pack.soc", level, at, self.scope):
                self.given.append((since, d.Set(name, "pack.soc", level)))

    def _chemistry(self, traits: dict[str, s.Word | s.AmountNode]) -> str:
        word = traits.get("IS")
        if not isinstance(word, s.Word):
            return d.GivenPack("").chemistry
        known = self.scope.names.chemistries
        if known is not None and not self.scope.taken_in and word.text not in known:
            self.findings.add(
                "unknown-packs", f"unknown chemistry `{word.text}`", word.span,
                try_name(word.text, known) or Mend("take one that the site knows"),
            )  # fmt: skip
        return word.text

    def _cells(self, traits: dict[str, s.Word | s.AmountNode]) -> int:
        found = self._amount(traits, "CELLS")
        if found is None:
            return d.GivenPack("").cells
        if not 1 <= found.value <= CELLS_MAX or found.value % 1:
            self.findings.add(
                "out-of-range", f"`cells` counts whole cells from 1 to {CELLS_MAX}",
                traits["CELLS"].span,
                Mend("write it as `6`"),
            )  # fmt: skip
        return int(found.value)

    def _capacity(self, traits: dict[str, s.Word | s.AmountNode]) -> float:
        found = self._amount(traits, "CAPACITY")
        if found is None:
            return d.GivenPack("").capacity_ah
        if found.value <= 0:
            self.findings.add(
                "out-of-range", "a pack holds more than 0 Ah", traits["CAPACITY"].span,
                Mend("write what stands on the label, such as `16 Ah`"),
            )  # fmt: skip
        else:
            in_range("pack.capacity", found, cast(s.AmountNode, traits["CAPACITY"]), self.scope)
        return found.value

    def _amount(self, traits: dict[str, s.Word | s.AmountNode], kind: str) -> Quantity | None:
        node = traits.get(kind)
        if not isinstance(node, (s.NumberNode, s.ReferenceNode)):
            return None
        wanted, of = {"AT": (CHARGE_LEVEL, "`at`"), "CELLS": (COUNT, "`cells`"),
                      "CAPACITY": (CAPACITY, "`capacity`")}[kind]  # fmt: skip
        return self.scope.amount(node, wanted, of)

    def _given(self, node: st.GivenNode, since: datetime, latest: datetime) -> None:
        for part in node.changes:
            if isinstance(part, st.MovedNode) and node.since is None:
                # It was there, or was not, before anything began.
                if (pack := self.happenings.pack(part.pack)) is not None:
                    self.packs[pack] = _placed(self.packs[pack], part.where.type == "A")
                continue
            if (change := self._change(part, since, latest)) is not None:
                self.given.append((since, change))

    # ---- lines -------------------------------------------------------------------------------

    def _lines(
        self, nodes: Iterable[st.LineNode], start: datetime, latest: datetime
    ) -> Iterator[d.At]:
        before = latest
        for node in nodes:
            time = self._time(node, start, before)
            before = time or before
            changes: list[d.Change] = []
            expects: list[d.Expectation] = []
            expected = False
            for item in node.items:
                if isinstance(item, st.ExpectNode):
                    expected = True
                    if (expect := self.happenings.expectation(item)) is not None:
                        expects.append(expect)
                    continue
                if expected:
                    self.findings.add(
                        "misplaced", "what happens stands before what is expected of it", item.span,
                        Mend("put it first, or write `expect` before it if it is expected"),
                    )  # fmt: skip
                if (change := self._change(item, before, before)) is not None:
                    changes.append(change)
            yield d.At(before, tuple(changes), tuple(expects), node.span)

    def _change(self, node: st.ChangeNode, now: datetime, after: datetime) -> d.Change | None:
        """A change at `now`; a use that is planned for a day is on the next such one `after`."""
        planned: datetime | None = None
        if isinstance(node, st.PlannedNode):
            when = node.when
            planned = (
                self._next(when, after) if isinstance(when, st.MomentNode)
                else self._later(when, "`use in`", now)
            )  # fmt: skip
        return self.happenings.change(node, planned)


def _since_of(node: st.GivenPackNode | st.GivenNode) -> st.MomentNode | None:
    if isinstance(node, st.GivenNode):
        return node.since
    found = (trait.what for trait in node.traits if isinstance(trait.what, st.MomentNode))
    return next(found, None)


def _role(traits: dict[str, s.Word | s.AmountNode]) -> str:
    word = traits.get("ROLE")
    return word.text if isinstance(word, s.Word) else ""


def _placed(pack: d.GivenPack, placed: bool) -> d.GivenPack:
    return d.GivenPack(
        pack.pack, pack.chemistry, pack.cells, pack.capacity_ah, pack.tags, pack.role, placed
    )


def _shown(time: datetime) -> str:
    return time.strftime("%a %H:%M")
