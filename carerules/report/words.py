"""Each thing that was decided, as a sentence for a person.

Knows every kind of event and outcome. Does not know where the sentence is printed. Housekeeping
(a renewal, a request for a report, a repeated OFF) has no sentence.
"""

from __future__ import annotations

from typing import Literal, TypeAlias, assert_never

from carerules.domain.decision import (
    AskPlug,
    ChoreClosed,
    ChoreOpened,
    Ending,
    Fired,
    JobBegan,
    JobEnded,
    JobMoved,
    LeftOut,
    Marked,
    Notice,
    OffProven,
    Outcome,
    PackBarred,
    StationLocked,
    SwitchOff,
    SwitchOn,
    Veto,
)
from carerules.domain.event import (
    BESIDE,
    Acknowledged,
    Answered,
    Attended,
    Cancelled,
    ChannelProved,
    ChoreAnswered,
    ClockSet,
    Ended,
    Event,
    Happened,
    Placed,
    PlanDropped,
    PlanKept,
    PlugLink,
    PlugReport,
    Proved,
    Rejected,
    Released,
    Sample,
    SiteSample,
    Started,
    Stopped,
    Tick,
    UseDropped,
    UsePlanned,
    Wanted,
)
from carerules.domain.frozen import guarded
from carerules.domain.moment import LocalTime, show_duration

Tone: TypeAlias = Literal["seen", "decided", "done", "tell", "alarm"]


@guarded
class Line:
    """One sentence: its tone, whom it is about (or nothing), and the words."""

    tone: Tone
    about: str
    text: str


def wish(rule: str) -> str:
    """Whose wish a job is: a rule's, or a person's (`carerules want`), whose name stands in
    brackets in the shapes, as no rule's can."""
    return f"{rule.strip('()')}'s wish" if rule.startswith("(") else f"rule {rule}"


def line_of(outcome: Outcome) -> Line | None:
    """The outcome as a sentence; None: it is housekeeping."""
    match outcome:
        case Fired(rule, _, pack, _, because, reasons):
            why = f": {because}" if because else ""
            found = f" ({'; '.join(reasons)})" if reasons else ""  # none of a clock time alone
            return Line("decided", pack, f"rule {rule} fires{found}{why}")
        case JobBegan(_, _, _, "chore" | "notify"):  # done at once, and said there in its words
            return None
        case JobBegan(_, _, pack, line):
            return Line("decided", pack, f"to do: {line}")
        case JobMoved(_, pack, line, phase, why):
            if phase == "ready":
                return None
            return Line("decided", pack, f"{line}: {phase}" + (f", {why}" if why else ""))
        case JobEnded(_, rule, pack, ending, why, energy_wh):
            moved = f" ({energy_wh:.0f} Wh moved)" if energy_wh >= 0.5 else ""
            tone: Tone = "alarm" if ending is Ending.FAILED else "done"
            return Line(tone, pack, f"{wish(rule)}, {ending.value}: {why}{moved}")
        case Veto(_, pack, station, interlock, _, _):
            return Line("decided", pack, f"not on {station} ({interlock}): {outcome.show()}")
        case SwitchOn(plug, lease_s, _, _, renewal):
            if renewal:
                return None
            timer = f", off by its own timer after {lease_s} s without word" if lease_s else ""
            return Line("done", "", f"{plug} on{timer}")
        case SwitchOff(plug, because, again):
            return None if again else Line("done", "", f"{plug} off: {because}")
        case OffProven(plug, took):
            return Line("done", "", f"{plug} read back off after {show_duration(took)}")
        case StationLocked(station, why):
            return Line("alarm", "", f"station {station} is locked: {why}")
        case Notice(key, text, pack, urgent, to):
            if key.startswith("chore "):  # the chore itself has been said
                return None
            over = f" (to {to})" if to else ""
            return Line("alarm" if urgent else "tell", pack, text + over)
        case ChoreOpened(_, pack, text):
            return Line("tell", pack, f"for you: {text}")
        case Marked(pack, event):
            return Line("done", pack, f"marked: {event}")
        case PackBarred(pack, retired, why):
            word = "retired" if retired else "quarantined"
            return Line("alarm", pack, f"{word}: {why}")
        case LeftOut(pack, late, source):
            return Line(
                "seen", pack, f"a sample of {source} came {show_duration(late)} late: left out"
            )
        case AskPlug() | ChoreClosed():
            return None
        case _:
            assert_never(outcome)


Entry: TypeAlias = (
    Happened | Placed | UsePlanned | UseDropped | Attended | Answered
    | Wanted | Cancelled | Released | Stopped | Acknowledged | ChoreAnswered
    | PlanKept | PlanDropped
)  # fmt: skip
"""What a person said, or a calendar for them."""


def said(event: Event, local: LocalTime) -> Line | None:
    """A person's or the site's event as a sentence; None: samples, reports and the time."""
    match event:
        case Started(_, _, down):
            missed = f" after {show_duration(down)} with nobody listening" if down else ""
            return Line("done", "", f"started{missed}: everything off first")
        case Ended():
            return Line("done", "", "leaving: everything off")
        case ClockSet(_, _, asleep):
            slept = f"nobody listened for {show_duration(asleep)}, by sleep or a hang"
            return Line("seen", "", slept if asleep else "the wall clock was set")
        case PlugLink(_, plug, up):
            return Line(
                "seen", "", f"plug {plug} {'can be reached' if up else 'cannot be reached'}"
            )
        case Proved(_, plug, _, holds, why, _):
            if holds:
                return Line("done", "", f"plug {plug} proved: {why}")
            return Line("alarm", "", f"plug {plug} did not hold when it was put to the test: {why}")
        case Rejected(_, origin, why) if origin == BESIDE:
            return Line("seen", "", f"a person's `{origin}` {why}")
        case Rejected(_, origin, why):
            return Line("seen", "", f"refused from {origin}: {why}")
        case Tick() | Sample() | SiteSample() | PlugReport() | ChannelProved():
            return None
        case (
            Happened() | Placed() | UsePlanned() | UseDropped() | Attended() | Answered()
            | Wanted() | Cancelled() | Released() | Stopped() | Acknowledged() | ChoreAnswered()
            | PlanKept() | PlanDropped()
        ):  # fmt: skip
            return _entry(event, local)
        case _:
            assert_never(event)


def _entry(event: Entry, local: LocalTime) -> Line:
    match event:
        case Happened(_, at, pack, what, source):
            return Line("seen", pack, f"{what} at {local.show(at)} ({source})")
        case Placed(_, pack, station):
            where = f"on station {station}" if station else "on no station"
            return Line("seen", pack, where)
        case UsePlanned(_, use):
            packs = ", ".join(sorted(use.packs))
            by = f", by calendar {use.calendar}" if use.calendar else ""
            text = f"use planned: {use.name}, {local.show(use.start)} ({packs}){by}"
            return Line("seen", "", text)
        case UseDropped(_, name):
            return Line("seen", "", f"use called off: {name}")
        case Attended(_, until):
            return Line("seen", "", f"somebody is there until {local.show(until)}")
        case Answered(_, job, yes):
            return Line("seen", "", f"job {job}: {'yes' if yes else 'no'}")
        case Wanted(_, pack, goal, target):
            return Line("seen", pack, f"a person wants {pack} for {goal}, at {target:g} %")
        case Cancelled(_, job):
            return Line("seen", "", f"job {job} called off")
        case Released(_, what):
            return Line("seen", "", f"{what} released by a person")
        case Stopped(_, by):
            return Line("alarm", "", f"everything stopped ({by})")
        case Acknowledged(_, _, text, until):
            how = "seen" if until is None else f"held back until {local.show(until)}"
            return Line("seen", "", f"notice {how}: {text}")
        case ChoreAnswered(_, _, text, until):
            how = "done" if until is None else f"not before {local.show(until)}"
            return Line("seen", "", f"chore {how}: {text}")
        case PlanKept(_, plan):
            why = f", because {plan.because[0]}" if plan.because else ""
            kept = f"a plan to {local.show(plan.ends)} is kept by {plan.by}{why}"
            return Line("seen", "", f"{kept}; moves by hand: {len(plan.moves) or 'none'}")
        case PlanDropped():
            return Line("seen", "", "the plan is kept no more")
        case _:
            assert_never(event)
