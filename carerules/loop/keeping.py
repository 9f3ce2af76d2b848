"""The kept plan: what of it has come about, and what it puts on the to-do list.

Knows the plan and the world. Does not know how plans are made, nor when one no longer fits
(`differing`), and switches nothing: what a plan says of loads and chargers is what rules and jobs
are expected to do by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from carerules.domain.action import Charge, Drain
from carerules.domain.decision import Ending, JobEnded, Outcome
from carerules.domain.event import (
    ChannelProved,
    Event,
    PlanKept,
    Rejected,
    Sample,
    SiteSample,
)
from carerules.domain.keptplan import GIVEN_UP, KeptMove, KeptPlan, KeptRun, KeptWish
from carerules.domain.moment import NEVER
from carerules.domain.pack import SIDES
from carerules.domain.quantity import Known
from carerules.engine import Job, Phase, wants_place
from carerules.loop.turn import Turn
from carerules.loop.world import World, pack_on

REACHED = 1.0
"""So near (%) a charge counts as reached: a job that ends there leaves the reading about there."""
PLAN = "plan "
"""How the keys of its chores begin; no job and no pack's rule has a key with a space so early."""

_QUIET = (Sample, SiteSample, Rejected, ChannelProved)


# ---- the to-do list follows --------------------------------------------------------------------


def follow(turn: Turn, before: World, event: Event, decided: Iterable[Outcome]) -> None:
    """Note what of the plan has come about, and bring the to-do list to what it asks of people.

    `before`: the world before the event; `decided`: what was decided on it.
    """
    kept = turn.world.kept
    if kept is None:
        if before.kept is not None:
            _bring_to(turn, {})
            _chores_of_jobs(turn)
        return
    now = turn.world.now
    if now >= kept.ends:
        turn.change(kept=None)
        _bring_to(turn, {})
        _chores_of_jobs(turn)
        return
    noted = _noted(turn, before, kept, decided)
    if noted is not kept:
        turn.change(kept=noted)
    elif isinstance(event, _QUIET) and kept.due(before.now) > now:
        return
    _bring_to(turn, dict(_asked(turn.world, noted)))
    changed = kept is not before.kept or turn.world.hangs is not before.hangs
    if changed or kept.due(before.now) <= now:
        _chores_of_jobs(turn)


def keep(turn: Turn, event: PlanKept) -> None:
    """A plan is kept, unless one made from a later state already is. What people have seen of what
    the one before does without they need not see again; where it is due at no certain time, not
    before the plan is one of another night."""
    known, plan = turn.world.kept, event.plan
    if known is not None and known.made > plan.made:
        return
    if known is not None:
        same_night = known.until == plan.until
        seen = {
            _wish(one)
            for one in known.left_out
            if one.tell == NEVER and (one.due is not None or same_night)
        }
        left_out = tuple(
            replace(one, tell=NEVER) if _wish(one) in seen else one for one in plan.left_out
        )
        plan = replace(plan, left_out=left_out)
    turn.change(kept=replace(plan, moves=_made_meanwhile(turn.world, plan)))


def _made_meanwhile(world: World, plan: KeptPlan) -> tuple[KeptMove, ...]:
    """Its moves, those marked that somebody made while it was being made: nobody hangs a pack anew
    where it hangs."""
    moves, gone_by = list(plan.moves), set[str]()
    for number, move in enumerate(moves):
        if move.done is not None or move.pack in gone_by:
            continue
        gone_by.add(move.pack)  # only the next one of each pack
        at = world.packs[move.pack].placed_at
        if world.hangs.get(move.station) == move.pack and at > plan.made:
            moves[number] = replace(move, done=at)
    return tuple(moves)


def move_of(world: World, key: str, text: str) -> KeptMove | None:
    """The move that a person means, by the key and the words of its chore; None: none of it, or
    the list says something else by now."""
    chore, kept = world.chores.get(key), world.kept
    if chore is None or kept is None or chore.text != text:
        return None
    return next((one for one in _next_moves(kept) if move_key(one) == key), None)


def seen(turn: Turn, key: str) -> None:
    """Somebody has seen what the plan does without."""
    kept = turn.world.kept
    if kept is not None and key.startswith(PLAN):
        left_out = tuple(
            replace(one, tell=NEVER) if _key_of_wish(one) == key else one for one in kept.left_out
        )
        turn.change(kept=replace(kept, left_out=left_out))


def planned_mend(world: World, job: Job) -> str:
    """What the kept plan says to a job that waits for a place: the move, or that the plan does
    without it. Then the plan's words stand on the to-do list; empty: the job's own do, as where the
    move was not made long after its time, or what the plan does without was due by now."""
    kept = world.kept
    if kept is None or not wants_place(job):
        return ""
    for move in kept.moves:
        if move.pack == job.pack and move.done is None:
            if world.now > move.at + GIVEN_UP:
                return ""
            by = world.local.show(move.at)
            later = f"the plan has it put on {move.station} by {by}"
            return later if world.now < move.tell else move_words(world, move)
    without = any(
        is_about(one, job) and (one.due is None or world.now < one.due) for one in kept.left_out
    )
    return "the plan has no room for it" if without else ""


def is_about(one: KeptRun | KeptWish, job: Job) -> bool:
    """Whether it is of the job, and of a charge that the job brings its pack to: what a person
    wants has no rule of its own, and one wish is not another."""
    return (one.pack, one.rule) == (job.pack, job.rule) and any(
        (type(action), action.target) == (Drain if one.side == "load" else Charge, one.target)
        for action in job.actions
        if isinstance(action, Drain | Charge)
    )


def coming(world: World) -> Sequence[KeptMove]:
    """The moves that are still to be made, soonest first."""
    return () if world.kept is None else [one for one in world.kept.moves if one.done is None]


def _noted(turn: Turn, before: World, kept: KeptPlan, decided: Iterable[Outcome]) -> KeptPlan:
    """The plan with what has just come about marked in it."""
    now, runs, moves = turn.world.now, list(kept.runs), list(kept.moves)
    changed = False
    if turn.world.hangs is not before.hangs:
        for station, pack in turn.world.hangs.items():
            if before.hangs.get(station) == pack:
                continue
            for number, move in enumerate(moves):
                if move.done is None and place_of(move) == (pack, station):
                    moves[number], changed = replace(move, done=now), True
                    break
    ended = {
        (one.pack, one.rule)
        for one in decided
        if isinstance(one, JobEnded) and one.ending in (Ending.DONE, Ending.NOT_NEEDED)
    }
    told: set[str] = set()
    for number, run in enumerate(runs):
        if run.done is not None or run.pack in told:
            continue
        told.add(run.pack)  # only the next one of each pack
        if (run.pack, run.rule) in ended or reached(turn.world, run):
            runs[number], changed = replace(run, done=now), True
    return replace(kept, runs=tuple(runs), moves=tuple(moves)) if changed else kept


def place_of(move: KeptMove) -> tuple[str, str]:
    """The pack and the station that it is to be put on."""
    return move.pack, move.station


def reached(world: World, run: KeptRun) -> bool:
    """Whether the pack's charge is where the run was to bring it."""
    soc = world.packs[run.pack].soc
    if not isinstance(soc, Known):
        return False
    near = min(REACHED, abs(run.level - run.target) / 2)
    missing = soc.value_at(world.now) - run.target
    return (missing if run.side == "load" else -missing) <= near


def _asked(world: World, kept: KeptPlan) -> Iterator[tuple[str, tuple[str, str]]]:
    """What it asks of people now: the key of each chore, the pack, and the words."""
    now = world.now
    for move in _next_moves(kept):
        if move.tell <= now and not _too_early(kept, move) and not _busy(world, move):
            yield move_key(move), (move.pack, move_words(world, move))
    for wish in kept.left_out:
        if wish.tell <= now and (wish.due is None or now < wish.due):
            yield _key_of_wish(wish), (wish.pack, wish_words(world, wish))


def _next_moves(kept: KeptPlan) -> Iterator[KeptMove]:
    """The next move of each pack, and of each station."""
    packs: set[str] = set()
    stations: set[str] = set()
    for move in kept.moves:
        if move.done is None and move.pack not in packs and move.station not in stations:
            yield move
        if move.done is None:
            packs.add(move.pack)
            stations.add(move.station)


def _too_early(kept: KeptPlan, move: KeptMove) -> bool:
    """Whether a run that was to be over by then, on the station or of the pack, is not."""
    return any(
        run.done is None and run.ends <= move.at and (run.pack == move.pack
                                                      or run.station == move.station)
        for run in kept.runs
    )  # fmt: skip


def _busy(world: World, move: KeptMove) -> bool:
    """Whether energy still moves on the station, or through the pack elsewhere."""
    places = {move.station, world.packs[move.pack].station}
    sites = world.setup.site.stations
    sockets = [sites[place].socket(side) for place in places if place for side in SIDES]
    return any(one is not None and _on(world, one.plug) for one in sockets)


def _on(world: World, name: str) -> bool:
    """Whether we have the plug on, or it says so itself: it may not have heard of our OFF yet, or
    not heed it."""
    state, plug = world.plugs[name], world.setup.site.plugs[name]
    return state.on_at is not None or bool(state.on) or (state.power_w or 0.0) > plug.off_w


def move_words(world: World, move: KeptMove) -> str:
    """What a person is to do, by when."""
    there = pack_on(world, move.station)
    off = f", in place of {there}" if there and there != move.pack else ""
    return f"by {world.local.show(move.at)}: put {move.pack} on {move.station}{off} (the plan)"


def wish_words(world: World, wish: KeptWish) -> str:
    """What cannot be had, and why."""
    verb = "drained" if wish.side == "load" else "charged"
    why = f" for {wish.use}" if wish.use else f" ({wish.rule})" if wish.rule else ""
    by = f" by {world.local.show(wish.due)}" if wish.due is not None else ""
    text = f"{wish.pack} will not be {verb} to {wish.target:g} %{by}{why}"
    return f"{text}: {wish.why}; of all that is wanted this is the cheapest to do without"


def move_key(move: KeptMove) -> str:
    """The key of the move's chore."""
    return f"{PLAN}{move.pack} on {move.station}"


def _key_of_wish(wish: KeptWish) -> str:
    return f"{PLAN}without {wish.pack} {wish.side} {wish.target:g}"


def _wish(wish: KeptWish) -> tuple[object, ...]:
    return wish.pack, wish.side, wish.target, wish.due, wish.rule, wish.use


def _bring_to(turn: Turn, asked: Mapping[str, tuple[str, str]]) -> None:
    for key in [key for key in turn.world.chores if key.startswith(PLAN) and key not in asked]:
        turn.close_chore(key)
    for key, (pack, text) in asked.items():
        turn.open_chore(key, pack, text)


def _chores_of_jobs(turn: Turn) -> None:
    """A job that waits for a place has its own words on the list, or the plan has."""
    for state in turn.world.packs.values():
        for job in state.jobs:
            if job.phase is not Phase.WAITING or not job.mend:
                continue
            if planned_mend(turn.world, job):
                turn.close_chore(job.id)
            else:
                turn.open_chore(job.id, job.pack, job.mend)
