"""Plugs that do not do as they are told: the alarm, the lock, and an honest end."""

from __future__ import annotations

from time import monotonic, sleep

from e2e_kit import Program, Stage, side_by_side, sound

ALARM_WITHIN_S = 30.0 + 3.0
"""SAFETY 4: an OFF that is not proved is alarmed within 30 s; three for a shared machine."""


def _alarmed(stage: Stage, service: Program, off: float) -> None:
    """OFF again and again, the alarm in time, the station locked, and no peace on leaving."""
    alarm = service.awaits("station A is locked", 45, after=off)
    assert alarm.at - off < ALARM_WITHIN_S
    assert "Go there and pull the plug by hand" in service.flat()
    tries = [at for at in stage.offs(off - 1) if at <= alarm.at + 1]
    assert 4 <= len(tries) <= 9, f"said again each five seconds, not {len(tries)} times"
    assert not stage.ons(after=off)
    stage.measured.append(f"OFF that fails to alarm: {alarm.at - off:.1f} s")


@side_by_side
def test_a_plug_that_takes_no_off(stage: Stage) -> None:
    stage.site(target="99.2 %", power_w=60)
    plug, _ = stage.cast("--fault", "ignores-off", power_w=60)
    service = stage.service()
    stage.until_on(service)
    off = service.awaits("settling", 90).at
    _alarmed(stage, service, off)
    assert "60 W still flow" in service.flat()
    assert service.leave() == 1
    assert "NOT read back off: A-load" in service.text()
    # Its own timer opens it in the end.
    opened = stage.opened(off, 95)
    stage.measured.append(f"plug that takes no OFF: its timer opens it {opened - off:.1f} s later")
    sound(service, plug)


@side_by_side
def test_a_plug_that_is_welded(stage: Stage) -> None:
    stage.site(target="99.2 %", power_w=60)
    plug, _ = stage.cast("--fault", "welded", power_w=60)
    service = stage.service()
    stage.until_on(service)
    off = service.awaits("settling", 90).at
    _alarmed(stage, service, off)
    assert service.leave() == 1
    assert stage.closed(), "no program can open it: outside the contract, and said aloud"
    stop = stage.run("stop")
    assert stop.process.returncode == 1
    assert "A-load: NOT read back off, 60 W at the last word: go and pull it" in stop.flat()
    sound(service, plug, stop)


@side_by_side
def test_a_plug_without_the_timer_that_it_promises(stage: Stage) -> None:
    """While the service lives it is brought off as any other; when it is killed, nothing opens it:
    what `carerules doctor --prove` is for."""
    stage.site(lease_s=30)
    plug, _ = stage.cast("--fault", "timer-missing")
    service = stage.service()
    stage.until_on(service)
    service.kill()
    sleep(33)
    assert stage.closed(), "the fault was played"
    started = monotonic()
    again = stage.service()
    again.awaits("read back off")
    opened = stage.opened(started)
    stage.measured.append(f"plug without its timer: open {opened - started:.1f} s after a restart")
    assert again.leave() == 0
    sound(again, plug)


@side_by_side
def test_a_plug_that_falls_silent(stage: Stage) -> None:
    stage.site(target="97 %")
    # From then on it hears nothing and says nothing; its timer goes on.
    plug, _ = stage.cast("--fault", "mute", "--fault-after", 20)
    service = stage.service()
    stage.until_on(service)
    mute = plug.awaits("fault `mute`", 40).at
    opened = plug.awaits("timer ran out", 110, after=mute)
    off = service.awaits("A-load off", 110, after=mute)
    # SAFETY 1: off at most 75 s after its data becomes doubtful; it spoke last at most 10 s before.
    assert off.at - mute < 75
    _alarmed(stage, service, off.at)
    assert "it does not answer" in service.flat()
    assert service.leave() == 1
    stage.measured.append(
        f"plug falls silent: OFF said after {off.at - mute:.1f} s, "
        f"its timer opens it after {opened.at - mute:.1f} s"
    )
    sound(service, plug)
