"""What must hold of a night, however often it was killed: read from its log and its journal."""

from __future__ import annotations

import json
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from carerules.adapters import SqliteJournal, load_outcome
from carerules.domain.decision import (
    ChoreClosed,
    ChoreOpened,
    Fired,
    JobBegan,
    JobEnded,
    Notice,
    OffProven,
    Outcome,
    SwitchOff,
    SwitchOn,
)
from carerules.domain.event import Event, Happened, Sample, Started
from carerules.domain.moment import MINUTE, SECOND, Duration

PLUGS = ("A-load",)
NIGHT = 12 * MINUTE
"""A start, an entry, two rules that count, a drain with its renewals, a chore, a snapshot, an end:
every kind of write that the journal knows."""
DOWN = 7 * SECOND
"""Between a death and the next start."""
FOR = {"warm": 5 * MINUTE, "look": 4 * MINUTE}
"""The rules that count from the first sample on."""
START_WITHIN = 10 * SECOND
"""SAFETY 5: by then every plug that answers has been brought off, and rules run."""


@dataclass(frozen=True)
class Word:
    """One line of the log. `how`: `perform` is on the wire, `told` reached people; `durable`: what
    was told was to be in the journal by then. `fails`: from here on the disk does; `faulted`: the
    service has noticed, in these words."""

    how: str
    outcome: Outcome | None = None
    durable: bool = False
    closed: tuple[str, ...] = ()
    text: str = ""


def lives_of(folder: Path) -> list[list[Word]]:
    """What each life said, in order."""
    lives: list[list[Word]] = []
    for line in (folder / "log").read_text().splitlines():
        match json.loads(line):
            case ["life", _]:
                lives.append([])
            case ["perform", _, kind, body]:
                lives[-1].append(Word("perform", load_outcome(kind, body)))
            case ["told", _, durable, kind, body]:
                lives[-1].append(Word("told", load_outcome(kind, body), durable))
            case ["end", closed]:
                lives[-1].append(Word("end", closed=tuple(closed)))
            case ["entered"]:
                pass
            case ["list", keys]:
                lives[-1].append(Word("list", text=" | ".join(keys)))
            case ["fails"]:
                lives[-1].append(Word("fails"))
            case [("faulted" | "refused") as how, text]:
                lives[-1].append(Word(how, text=text))
            case other:
                raise AssertionError(other)
    return lives


def wrong(folder: Path, away: Duration) -> list[str]:
    """Every promise that was not kept, in words; `away`: so long nobody was there, at most."""
    lives = lives_of(folder)
    found = [one for life in lives for one in off_first(life)]
    with closing(SqliteJournal.open(folder / "state" / "journal.db", owner=True)) as journal:
        kept = [outcome for _, outcome in journal.outcomes()]
        events = [event for _, event in journal.events()]
        answers = journal._database.execute("SELECT answer FROM entries").fetchall()
        check = journal._database.execute("PRAGMA integrity_check").fetchone()[0]
    if check != "ok":
        found.append(f"the journal does not hold: {check}")
    found += nothing_lost(lives, kept)
    found += once(kept, events, answers)
    found += list_kept(lives[-1], kept)
    if lives[-1][-1] != Word("end"):
        found.append(f"the night ended with {lives[-1][-1]}")
    return found + counted(folder, away)


def counted(folder: Path, away: Duration) -> list[str]:
    """`for` counts from the first sample that the journal has, over any number of deaths.

    A sample on which nothing was decided may wait for a second before it is durable: one that died
    with the service was told to nobody. What falls due while nobody is there, or while plugs are
    brought off, comes when that is over; never before its time.
    """
    with closing(SqliteJournal.open(folder / "state" / "journal.db", owner=False)) as journal:
        events = dict(journal.events())
        fired = {
            outcome.rule: events[seq].heard for seq, outcome in journal.outcomes()
            if isinstance(outcome, Fired)
        }  # fmt: skip
    seen = next((event.heard for event in events.values() if isinstance(event, Sample)), None)
    if seen is None:
        return ["no sample is in the journal"]
    starts = [event.heard for event in events.values() if isinstance(event, Started)]
    found = []
    for rule, length in FOR.items():
        first = last = seen + length
        for start in starts:
            # A start that died before it was durable has left no word of itself.
            if start - away - SECOND <= last <= start + START_WITHIN:
                last = start + START_WITHIN
        at = fired.get(rule, 0)
        if not first <= at <= last:
            found.append(f"{rule} came {(at - first) / SECOND} s late, at most "
                         f"{(last - first) / SECOND} s is explained")  # fmt: skip
    return found


def off_first(life: list[Word]) -> list[str]:
    """SAFETY 5: a life begins with OFF; nothing goes on and no rule runs before it is proved."""
    found: list[str] = []
    unproved = set(PLUGS)
    if life and life[0].how == "perform" and not isinstance(life[0].outcome, SwitchOff):
        found.append(f"a life began with {life[0].outcome}")
    for word in life:
        match word.outcome:
            case OffProven(plug):
                unproved.discard(plug)
            case SwitchOn() | Fired() | JobBegan() | JobEnded() | ChoreOpened() | Notice():
                if unproved:
                    found.append(f"{word.outcome} while {sorted(unproved)} was not read back off")
            case _:
                pass
    return found


def nothing_lost(lives: list[list[Word]], kept: list[Outcome]) -> list[str]:
    """What people or a plug were told to rely on is in the journal: it was durable before."""
    have = Counter(kept)
    words = [word for life in lives for word in life]
    told = Counter(word.outcome for word in words if word.how == "told" and word.durable)
    found = [f"told and lost: {one}" for one, times in told.items() if have[one] < times]
    on = Counter(
        word.outcome for word in words
        if word.how == "perform" and isinstance(word.outcome, SwitchOn) and not word.outcome.renewal
    )  # fmt: skip
    return found + [f"ON without a durable intent: {one}" for one, n in on.items() if have[one] < n]


def once(kept: list[Outcome], events: list[Event], answers: list[tuple[str | None]]) -> list[str]:
    """Nothing is forgotten, and nothing happens a second time because somebody died."""
    found: list[str] = []
    rules = Counter(one.rule for one in kept if isinstance(one, Fired))
    for rule in ("too-full", "look", "warm", "written-down"):
        if rules[rule] != 1:
            found.append(f"{rule} fired {rules[rule]} times")
    said = Counter(one.text for one in kept if isinstance(one, Notice))
    for text in ("warm", "it was calibrated", "look at heron"):
        if said[text] != 1:
            found.append(f"`{text}` was told {said[text]} times")
    for kind in (JobBegan, JobEnded):
        jobs = Counter(one.job for one in kept if isinstance(one, kind))
        found += [f"{job}: {n} times {kind.__name__}" for job, n in jobs.items() if n > 1]
    chores = sum(isinstance(one, ChoreOpened) for one in kept)
    if chores != 1:
        found.append(f"{chores} chores were opened")
    facts = sum(isinstance(one, Happened) and one.what == "calibration" for one in events)
    if facts != 1 or len(answers) != 1 or answers[0][0] is None:
        found.append(f"one entry became {facts} facts, and was answered {answers}")
    return found


def list_kept(last: list[Word], kept: list[Outcome]) -> list[str]:
    """What was put on the to-do list is on it at the night's end, unless it was taken off."""
    wanted: dict[str, None] = {}
    for one in kept:
        if isinstance(one, ChoreOpened):
            wanted[one.key] = None
        elif isinstance(one, ChoreClosed):
            wanted.pop(one.key, None)
    there = [word.text for word in last if word.how == "list"]
    if there != [" | ".join(sorted(wanted))]:
        return [f"on the list: {there}, wanted {sorted(wanted)}"]
    return []


def failed(folder: Path) -> list[str]:
    """What did not hold of a life whose disk began to fail: off, told, and still to be read."""
    life = lives_of(folder)[0]
    at = next((number for number, word in enumerate(life) if word.how == "fails"), None)
    if at is None:
        return ["its disk did not fail"]
    if [word.how for word in life[at + 1 :] if word.how != "list"] == ["end"]:
        return []  # everything was off, and nothing was left to be written
    found = [
        f"{word.outcome} after the disk failed"
        for word in life[at:] if word.how == "perform" and isinstance(word.outcome, SwitchOn)
    ]  # fmt: skip
    told = [word.text for word in life[at:] if word.how in ("faulted", "refused")]
    if not told or not any(why in told[0] for why in ("the disk", "cannot be written")):
        found.append(f"it was told: {told[:1]}")
    refused = any(word.how == "refused" for word in life)
    offs = [word for word in life[at:] if isinstance(word.outcome, SwitchOff)]
    if not refused and not offs:
        found.append("nothing was switched off")
    if life[-1] != Word("end"):
        found.append(f"it ended with {life[-1]}")
    if not refused:
        with closing(SqliteJournal.open(folder / "state" / "journal.db", owner=False)) as journal:
            if not any(isinstance(event, Started) for _, event in journal.events()):
                # Only where the very first commit was the one that failed.
                kept = [word for word in life[:at] if word.durable]
                found += [f"told and not to be read: {word.outcome}" for word in kept]
    return found
