"""Ping-pong: a rule whose end makes another one fire, and so on back to the first.

Knows the ground, and which values a loop can change by itself. A loop is *tight* when nothing but
the charge has to change for it to go round. A time since, or a count since, an event that the loop
itself makes holds it back on purpose: such a loop is upkeep and no ping-pong.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from carerules.domain.action import Ask, Charge, Drain, Mark
from carerules.domain.condition import CountIn, CountSince, SignalValue, TimeSince
from carerules.domain.plan import Rule
from carerules.lang.prove.axes import SOC, SOC_VALUE, UNTIL, Axis, Motion
from carerules.lang.prove.box import At, Box, Region, TooMuch, meet_at, meet_regions
from carerules.lang.prove.ground import Ground, end_of, starting
from carerules.lang.prove.ranges import Ranges, meet, span
from carerules.lang.prove.verdict import PingPong, Undecided
from carerules.lang.prove.witness import Witness

LOOP_MAX = 4
"""Rules in one loop: a longer one nobody would recognise as such."""
LOOPS_MAX = 20
"""Loops that are told; who has more mends these first."""
CORES_MAX = 32
"""Cases that one path is followed in: it is cut short only in what no person would write."""
TRIES_MAX = 3
"""Ways round that are tried one after the other, each narrower than the one before."""
OWN = ("pack.rested", "pack.current", "pack.power")
"""Signals that every drain and charge changes."""


class _Mover(NamedTuple):
    """A rule that moves the charge: where it fires and has to do, and where it leaves the pack."""

    rule: Rule
    boxes: Region
    end: Ranges
    makes: frozenset[str]


def ping_pong(ground: Ground, rules: Sequence[Rule]) -> Iterator[PingPong | Undecided]:
    """Every loop of up to four rules, each told once."""
    movers: list[_Mover] = []
    for rule in rules:
        end = end_of(rule)
        if end is None:
            continue
        try:
            boxes = [b for b in starting(ground, rule) if not b.loose and not b.at_first]
        except TooMuch as much:
            yield Undecided(rule, "whether it is part of a loop", str(much))
            continue
        movers.append(_Mover(rule, boxes, end, _made_by(rule)))
    told = 0
    try:
        follows = [_following(ground, one, movers) for one in movers]
        for ring in _rings(follows, ground):
            found = _loop(ground, [movers[at] for at in ring])
            if found is not None:
                yield found
                told += 1
                if told == LOOPS_MAX:
                    return
    except TooMuch as much:
        if movers:
            yield Undecided(movers[0].rule, "whether rules go round in a loop", str(much))


def _made_by(rule: Rule) -> frozenset[str]:
    """The events that a job of the rule makes."""
    made: set[str] = set()
    for action in rule.actions:
        match action:
            case Drain():
                made.add("drain")
            case Charge():
                made |= {"charge", "full"}
            case Mark(event):
                made.add(event)
            case _:
                pass
    return frozenset(made)


def _after(ground: Ground, box: Box, end: Ranges) -> At | None:
    """The box, entered with the charge at the end of another rule."""
    there = box.at.get(SOC)
    if there is not None and not meet(there, end):
        return None
    ground.work.spend()
    return meet_at(box.at, {SOC: end})


def _following(ground: Ground, one: _Mover, movers: Sequence[_Mover]) -> dict[int, list[At]]:
    """Which rules can fire where this one ends, and with what of the values that outlast a loop."""
    found: dict[int, list[At]] = {}
    for at, other in enumerate(movers):
        for box in other.boxes:
            after = _after(ground, box, one.end)
            if after is not None:
                core = {axis: r for axis, r in after.items() if _outlasts(ground, axis)}
                found.setdefault(at, []).append(core)
    return found


def _outlasts(ground: Ground, axis: int) -> bool:
    return axis == UNTIL or ground.axes.rows[axis].motion in (Motion.FIXED, Motion.STATIC)


class _Path(NamedTuple):
    """Rules one after the other, and what stays the same on the way: one of these."""

    rules: tuple[int, ...]
    cores: list[At]


def _rings(
    follows: Sequence[dict[int, list[At]]], ground: Ground
) -> Iterator[tuple[int, ...]]:  # fmt: skip
    """Rings of rules, short ones first, each from its first rule in the text."""
    for length in range(1, LOOP_MAX + 1):
        for first in range(len(follows)):
            paths = [_Path((first,), [{}])]
            while paths:
                path = paths.pop()
                for at, cores in follows[path.rules[-1]].items():
                    closes = at == first and len(path.rules) == length
                    goes_on = len(path.rules) < length and at > first and at not in path.rules
                    if not closes and not goes_on:
                        continue
                    left = _left(path.cores, cores, ground)
                    if left and closes:
                        yield path.rules
                    elif left:
                        paths.append(_Path((*path.rules, at), left))


def _left(cores: Sequence[At], others: Sequence[At], ground: Ground) -> list[At]:
    ground.work.spend(len(cores) * len(others))
    both = (meet_at(one, other) for one in cores for other in others)
    return [one for one in both if one is not None][:CORES_MAX]


def _loop(ground: Ground, ring: Sequence[_Mover]) -> PingPong | None:
    """The ring as a loop that can be: tight, or with other values changing in between."""
    made = frozenset[str]().union(*(one.makes for one in ring))
    asked = any(isinstance(action, Ask) for one in ring for action in one.rule.actions)
    # Where the site is unknown, a pack that all of them select may not exist.
    there_is_one = ground.packs is not None or len({one.rule.selector for one in ring}) == 1
    for tight in (True, False):
        stays: Region = (Box(),)
        for at, one in enumerate(ring):
            entered = [
                kept
                for box in one.boxes
                if (after := _after(ground, box, ring[at - 1].end)) is not None
                and (kept := _kept(ground, after, made, tight=tight)) is not None
            ]
            stays = meet_regions(stays, entered, ground.work)
        for box in stays:
            states = _coming_round(ground, ring, box, made, tight=tight)
            if states is not None:
                return PingPong(
                    tuple(one.rule for one in ring), tuple(w.state for w in states),
                    states[0].pack, tight and not asked and there_is_one,
                )  # fmt: skip
    return None


def _kept(ground: Ground, at: At, made: frozenset[str], *, tight: bool) -> Box | None:
    """What must be the same all the way round; None: the loop itself holds this back."""
    kept: dict[int, Ranges] = {}
    for axis, ranges in at.items():
        row = ground.axes.rows[axis]
        if axis == SOC:
            continue
        match row.value:
            case TimeSince(event) if event in made:
                if ranges[0][0] > (0.0, 0):
                    return None
                continue
            case CountSince(_, since) if since in made:
                if ranges[0][0] > (0.0, 0):
                    return None
                continue
            case CountSince(event, _) | CountIn(event, _) if event in made:
                continue
            case SignalValue(name, _) if name in OWN or name.startswith("station."):
                continue
            case _:
                pass
        if tight or _lasting(row, axis):
            kept[axis] = ranges
    return Box(kept)


def _lasting(row: Axis, axis: int) -> bool:
    """Whether the value stays the same, or goes one way only, unless somebody acts.

    On a way that leads in one direction only, what fits at both ends of the loop fits in between.
    """
    lasting = (Motion.FIXED, Motion.STATIC, Motion.RISING, Motion.AGEING)
    return axis == UNTIL or row.motion in lasting or isinstance(row.value, (CountSince, CountIn))


def _coming_round(
    ground: Ground, ring: Sequence[_Mover], kept: Box, made: frozenset[str], *, tight: bool,
    tries: int = TRIES_MAX,
) -> list[Witness] | None:  # fmt: skip
    """States in which the rules fire one after the other, and after which they can fire again."""
    fires = _states(ground, ring, kept)
    if fires is None or not tries:
        return None
    levels = _levels(fires)
    for armed in _armed_again(ground, ring, levels, kept, made, tight=tight):
        states = _states(ground, ring, armed)
        # Where narrowing what stays the same has moved the levels, the way is another one.
        if states is not None and _levels(states) != levels:
            states = _coming_round(ground, ring, armed, made, tight=tight, tries=tries - 1)
        if states is not None:
            return states
    return None


def _levels(fires: Sequence[Witness]) -> list[float]:
    return [dict(one.state.values)[SOC_VALUE] for one in fires]


def _armed_again(
    ground: Ground, ring: Sequence[_Mover], levels: Sequence[float], kept: Box,
    made: frozenset[str], *, tight: bool,
) -> Region:  # fmt: skip
    """What stays the same, narrowed to where each rule can fire again: somewhere on the way, by
    the `levels` at which they fire, its condition is certainly false, or what it wants for that is
    true."""
    stays: Region = (kept,)
    for one in ring:
        lines = [line for line in one.rule.actions if isinstance(line, (Drain, Charge))]
        # The last line ends where the next rule fires, so by its level.
        passed = [*levels, *(line.target for line in lines[:-1])]
        swept = span(min(passed), max(passed))
        if one.rule.rearm_when is not None:
            region = ground.regions.true(one.rule.rearm_when)
        else:
            region = ground.regions.false(one.rule.when)
        armed: list[Box] = []
        for box in region:
            # How it comes to be false is the loop's own doing: what went before is left out. One
            # level on the way is passed unseen between two samples.
            there = meet(box.at.get(SOC, swept), swept)
            wide = tuple(one for one in there if one[0][0] < one[1][0])
            again = _kept(ground, box.at, made, tight=tight)
            if box.at_first or not wide or again is None:
                continue
            false = Box({**box.at, SOC: wide})
            if isinstance(ground.find_both((kept,), (false,)), Witness):
                armed.append(again)
        stays = meet_regions(stays, armed, ground.work)
    return stays


def _states(ground: Ground, ring: Sequence[_Mover], kept: Box) -> list[Witness] | None:
    """In which state each fires, with what stays the same kept the same."""
    fixed: At = kept.at
    found: list[Witness] = []
    for at, one in enumerate(ring):
        entered = {SOC: meet(ring[at - 1].end, span(0, 100))}
        answer = ground.find_both(one.boxes, (Box({**fixed, **entered}),))
        if not isinstance(answer, Witness):
            return None
        found.append(answer)
    return found
