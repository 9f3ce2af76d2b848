"""The lease on one plug: ON from a proved off only and by renewal, OFF until it is read back.

The constants are the safety contract's (1, 2, 4): lease 90 s renewed each 20 s, permit at most 2 s
old, OFF again each 5 s, alarm at 30 s, silence at most a minute.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from benchkit import LOAD, NOW, OFF, on

from carerules.domain.decision import AskPlug, OffProven, SwitchOff, SwitchOn
from carerules.domain.event import PlugReport
from carerules.domain.moment import HOUR, MINUTE, NEVER, SECOND
from carerules.domain.pack import Plug
from carerules.safety import (
    Permit,
    PlugState,
    astray,
    due,
    fault,
    hear,
    link,
    off_overdue,
    stray_again,
    unknown_plug,
    want_off,
    want_on,
)  # fmt: skip
from carerules.safety.lease import OFF_TRIES_QUICK

UNMETERED = replace(LOAD, metered=False)
HIDDEN = replace(LOAD, timer_shown=False)
NO_TIMER = replace(LOAD, lease_s=None)
SEEKING = replace(
    OFF, off_at=NOW - 2 * SECOND, said_at=NOW - 2 * SECOND, off_tries=1, on=True,
    on_heard=NOW - 3 * SECOND, power_w=60.0, power_heard=NOW - 3 * SECOND, off_because="because",
)  # fmt: skip


def permit(age: int = 0) -> Permit:
    return Permit("job", NOW - age)


def words(commands: list[Any]) -> list[str]:
    return [type(one).__name__ for one in commands]


# ---- ON --------------------------------------------------------------------------------------


def test_the_first_on_begins_a_run() -> None:
    before = replace(OFF, energy_wh=7.0, confirmed=True)
    state, commands = want_on(before, LOAD, permit(), NOW)
    assert commands == [SwitchOn("load", 90, "job", NOW, renewal=False)]
    assert (state.on_at, state.said_at, state.job) == (NOW, NOW, "job")
    assert (state.energy_wh, state.confirmed, state.asked_at) == (0.0, False, NOW)
    assert not state.proven_off


def test_a_plug_without_a_timer_is_given_none() -> None:
    _, commands = want_on(OFF, NO_TIMER, permit(), NOW)
    assert commands == [SwitchOn("load", None, "job", NOW, renewal=False)]


@pytest.mark.parametrize(
    "state",
    [unknown_plug(LOAD, NOW), SEEKING, replace(OFF, off_at=0, off_tries=3)],
    ids=["never heard", "being brought off", "not proved"],
)
def test_on_only_from_a_proved_off(state: PlugState) -> None:
    with pytest.raises(AssertionError):
        want_on(state, LOAD, permit(), NOW)


@pytest.mark.parametrize(("age", "allowed"), [(2 * SECOND, True), (2 * SECOND + 1, False)])
def test_a_permit_perishes(age: int, allowed: bool) -> None:
    for state in (OFF, on()):
        if allowed:
            want_on(state, LOAD, permit(age), NOW)
        else:
            with pytest.raises(AssertionError):
                want_on(state, LOAD, permit(age), NOW)


# (what, state, commands)
ON_TABLE = [
    ("said 5 s ago, heard a second ago", on(), []),
    ("said 1 ms less than 20 s ago", on(said_at=NOW - 20 * SECOND + 1), []),
    ("said 20 s ago", on(said_at=NOW - 20 * SECOND), ["SwitchOn"]),
    ("power 1 ms less than 10 s old", on(power_heard=NOW - 10 * SECOND + 1), []),
    ("power 10 s old", on(power_heard=NOW - 10 * SECOND), ["AskPlug"]),
    ("asked a moment ago", on(power_heard=NOW - MINUTE, asked_at=NOW - SECOND), []),
    ("both", on(said_at=NOW - MINUTE, power_heard=NOW - MINUTE), ["SwitchOn", "AskPlug"]),
]


@pytest.mark.parametrize(("what", "state", "wanted"), ON_TABLE, ids=[row[0] for row in ON_TABLE])
def test_renewal(what: str, state: PlugState, wanted: list[str]) -> None:
    after, commands = want_on(state, LOAD, permit(SECOND), NOW)
    assert words(commands) == wanted
    for command in commands:
        if isinstance(command, SwitchOn):
            assert command == SwitchOn("load", 90, "job", NOW - SECOND, renewal=True)
            assert after.said_at == NOW
        else:
            assert command == AskPlug("load")
            assert after.asked_at == NOW
    assert after.on_at == state.on_at
    assert want_on(after, LOAD, permit(), NOW)[1] == []


# ---- OFF -------------------------------------------------------------------------------------


def report(heard: int = NOW, **said: Any) -> PlugReport:
    return PlugReport(heard, "load", said.pop("on", None), **said)


def test_off_is_said_at_once() -> None:
    state, commands = want_off(on(), LOAD, "because", NOW)
    assert commands == [SwitchOff("load", "because")]
    assert (state.on_at, state.off_at, state.off_tries) == (None, NOW, 1)
    assert (state.said_at, state.off_because, state.alarmed) == (NOW, "because", False)
    assert state.asked_at == NOW
    assert not state.proven_off
    assert want_off(state, LOAD, "because", NOW) == (state, [])


def test_a_new_off_is_alarmed_anew() -> None:
    state, _ = want_off(on(alarmed=True, off_tries=9), LOAD, "because", NOW)
    assert (state.alarmed, state.off_tries) == (False, 1)


def test_a_plug_of_which_nothing_is_known_is_brought_off() -> None:
    assert unknown_plug(LOAD, NOW).name == "load"
    state, commands = want_off(unknown_plug(LOAD, NOW), LOAD, "whatever", NOW)
    assert commands == [SwitchOff("load", "at the start", 0), AskPlug("load")]
    assert state.off_tries == 1


def test_nothing_is_said_to_a_plug_that_is_proved_off() -> None:
    assert want_off(OFF, LOAD, "because", NOW) == (OFF, [])


# (what, heard after the first OFF, the plug, proved)
PROOF = [
    ("nothing", [], LOAD, False),
    ("off and no power", [report(on=False, power_w=0.0)], LOAD, True),
    ("off and 1 W, its threshold", [report(on=False, power_w=1.0)], LOAD, True),
    ("off and a little more", [report(on=False, power_w=1.01)], LOAD, False),
    ("off, power not said", [report(on=False)], LOAD, False),
    ("off and nothing, where half a watt is some",
     [report(on=False, power_w=0.0)], replace(LOAD, off_w=0.5), True),
    ("power, relay not said", [report(power_w=0.0)], LOAD, False),
    ("one after the other", [report(NOW - 1, on=False), report(power_w=0.0)], LOAD, True),
    ("still on", [report(on=True, power_w=0.0)], LOAD, False),
    ("off, then on", [report(NOW - 1, on=False, power_w=0.0), report(on=True)], LOAD, False),
    ("heard at the very moment of the word", [report(NOW - 2 * SECOND, on=False, power_w=0.0)],
     LOAD, False),
    ("off before, power after",
     [report(NOW - 2 * SECOND, on=False), report(power_w=0.0)], LOAD, False),
    ("power before, off after",
     [report(NOW - 2 * SECOND, power_w=0.0), report(on=False)], LOAD, False),
    ("no meter", [report(on=False)], UNMETERED, True),
    ("no meter, still on", [report(on=True)], UNMETERED, False),
]  # fmt: skip


@pytest.mark.parametrize(("what", "heard", "plug", "proved"), PROOF, ids=[row[0] for row in PROOF])
def test_what_proves_off(what: str, heard: list[PlugReport], plug: Plug, proved: bool) -> None:
    state = SEEKING
    for one in heard:
        state = hear(state, one)
    state, said = want_off(state, plug, "because", NOW)
    assert said == ([OffProven("load", 2 * SECOND)] if proved else [])
    assert state.proven_off is proved
    if proved:
        assert (state.off_tries, state.job) == (0, "")


def test_the_job_is_over_when_off_is_proved() -> None:
    """Its name may not stay with the plug: the next job that wants it is another."""
    state, _ = want_off(on(), LOAD, "because", NOW)
    assert state.job == "job", "until then it is this job's OFF"
    state = hear(state, PlugReport(NOW + 1, "load", on=False, power_w=0.0))
    state, said = want_off(state, LOAD, "because", NOW + 2)
    assert said == [OffProven("load", 2)]
    assert state.job == ""


def test_off_is_not_proved_before_it_was_said() -> None:
    state = hear(unknown_plug(LOAD, NOW - MINUTE), report(on=False, power_w=0.0))
    state, said = want_off(state, LOAD, "because", NOW)
    assert words(said) == ["SwitchOff", "AskPlug"]
    assert not state.proven_off


# (what, state, whether OFF is said again)
RETRY = [
    ("1 ms less than 5 s", replace(SEEKING, said_at=NOW - 5 * SECOND + 1), False),
    ("5 s", replace(SEEKING, said_at=NOW - 5 * SECOND), True),
    ("after five minutes of trying, 5 s",
     replace(SEEKING, said_at=NOW - 5 * SECOND, off_tries=OFF_TRIES_QUICK), False),
    ("the last quick one", replace(
        SEEKING, said_at=NOW - 5 * SECOND, off_tries=OFF_TRIES_QUICK - 1), True),
    ("after five minutes of trying, a minute",
     replace(SEEKING, said_at=NOW - MINUTE, off_tries=OFF_TRIES_QUICK), True),
    ("no way to it, 5 s", replace(SEEKING, said_at=NOW - 5 * SECOND, up=False), False),
    ("no way to it, a minute", replace(SEEKING, said_at=NOW - MINUTE, up=False), True),
]  # fmt: skip


@pytest.mark.parametrize(("what", "state", "again"), RETRY, ids=[row[0] for row in RETRY])
def test_off_is_said_again(what: str, state: PlugState, again: bool) -> None:
    after, said = want_off(state, LOAD, "another reason", NOW)
    if not again:
        assert (after, said) == (state, [])
        return
    assert said == [SwitchOff("load", "because", state.off_tries), AskPlug("load")]
    assert (after.said_at, after.asked_at) == (NOW, NOW)
    assert after.off_tries == state.off_tries + 1
    assert after.off_at == state.off_at


def test_quick_tries_last_five_minutes() -> None:
    assert OFF_TRIES_QUICK * 5 * SECOND == 5 * MINUTE


def test_off_is_said_at_once_when_a_way_comes_up() -> None:
    state = link(replace(SEEKING, up=False, said_at=NOW - SECOND), up=True)
    assert state.up
    assert words(want_off(state, LOAD, "because", NOW)[1]) == ["SwitchOff", "AskPlug"]
    down = link(SEEKING, up=False)
    assert down == replace(SEEKING, up=False)
    assert link(replace(OFF, up=False), up=True) == OFF


@pytest.mark.parametrize(
    ("since", "alarmed", "wanted"),
    [(30 * SECOND - 1, False, False), (30 * SECOND, False, True), (MINUTE, True, False)],
)
def test_off_that_is_overdue(since: int, alarmed: bool, wanted: bool) -> None:
    state = replace(SEEKING, off_at=NOW - since, alarmed=alarmed)
    assert off_overdue(state, NOW) is wanted
    assert not off_overdue(OFF, NOW)


# ---- on unasked ------------------------------------------------------------------------------

STRAY = [
    ("off", OFF, LOAD, False),
    ("says on", replace(OFF, on=True), LOAD, True),
    ("says off, and power flows", replace(OFF, power_w=60.0), LOAD, True),
    ("power at its threshold", replace(OFF, power_w=1.0), LOAD, False),
    ("never said anything", replace(OFF, on=None, power_w=None), LOAD, False),
    ("being brought off already", SEEKING, LOAD, False),
    ("on by our own word", on(), LOAD, False),
]


@pytest.mark.parametrize(("what", "state", "plug", "wanted"), STRAY, ids=[row[0] for row in STRAY])
def test_on_unasked(what: str, state: PlugState, plug: Plug, wanted: bool) -> None:
    assert astray(state, plug) is wanted
    after, said = want_off(state, plug, "because", NOW)
    if wanted:
        assert said == [SwitchOff("load", "it is on and nobody here asked for that")]
        assert (after.off_at, after.stray_at, after.off_tries) == (NOW, NOW, 1)
    else:
        assert after.stray_at is None


@pytest.mark.parametrize(
    ("ago", "wanted"), [(None, False), (5 * MINUTE, True), (5 * MINUTE + 1, False), (0, True)]
)
def test_on_unasked_again(ago: int | None, wanted: bool) -> None:
    state = replace(OFF, stray_at=None if ago is None else NOW - ago)
    assert stray_again(state, NOW) is wanted


# ---- hearing ---------------------------------------------------------------------------------


def test_a_plug_that_speaks_is_reached() -> None:
    state = hear(replace(OFF, up=False), report(on=False, power_w=0.5, timer_s=3.0))
    assert state.up
    assert (state.on, state.on_heard, state.power_w, state.power_heard, state.timer_s) == (
        False, NOW, 0.5, NOW, 3.0,
    )  # fmt: skip


def test_what_is_not_said_stays_as_it_was() -> None:
    state = hear(on(), report())
    assert (state.on, state.on_heard) == (True, NOW - SECOND)
    assert (state.power_w, state.power_heard) == (60.0, NOW - SECOND)


@pytest.mark.parametrize(
    ("state", "said_on", "wanted"),
    [
        (on(confirmed=False), True, True),
        (on(confirmed=False), False, False),
        (on(confirmed=False), None, False),
        (on(confirmed=True), False, True),
        (OFF, True, False),
    ],
)
def test_confirmed(state: PlugState, said_on: bool | None, wanted: bool) -> None:
    assert hear(state, report(on=said_on)).confirmed is wanted


# (what, state, Wh counted when a report comes now)
ENERGY = [
    ("60 W for 30 s", on(power_heard=NOW - 30 * SECOND), 0.5),
    ("on top of what was", on(power_heard=NOW - 30 * SECOND, energy_wh=2.0), 2.5),
    ("held for at most a minute", on(power_heard=NOW - 10 * MINUTE), 1.0),
    ("a power from before this run", on(since=10 * SECOND, power_heard=NOW - 11 * SECOND), 0.0),
    ("from its very beginning", on(since=30 * SECOND, power_heard=NOW - 30 * SECOND), 0.5),
    (
        "a stretch of which a report without power has told already, in part",
        on(power_heard=NOW - 30 * SECOND, energy_at=NOW - 6 * SECOND),
        0.1,
    ),
    ("and wholly", on(power_heard=NOW - 30 * SECOND, energy_at=NOW), 0.0),
    ("no power heard", on(power_w=None), 0.0),
    ("not on", replace(OFF, power_w=60.0, power_heard=NOW - 30 * SECOND), 0.0),
]


@pytest.mark.parametrize(("what", "state", "wanted"), ENERGY, ids=[row[0] for row in ENERGY])
def test_energy(what: str, state: PlugState, wanted: float) -> None:
    assert hear(state, report(power_w=99.0)).energy_wh == pytest.approx(wanted)


def test_energy_is_counted_once_though_state_and_power_come_apart() -> None:
    state = on(power_heard=NOW - 30 * SECOND)
    for later in (0, 6, 12):
        state = hear(state, report(NOW + later * SECOND, on=True))
    assert state.energy_at == NOW + 12 * SECOND
    assert state.energy_wh == pytest.approx(60 * 42 / 3600)


# ---- faults ----------------------------------------------------------------------------------

LATER = {"said_at": NOW - 10 * SECOND}  # the last word is long enough ago to be judged
FAULTS = [
    ("not on", OFF, LOAD, None, False, False),
    ("in order", on(**LATER), LOAD, None, False, False),
    ("not confirmed yet", on(since=14_999, confirmed=False), LOAD, None, False, False),
    ("not confirmed", on(since=15_000, confirmed=False), LOAD, "did not confirm", False, True),
    ("off by somebody else", on(**{**LATER, "on": False}), LOAD, "somebody else", False, True),
    ("off, 3 s after a word of ours",
     on(on=False, said_at=NOW - 4 * SECOND), LOAD, None, False, False),
    ("off, a little later",
     on(on=False, said_at=NOW - 4 * SECOND - 1), LOAD, "somebody else", False, True),
    ("silent for a minute", on(on_heard=NOW - MINUTE), LOAD, None, False, False),
    ("silent for longer", on(on_heard=NOW - MINUTE - 1), LOAD, "silent", False, False),
    ("timer not said", on(timer_s=None, **LATER), LOAD, "timer is not armed", True, True),
    ("timer run out", on(timer_s=0.0, **LATER), LOAD, "timer is not armed", True, True),
    ("timer at its full", on(timer_s=91.0, **LATER), LOAD, None, False, False),
    ("timer longer than we set it", on(timer_s=91.1, **LATER), LOAD, "timer is not", True, True),
    ("timer just above nothing", on(timer_s=0.1, **LATER), LOAD, None, False, False),
    ("timer not armed, 3 s after the word",
     on(timer_s=None, said_at=NOW - 4 * SECOND), LOAD, None, False, False),
    ("timer not armed, a little later",
     on(timer_s=None, said_at=NOW - 4 * SECOND - 1), LOAD, "timer is not armed", True, True),
    ("timer that its reports do not show", on(timer_s=None, **LATER), HIDDEN, None, False, False),
    ("no timer at all", on(timer_s=None, **LATER), NO_TIMER, None, False, False),
    ("relay not said, no timer told", on(on=None, timer_s=None, **LATER), LOAD, None, False, False),
    ("a fifth over its usual power", on(power_w=72.0), LOAD, None, False, False),
    ("more", on(power_w=72.1), LOAD, "draws 72 W, wanted at most 72 W", True, True),
    ("far more", on(power_w=240.0), LOAD, "draws 240 W, wanted at most 72 W", True, True),
    ("a power from before this run",
     on(since=10 * SECOND, power_w=240.0, power_heard=NOW - 7 * SECOND), LOAD, None, False, False),
    ("one that was heard after",
     on(since=10 * SECOND, power_w=240.0, power_heard=NOW - 7 * SECOND + 1), LOAD, "draws", True,
     True),
    ("no meter", on(power_w=None), UNMETERED, None, False, False),
]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "state", "plug", "wanted", "lock", "final"), FAULTS, ids=[row[0] for row in FAULTS]
)
def test_fault(
    what: str, state: PlugState, plug: Plug, wanted: str | None, lock: bool, final: bool
) -> None:
    found = fault(state, plug, 60.0, NOW)
    if wanted is None:
        assert found is None
    else:
        assert found is not None
        assert wanted in found.what
        assert (found.lock, found.final) == (lock, final)


# ---- when to look again ----------------------------------------------------------------------

DUE = [
    ("off and proved", OFF, NEVER),
    ("on: renewal", on(said_at=NOW - 15 * SECOND, power_heard=NOW), NOW + 5 * SECOND),
    ("on: power", on(said_at=NOW, power_heard=NOW - 4 * SECOND), NOW + 6 * SECOND),
    ("on: asked a moment ago",
     on(said_at=NOW, power_heard=NOW - MINUTE, asked_at=NOW - SECOND), NOW + 9 * SECOND),
    ("on, to be confirmed", on(since=8 * SECOND, confirmed=False, said_at=NOW - 8 * SECOND,
                               power_heard=NOW), NOW + 7 * SECOND),
    ("on, overdue", on(said_at=NOW - MINUTE), NOW + 1),
    ("to be brought off, never said", unknown_plug(LOAD, NOW - HOUR), NOW + 1),
    ("to be said again", SEEKING, NOW + 3 * SECOND),
    ("the alarm comes first", replace(SEEKING, off_at=NOW - 29 * SECOND), NOW + SECOND),
    ("alarmed already", replace(SEEKING, off_at=NOW - HOUR, alarmed=True), NOW + 3 * SECOND),
    ("tried for long", replace(SEEKING, off_at=NOW - HOUR, alarmed=True,
                               off_tries=OFF_TRIES_QUICK), NOW + 58 * SECOND),
    ("no way to it", replace(SEEKING, off_at=NOW - HOUR, alarmed=True, up=False),
     NOW + 58 * SECOND),
    ("overdue", replace(SEEKING, said_at=NOW - HOUR, alarmed=True), NOW + 1),
]  # fmt: skip


@pytest.mark.parametrize(("what", "state", "wanted"), DUE, ids=[row[0] for row in DUE])
def test_due(what: str, state: PlugState, wanted: int) -> None:
    assert due(state, NOW) == wanted
