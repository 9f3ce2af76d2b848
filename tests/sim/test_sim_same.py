"""The virtual site is a function of its seed and commands, over cuts, kills and interpreters."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from sim_river import (
    BEGIN,
    KINDS,
    SETTINGS,
    busy_night,
    digest,
    on,
    samples,
    site,
    world,
)

from carerules.domain.event import (
    Sample,
    UsePlanned,
)
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND
from carerules.domain.pack import Use
from carerules.sim import VirtualSite

# ---- determinism ---------------------------------------------------------------------------------


def test_one_seed_one_night_to_the_byte() -> None:
    night = busy_night(world(5))
    assert len(night) > 300
    assert digest(night) == digest(busy_night(world(5)))
    assert digest(night) != digest(busy_night(world(6)))


@pytest.mark.parametrize("cut", range(3))
def test_how_the_time_is_cut_changes_nothing(cut: int) -> None:
    assert digest(busy_night(world(), Random(cut))) == digest(busy_night(world()))


@pytest.mark.parametrize("at_s", [0, 1, 633, 640, 661, 1_300, 2_701, 2_750, 5_000])
def test_a_restored_world_goes_on_to_the_byte(at_s: int) -> None:
    settings = replace(SETTINGS, crew=True, uses=(Use("dawn", BEGIN + HOUR, {"bittern"}),))
    virtual = world(3, settings)
    busy_until = BEGIN + at_s * SECOND
    for minutes, command in [(10, on("load-1")), (20, on("charger-2", 600)), (45, on("load-1"))]:
        if minutes * 60 < at_s:
            virtual.advance(BEGIN + minutes * MINUTE)
            virtual.send(command)
    virtual.advance(busy_until)
    kept = json.dumps(virtual.snapshot())
    other = world(3, settings)
    other.restore(json.loads(kept))
    assert json.dumps(other.snapshot()) == kept
    for going_on in (virtual, other):
        going_on.send(on("load-2"))
    rest = virtual.advance(BEGIN + DAY)
    assert len(rest) > 1_000
    assert digest(rest) == digest(other.advance(BEGIN + DAY))


def test_another_seed_s_snapshot_is_refused() -> None:
    with pytest.raises(ValueError, match="form 1 of seed 1, wanted form 1 of seed 2"):
        world(2).restore(world(1).snapshot())


def test_a_torn_snapshot_is_refused_in_words() -> None:
    kept = world().snapshot()
    for name in ("now", "agenda", "bench", "crew", "wires", "draw"):
        torn = {key: value for key, value in kept.items() if key != name}
        with pytest.raises(ValueError, match=f"`{name}` in the snapshot; begin afresh"):
            world().restore(torn)


def test_a_site_that_changed_since_goes_on_with_what_it_has() -> None:
    virtual = world()
    virtual.advance(BEGIN + HOUR)
    kept = virtual.snapshot()
    larger = VirtualSite(site(3), KINDS, SETTINGS, 1)
    larger.restore(kept)
    heard = larger.advance(BEGIN + 2 * HOUR)
    assert samples(heard, "curlew")
    assert samples(heard, "avocet")
    smaller = VirtualSite(site(1), KINDS, SETTINGS, 1)
    smaller.restore(kept)
    assert {e.pack for e in smaller.advance(BEGIN + 2 * HOUR) if isinstance(e, Sample)} == {
        "avocet"
    }


AGAIN = """
import sys
sys.path[:0] = sys.argv[1:]
from test_sim_same import crew_days
print(crew_days())
"""


def crew_days() -> str:
    """Two days with a crew, its uses aside: their packs are a set, which prints in any order."""
    uses = (Use("dawn", BEGIN + HOUR, frozenset({"avocet", "bittern"})),)
    virtual = world(3, replace(SETTINGS, crew=True, uses=uses))
    heard = busy_night(virtual) + virtual.advance(BEGIN + 2 * DAY)
    told = [event for event in heard if not isinstance(event, UsePlanned)]
    return digest(told) + json.dumps(virtual.snapshot())


@pytest.mark.parametrize("hash_seed", ["0", "1", "2"])
def test_the_interpreter_s_own_hash_seed_changes_nothing(hash_seed: str) -> None:
    here = Path(__file__).resolve().parent
    again = subprocess.run(
        [sys.executable, "-c", AGAIN, str(here), str(here.parents[1])],
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    assert again.stdout.strip() == crew_days()
