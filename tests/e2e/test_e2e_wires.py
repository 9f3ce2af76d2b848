"""A drain over real wires: mosquitto, the service, a plug and a pack, each a process of its own."""

from __future__ import annotations

import os
import shlex
import signal
import sys
from itertools import pairwise
from time import monotonic

from e2e_kit import ENTRY, LINK, PACK, SET, STATE, Program, Stage, eventually, side_by_side, sound

from carerules.adapters import owner_of

RENEWED_EACH_S = 20.0
LEASE_S = 90
"""SAFETY 1: lease 90 s, renewed each 20 s."""
OFF_AFTER_S = 5.0
"""OFF leaves at once; five seconds leave room for a machine that is shared."""


@side_by_side
def test_a_pack_is_drained_to_its_target_on_a_plug_that_would_open_by_itself(stage: Stage) -> None:
    stage.site()
    plug, pack = stage.cast()
    service = stage.service()
    began = stage.until_on(service)
    armed = [h.table() for h in stage.eye.on(STATE, began) if h.table().get("on")]
    assert armed, "the plug says that it is on"
    assert all(0 < told["timer_s"] <= LEASE_S for told in armed)

    settled = service.awaits("settling", 120)
    # The wire may come a moment after the word.
    ended = eventually(lambda: stage.offs(began), "OFF on the wire")[0]
    assert ended - settled.at < OFF_AFTER_S
    opened = stage.opened(ended - 1)
    service.awaits("read back off", after=settled.at)
    service.awaits("rule too-full, done")

    on = [(at, table) for at, is_on, table in stage.commands() if is_on]
    assert all(table["for_s"] == LEASE_S for _, table in on)
    assert len(on) >= 2, "it was renewed while it drained"
    gaps = [after - before for (before, _), (after, _) in pairwise(on)]
    # A fresh load on the machine may hold one up; four would have to be lost to open the relay.
    assert all(RENEWED_EACH_S - 3 < gap < RENEWED_EACH_S + 6 for gap in gaps), gaps
    assert not stage.ons(after=ended), "no ON after the OFF"
    assert not any(h.retained for h in stage.eye.on(SET)), "no command is left at the broker"

    # One point of 1 Ah at 20 W: the truth of the pack, not what the service believes.
    charges = [
        float(s.text.split("charge ")[1].split(" ")[0]) for s in pack.said if "flow" in s.text
    ]
    assert charges[0] > 99.5
    assert 98.0 < charges[-1] < 99.5
    stage.measured.append(f"OFF on the wire to contact open {opened - ended:.2f} s")

    assert service.leave(signal.SIGTERM) == 0
    assert "read back off" in service.text().splitlines()[-1]
    sound(service, plug, pack)


@side_by_side
def test_leaving_in_the_middle_of_a_drain_brings_the_load_off(stage: Stage) -> None:
    stage.site()
    plug, pack = stage.cast()
    service = stage.service()
    stage.until_on(service)
    asked = service.awaits("moving energy").at
    service.send(signal.SIGINT)
    assert service.ends() == 0
    opened = stage.opened(asked)
    stage.is_opened()
    assert service.finds("SIGINT: everything off, then leaving")
    assert "read back off" in service.text().splitlines()[-1]
    assert not stage.ons(after=opened)
    sound(service, plug, pack)


@side_by_side
def test_a_terminal_that_closes_is_a_reason_to_leave(stage: Stage) -> None:
    stage.site()
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    service.send(signal.SIGHUP)
    assert service.ends() == 0, service.text()
    assert service.finds("SIGHUP: everything off, then leaving")
    stage.is_opened()
    sound(service, plug)


@side_by_side
def test_a_reader_that_goes_away_is_no_reason_to_stop(stage: Stage) -> None:
    """`carerules run site.toml | head`: it looks after the load all the same."""
    stage.site(power_w=40)
    plug, _ = stage.cast(power_w=40)
    words = [sys.executable, "-c", ENTRY, "run", "site.toml"]
    line = " ".join(map(shlex.quote, words))
    shell = Program("shell", ["sh", "-c", f"({line}; echo it ended with $? >&2) | head -n 9"],
                    stage.folder)  # fmt: skip
    stage.programs.append(shell)
    shell.awaits("started")
    # When it closed, and not when that was looked at: the drain lasts twenty seconds.
    began = eventually(stage.closed_at, "the contact closes", 60)
    opened = stage.opened(began, 90)
    assert stage.offs(after=began), "the service brought it off, not the timer"
    assert not plug.finds("timer ran out")
    pid = owner_of(stage.folder / "state" / "journal.db")
    assert pid, "the service still runs"
    os.kill(pid, signal.SIGTERM)
    shell.awaits("it ended with 0")
    assert not stage.ons(after=opened)
    sound(shell, plug)


@side_by_side
def test_stop_brings_the_load_off_and_nothing_goes_on_until_a_person_releases(stage: Stage) -> None:
    stage.site()
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    asked = monotonic()
    stop = stage.run("stop")
    assert stop.process.returncode == 0, stop.text()
    stage.is_opened()
    assert "A-load: read back off" in stop.text()
    assert "the running service:" in stop.text()
    service.awaits("everything stopped (carerules stop)")
    opened = stage.opened(asked)
    stage.measured.append(f"`stop` typed to contact open {opened - asked:.1f} s")

    # The pack is charged again: the rule would fire anew, and nothing may come of it.
    stage.run("record", "heron", "charged")
    eventually(
        lambda: service.flat().count("rule too-full fires") >= 2 or "stopped" in service.flat(),
        "the service has heard of the charge",
    )
    began = stage.eye.heard[-1].at
    eventually(lambda: len(stage.eye.on(f"{PACK}/telemetry", began)) >= 4, "four more samples")
    # Not from when it was typed: until the stop is there, the load is kept on.
    assert not stage.ons(after=opened), "stopped is stopped"

    released = stage.run("release", "site")
    assert released.process.returncode == 0, released.text()
    service.awaits("site released by a person")
    assert service.leave() == 0
    sound(service, plug, stop)


@side_by_side
def test_stop_needs_no_journal(stage: Stage) -> None:
    """SAFETY 3: `carerules stop` works with the journal gone, and with a journal of rubbish."""
    stage.site()
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    killed = service.kill()
    assert stage.closed(), "nobody has told the plug"
    (stage.folder / "state" / "journal.db").write_bytes(b"\x00rubbish\xff" * 1_000)
    stop = stage.run("stop")
    assert "A-load: read back off" in stop.text()
    assert "is damaged" in stop.flat()
    assert stop.process.returncode == 0, "every plug was read back off"
    opened = stage.opened(killed)
    stage.is_opened()
    stage.measured.append(
        f"kill -9, then stop with a spoilt journal: open after {opened - killed:.1f} s"
    )

    again = stage.folder / "state"
    for file in again.iterdir():
        file.unlink()
    again.rmdir()
    gone = stage.run("stop")
    # OFF goes out when the broker is there, not at the next try five seconds later.
    assert stage.broker.first_word_s(SET) < 4
    assert "A-load: read back off" in gone.text()
    assert gone.process.returncode == 0
    sound(plug, stop, gone)


@side_by_side
def test_rubbish_on_every_topic_does_not_disturb_a_drain(stage: Stage) -> None:
    stage.site()
    plug, pack = stage.cast()
    service = stage.service()
    began = stage.until_on(service)
    rubbish = [
        b"", b"\x00\xff\xfe", b"null", b"[]", b"{}", b"{", b'"on"', b"NaN", b"1e999",
        b'{"on": 1, "power_w": "x", "timer_s": []}', b'{"voltage": NaN}', b'{"cells": "a"}',
        b'{"cells": [1e308, -1, null]}', b'{"voltage": 1e400}', b"[" * 3_000, b"x" * 20_000,
        b'{"voltage": 25.0, "voltage": 3.0}', "ONLINE\u2028".encode(),
    ]  # fmt: skip
    topics = [f"{PACK}/telemetry", STATE, LINK, f"{PACK}/other", "shed", "$x/y", "a/b/c/d/e"]
    for payload in rubbish:
        for topic in topics:
            if (topic, payload) != (LINK, b""):
                stage.eye.say(topic, payload)
    service.awaits("refused from")
    service.awaits("settling", 150)
    service.awaits("rule too-full, done", 60)
    assert stage.opened(began)
    assert service.leave() == 0
    sound(service, plug, pack)


@side_by_side
def test_stop_does_not_wait_for_a_service_that_hangs(stage: Stage) -> None:
    stage.site()
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    service.send(signal.SIGSTOP)
    asked = monotonic()
    stop = stage.run("stop")
    opened = stage.opened(asked)
    assert "A-load: read back off" in stop.text()
    assert stop.process.returncode == 0, stop.text()
    stage.measured.append(f"`stop` beside a service that hangs: open after {opened - asked:.1f} s")
    back = monotonic()
    service.send(signal.SIGCONT)
    service.awaits("everything stopped (carerules stop)", after=back)
    began = monotonic()
    eventually(lambda: len(stage.eye.on(f"{PACK}/telemetry", began)) >= 3, "three more samples")
    stage.is_opened()
    assert not stage.ons(after=back)
    assert service.leave() == 0, service.text()
    sound(service, plug, stop)
