"""Each interlock on both sides of its limit, on the pessimistic bound: value ± 2 spread.

Figures are the limits of the pack in the kit, and the constants of the safety contract, each of
which stands beside its row. What is unknown is not allowed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from benchkit import (
    CHARGER,
    LIMITS,
    LOAD,
    NOW,
    OFF,
    PACK,
    STATION,
    UNKNOWN,
    Case,
    charging,
    draining,
    known,
    on,
)  # fmt: skip

from carerules.domain.decision import Veto
from carerules.domain.event import A_PERSON
from carerules.domain.moment import DAY, HOUR, MINUTE, NEVER, SECOND
from carerules.domain.pack import Side
from carerules.domain.quantity import Known, Widening
from carerules.safety import CHECKS, Dwell, Permit, Proof, Run
from carerules.safety.lease import PlugState

BLIND = replace(STATION, blind=True)
NO_TIMER = replace(LOAD, lease_s=None)
UNMETERED = replace(LOAD, metered=False)


def blind(soc: float = 80.0, spread: float = 2.0, target: float = 55.0) -> Case:
    case = draining().reading("pack.cell.min", None).reading("pack.soc", known(soc, spread))
    return case.but(station=BLIND, target=target)


def lain(value: float, spread: float, grown: float) -> Known:
    """Read a day ago; the doubt that time alone has brought since (1 sigma, points)."""
    return replace(known(value, spread, DAY), widens=Widening(grown / DAY, NOW - DAY, 30.0))


def running(**changes: object) -> Case:
    return draining().plug("load", on(**changes))


def charge_running(**changes: object) -> Case:
    return charging().plug("charger", on("charger", **changes))


def answering(amps: float, age: int = 0, **changes: Any) -> Case:
    """A drain that runs, and what the pack tells of itself."""
    case = running(**changes).reading("pack.voltage", known(23.0))
    return case.reading("pack.current", known(amps, 0.02, age))


def typed_in(lowest_v: float, age: int, *, cells: bool = False) -> Case:
    """A drain that has moved 30 Wh at a blind station, of a pack that a person has read."""
    case = blind().plug("load", on(energy_wh=30.0)).reading("pack.current", None)
    lowest = Known(lowest_v, 0.003, NOW - age, A_PERSON if cells else "pack voltage")
    return case.reading("pack.voltage", Known(6 * lowest_v, 0.03, NOW - age, A_PERSON)).reading(
        "pack.cell.min", lowest
    )


def filling(amps: float) -> Case:
    """A charge that runs, and what the pack tells of itself."""
    case = charge_running().reading("pack.voltage", known(23.0))
    return case.reading("pack.current", known(amps, 0.02))


def still(lowest_v: float, at_wh: float) -> Dwell:
    return Dwell(0, "", 4 * HOUR, 1e3, None, None, lowest_v, at_wh)


def spent(ran: int, ended: int = NOW - HOUR, moved_wh: float = 0.0, pack: str = "heron") -> Dwell:
    """A station with a run of so long that ended then, and no other cap in the way."""
    return Dwell(0, "", 4 * HOUR, 1e3, day=(Run(ended, pack, ran, moved_wh),))


FULL_WH = 6 * 4.22 * 16.0
"""What the pack of the kit holds, at the most: cells, ceiling, capacity."""


def begun(soc: float) -> Dwell:
    """A station whose run began at this charge (%), and no other cap in the way."""
    return Dwell(0, "", 4 * HOUR, 1e3, soc)


PROVABLE = replace(LOAD, needs_proof=True)


def unproved(proof: Proof | None, *, running: bool = False) -> Case:
    """A plug that needs a proof, and the one that it has."""
    state = replace(on() if running else OFF, proof=proof)
    return draining().plug("load", state, PROVABLE)


# (what, the case, the interlock that refuses it; nothing: it is allowed)
TABLE = [
    ("everything in order", draining(), ""),
    ("everything in order, charging", charging(), ""),
    # -- stop, barred, locked
    ("stopped", draining().but(stopped="everything is stopped"), "stop"),
    ("stopped, charging", charging().but(stopped="everything is stopped"), "stop"),
    ("barred", draining().but(barred="quarantined"), "pack barred"),
    ("barred, charging", charging().but(barred="quarantined"), "pack barred"),
    ("locked", draining().but(locked="why"), "station locked"),
    ("locked, charging", charging().but(locked="why"), "station locked"),
    # -- the plug
    ("no way to the plug", draining().plug("load", replace(OFF, up=False)), "plug"),
    ("not proved off", draining().plug("load", replace(OFF, off_at=NOW - SECOND)), "plug"),
    ("never heard", draining().plug("load", PlugState("load", off_at=NOW)), "plug"),
    ("on, in order", running(), ""),
    ("on, not confirmed for 14.999 s",
     running(since=14_999, confirmed=False), ""),
    ("on, not confirmed for 15 s", running(since=15_000, confirmed=False), "plug"),
    ("silent for a minute", running(on_heard=NOW - MINUTE, said_at=NOW - MINUTE), ""),
    ("silent for longer", running(on_heard=NOW - MINUTE - 1, said_at=NOW - MINUTE), "plug"),
    ("off by somebody else",
     running(on=False, on_heard=NOW, said_at=NOW - 3 * SECOND - 1), "plug"),
    ("off, 3 s after the word", running(on=False, on_heard=NOW, said_at=NOW - 3 * SECOND), ""),
    # -- one job an ON
    ("on for another job", running(job="other"), "handover"),
    ("on for another job, charging", charge_running(job="other"), "handover"),
    # -- a timer of its own, or somebody present
    ("no timer", draining().plug("load", plug=NO_TIMER), "timer"),
    ("no timer, attended", draining().plug("load", plug=NO_TIMER).but(attended_until=NOW + 1), ""),
    ("no timer, attended until now",
     draining().plug("load", plug=NO_TIMER).but(attended_until=NOW), "timer"),
    ("notices are not asked for", Case().but(needs_notice=False), ""),
    ("a notice arrived 24 h ago", Case().but(needs_notice=True, notice_at=NOW - 24 * HOUR), ""),
    ("it is older", Case().but(needs_notice=True, notice_at=NOW - 24 * HOUR - 1), "notice"),
    ("none ever arrived", Case().but(needs_notice=True), "notice"),
    ("one from the future", Case().but(needs_notice=True, notice_at=NOW + 1), "notice"),
    ("no notice, but somebody is there",
     Case().but(needs_notice=True, attended_until=NOW + 1), ""),
    ("who was there has left", Case().but(needs_notice=True, attended_until=NOW), "notice"),
    ("no notice stops what runs", Case().plug("load", on()).but(needs_notice=True), ""),
    ("no timer, whatever the site file says",
     draining().plug("load", plug=replace(NO_TIMER, unguarded=True)), "timer"),
    ("no timer, charging, attended until now",
     charging().plug("charger", plug=replace(CHARGER, lease_s=None))
     .but(attended_until=NOW), "timer"),
    # -- a proof: 30 days, 20 times, the same plug; or somebody present (SAFETY 12)
    ("not proved", unproved(None), "proof"),
    ("not proved, charging, attended until now",
     charging().plug("charger", plug=replace(CHARGER, needs_proof=True))
     .but(attended_until=NOW), "proof"),
    ("not proved, attended", unproved(None).but(attended_until=NOW + 1), ""),
    ("proved 30 days ago", unproved(Proof(PROVABLE.key, NOW - 30 * DAY)), ""),
    ("proved 1 ms longer ago", unproved(Proof(PROVABLE.key, NOW - 30 * DAY - 1)), "proof"),
    ("went on 19 times since", unproved(Proof(PROVABLE.key, NOW, 19)), ""),
    ("went on 20 times since", unproved(Proof(PROVABLE.key, NOW, 20)), "proof"),
    ("in its twentieth run since", unproved(Proof(PROVABLE.key, NOW, 20), running=True), ""),
    ("in one more", unproved(Proof(PROVABLE.key, NOW, 21), running=True), "proof"),
    ("proved with a longer lease",
     unproved(Proof(replace(PROVABLE, lease_s=600).key, NOW)), "proof"),
    ("proved at another address",
     unproved(Proof(replace(PROVABLE, variables={"topic": "x"}).key, NOW)), "proof"),
    ("without a timer there is no proof, whatever was said",
     draining().plug("load", plug=replace(PROVABLE, lease_s=None, unguarded=True)), "timer"),
    # -- never both
    ("charger not proved off",
     draining().plug("charger", replace(OFF, name="charger", off_at=NOW)), "one side only"),
    ("charger on", draining().plug("charger", on("charger")), "one side only"),
    ("charger says on",
     draining().plug("charger", replace(OFF, name="charger", on=True)), "one side only"),
    ("load not proved off", charging().plug("load", replace(OFF, off_at=NOW)), "one side only"),
    ("load on", charging().plug("load", on()), "one side only"),
    ("no charger at all", draining().but(station=replace(STATION, charger=None)), ""),
    ("no load at all", charging().but(station=replace(STATION, load=None)), ""),
    # -- caps: whichever comes first
    ("1 ms below its time", running(since=HOUR - 1).but(dwell=Dwell(0, "", HOUR, 1e3)), ""),
    ("at its time", running(since=HOUR).but(dwell=Dwell(0, "", HOUR, 1e3)), "caps"),
    ("just below its energy", running(energy_wh=49.99).but(dwell=Dwell(0, "", HOUR, 50.0)), ""),
    ("at its energy", running(energy_wh=50.0).but(dwell=Dwell(0, "", HOUR, 50.0)), "caps"),
    ("caps do not hold before an ON",
     draining().plug("load", replace(OFF, energy_wh=99.0)).but(dwell=Dwell(0, "", 0, 0.0)), ""),
    # -- all runs of a day
    ("1 ms below a day's runs", draining().but(dwell=spent(16 * HOUR - 1)), ""),
    ("a day's runs", draining().but(dwell=spent(16 * HOUR)), "day"),
    ("a day's runs, charging", charging().but(dwell=spent(16 * HOUR)), "day"),
    ("with this run", running(since=HOUR).but(dwell=spent(15 * HOUR)), "day"),
    ("1 ms below with this run", running(since=HOUR).but(dwell=spent(15 * HOUR - 1)), ""),
    ("that ran two days ago", draining().but(dwell=spent(16 * HOUR, NOW - 48 * HOUR)), ""),
    ("just below four times what it holds",
     draining().but(dwell=spent(HOUR, moved_wh=4 * FULL_WH - 0.1)), ""),
    ("four times what it holds", draining().but(dwell=spent(HOUR, moved_wh=4 * FULL_WH)), "day"),
    ("four times, charging", charging().but(dwell=spent(HOUR, moved_wh=4 * FULL_WH)), "day"),
    ("that moved for another pack",
     draining().but(dwell=spent(HOUR, moved_wh=4 * FULL_WH, pack="egret")), ""),
    ("that moved a day ago",
     draining().but(dwell=spent(HOUR, NOW - DAY, moved_wh=4 * FULL_WH)), ""),
    ("with what this run moved", running(energy_wh=10.0)
     .but(dwell=spent(HOUR, moved_wh=4 * FULL_WH - 10.0)), "day"),
    ("a little below, with it", running(energy_wh=9.9)
     .but(dwell=spent(HOUR, moved_wh=4 * FULL_WH - 10.0)), ""),
    ("what a run before moved is no part of a new one", draining()
     .plug("load", replace(OFF, energy_wh=10.0)).but(dwell=spent(HOUR, moved_wh=4 * FULL_WH - 5)),
     ""),
    # -- dwell
    ("off until 1 ms from now", draining().but(dwell=Dwell(NOW + 1, "because")), "dwell"),
    ("off until now", draining().but(dwell=Dwell(NOW, "because")), ""),
    # -- doubt
    ("doubt", draining().but(doubt="cells do not add up"), "doubt"),
    ("doubt, charging", charging().but(doubt="cells do not add up"), "doubt"),
    # -- a pack that answers: its own current within 20 s, a lowest cell that moves
    ("answers", answering(amps=-2.7), ""),
    ("answers with a quarter, 15 W",
     answering(amps=-0.625).reading("pack.voltage", known(24.0)), ""),
    ("answers with less", answering(amps=-0.6), "answer"),
    ("does not answer", answering(amps=0.0), "answer"),
    ("fills while its station's load is on: another hangs there", answering(amps=2.7), "answer"),
    ("fills, charging", filling(amps=2.7), ""),
    ("empties, charging: it hangs on the load of another station", filling(amps=-2.7), "answer"),
    ("typed in once, and long ago: no watch",
     typed_in(3.8, MINUTE + 1).but(dwell=still(3.8, 0.0)), ""),
    ("typed in again and again, and it never moves",
     typed_in(3.8, SECOND).but(dwell=still(3.8, 0.0)), "answer"),
    ("typed in cell by cell, long ago",
     typed_in(3.8, MINUTE + 1, cells=True).but(dwell=still(3.8, 0.0)), ""),
    ("a voltage was typed in, and cells that are told stand still",
     typed_in(3.8, MINUTE + 1).reading("pack.cell.min", known(3.8, 0.003))
     .but(dwell=still(3.8, 0.0)), "answer"),
    ("tells of work though its load has let go: its telemetry stands still",
     answering(amps=-2.7, power_w=0.4), "answer"),
    ("tells of four times what flows", answering(amps=-2.7, power_w=15.525), ""),
    ("and of a little more", answering(amps=-2.7, power_w=15.52), "answer"),
    ("told of work before its load let go",
     answering(amps=-2.7, power_w=0.4, age=2 * SECOND), ""),
    ("fills, while its charger pauses",
     filling(amps=2.7).plug("charger", on("charger", power_w=3.0)), ""),
    ("its current is from before the ON", answering(amps=0.0, since=25 * SECOND, age=6_000), ""),
    ("its current is of 20 s after the ON",
     answering(amps=0.0, since=25 * SECOND, age=5_000), "answer"),
    ("no current is told", answering(amps=0.0).reading("pack.current", None), ""),
    ("no voltage to reckon with", answering(amps=0.0).reading("pack.voltage", None), ""),
    ("a load that has let go draws next to nothing", answering(amps=0.0, power_w=11.9), ""),
    ("a fifth of its usual power is work", answering(amps=0.0, power_w=12.0), "answer"),
    ("power not heard since", answering(amps=0.0, power_heard=NOW - 10 * MINUTE + 19_999), ""),
    ("power not told", answering(amps=0.0, power_w=None), ""),
    ("a plug that is off is not judged",
     draining().reading("pack.voltage", known(23.0)), ""),
    ("a lowest cell that stood still over 5 % of the pack's energy, 18.4 Wh",
     answering(amps=-2.7, energy_wh=20.4).but(dwell=still(3.9, 2.0)), ""),
    ("and over more", answering(amps=-2.7, energy_wh=20.41).but(dwell=still(3.9, 2.0)), "answer"),
    ("one that moved", answering(amps=-2.7, energy_wh=99.0).but(dwell=still(3.901, 2.0)), ""),
    ("one that is not seen any more",
     answering(amps=-2.7, energy_wh=99.0).but(dwell=still(3.9, 2.0), station=BLIND)
     .reading("pack.cell.min", UNKNOWN), ""),
    # -- temperature: 0 to 50 °C draining, 5 to 45 °C charging
    ("drain at 0 °C less 2 spread", draining().reading("pack.temperature", known(1.0, 0.5)), ""),
    ("a little colder", draining().reading("pack.temperature", known(0.99, 0.5)), "temperature"),
    ("drain at 50 °C", draining().reading("pack.temperature", known(49.0, 0.5)), ""),
    ("a little hotter", draining().reading("pack.temperature", known(49.01, 0.5)), "temperature"),
    ("charge at 5 °C", charging().reading("pack.temperature", known(6.0, 0.5)), ""),
    ("a little colder, charging",
     charging().reading("pack.temperature", known(5.99, 0.5)), "temperature"),
    ("charge at 45 °C", charging().reading("pack.temperature", known(44.0, 0.5)), ""),
    ("a little hotter, charging",
     charging().reading("pack.temperature", known(44.01, 0.5)), "temperature"),
    ("a minute old", draining().reading("pack.temperature", known(21, 0.5, MINUTE)), ""),
    ("older", draining().reading("pack.temperature", known(21, 0.5, MINUTE + 1)), "temperature"),
    ("implausible", draining().reading("pack.temperature", UNKNOWN), "temperature"),
    ("no sensor, no room", draining().reading("pack.temperature", None), "temperature"),
    ("unknown, attended drain",
     draining().reading("pack.temperature", None).but(attended_until=NOW + 1), ""),
    ("unknown, attended charge", charging().reading("pack.temperature", None), "temperature"),
    ("known and too hot, attended",
     draining().reading("pack.temperature", known(60)).but(attended_until=NOW + 1), "temperature"),
    # the room stands for a pack without a sensor, with a berth of 10 K
    ("room", draining().reading("pack.temperature", None).but(
        room={"site.temperature": known(40.0, 0.0, 10 * MINUTE)}), ""),
    ("room too warm", draining().reading("pack.temperature", None).but(
        room={"site.temperature": known(40.01)}), "temperature"),
    ("room with its spread", draining().reading("pack.temperature", None).but(
        room={"site.temperature": known(40.0, 0.1)}), "temperature"),
    ("room too old", draining().reading("pack.temperature", None).but(
        room={"site.temperature": known(20.0, 0.0, 10 * MINUTE + 1)}), "temperature"),
    ("a pack's own sensor that is silent is not replaced by the room",
     draining().reading("pack.temperature", UNKNOWN).but(
         room={"site.temperature": known(20.0)}), "temperature"),
    # -- the author's `never`
    ("never", draining().but(forbidden="site.smoke is on"), "never"),
    ("never, charging", charging().but(forbidden="site.smoke is on"), "never"),
    # -- floor: 3.4 V a cell, 5 %
    ("above the floor", draining().reading("pack.cell.min", known(3.4101, 0.005)), ""),
    ("its doubt reaches it", draining().reading("pack.cell.min", known(3.4099, 0.005)), "floor"),
    ("at the floor", draining().reading("pack.cell.min", known(3.4)), "floor"),
    ("voltage a minute old", draining().reading("pack.cell.min", known(3.9, 0.005, MINUTE)), ""),
    ("older voltage", draining().reading("pack.cell.min", known(3.9, 0.005, MINUTE + 1)), "floor"),
    ("no voltage", draining().reading("pack.cell.min", None), "floor"),
    ("implausible voltage", draining().reading("pack.cell.min", UNKNOWN), "floor"),
    ("target at 5 %", draining().but(target=5.0), ""),
    ("target below", draining().but(target=4.9), "floor"),
    # -- blind: above 30 %, at most 30 points a run, metered
    ("blind", blind(), ""),
    ("blind above 30 %", blind(soc=34.1, target=31.0), ""),
    ("blind at 30 %", blind(soc=34.0, target=31.0), "floor"),
    ("blind, 30 points", blind(soc=80, target=50), ""),
    ("blind, more", blind(soc=80, target=49.9), "floor"),
    ("blind, more, counted from the beginning of the run",
     blind(soc=60, target=50).but(dwell=begun(80.1)), "floor"),
    ("blind, above 30 % when it was read a minute ago, and falling since",
     blind().reading("pack.soc", known(35, 2, MINUTE, -1.5 / MINUTE)).but(target=31.0), "floor"),
    ("blind, falling, and still above 30 %",
     blind().reading("pack.soc", known(35, 2, MINUTE, -0.5 / MINUTE)).but(target=31.0), ""),
    ("blind, read a while ago, and the doubt has grown to 2.5 since",
     blind().reading("pack.soc", lain(35.01, 2, 1.5)).but(target=31.0), ""),
    ("blind, read longer ago, and the doubt has grown to just over 2.5",
     blind().reading("pack.soc", lain(35.01, 2, 1.51)).but(target=31.0), "floor"),
    ("blind, more than 30 points when it was read, and fallen since",
     blind().reading("pack.soc", known(81, 2, MINUTE, -1.5 / MINUTE)).but(target=50.0), ""),
    ("blind, 30 points from the beginning", blind(soc=60, target=50).but(dwell=begun(80.0)), ""),
    ("blind, 30 points with what was drawn since it was read",
     blind(soc=80, target=55).but(drawn=5.0), ""),
    ("blind, more with what was drawn since it was read",
     blind(soc=80, target=55).but(drawn=5.1), "floor"),
    ("blind, what was drawn before this run counts once",
     blind(soc=70, target=55).but(dwell=begun(85.0), drawn=15.0), ""),
    ("blind, more was drawn than what is said of its charge shows",
     blind(soc=80, target=55).but(dwell=begun(80.0), drawn=30.1), "floor"),
    ("blind without a charge", blind().reading("pack.soc", UNKNOWN), "floor"),
    ("blind without a meter", blind().plug("load", plug=UNMETERED), "floor"),
    ("blind, meter a minute old",
     blind().plug("load", on(power_heard=NOW - MINUTE, asked_at=NOW)), ""),
    ("blind, meter silent", blind().plug("load", on(power_heard=NOW - MINUTE - 1)), "floor"),
    ("blind, just on, meter not yet heard",
     blind().plug("load", on(since=MINUTE, power_heard=NOW - HOUR, power_w=0.0)), ""),
    ("blind, on for a minute, meter never heard",
     blind().plug("load", on(since=MINUTE + 1, power_heard=NOW - HOUR, power_w=0.0)), "floor"),
    ("blind, on for more than a minute, and the meter shows next to nothing",
     blind().plug("load", on(since=MINUTE + 1, power_w=11.9)), "floor"),
    ("blind, and it shows a fifth of the load",
     blind().plug("load", on(since=MINUTE + 1, power_w=12.0)), ""),
    ("blind, a plain switch that has moved 30 points",
     blind(soc=50, target=100).but(dwell=begun(80.0)), ""),
    ("blind, a plain switch that has moved more",
     blind(soc=49.9, target=100).but(dwell=begun(80.0)), "floor"),
    ("blind, the floor stands for 45 %", blind(soc=55).but(floor_charge=45.0), ""),
    ("blind, the floor stands for 55 %", blind(soc=59, target=56).but(floor_charge=55.0), "floor"),
    ("attended, last seen hot a while ago",
     draining().reading("pack.temperature", known(79, 0.5, 2 * MINUTE))
     .but(attended_until=NOW + 1), "temperature"),
    ("attended, last seen in its window a while ago",
     draining().reading("pack.temperature", known(25, 0.5, 2 * MINUTE))
     .but(attended_until=NOW + 1), ""),
    ("a voltage that is seen is believed at a blind station, too",
     draining().but(station=BLIND).reading("pack.cell.min", known(3.4, 0.005)), "floor"),
    # -- ceiling: 4.22 V a cell; and no cell that was harmed
    ("below the ceiling", charging().reading("pack.cell.max", known(4.199, 0.01)), ""),
    ("at the ceiling, with its doubt",
     charging().reading("pack.cell.max", known(4.125, 0.046875))
     .but(pack=replace(PACK, limits=replace(LIMITS, cell_v_ceiling=4.21875))), "ceiling"),
    ("a little above", charging().reading("pack.cell.max", known(4.201, 0.01)), "ceiling"),
    ("no voltage, charging", charging().reading("pack.cell.max", None), "ceiling"),
    ("implausible voltage, charging", charging().reading("pack.cell.max", UNKNOWN), "ceiling"),
    ("old voltage, charging",
     charging().reading("pack.cell.max", known(3.9, 0.005, MINUTE + 1)), "ceiling"),
    ("a minute old, charging", charging().reading("pack.cell.max", known(3.9, 0.005, MINUTE)), ""),
    ("lowest cell above its harm, with its doubt",
     charging().reading("pack.cell.min", known(3.0101, 0.005)), ""),
    ("lowest cell at its harm, with its doubt",
     charging().reading("pack.cell.min", known(3.03125, 0.015625)), "ceiling"),
    ("lowest cell may be below its harm",
     charging().reading("pack.cell.min", known(3.0099, 0.005)), "ceiling"),
    ("lowest cell unknown", charging().reading("pack.cell.min", UNKNOWN), "ceiling"),
    ("lowest cell not seen for more than a minute",
     charging().reading("pack.cell.min", known(3.9, 0.005, MINUTE + 1)), "ceiling"),
    # -- rest: 20 min
    ("rested", charging().reading("pack.rested", known(20 * MINUTE)), ""),
    ("rested 1 ms less", charging().reading("pack.rested", known(20 * MINUTE - 1)), "rest"),
    ("rested as time goes on",
     charging().reading("pack.rested", known(0, 0, 20 * MINUTE, slope=1.0)), ""),
    ("rest unknown", charging().reading("pack.rested", UNKNOWN), "rest"),
    ("while it charges, its own current is no unrest",
     charge_running().reading("pack.rested", known(0.0)), ""),
    # -- presence
    ("somebody there", charging().but(attended_until=NOW + 1), ""),
    ("nobody there", charging().but(attended_until=NOW), "presence"),
    ("nobody there any more", charge_running().but(attended_until=NOW), "presence"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "case", "wanted"), TABLE, ids=[row[0] for row in TABLE])
def test_interlock(what: str, case: Case, wanted: str) -> None:
    assert case.interlock() == wanted


def test_every_interlock_refuses_something_in_the_table() -> None:
    refusing = {(case.side, wanted) for _, case, wanted in TABLE if wanted}
    both = {wanted for _, wanted in refusing}
    assert both == {name for checks in CHECKS.values() for name, _ in checks}


def test_the_checks_of_one_side_are_those_of_the_other_and_its_own() -> None:
    names = {side: [name for name, _ in checks] for side, checks in CHECKS.items()}
    assert [name for name in names[Side.LOAD] if name not in names[Side.CHARGER]] == ["floor"]
    assert [name for name in names[Side.CHARGER] if name not in names[Side.LOAD]] == [
        "ceiling", "rest", "presence",
    ]  # fmt: skip


# (what, case, the first moment at which the permit ends by itself)
UNTIL = [
    ("the proof runs out",
     unproved(Proof(PROVABLE.key, NOW - 30 * DAY + 20 * SECOND), running=True),
     NOW + 20 * SECOND + 1),
    ("voltage grows old", draining().reading("pack.cell.min", known(3.9, 0.005, 20 * SECOND)),
     NOW + 40 * SECOND + 1),
    ("temperature grows old", draining().reading("pack.temperature", known(21, 0.5, 50 * SECOND)),
     NOW + 10 * SECOND + 1),
    ("the time cap", running(since=HOUR).but(dwell=Dwell(0, "", HOUR + 7 * SECOND, 1e3)),
     NOW + 7 * SECOND),
    ("the day's runs", running(since=HOUR).but(dwell=spent(15 * HOUR - 9 * SECOND)),
     NOW + 9 * SECOND),
    ("the plug falls silent", running(on_heard=NOW - 55 * SECOND, said_at=NOW - 55 * SECOND),
     NOW + 5 * SECOND + 1),
    ("the person leaves", charging().but(attended_until=NOW + 9 * SECOND), NOW + 9 * SECOND),
    ("the person with a drain leaves",
     draining().reading("pack.temperature", None).but(attended_until=NOW + 9 * SECOND),
     NOW + 9 * SECOND),
    ("the highest cell grows old",
     charging().reading("pack.cell.max", known(3.9, 0.005, 58 * SECOND)), NOW + 2 * SECOND + 1),
    ("the lowest cell grows old",
     charging().reading("pack.cell.min", known(3.9, 0.005, 59 * SECOND)), NOW + SECOND + 1),
    ("blind: the meter grows old",
     blind().plug("load", on(power_heard=NOW - 57 * SECOND)), NOW + 3 * SECOND + 1),
    ("a pack without a sensor: the room grows old",
     blind().reading("pack.temperature", None).but(
         room={"site.temperature": known(20, 0, 9 * MINUTE)}), NOW + MINUTE + 1),
]  # fmt: skip


@pytest.mark.parametrize(("what", "case", "until"), UNTIL, ids=[row[0] for row in UNTIL])
def test_a_permit_ends_by_itself(what: str, case: Case, until: int) -> None:
    verdict = case.verdict()
    assert isinstance(verdict, Permit)
    assert (verdict.job, verdict.at, verdict.until) == ("job", NOW, until)


def test_a_permit_that_nothing_ends() -> None:
    case = blind().but(room={"site.temperature": known(20)})
    assert case.verdict() == Permit("job", NOW, NOW + MINUTE + 1)
    assert draining().plug("load", on(confirmed=False, since=SECOND)).verdict().until < NEVER


# (what, case): waiting will not mend these, the job ends
FINAL = [
    ("barred", draining().but(barred="quarantined"), True),
    ("energy cap", running(energy_wh=50.0).but(dwell=Dwell(0, "", HOUR, 50.0)), True),
    ("a time cap of its own", running(since=HOUR).but(dwell=Dwell(0, "", HOUR, 1e3)), True),
    ("the cap of 4 h", running(since=4 * HOUR).but(dwell=Dwell(0, "", 4 * HOUR, 1e3)), False),
    ("a cap just under 4 h",
     running(since=4 * HOUR - 1).but(dwell=Dwell(0, "", 4 * HOUR - 1, 1e3)), True),
    ("at the floor", draining().reading("pack.cell.min", known(3.4)), True),
    ("target below the floor", draining().but(target=4.0), True),
    ("no voltage", draining().reading("pack.cell.min", None), False),
    ("blind at 30 %", blind(soc=34.0, target=31.0), True),
    ("blind too deep", blind(soc=80, target=49), True),
    ("blind without a meter", blind().plug("load", plug=UNMETERED), True),
    ("blind, the meter shows nothing",
     blind().plug("load", on(since=MINUTE + 1, power_w=None)), True),
    ("blind, the meter is silent", blind().plug("load", on(power_heard=NOW - MINUTE - 1)), False),
    ("blind, nothing known", blind().reading("pack.soc", UNKNOWN), False),
    ("above the ceiling", charging().reading("pack.cell.max", known(4.3)), True),
    ("lowest cell harmed", charging().reading("pack.cell.min", known(2.9)), True),
    ("lowest cell unknown", charging().reading("pack.cell.min", UNKNOWN), False),
    ("no voltage, charging", charging().reading("pack.cell.max", UNKNOWN), False),
    ("locked", draining().but(locked="why"), False),
    ("temperature", draining().reading("pack.temperature", known(60)), False),
    ("rest", charging().reading("pack.rested", known(0.0)), False),
    ("presence", charging().but(attended_until=0), False),
    ("plug silent", running(on_heard=NOW - MINUTE - 1, said_at=NOW - MINUTE), False),
    ("off by somebody else", running(on=False, on_heard=NOW, said_at=NOW - MINUTE), True),
    ("handover", running(job="other"), False),
    ("never", draining().but(forbidden="site.smoke is on"), False),
    ("the day's runs", draining().but(dwell=spent(16 * HOUR)), False),
    ("a day's energy", draining().but(dwell=spent(HOUR, moved_wh=2_000.0)), False),
    ("doubt", draining().but(doubt="x"), False),
    ("no answer", answering(amps=0.0), True),
]  # fmt: skip


@pytest.mark.parametrize(("what", "case", "final"), FINAL, ids=[row[0] for row in FINAL])
def test_what_ends_a_job(what: str, case: Case, final: bool) -> None:
    verdict = case.verdict()
    assert isinstance(verdict, Veto)
    assert verdict.final is final


# (case, what is said, what a person can do)
WORDS = [
    (draining().but(stopped="it is stopped"),
     "it is stopped; wanted a site that is released and has begun", ""),
    (draining().but(barred="quarantined: swollen"),
     "heron is quarantined: swollen; wanted a pack that a person has released",
     "look at it, then `carerules release heron`"),
    (draining().but(locked="it smells"),
     "station bench is locked: it smells; wanted a station that is released",
     "look at it, then `carerules release bench`"),
    (draining().plug("load", replace(OFF, up=False)),
     "plug load cannot be reached; wanted a plug that answers", ""),
    (draining().plug("load", replace(OFF, off_at=NOW)),
     "plug load is not yet read back off; wanted a start from a proved off", ""),
    (running(power_w=80.0),
     "plug load: it draws 80 W, wanted at most 72 W; wanted a plug that does as it is told", ""),
    (running(job="other"),
     "plug load is on for another job; wanted a start from a proved off", ""),
    (draining().plug("load", plug=NO_TIMER),
     "plug load has no timer of its own; wanted a timer, or somebody present",
     "stay with it and say `carerules attend 60`"),
    (draining().plug("charger", on("charger")),
     "the charger of station bench is not proved off; wanted never both at once", ""),
    (charging().plug("load", on()),
     "the load of station bench is not proved off; wanted never both at once", ""),
    (running(since=HOUR).but(dwell=Dwell(0, "", HOUR, 1e3)),
     "on for 1 h; wanted at most 1 h at a time", ""),
    (running(energy_wh=50.06).but(dwell=Dwell(0, "", HOUR, 50.0)),
     "50.1 Wh moved; wanted at most 50.0 Wh, a quarter over forecast", ""),
    (draining().but(dwell=Dwell(NOW + 90 * SECOND, "for a reason")),
     "station bench went off a short while ago (for a reason); wanted 1 min 30 s more before it "
     "goes on again", ""),
    (draining().but(doubt="two readings differ"),
     "heron: two readings differ; wanted readings that agree",
     "measure heron by hand and enter it"),
    (draining().but(dwell=spent(17 * HOUR)),
     "on for 17 h in a day; wanted at most 16 h in 24 h", ""),
    (draining().but(dwell=spent(HOUR, moved_wh=1_700.4)),
     "1700 Wh moved for heron in a day; wanted at most 4 times the 405 Wh that it holds, in 24 h",
     ""),
    (answering(amps=-0.1),
     "60 W flow out, and heron tells of 2 W; wanted a pack that answers to what flows",
     "see that heron hangs on bench"),
    (answering(amps=-2.7, energy_wh=30.4).but(dwell=still(3.9, 0.0)),
     "30 Wh have moved, and heron's voltage stands still; "
     "wanted a pack that answers to what flows", "see that heron hangs on bench"),
    (draining().reading("pack.temperature", UNKNOWN),
     "its temperature is unknown; wanted 0 to 50 °C, at most a minute old",
     "give it a sensor, or stay and say `carerules attend 60`"),
    (charging().reading("pack.temperature", known(46.04, 0.5)),
     "temperature 46.0 ± 1.0 °C; wanted 5 to 45 °C", ""),
    (draining().but(forbidden="site.smoke is on"),
     "`never drain when site.smoke is on` holds or cannot be ruled out; "
     "wanted a condition that is certainly false", ""),
    (charging().but(forbidden="site.smoke is on"),
     "`never charge when site.smoke is on` holds or cannot be ruled out; "
     "wanted a condition that is certainly false", ""),
    (draining().but(target=4.0), "drain to 4 %; wanted at least 5 %", ""),
    (draining().reading("pack.cell.min", known(3.4, 0.005)),
     "lowest cell 3.400 ± 0.010 V; wanted above 3.40 V a cell", ""),
    (draining().reading("pack.cell.min", None),
     "heron's lowest cell is unknown, or older than a minute; "
     "wanted a voltage at most a minute old",
     "connect its telemetry, or allow `blind` at the station"),
    (blind().reading("pack.soc", UNKNOWN),
     "neither voltage nor charge is known; wanted one of them", ""),
    (blind(soc=33.0, target=31.0),
     "charge may be as low as 29 %; wanted above 30 % where the voltage is not seen", ""),
    (blind(soc=90, target=49),
     "41 points to drain; wanted at most 30 where the voltage is not seen",
     "read heron's voltage and enter it"),
    (blind().plug("load", plug=UNMETERED),
     "plug load has no meter; wanted a meter where the voltage is not seen", ""),
    (blind().plug("load", on(power_heard=NOW - MINUTE - 1)),
     "plug load's meter is silent; wanted power at most a minute old", ""),
    (blind().plug("load", on(since=MINUTE + 1, power_w=None)),
     "plug load meters 0 W while it is on; "
     "wanted at least 12 W: the meter is all that is seen of the drain", ""),
    (charging().reading("pack.cell.max", UNKNOWN),
     "heron's highest cell is unknown, or older than a minute; "
     "wanted a voltage at most a minute old", "connect its telemetry"),
    (charging().reading("pack.cell.max", known(4.25, 0.005)),
     "highest cell 4.250 ± 0.010 V; wanted below 4.22 V a cell", ""),
    (charging().reading("pack.cell.min", UNKNOWN),
     "heron's lowest cell is unknown, or older than a minute; "
     "wanted a voltage at most a minute old", "connect its telemetry"),
    (charging().reading("pack.cell.min", known(3.0, 0.005)),
     "lowest cell 3.000 ± 0.010 V; wanted above 3.00 V a cell", ""),
    (charging().reading("pack.rested", UNKNOWN),
     "it is unknown how long it has rested; wanted 20 min", ""),
    (charging().reading("pack.rested", known(5 * MINUTE)), "rested 5 min; wanted 20 min", ""),
    (charging().but(attended_until=0),
     "nobody is with the charger; wanted somebody present while it charges",
     "stay with it and say `carerules attend 60`"),
]  # fmt: skip


@pytest.mark.parametrize(("case", "said", "mend"), WORDS, ids=[row[1][:40] for row in WORDS])
def test_what_is_said(case: Case, said: str, mend: str) -> None:
    verdict = case.verdict()
    assert isinstance(verdict, Veto)
    assert verdict.show() == said
    assert verdict.mend == mend
    assert (verdict.job, verdict.pack, verdict.station) == ("job", "heron", "bench")


def test_the_first_interlock_in_the_list_says_why() -> None:
    case = draining().but(stopped="a", barred="b", locked="c", doubt="d", forbidden="e")
    assert case.interlock() == "stop"
    assert case.but(stopped="").interlock() == "pack barred"
    assert case.but(stopped="", barred="").interlock() == "station locked"


def test_limits_are_only_ever_tightened() -> None:
    """The site file's limits, joined with the chemistry's: the stricter of each, in any order."""
    loose = replace(LIMITS, cell_v_floor=2.5, cell_v_ceiling=4.5, cell_v_harm=2.0, drain_c_min=-40,
                    drain_c_max=90, charge_c_min=-40, charge_c_max=90, soc_floor=0.0,
                    rest_before_charge=0)  # fmt: skip
    assert LIMITS.tightened(loose) == LIMITS == loose.tightened(LIMITS)
    tight = replace(LIMITS, cell_v_floor=3.6)
    assert LIMITS.tightened(tight).cell_v_floor == 3.6
    case = draining().but(pack=replace(PACK, limits=LIMITS.tightened(tight)))
    assert case.reading("pack.cell.min", known(3.6)).interlock() == "floor"
    assert case.reading("pack.cell.min", known(3.61)).interlock() == ""


def test_what_is_said_of_a_notice_that_is_old_or_never_was() -> None:
    """SAFETY 14, our own contract; the 24 h are a choice, no source."""
    never = Case().but(needs_notice=True).verdict()
    old = Case().but(needs_notice=True, notice_at=NOW - 25 * HOUR).verdict()
    assert isinstance(never, Veto)
    assert isinstance(old, Veto)
    assert never.found == "no notice has ever reached people"
    assert old.found.startswith("no notice has reached people for")
    assert not never.final
