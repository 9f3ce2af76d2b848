"""A plug's proof by itself: what a test of the plug gives, and that each ON counts against it.

SAFETY 12: 30 days or 20 drains, whichever is over first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from benchkit import LOAD, NOW, OFF, on

from carerules.domain.event import Proved
from carerules.domain.moment import SECOND
from carerules.safety import Permit, Proof, proof_of, ran, want_on

HELD = Proved(NOW, "load", LOAD.key, holds=True, why="opened by itself", opened_s=15.0)


def test_a_test_that_held_is_a_proof_of_the_plug_as_it_was_then() -> None:
    assert proof_of(HELD) == Proof(LOAD.key, NOW, 0)


def test_a_test_that_failed_is_none() -> None:
    assert proof_of(replace(HELD, holds=False)) is None


@pytest.mark.parametrize("runs", [0, 1, 19])
def test_one_more_run_is_one_more(runs: int) -> None:
    assert ran(Proof("key", NOW - SECOND, runs)) == Proof("key", NOW - SECOND, runs + 1)


def test_no_proof_does_not_come_of_running() -> None:
    assert ran(None) is None


def test_going_on_counts_against_it_and_a_renewal_does_not() -> None:
    held = replace(OFF, proof=Proof(LOAD.key, NOW, 3))
    state, _ = want_on(held, LOAD, Permit("job", NOW), NOW)
    assert state.proof == Proof(LOAD.key, NOW, 4)
    running = on(said_at=NOW - 20 * SECOND, proof=Proof(LOAD.key, NOW, 4))
    state, _ = want_on(running, LOAD, Permit("job", NOW), NOW)
    assert state.said_at == NOW, "it was renewed"
    assert state.proof == Proof(LOAD.key, NOW, 4)
