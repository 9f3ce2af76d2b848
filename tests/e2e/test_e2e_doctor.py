"""`carerules doctor` on real wires: what it finds, and a plug put to the test by the clock."""

from __future__ import annotations

import json
from typing import Any

import pytest
from e2e_kit import Stage, side_by_side, sound
from e2e_process import eventually

from carerules.adapters import SqliteJournal
from carerules.domain.event import Proved

FAULTS = {
    "timer-missing": "its timer does not open it",
    "timer-not-renewed": "a renewal gives its timer no more time",
    "ignores-on": "did not confirm",
}
"""How a plug can fail (sim/plug.py), and what the test says of it."""


def empty(stage: Stage, **site: Any) -> None:
    """The site, and nothing on its station."""
    stage.site(**site)
    taken_off = stage.run("place", "heron", "--off")
    assert taken_off.process.returncode == 0, taken_off.text()


def lone_plug(stage: Stage, *options: object) -> None:
    _ = stage.eye
    stage.plug(*options).awaits("on the line")


def proofs(stage: Stage) -> list[Proved]:
    journal = SqliteJournal.open(stage.folder / "state" / "journal.db", owner=False)
    try:
        return [event for _, event in journal.events() if isinstance(event, Proved)]
    finally:
        journal.close()


@side_by_side
def test_a_plug_that_holds_is_proved_and_only_then_works_unattended(stage: Stage) -> None:
    empty(stage, proved=False)
    plug, pack = stage.cast()
    proving = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes", within_s=90)
    assert proving.process.returncode == 0, proving.text()
    assert proving.finds("opened by its own timer"), proving.text()
    (proof,) = proofs(stage)
    assert proof.holds
    # 15 s is what it is armed with; when that is seen is this machine's matter, and how late it may
    # be is the proof's own.
    assert proof.opened_s is not None
    assert proof.opened_s >= 13
    stage.measured.append(f"opened {proof.opened_s:.1f} s after an ON for 15 s")
    eventually(lambda: not stage.closed(), "the contact is open")

    stage.run("place", "heron", "A")
    service = stage.service()
    stage.until_on(service)
    service.leave()
    sound(plug, pack, proving, service)


@side_by_side
def test_without_a_proof_the_load_stays_off_and_the_mend_is_told(stage: Stage) -> None:
    stage.site(proved=False)
    plug, _ = stage.cast()
    service = stage.service()
    service.awaits("is not proved", 60)
    status = stage.run("status")
    assert status.finds("is not proved"), status.text()
    assert status.finds("doctor SITE --prove A-load"), status.text()
    assert not stage.ons()
    service.leave()
    sound(service, plug, status)


def _fails(stage: Stage, fault: str) -> None:
    empty(stage)
    lone_plug(stage, "--fault", fault)
    proving = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes", "--json", within_s=150)
    assert proving.process.returncode == 1, proving.text()
    said = json.loads(proving.text())
    assert not said["holds"]
    assert FAULTS[fault] in said["why"]
    assert [proof.holds for proof in proofs(stage)] == [False]
    eventually(lambda: not stage.closed(), "however it ends, it ends with OFF")


@side_by_side
def test_a_timer_that_never_runs_out_is_found(stage: Stage) -> None:
    _fails(stage, "timer-missing")


@side_by_side
def test_a_timer_that_a_renewal_does_not_wind_up_again_is_found(stage: Stage) -> None:
    _fails(stage, "timer-not-renewed")


@side_by_side
def test_a_plug_that_takes_no_on_is_found(stage: Stage) -> None:
    _fails(stage, "ignores-on")


@side_by_side
def test_doctor_says_what_is_unguarded_and_fits_the_page(stage: Stage) -> None:
    stage.site(proved=False)
    lone_plug(stage)
    looked = stage.run("doctor", "site.toml")
    assert looked.process.returncode == 0, looked.text()
    text = looked.text()
    for words in ("accepts us", "UNGUARDED: it is not proved", "--prove A-load", "answers: off"):
        assert words in text, text
    assert all(len(line) <= 80 for line in text.splitlines()), text
    as_json = json.loads(stage.run("doctor", "site.toml", "--json").text())
    assert as_json["ok"]
    assert {one["about"] for one in as_json["findings"]} >= {"broker", "disk", "plug A-load"}
    assert not stage.commands(), "doctor without --prove switches nothing"


@side_by_side
def test_doctor_finds_a_broker_that_is_gone(stage: Stage) -> None:
    stage.site()
    stage.broker.kill()
    looked = stage.run("doctor", "site.toml", within_s=60)
    assert looked.process.returncode == 1, looked.text()
    assert looked.finds("BAD   broker"), looked.text()


@side_by_side
def test_a_test_is_refused_under_a_pack_a_service_or_without_a_yes(stage: Stage) -> None:
    stage.site()
    lone_plug(stage)
    on_it = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes")
    assert on_it.process.returncode == 2
    assert on_it.finds("found heron on station A, wanted nothing there"), on_it.text()
    stage.run("place", "heron", "--off")
    unasked = stage.run("doctor", "site.toml", "--prove", "A-load")
    assert unasked.process.returncode != 0
    service = stage.service()
    service.awaits("started")
    busy = stage.run("doctor", "site.toml", "--prove", "A-load", "--yes")
    assert busy.process.returncode == 2
    assert busy.finds("process"), busy.text()
    service.leave()
    assert not stage.ons()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--prove", "B-load", "--yes"), "did you mean `A-load`"),
        (("--yes",), "`--yes` goes with `--prove`"),
    ],
)
def test_what_is_asked_wrongly_is_refused(stage: Stage, words: tuple[str, ...], said: str) -> None:
    stage.site()
    refused = stage.run("doctor", "site.toml", *words)
    assert refused.process.returncode == 2
    assert refused.finds(said), refused.text()
