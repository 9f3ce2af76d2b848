"""Rules that fired become jobs, and jobs go on: what is done now, and what is wanted.

Knows rules' states and jobs. Does not know safety's reasons or plugs' timers; what a job wants of
a station it hands on as an intent.
"""

from __future__ import annotations

from carerules.domain.action import (
    Action,
    Charge,
    Chore,
    Drain,
    Mark,
    Notify,
    Quarantine,
    Retire,
    Switch,
)
from carerules.domain.decision import (
    Ending,
    Fired,
    Intent,
    JobBegan,
    JobEnded,
    JobMoved,
    Notice,
)
from carerules.domain.moment import NEVER, SECOND, Moment
from carerules.domain.pack import Side
from carerules.domain.quantity import Truth
from carerules.engine import (
    Asking,
    Going,
    Instant,
    Job,
    Over,
    Phase,
    Step,
    add_energy,
    advance,
    owner,
    passed,
)
from carerules.loop.charging import counted_by_session
from carerules.loop.keeping import planned_mend
from carerules.loop.knowledge import bar, mark
from carerules.loop.saying import say
from carerules.loop.turn import Turn
from carerules.loop.view import view_of

BY_HAND = "(a person)"
"""In the place of a rule's name, for jobs that a person asked for; no rule can have it."""

LINES_MAX = 64
"""Lines of jobs gone through for one pack in one turn; a job has at most this many."""


def open_jobs(turn: Turn) -> None:
    """A job for each rule that fired in this turn."""
    fired, turn.fired = turn.fired, []
    for one in fired:
        rule, name = one.rule.rule, one.pack
        turn.decide(Fired(rule.name, one.rule.key, name, one.since, rule.because, one.why))
        _open_job(turn, Job(
            id=f"{name}-{turn.world.jobs_made + 1}", rule=rule.name, key=one.rule.key, pack=name,
            actions=rule.actions, fired_at=turn.world.now, over=rule.over,
            because=rule.because, since=turn.world.now, stop_key=rule.stop_key,
        ))  # fmt: skip


def open_wanted(turn: Turn) -> None:
    """A job for what a person has asked for in this turn; like any rule's, it moves nothing that
    the interlock does not permit."""
    wanted, turn.wanted = turn.wanted, None
    if wanted is None:
        return
    action = Drain(wanted.target) if wanted.goal == "storage" else Charge(wanted.target)
    # Who wants the one no longer wants the other.
    for old in turn.pack(wanted.pack).jobs:
        if old.rule == BY_HAND:
            end_job(turn, old, Ending.CANCELLED, "something else is wanted now")
    _open_job(turn, Job(
        id=f"{wanted.pack}-{turn.world.jobs_made + 1}", rule=BY_HAND, key=f"want {wanted.goal}",
        pack=wanted.pack, actions=(action,), fired_at=turn.world.now, since=turn.world.now,
        because=f"a person wants it for {wanted.goal}",
    ))  # fmt: skip


def _open_job(turn: Turn, job: Job) -> None:
    name = job.pack
    # A rule that fires again before its last job has ended starts over: one job a rule and pack.
    for old in turn.pack(name).jobs:
        if old.key == job.key:
            end_job(turn, old, Ending.CANCELLED, "its rule fired anew")
    turn.change(jobs_made=turn.world.jobs_made + 1)
    # Due at once: should this turn not come round to it, the next tick does.
    turn.set_pack(name, jobs=(*turn.pack(name).jobs, job), jobs_due=turn.world.now)
    turn.decide(JobBegan(job.id, job.rule, name, job.wording()))


def conduct(turn: Turn, name: str) -> Intent | None:
    """Take each of the pack's jobs as far as it goes now; what the one that has the pack wants."""
    intent: Intent | None = None
    due, jobs = NEVER, turn.pack(name).jobs
    had_it = _has_it(turn, name) if len(jobs) > 1 else ""
    for job in jobs:
        wanted, its_due = _carry_on(turn, job)
        intent = intent or wanted
        due = min(due, its_due)
    if had_it and _has_it(turn, name) not in ("", had_it):
        # Whoever has the pack now may have been looked at before that, and waits for it.
        due = min(due, turn.world.now + SECOND)
    if turn.pack(name).jobs_due != due:
        turn.set_pack(name, jobs_due=due)
    return intent


def _has_it(turn: Turn, name: str) -> str:
    """Which job has the pack; none: nothing."""
    state = turn.pack(name)
    found = owner(state.jobs, state.soc)
    return "" if found is None else found.id


def _carry_on(turn: Turn, job: Job) -> tuple[Intent | None, Moment]:
    for _ in range(LINES_MAX):
        before, view = job, view_of(turn, job)
        step = advance(job, view)
        _note_energy(turn, before, step)
        match step:
            case Going(after, intent, due):
                job = keep_job(turn, before, after)
                if due > turn.world.now:
                    return intent, due
                if after == before:  # nothing moved: looking again now would say the same
                    return intent, turn.world.now + SECOND
            case Asking(after, action, due):
                job = keep_job(turn, before, after)
                asked = say(action.text, turn.world, job.pack)
                turn.open_chore(job.id, job.pack, f"{asked} (`carerules answer {job.id} yes`)")
                return None, due
            case Instant(after, action):
                _do(turn, after, action)
                if isinstance(action, Notify) and action.again is not None:
                    job = keep_job(turn, before, after)
                    return None, after.since + action.again
                following = passed(after, turn.world.now)
                if following is None:
                    end_job(turn, after, Ending.DONE, "every line is done")
                    return None, NEVER
                job = keep_job(turn, before, following)
            case Over(after, ending, why):
                end_job(turn, after, ending, why)
                return None, NEVER
    return None, turn.world.now + SECOND


def _note_energy(turn: Turn, before: Job, step: Step) -> None:
    """What our own load or charger did to the pack counts like what people do: `charge`, `drain`.
    A charge that its plug meters is counted once, by whoever comes to its end first."""
    if before.side is None or not before.rounds:
        return
    if before.side is Side.CHARGER and counted_by_session(turn, before.pack):
        return
    done = isinstance(step, Over) and step.ending is Ending.DONE
    if done or (isinstance(step, Going) and step.job.line != before.line):
        mark(turn, before.pack, before.side.verb, f"rule {before.rule}")


def keep_job(turn: Turn, before: Job, after: Job) -> Job:
    """Put the job back in its place, and say where it went if it moved."""
    if after is before or after == before:
        return after
    jobs = tuple(after if job.id == after.id else job for job in turn.pack(after.pack).jobs)
    turn.set_pack(after.pack, jobs=jobs)
    if (before.line, before.phase, _topic(before)) != (after.line, after.phase, _topic(after)):
        phase = after.phase.value
        turn.decide(JobMoved(after.id, after.pack, after.wording(), phase, after.why))
    if after.phase is Phase.WAITING and after.mend and not planned_mend(turn.world, after):
        turn.open_chore(after.id, after.pack, after.mend)
    elif after.phase is not Phase.ASKING:
        turn.close_chore(after.id)
    return after


def _topic(job: Job) -> str:
    """What it waits for. The figures behind the colon change with each sample, and are no news."""
    return job.why.partition(": ")[0]


def end_job(turn: Turn, job: Job, ending: Ending, why: str) -> None:
    """Take the job off its pack, and say what it came to."""
    name = job.pack
    turn.set_pack(name, jobs=tuple(one for one in turn.pack(name).jobs if one.id != job.id))
    turn.close_chore(job.id)
    # A run that this very end breaks off is credited to nobody later.
    plugs = turn.world.plugs.values()
    running = sum(plug.energy_wh for plug in plugs if plug.on_at is not None and plug.job == job.id)
    turn.decide(JobEnded(job.id, job.rule, name, ending, why, job.energy_wh + running))
    if ending in (Ending.FAILED, Ending.REFUSED):
        text = f"{name}: {job.wording()} ended: {why}"
        turn.decide(Notice(f"job {job.id}", text, name, urgent=ending is Ending.FAILED))


def _do(turn: Turn, job: Job, action: Action) -> None:
    """One instant line."""
    name = job.pack
    match action:
        case Notify(text, urgent, again, to):
            key = f"{_key_of_rule(name, job.key)}{job.line}"
            words = say(text, turn.world, name)
            turn.decide(Notice(key, words, name, urgent, to, again=again is not None))
        case Chore(text):
            key = f"{_key_of_rule(name, job.key)}{job.line}"
            turn.open_chore(key, name, say(text, turn.world, name))
        case Mark(event):
            mark(turn, name, event, f"rule {job.rule}")
        case Switch(side, None):
            for other in turn.pack(name).jobs:
                if other.id != job.id and other.side is side:
                    end_job(turn, other, Ending.CANCELLED, f"rule {job.rule} switches it off")
        case Quarantine():
            bar(turn, name, job.because or f"rule {job.rule}", retired=False)
        case Retire(because):
            why = say(because, turn.world, name) or job.because or f"rule {job.rule}"
            bar(turn, name, why, retired=True)
            turn.open_chore(f"{name} retired", name, f"retire {name}: {why}")
        case _:
            raise AssertionError(f"{action} is not done by saying so")


def _key_of_rule(name: str, key: str) -> str:
    """How the keys begin of all that the rule of this key puts on the list, or tells, of a pack."""
    return f"{name} {key} "


def close_told_chores(turn: Turn, name: str) -> None:
    """A chore that a rule put on the list goes when the rule is no longer true."""
    owned = [key for key, chore in turn.world.chores.items() if chore.pack == name]
    if not owned:
        return
    over = [state.key for state in turn.pack(name).rules if state.truth is Truth.NO]
    begun = tuple(_key_of_rule(name, key) for key in over)
    for key in owned:
        if key.startswith(begun):
            turn.close_chore(key)


def credit(turn: Turn, job_id: str, energy_wh: float) -> None:
    """The job, if it is still there, has moved so much in one ON."""
    for state in turn.world.packs.values():
        for job in state.jobs:
            if job.id == job_id:
                keep_job(turn, job, add_energy(job, energy_wh))
                return
