"""The two pretended programs: their minds without a socket, by moments and messages alone."""

from __future__ import annotations

import json

import pytest

from carerules.battery import shipped_chemistries
from carerules.sim import Fault
from carerules.sim.pretend import Pretence, PretendPack, PretendPlug
from carerules.sim.pretend.wire import Message

Said = list[tuple[str, dict[str, object]]]


def plug(**options: object) -> tuple[PretendPlug, Said, list[str]]:
    said: Said = []
    printed: list[str] = []
    made = PretendPlug(
        "hut/load", load_power_w=60.0, now=0, print_=printed.append,
        say=lambda topic, what: said.append((topic, what)), **options,
    )  # fmt: skip
    return made, said, printed


def command(payload: object) -> Message:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Message("hut/load/set", raw)


def states(said: Said) -> list[dict[str, object]]:
    return [what for topic, what in said if topic == "hut/load/state"]


def truths(said: Said) -> list[dict[str, object]]:
    return [what for topic, what in said if topic == "hut/load/truth"]


def test_on_for_a_time_is_answered_and_ends_by_itself() -> None:
    made, said, printed = plug()
    made.hears(command({"on": True, "for_s": 90}), 1_000)
    assert states(said) == [{"on": True, "power_w": 60.0, "timer_s": 90.0}]
    assert made.next_at() == 11_000  # ten seconds later it tells again
    for now in range(11_000, 91_000, 10_000):
        made.passes(now)
    assert states(said)[-1] == {"on": True, "power_w": 60.0, "timer_s": 10.0}
    assert made.next_at() == 91_000
    made.passes(91_000)
    assert states(said)[-1] == {"on": False, "power_w": 0.0, "timer_s": None}
    assert printed == [
        "ON for 90 s; contact closed, 60.0 W",
        "timer ran out; contact open, 0.0 W",
    ]


def test_it_answers_when_asked() -> None:
    made, said, _ = plug()
    made.hears(Message("hut/load/get", b""), 5)
    assert states(said) == [{"on": False, "power_w": 0.0, "timer_s": None}]


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"ON", b"[]", b"\xff\xfe", b"[" * 900, {"on": 1}, {"on": "true"}, {"for_s": 90},
        {"on": True, "for_s": "90"}, {"on": True, "for_s": True}, {"on": True, "for_s": 0},
        {"on": True, "for_s": -1}, {"on": True, "for_s": 1e9}, b'{"on": true, "for_s": NaN}',
        b'{"on": true, "for_s": Infinity}', {"on": True, "for_s": None},
    ],
)  # fmt: skip
def test_what_is_no_command_switches_nothing(payload: object) -> None:
    made, said, printed = plug()
    made.hears(command(payload), 5)
    assert not made.truth.closed
    assert not said
    (line,) = printed
    assert line.startswith("refused: found `")
    assert "\n" not in line


def test_the_load_s_own_cut_off_lets_go_until_the_relay_opens() -> None:
    made, said, printed = plug(pack_topic="hut/egret")
    assert made.topics == ["hut/load/set", "hut/load/get", "hut/egret/telemetry"]
    made.hears(command({"on": True, "for_s": 900}), 0)

    def tells(volts: float) -> Message:
        table = {"voltage": volts, "cells": [volts / 6] * 6}
        return Message("hut/egret/telemetry", json.dumps(table).encode())

    made.hears(tells(19.21), 1_000)
    assert made.power_w() == 60.0
    made.hears(tells(19.2), 2_000)  # 3.2 V a cell
    made.hears(tells(21.0), 3_000)
    assert made.power_w() == pytest.approx(0.4)
    assert states(said)[-1]["power_w"] == pytest.approx(0.4)
    assert printed[-1].startswith("the load's own cut-off at 19.20 V")
    made.hears(command({"on": False}), 4_000)
    made.hears(command({"on": True, "for_s": 9}), 5_000)
    assert made.power_w() == 60.0


@pytest.mark.parametrize(
    ("fault", "said_off", "closed"),
    [
        (Fault.WELDED, {"on": False, "power_w": 60.0, "timer_s": None}, True),
        (Fault.LIES, {"on": False, "power_w": 0.0, "timer_s": None}, True),
    ],
)
def test_an_observer_hears_the_truth_beside_the_state(
    fault: Fault, said_off: dict[str, object], closed: bool
) -> None:
    made, said, _ = plug()
    made.fail(fault, 0)
    made.hears(command({"on": True, "for_s": 90}), 1_000)
    made.hears(command({"on": False}), 2_000)
    assert states(said)[-1] == said_off
    assert truths(said)[-1]["closed"] is closed
    assert truths(said)[-1]["power_w"] == 60.0


def test_one_that_reboots_says_nothing_for_a_while_and_then_off() -> None:
    made, said, printed = plug()
    made.fail(Fault.REBOOTS, 0)
    said.clear()
    made.hears(command({"on": True, "for_s": 90}), 1_000)
    assert not states(said)
    assert made.next_at() == 9_000
    made.passes(9_000)
    assert states(said)[0]["on"] is False
    assert printed[-1] == "started again, relay open"


@pytest.mark.parametrize("fault", list(Fault))
def test_no_fault_makes_it_spin(fault: Fault) -> None:
    """Whatever it is and does, once called it wants to be called later, not at once."""
    made, _, _ = plug()
    made.hears(command({"on": True, "for_s": 5}), 0)
    made.fail(fault, 1)
    made.hears(command({"on": True, "for_s": 5}), 2)
    now = 2
    for _ in range(20):
        made.passes(now)
        assert made.next_at() > now
        now = made.next_at()


# ---- the pack ------------------------------------------------------------------------------------


def pack(*, speed: float = 1.0) -> tuple[PretendPack, Said, list[str]]:
    said: Said = []
    printed: list[str] = []
    made = PretendPack(
        Pretence("hut/egret", shipped_chemistries()["lipo"], plug_topic="hut/load", speed=speed),
        say=lambda topic, what: said.append((topic, what)), print_=printed.append, now=0,
    )  # fmt: skip
    return made, said, printed


def word(topic: str, **what: object) -> Message:
    return Message(f"hut/load/{topic}", json.dumps(what).encode())


def test_the_pack_drains_as_its_plug_says_and_tells() -> None:
    made, said, printed = pack()
    made.passes(0)
    made.hears(word("state", on=True, power_w=60.0, timer_s=None), 10_000)
    for now in range(10_000, 3_610_001, 10_000):
        made.passes(now)
    assert made.truth.out_wh == pytest.approx(60, rel=1e-3)
    (topic, first), (_, last) = said[0], said[-1]
    assert topic == "hut/egret/telemetry"
    assert set(first) == {"voltage", "current", "temperature", "cells"}
    assert len(first["cells"]) == 6
    assert (first["current"], last["current"]) == (0.0, pytest.approx(-2.5, abs=0.15))
    assert len(said) == 362
    made.hears(word("state", on=False, power_w=0.0, timer_s=None), 3_610_001)
    assert [line.split(";")[0] for line in printed] == ["60.0 W flow", "0.0 W flow"]


def test_the_pack_s_time_runs_as_fast_as_it_is_told() -> None:
    made, _, _ = pack(speed=600.0)
    made.hears(word("state", on=True, power_w=60.0, timer_s=None), 0)
    made.passes(6_000)
    assert made.truth.out_wh == pytest.approx(60, rel=1e-3)


def test_without_another_word_the_plug_s_timer_ends_the_flow() -> None:
    made, _, printed = pack()
    made.hears(word("state", on=True, power_w=60.0, timer_s=90.0), 0)
    made.passes(3_600_000)
    assert made.truth.out_wh == pytest.approx(60 * 90 / 3_600, rel=1e-3)
    assert made.truth.current_a == 0
    assert printed[-1].startswith("0.0 W flow")


def test_the_pack_believes_a_plug_s_truth_before_its_state() -> None:
    made, _, _ = pack()
    made.hears(word("truth", closed=True, power_w=60.0, timer_s=None), 0)
    made.hears(word("state", on=False, power_w=0.0, timer_s=None), 1)
    made.passes(10_000)
    assert made.truth.current_a < -2


NO_STATES = [
    b"", b"x", b'{"on": true}', b'{"on": 1, "power_w": 60}', b'{"on": true, "power_w": NaN}',
    b'{"on": true, "power_w": "60"}',
]  # fmt: skip


@pytest.mark.parametrize("payload", NO_STATES)
def test_what_is_no_state_moves_nothing(payload: bytes) -> None:
    made, _, _ = pack()
    made.hears(Message("hut/load/state", payload), 0)
    made.passes(60_000)
    assert made.truth.out_wh == 0
