"""What a replay came to, and what other rules would have made of the same facts.

Knows firings by pack, rule and moment. Does not know how they are found.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, TypeAlias

from pydantic import AwareDatetime

from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, Duration, LocalTime, Moment
from carerules.domain.spelling import counted
from carerules.report.page import fold, short_name
from carerules.report.shapes import Shape

Fire: TypeAlias = tuple[str, str, Moment]
"""Pack, rule, moment."""
Change: TypeAlias = Literal["same", "added", "gone", "moved"]
Became: TypeAlias = tuple[Fire, Change, Moment | None]
"""A firing, what became of it, and when one that has moved was before."""

MOVED_WITHIN: Duration = DAY
"""A firing that is gone and a new one, of one rule and pack and no further apart, are one that has
moved."""
FIRINGS_MAX = 2_000
"""The newest so many are told one by one; all are counted."""
LINES_MAX = 60
"""Firings told on a terminal."""

MEASURED = (
    "measured signals are taken as they were: what a job would have done, a drain that never came, "
    "changes no sample here"
)


class ReplayRuleShape(Shape):
    """How often a rule fired in the stretch; `in_force` and `in_file` null: no such rule there.

    `by_engine`: why it went through the engine look by look; null: it did not.
    """

    rule: str
    in_force: int | None
    in_file: int | None
    added: int
    gone: int
    moved: int
    last_at: AwareDatetime | None
    by_engine: str | None


class ReplayFiringShape(Shape):
    """One firing: with the rules of the file what is `added` or has `moved`, else what is `gone`.

    `was_at`: of one that has moved, when it fires with the rules in force.
    """

    at: AwareDatetime
    pack: str
    rule: str
    change: Change
    was_at: AwareDatetime | None


class ReplayShape(Shape):
    """When rules would have fired on what was heard from `since` to `until`.

    Each whole number counts what its name says.
    """

    shape: Literal[1] = 1
    site: str
    rules_file: str | None
    since: AwareDatetime
    until: AwareDatetime
    begins: AwareDatetime | None
    forgotten_before: AwareDatetime | None
    facts: int
    left_out: int
    rules: list[ReplayRuleShape]
    firings: list[ReplayFiringShape]
    not_shown: int
    limits: list[str]


@guarded
class Stretch:
    """What was gone through: from when to when is told, what there was, and what there was not.

    `facts`, `left_out`: how many.
    """

    since: Moment
    until: Moment
    begins: Moment | None
    forgotten_before: Moment | None
    facts: int
    left_out: int


@guarded
class Played:
    """What one set of rules came to: its rules' names, the firings, who went through the engine."""

    rules: Sequence[str]
    firings: Sequence[Fire]
    by_engine: Mapping[str, str]


def replay_of(
    site: str,
    local: LocalTime,
    stretch: Stretch,
    now: Played,
    then: Played | None,
    file: str | None,
) -> ReplayShape:
    """The shape: of the rules in force alone, or against those of a file."""
    inside = range(stretch.since, stretch.until + 1)
    before = [one for one in now.firings if one[2] in inside]
    changes: list[Became] = [(one, "same", None) for one in before]
    if then is not None:
        changes = changes_of(before, [one for one in then.firings if one[2] in inside])
    changes.sort(key=lambda one: (one[0][2], one[0][0], one[0][1]))
    names = dict.fromkeys([*now.rules, *(then.rules if then is not None else ())])
    shown = changes[-FIRINGS_MAX:]
    by_engine = {**now.by_engine, **(then.by_engine if then is not None else {})}
    return ReplayShape(
        site=site, rules_file=file, since=local.read(stretch.since),
        until=local.read(stretch.until),
        begins=None if stretch.begins is None else local.read(stretch.begins),
        forgotten_before=(None if stretch.forgotten_before is None
                          else local.read(stretch.forgotten_before)),
        facts=stretch.facts, left_out=stretch.left_out,
        rules=[_rule(name, now, then, changes, local, by_engine.get(name)) for name in names],
        firings=[
            ReplayFiringShape(
                at=local.read(at), pack=pack, rule=rule, change=change,
                was_at=None if was is None else local.read(was),
            )
            for (pack, rule, at), change, was in shown
        ],
        not_shown=len(changes) - len(shown), limits=_limits(stretch, local),
    )  # fmt: skip


def _rule(
    name: str, now: Played, then: Played | None,
    changes: Iterable[Became], local: LocalTime, by_engine: str | None,
) -> ReplayRuleShape:  # fmt: skip
    own = [(fire, change) for fire, change, _ in changes if fire[1] == name]
    count = Counter(change for _, change in own)
    stays = count["same"] + count["moved"]
    last = max((fire[2] for fire, change in own if change != "gone"), default=None)
    return ReplayRuleShape(
        rule=name,
        in_force=stays + count["gone"] if name in now.rules else None,
        in_file=stays + count["added"] if then is not None and name in then.rules else None,
        added=count["added"], gone=count["gone"], moved=count["moved"],
        last_at=None if last is None else local.read(last), by_engine=by_engine,
    )  # fmt: skip


def changes_of(before: Sequence[Fire], after: Sequence[Fire]) -> list[Became]:
    """What is the same, and of the rest what was added, has gone or has moved."""
    same = Counter(before) & Counter(after)
    found: list[Became] = [(one, "same", None) for one in same.elements()]
    gone, added = list((Counter(before) - same).elements()), (Counter(after) - same).elements()
    waiting: dict[tuple[str, str], list[Moment]] = {}
    for pack, rule, at in sorted(gone, key=lambda one: one[2]):
        waiting.setdefault((pack, rule), []).append(at)
    for pack, rule, at in sorted(added, key=lambda one: one[2]):
        others = waiting.get((pack, rule), [])
        was = min(others, key=lambda other: abs(other - at), default=None)
        if was is None or abs(was - at) > MOVED_WITHIN:
            found.append(((pack, rule, at), "added", None))
        else:
            others.remove(was)
            found.append(((pack, rule, at), "moved", was))
    found += [
        ((pack, rule, at), "gone", None) for (pack, rule), left in waiting.items() for at in left
    ]
    return found


def _limits(stretch: Stretch, local: LocalTime) -> list[str]:
    limits = [MEASURED]
    if stretch.begins is None:
        limits.append("nothing was heard by then")
    elif stretch.begins > stretch.since:
        limits.append(f"nothing was heard before {local.show(stretch.begins)}")
    if stretch.forgotten_before is not None:
        limits.append(
            f"samples from before {local.show(stretch.forgotten_before)} are forgotten "
            "(`keep_samples` in the site file): until then what they showed is unknown"
        )
    if stretch.left_out:
        limits.append(f"left out because they came too late: {counted(stretch.left_out, 'sample')}")
    return limits


# ---- lines -----------------------------------------------------------------------------------

_SIGN = {"same": " ", "added": "+", "gone": "-", "moved": ">"}


def replay_lines(shape: ReplayShape) -> list[str]:
    """The shape in lines of at most 80 columns."""
    stretch = f"{_at(shape.since)} to {_at(shape.until)}"
    lines = fold(f"{shape.site}: ", f"rules replayed over what was heard, {stretch}")
    what_if = shape.rules_file is not None
    if what_if:
        lines += fold("against: ", f"{shape.rules_file}, as if it had been in force instead")
        lines.append("(+ added, - gone, > moved)")
    lines.append("")
    width = max([4, *(len(short_name(one.rule)) for one in shape.rules)])
    if what_if:
        lines.append(f"{'rule':<{width}}  in force  in file  added  gone  moved")
        lines += [
            f"{short_name(one.rule):<{width}}  {_count(one.in_force):>8}  {_count(one.in_file):>7}"
            f"  {one.added:>5}  {one.gone:>4}  {one.moved:>5}"
            for one in shape.rules
        ]
    else:
        lines.append(f"{'rule':<{width}}  fired  last")
        lines += [
            f"{short_name(one.rule):<{width}}  {_count(one.in_force):>5}  "
            f"{'-' if one.last_at is None else _at(one.last_at)}"
            for one in shape.rules
        ]
    told = [one for one in shape.firings if not what_if or one.change != "same"]
    if told:
        lines.append("")
    hidden = shape.not_shown + max(0, len(told) - LINES_MAX)
    if hidden:
        lines.append(f"... {hidden} more before these; `--json` has up to {FIRINGS_MAX}")
    for one in told[-LINES_MAX:]:
        was = "" if one.was_at is None else f", in force {_at(one.was_at)}"
        lines += fold(f"{_SIGN[one.change]} {_at(one.at)}  ", f"{one.pack}: {one.rule}{was}")
    if what_if and not told:
        lines += ["", "no firing differs"]
    lines.append("")
    for limit in shape.limits:
        lines += fold("note: ", limit)
    for rule in shape.rules:
        if rule.by_engine is not None:
            lines += fold("note: ", f"{rule.rule} went through the engine: {rule.by_engine}")
    return lines


def _at(at: AwareDatetime) -> str:
    return at.strftime("%a %d %b %Y %H:%M")


def _count(number: int | None) -> str:
    return "-" if number is None else str(number)
