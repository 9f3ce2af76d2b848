"""Whether a scenario came out as expected, line by line, and what happened meanwhile.

Knows what was decided on the bench. Does not know how it is shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from carerules.battery import Chemistry
from carerules.domain.action import Action
from carerules.domain.decision import (
    ChoreOpened,
    Fired,
    JobBegan,
    JobMoved,
    Marked,
    Notice,
    PackBarred,
    Veto,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import MINUTE
from carerules.domain.plan import Plan
from carerules.domain.scenario import (
    At,
    Expectation,
    ExpectJob,
    ExpectNothing,
    ExpectRefusal,
    Scenario,
)
from carerules.domain.signal import Catalogue
from carerules.engine import Phase, line_wording
from carerules.loop import unread_key
from carerules.sim.trial import STEPS_MAX, Bench, Happening, bench_of, moment_of


@guarded
class Checked:
    """One expectation: its words, whether it came out, and what happened instead."""

    line: At
    words: str
    ok: bool
    instead: tuple[str, ...] = ()


@guarded
class Verdict:
    """A scenario played to its end."""

    scenario: Scenario
    checks: tuple[Checked, ...]
    problem: str = ""

    @property
    def ok(self) -> bool:
        """Whether everything came out as expected."""
        return not self.problem and all(check.ok for check in self.checks)


class Watcher:
    """Told of each moment at which a scenario looks on; for coverage."""

    def look(self, bench: Bench) -> None:
        """Look at the bench as it stands."""


def play(
    scenario: Scenario,
    plan: Plan,
    signals: Catalogue,
    chemistries: Mapping[str, Chemistry],
    watcher: Watcher | None = None,
) -> Verdict:
    """Play a scenario through the real loop. Deterministic: no clock, no chance."""
    missing = {one.chemistry for one in scenario.packs} - set(chemistries)
    if missing:
        return Verdict(scenario, (), f"there is no chemistry `{sorted(missing)[0]}`")
    bench = bench_of(scenario, plan, signals, chemistries)
    seen = len(bench.happened)  # the first line looks back to the start, what is given and all
    for time, change in sorted(scenario.given, key=lambda one: one[0]):
        bench.go_to(moment_of(time))
        bench.change(change)
    checks: list[Checked] = []
    for line in scenario.lines:
        if watcher is not None:
            watcher.look(bench)
        bench.go_to(moment_of(line.time))
        for change in line.changes:
            bench.change(change)
        if watcher is not None:
            watcher.look(bench)
        since = bench.happened[seen:]
        for expect in line.expects:
            checks.append(_check(line, expect, since, bench))
        if line.expects:
            seen = len(bench.happened)
    problem = bench.refused[0] if bench.refused else ""
    if bench.steps >= STEPS_MAX:
        problem = f"it did not end within {STEPS_MAX} steps"
    return Verdict(scenario, tuple(checks), problem)


def _check(line: At, expect: Expectation, since: Sequence[Happening], bench: Bench) -> Checked:
    ok = _came_true(expect, since, bench)
    words = expectation_words(expect)
    return Checked(line, words, ok, () if ok else tuple(_diary(since, bench)))


def _came_true(expect: Expectation, since: Sequence[Happening], bench: Bench) -> bool:
    outcomes = [one.outcome for one in since]
    match expect:
        case ExpectNothing(pack):
            return not any(isinstance(one, Fired) and pack in (None, one.pack) for one in outcomes)
        case ExpectRefusal(pack, action):
            jobs = {job for job, words in _begun(since, pack) if words.startswith(action)}
            return any(
                isinstance(one.outcome, Veto) and one.outcome.job in jobs and _stood(one, since)
                for one in since
            )
        case ExpectJob(pack, action, rule, absent):
            done = any(
                rule in (None, its_rule) and _fits(action, words)
                for its_rule, words in _done(since, pack, bench)
            )
            return done is not absent


def _stood(veto: Happening, since: Sequence[Happening]) -> bool:
    """Whether a refusal was one: the bench tells readings only once they are wanted, so that each
    job is refused for an instant for want of them, and then goes on."""
    assert isinstance(veto.outcome, Veto)
    return not any(
        isinstance(one.outcome, JobMoved)
        and one.outcome.job == veto.outcome.job
        and one.outcome.phase == Phase.MOVING.value
        and 0 <= one.at - veto.at < MINUTE
        for one in since
    )


def _fits(action: Action | str, words: str) -> bool:
    if isinstance(action, str):
        return words == action or words.startswith(f"{action} ")
    return words == line_wording(action)


def _begun(since: Sequence[Happening], pack: str) -> list[tuple[str, str]]:
    """Jobs of the pack and the words of each line that they came to."""
    found: list[tuple[str, str]] = []
    for one in since:
        match one.outcome:
            case JobBegan(job, _, name, words) | JobMoved(job, name, words, _, _) if name == pack:
                found.append((job, words))
            case _:
                pass
    return found


def _done(since: Sequence[Happening], pack: str, bench: Bench) -> list[tuple[str, str]]:
    """By rule: lines begun that have the pack (not those that stand behind another rule), and what
    was told, listed, marked and barred."""
    behind = {
        job.id for job in bench.world.packs[pack].jobs if job.why.startswith("waits for rule")
    }
    by_key = {rule.key: rule.rule.name for rule in bench.world.setup.bound[pack].rules}
    found = [(bench.rules[job], words) for job, words in _begun(since, pack) if job not in behind]
    last = ""
    for one in since:
        match one.outcome:
            case JobBegan(job, _, name) if name == pack:
                last = bench.rules[job]
            case Notice(key, _, name) if name == pack and _key_of(key) in by_key:
                found.append((by_key[_key_of(key)], "notify"))
            case ChoreOpened(key, name, _) if name == pack and _key_of(key) in by_key:
                found.append((by_key[_key_of(key)], "chore"))
            case ChoreOpened(key, name, _) if key == unread_key(name):
                pass  # nobody reads the pack: no rule's doing
            case ChoreOpened(key, name, _) if name == pack and key in bench.world.chores:
                # What a job waits for, if it still does: an ideal bench mends much by itself.
                found.append((bench.rules.get(key, ""), "chore"))
            case Marked(name, event) if name == pack:
                found.append((last, f"mark {event}"))
            case PackBarred(name, retired, _) if name == pack:
                found.append((last, "retire" if retired else "quarantine"))
            case _:
                pass
    return found


def _key_of(key: str) -> str:
    """The rule's key in `PACK KEY LINE`, which is what its notices and chores go by."""
    words = key.split(" ")
    return words[1] if len(words) == 3 else ""


def expectation_words(expect: Expectation) -> str:
    """The expectation as it is written."""
    match expect:
        case ExpectNothing(pack):
            return "expect nothing" + (f" of {pack}" if pack else "")
        case ExpectRefusal(pack, action):
            return f"expect {pack} {action} refused"
        case ExpectJob(pack, action, rule, absent):
            words = action if isinstance(action, str) else line_wording(action)
            words = f"no {words}" if absent else words
            return f"expect {pack} {words}" + (f" by {rule}" if rule else "")


def _diary(since: Sequence[Happening], bench: Bench) -> list[str]:
    """What happened since the last line, for a failure: at most a screenful."""
    lines: list[str] = []
    for one in since:
        match one.outcome:
            case Fired(rule, _, pack, _, _, reasons):
                found = f" ({'; '.join(reasons)})" if reasons else ""
                words = f"{pack}: rule {rule} fires{found}"
            case JobBegan(_, rule, pack, line):
                words = f"{pack}: {line} (rule {rule})"
            case JobMoved(_, pack, line, phase, why) if phase != "ready":
                words = f"{pack}: {line}: {phase}" + (f", {why}" if why else "")
            case Veto(_, pack) as veto:
                words = f"{pack}: refused ({veto.interlock}): {veto.show()}"
            case Notice(_, text, pack):
                words = f"{pack}: {text}"
            case _:
                continue
        lines.append(f"{bench.world.local.read(one.at):%a %H:%M}  {words}")
    return lines[-DIARY_LINES_MAX:]


DIARY_LINES_MAX = 12
