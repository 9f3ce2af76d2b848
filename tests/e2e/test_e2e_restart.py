"""kill -9 of the service: what the plug does, and what the service does when it is back."""

from __future__ import annotations

import signal
from time import monotonic, sleep

from e2e_kit import PACK, SET, Stage, eventually, side_by_side, sound

from carerules.adapters import SqliteJournal
from carerules.domain.decision import Fired, JobBegan, JobEnded, OffProven
from carerules.domain.event import Happened
from carerules.domain.moment import SECOND

LEASE_S = 30
"""The shortest that a site file may ask for: the plug's own timer is then seen at work."""
TIMER_WITHIN_S = LEASE_S + 3.0
"""From the last ON, whenever before the kill that was; three seconds for a shared machine."""
SPARE_S = 10.0
"""The service is awake each second; the rest is for a shared machine. Counted from the second
start it would come later by more than this: so long it lay before that (see the sleeps)."""


def outcomes(stage: Stage) -> list[object]:
    journal = SqliteJournal.open(stage.folder / "state" / "journal.db", owner=False)
    try:
        return [outcome for _, outcome in journal.outcomes()]
    finally:
        journal.close()


@side_by_side
def test_the_plug_opens_by_itself_when_the_service_is_killed(stage: Stage) -> None:
    stage.site(lease_s=LEASE_S)
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    killed = service.kill()
    last_on = stage.ons()[-1]
    opened = stage.opened(killed, LEASE_S + 10)
    assert not stage.offs(after=killed), "nobody told it to"
    plug.awaits("timer ran out")
    assert opened - last_on < TIMER_WITHIN_S
    stage.measured.append(f"kill -9 to contact open, lease {LEASE_S} s: {opened - killed:.1f} s")


@side_by_side
def test_after_a_kill_off_comes_first_and_then_the_drain_goes_on(stage: Stage) -> None:
    stage.site(lease_s=LEASE_S, power_w=40)
    plug, pack = stage.cast(power_w=40)
    service = stage.service()
    stage.until_on(service)
    service.awaits("moving energy")
    sleep(5)
    killed = service.kill()
    assert stage.closed(), "it is still on when the next one starts"
    again = stage.service()
    first = eventually(lambda: stage.commands(killed), "the plug is told something")[0]
    assert first[1] is False, "the first word after a start is OFF"
    # On its way once the broker is there; without the news of that, it is said again after 5 s.
    assert stage.broker.first_word_s(SET) < 4
    proven = again.awaits("read back off")
    decided = again.finds("decided")
    assert decided is None or decided.at >= proven.at - 0.5, "no rule runs before OFF is read back"
    assert first[0] < proven.at
    stage.measured.append(
        f"kill -9, started again at once: open after {stage.opened(killed) - killed:.1f} s"
    )

    # The station rests a minute after any OFF; then the pack is drained to the same target.
    on_again = again.awaits("A-load on", 90)
    assert on_again.at - proven.at > 55
    again.awaits("settling", 60)
    again.awaits("rule too-full, done", 30)
    kept = outcomes(stage)
    assert sum(isinstance(one, Fired) for one in kept) == 1, "one run of the rule fires once"
    assert sum(isinstance(one, JobBegan) for one in kept) == 1
    assert sum(isinstance(one, JobEnded) for one in kept) == 1
    assert again.leave() == 0
    stage.is_opened()
    sound(again, plug, pack)


@side_by_side
def test_a_for_is_counted_from_its_true_start_over_a_kill(stage: Stage) -> None:
    held_s = 60
    stage.site(held=f"{held_s} s")
    _, _ = stage.cast()
    service = stage.service()
    service.awaits("heron: full at")
    sleep(6)
    service.kill()
    assert not service.finds("rule too-full"), "a start took the best part of a minute"
    sleep(4)
    again = stage.service()
    again.awaits("read back off")
    again.awaits("rule too-full fires", held_s + 10)
    journal = SqliteJournal.open(stage.folder / "state" / "journal.db", owner=False)
    try:
        events = dict(journal.events())
        kept = list(journal.outcomes())
    finally:
        journal.close()
    fired = [(seq, one) for seq, one in kept if isinstance(one, Fired)]
    assert len(fired) == 1
    seq, one = fired[0]
    # Counted from when a person said that it was full: before the first service even started.
    full_at = min(e.at for e in events.values() if isinstance(e, Happened) and e.what == "full")
    assert one.since == full_at + held_s * SECOND
    # No rule runs before everything is off: then, or when it is due.
    off = max(events[at].heard for at, it in kept if isinstance(it, OffProven) and at <= seq)
    late_s = (events[seq].heard - max(one.since, off)) / SECOND
    assert 0 <= late_s < SPARE_S, f"fired {late_s:.1f} s after its deadline"
    assert again.leave() == 0
    sound(again)


@side_by_side
def test_two_services_never_share_a_journal(stage: Stage) -> None:
    site = stage.site()
    stage.cast()
    service = stage.service()
    service.awaits("read back off")
    second = stage.run("run", site.name)
    assert second.process.returncode == 2
    assert f"process {service.pid}" in second.flat()
    sound(second)

    # Another site, with a journal of its own, is nobody's business. Its plug is not there.
    other = stage.folder / "other"
    other.mkdir()
    text = site.read_text().replace("shed/a-load", "other/a-load").replace(PACK, "other/heron")
    (other / "site.toml").write_text(text)
    (other / "shed.care").write_text((stage.folder / "shed.care").read_text())
    third = stage.service("other/site.toml")
    third.awaits("started: everything off first")
    third.send(signal.SIGTERM)
    assert third.ends() == 1, "its plug was never read back off"
    assert "NOT read back off: A-load" in third.text()

    # The lock goes with the process, however it ends.
    service.kill()
    began = monotonic()
    fourth = stage.service()
    fourth.awaits("read back off", after=began)
    assert fourth.leave() == 0
    sound(third, fourth)


@side_by_side
def test_a_damaged_journal_ends_the_start_with_everything_off(stage: Stage) -> None:
    """SAFETY 5: a start begins with OFF, also one that can go no further."""
    stage.site()
    plug, _ = stage.cast()
    service = stage.service()
    stage.until_on(service)
    service.kill()
    assert stage.closed(), "nobody has told the plug"
    journal = stage.folder / "state" / "journal.db"
    damaged = b"\x00rubbish\xff" * 1_000
    journal.write_bytes(damaged)
    began = monotonic()
    again = stage.service()
    opened = stage.opened(began)
    assert again.ends() == 2
    assert not plug.finds("timer ran out"), "it was told"
    assert "carerules journal salvage" in again.flat()
    assert "A-load: read back off" in again.flat()
    assert journal.read_bytes() == damaged, "opened for reading only"
    assert not stage.ons(after=began)
    stage.measured.append(f"a start on a damaged journal: open after {opened - began:.1f} s")
    sound(again, plug)
