"""Why each rule holds or not for a pack: every part with the values that it saw.

Knows worlds, explanations and shapes. Does not know whether the moment is now or long ago.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

from carerules.battery import RATED
from carerules.domain.moment import SECOND, Moment
from carerules.domain.quantity import DURATION, Known
from carerules.domain.wording import wording
from carerules.engine import BoundRule, Explained, Facts, Phase, RuleState, Seen, explain, seen_by
from carerules.loop import World, facts_of, foresee, moves_energy, obstacle, stand_ins
from carerules.report.aim import in_turn
from carerules.report.log import log_rows_lines
from carerules.report.pack import TRUTHS, charge_of, job_of, seconds, tidy
from carerules.report.page import Paint, fold, plain, show_at, show_percent, show_s
from carerules.report.shapes import (
    LineShape,
    NeverShape,
    ObstacleShape,
    PartShape,
    RuleShape,
    SeenShape,
    WhyShape,
)
from carerules.report.words import wish


def why_of(
    world: World, name: str, decisions: Sequence[LineShape] = (), *, exact: bool = True
) -> WhyShape:
    """All that is to be said of the pack's rules at the world's own moment.

    Not `exact`: the world only looked on, so what would come next or be vetoed is left open.
    """
    state, bound = world.packs[name], world.setup.bound[name]
    facts = facts_of(world, name)
    firing = foresee(world, name) if exact else {}
    return WhyShape(
        site=world.setup.site.name,
        pack=name,
        at=world.local.read(world.now),
        exact=exact,
        charge=charge_of(world, name),
        station=state.station,
        barred=state.barred or None,
        retired=state.retired or None,
        jobs=[job_of(world, job) for job in in_turn(state)],
        rules=[
            _rule(world, name, rule, its, facts, firing.get(rule.key), exact=exact)
            for rule, its in zip(bound.rules, state.rules, strict=True)
        ],
        nevers=[
            NeverShape(
                forbids=never.never.action,
                when=wording(never.never.when),
                holds=TRUTHS[
                    never.when.run(
                        seen_by(never, facts, stand_ins(world, name, never.never.action)),
                        world.now,
                        list(memory),
                    )[0]
                ],
            )
            for never, memory in zip(bound.nevers, state.nevers, strict=True)
        ],
        decisions=list(decisions),
    )


def _rule(
    world: World, name: str, bound: BoundRule, state: RuleState, facts: Facts,
    fires: Moment | None, *, exact: bool,
) -> RuleShape:  # fmt: skip
    when = explain(bound.when, state.memory, facts, world.now)
    stop = explain(bound.stop, state.stop_memory, facts, world.now) if bound.stop else None
    rearm = explain(bound.rearm, state.rearm_memory, facts, world.now) if bound.rearm else None
    actions = bound.rule.actions
    # What its own job has on is in nobody's way but the others'.
    moving = any(
        job.rule == bound.rule.name and job.phase is Phase.MOVING for job in world.packs[name].jobs
    )
    blocked = obstacle(world, name, actions) if exact and not moving else None
    return RuleShape(
        rule=bound.rule.name,
        because=bound.rule.because or None,
        holds=TRUTHS[when.truth],
        fired=exact and not state.armed,
        fires_at=None if fires is None else world.local.read(fires),
        moves_energy=moves_energy(actions),
        obstacle=None if blocked is None else ObstacleShape(
            interlock=blocked.interlock or None, what=blocked.what, mend=blocked.mend or None
        ),
        when=_part(when, world, facts),
        stop=None if stop is None else _part(stop, world, facts),
        rearm=None if rearm is None else _part(rearm, world, facts),
    )  # fmt: skip


def _part(part: Explained, world: World, facts: Facts) -> PartShape:
    return PartShape(
        words=part.words,
        holds=TRUTHS[part.truth],
        ran_s=None if part.ran is None else seconds(part.ran),
        wanted_s=None if part.wanted is None else seconds(part.wanted),
        seen=[_seen(seen, world, facts) for seen in part.seen],
        parts=[_part(one, world, facts) for one in part.parts],
    )


def _seen(seen: Seen, world: World, facts: Facts) -> SeenShape:
    number, spread, unit, stale = _number(seen, world, facts)
    return SeenShape(
        value=seen.value,
        found=seen.found,
        number=number,
        spread=spread,
        unit=unit,
        age_s=None if seen.age is None else seconds(seen.age),
        stale=stale,
        source=seen.source or None,
    )


def _number(
    seen: Seen, world: World, facts: Facts
) -> tuple[float | None, float | None, str | None, bool]:
    """The value as a number in its base unit (a duration in seconds), its spread, its unit, and
    whether it is too old to go by."""
    now, name = world.now, seen.value
    signal = world.setup.signals.get(name)
    if signal is not None:
        scope = name.partition(".")[0]
        readings = {"pack": facts.readings, "station": facts.station}.get(scope, facts.site)
        reading = readings.get(name)
        if not isinstance(reading, Known):
            return None, None, None, False
        is_time = signal.dimension == DURATION
        scale, unit = (SECOND, "s") if is_time else (1, signal.dimension.unit)
        stale = signal.max_age is not None and now - reading.at > signal.max_age
        value, spread = reading.shown_at(now) / scale, reading.spread_at(now) / scale
        return tidy(value), tidy(spread), unit, stale
    if name.startswith(("count ", "number of packs ")):
        return float(seen.found), 0.0, "", False
    if name.startswith("time since "):
        times = facts.happened.get(name.removeprefix("time since "), ())
        return (seconds(now - times[-1]) if times else None), None, "s", False
    if name != "time until use":  # a window: what it says is in its words alone
        return None, None, None, False
    ahead = [start for start in facts.uses if start >= now]
    return (seconds(ahead[0] - now) if ahead else None), None, "s", False


# ---- as words --------------------------------------------------------------------------------

_TRUTH_TONE = {"yes": "done", "no": "seen", "unknown": "tell"}


def why_lines(why: WhyShape, paint: Paint = plain) -> list[str]:
    """The explanation for a terminal."""
    lines = list(_head(why))
    for rule in why.rules:
        lines += ["", *_rule_lines(rule, why, paint)]
    if why.nevers:
        lines.append("")
    for never in why.nevers:
        verdict = {"no": "does not hold", "yes": "HOLDS", "unknown": "cannot be ruled out"}
        lines += fold("", f"never {never.forbids} when {never.when}: {verdict[never.holds]}", 2)
    if why.decisions:
        lines += ["", "decided then:", *log_rows_lines(why.decisions, paint)]
    return lines


def _head(why: WhyShape) -> Iterator[str]:
    yield from fold("", f"{why.pack}, {why.at.strftime('%a %d %b %Y %H:%M:%S')}")
    charge = why.charge
    level = (
        f"charge unknown: {charge.unknown}"
        if charge.soc_percent is None
        else f"charge {show_percent(charge.soc_percent, charge.spread_percent)}, {charge.source}"
    )
    yield from fold("", f"{level}; " + (f"on {why.station}" if why.station else "on no station"))
    for bar in (why.barred, why.retired):
        if bar is not None:
            yield from fold("", bar)
    for job in why.jobs:
        since = f" since {show_at(job.since)}" if job.phase != "ready" else ""
        reason = f", {job.why}" if job.why else ""
        yield from fold("doing ", f"{job.line} ({job.job}, {wish(job.rule)}): "
                                  f"{job.phase}{since}{reason}")  # fmt: skip
    if not why.exact:
        words = "rules or site have changed since, or old samples are forgotten: below is what "
        words += "today's rules make of what is still known of then; what was decided then stands "
        words += "at the end"
        yield from fold("", words)


def _rule_lines(rule: RuleShape, why: WhyShape, paint: Paint) -> Iterator[str]:
    fired = ", has fired" if rule.fired else ""
    yield from (
        paint(_TRUTH_TONE[rule.holds], line)
        for line in fold("", f"rule {rule.rule}: {rule.holds}{fired}")
    )
    yield from _part_lines(rule.when, 1)
    for label, part in (("stops when:", rule.stop), ("is re-armed when:", rule.rearm)):
        if part is not None:
            yield from fold("  ", label)
            yield from _part_lines(part, 2)
    if rule.fires_at is not None:
        yield from fold("  ", _fires(rule.fires_at, why.at), 4)
    elif rule.fired:
        again = "has been false" if rule.rearm is None else "has been re-armed"
        yield from fold("  ", f"fires again when it {again} in between", 4)
    if rule.obstacle is not None:
        lock = f"{rule.obstacle.interlock}: " if rule.obstacle.interlock else ""
        mend = f"; {rule.obstacle.mend}" if rule.obstacle.mend else ""
        yield from fold("  ", f"in its way now: {lock}{rule.obstacle.what}{mend}", 4)
    elif rule.moves_energy and why.exact:
        yield from fold("  ", "no interlock is in its way now", 4)


def _fires(fires: datetime, now: datetime) -> str:
    if fires <= now:
        return "fires at once when the service next looks"
    in_time = show_s((fires - now).total_seconds())
    return f"fires {show_at(fires)}, in {in_time}, if nothing changes"


def _part_lines(part: PartShape, depth: int) -> Iterator[str]:
    indent = "  " * depth
    ran = ""
    if part.wanted_s is not None:
        ran = f" ({show_s(part.ran_s or 0)} of {show_s(part.wanted_s)})"
    yield from fold(indent, f"{part.words}: {part.holds}{ran}", len(indent) + 2)
    for seen in part.seen:
        yield from fold(f"{indent}  ", seen_words(seen), len(indent) + 4)
    for one in part.parts:
        yield from _part_lines(one, depth + 1)


def seen_words(seen: SeenShape) -> str:
    """`pack.soc: 100 % ± 2 %, 4 min old, counted`; what stands on the label has no age."""
    age = "" if seen.age_s is None or seen.source == RATED else f", {show_s(seen.age_s)} old"
    stale = ", too old to go by" if seen.stale else ""
    source = f", {seen.source}" if seen.source else ""
    return f"{seen.value}: {seen.found}{age}{stale}{source}"
