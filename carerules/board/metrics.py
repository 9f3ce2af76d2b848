"""What is measured of a site, as families of metrics, and whether its service is ready: pure.

Knows shapes and counts. Does not know how metrics are written (`exposition`), nor who asks.

Every label's values come from the site file or from a list of ours (a pack, a plug and its side, an
interlock, an ending, a lane): what a stranger sends can make no new series.

Units are base units, as collectors expect (common practice, from memory): ratios from 0 to 1 and
not percent, joules and not watt hours (1 Wh = 3600 J). A counter of joules gives the mean power in
watts by its rate, which watt hours would not; the board and the reports say Wh, as the trade does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from carerules import __version__
from carerules.adapters import Lane
from carerules.board.exposition import Family, Point
from carerules.domain.spelling import counted
from carerules.engine import Phase
from carerules.report.shapes import PackShape, StatusShape
from carerules.service.counts import Tally, Vitals

STEP_S_MAX = 15.0
"""The loop comes round each second; a busy disk can take some. As long as the board waits before it
says that the service does not move."""

_J_IN_WH = 3_600.0
_PLUG_STATES = ("off", "on", "off unproved", "on unasked")
_LANES = tuple(lane.value for lane in Lane)


def families_of(status: StatusShape, vitals: Vitals) -> Iterator[Family]:
    """Everything that is measured; what this process cannot know is left out, not 0."""
    version = Point(1, {"version": __version__})
    yield Family("carerules_build", "info", "The version of carerules.", (version,))
    yield from _service(status, vitals)
    yield from _packs(status.packs)
    yield from _plugs(status)
    if vitals.tally is not None:
        yield from _counted(vitals.tally, status)


def unready(status: StatusShape, vitals: Vitals) -> list[str]:
    """Why the service is not ready, a line each; none: it is. No name of a thing is in them: who
    asks need not show the token."""
    if vitals.tally is None:
        return [] if status.service.running else ["no service runs"]
    tally = vitals.tally
    why = []
    if tally.step_age_s is None:
        why.append("the loop has not stepped yet")
    elif tally.step_age_s > STEP_S_MAX:
        why.append(f"the loop has not stepped for more than {STEP_S_MAX:.0f} s")
    if vitals.faulted:
        why.append("the journal cannot be written")
    plugs = {plug.plug for station in status.stations for plug in station.plugs}
    left = len(plugs - tally.read_back)
    if left:
        why.append(f"not read back off since the start: {left} of {counted(len(plugs), 'plug')}")
    if not status.service.running:
        why.append("the service is leaving")
    return why


# ---- the service -----------------------------------------------------------------------------


def _service(status: StatusShape, vitals: Vitals) -> Iterator[Family]:
    running, stopped = status.service.running, status.stopped is not None
    yield _one("running", "Whether a service owns the journal.", running)
    yield _one("stopped", "Whether everything is stopped until a person releases it.", stopped)
    yield _one("attended", "Whether somebody said to be there now.",
               status.attended_until is not None)  # fmt: skip
    yield _one("rules_loaded", "Whether the rule files could be read.", status.rules_loaded)
    yield _one("chores", "Chores that only a person can do, still open.", len(status.chores))
    yield _one("entries_waiting", "Entries that no service has taken in.", status.entries_waiting)
    phases = [job.phase for pack in status.packs for job in pack.jobs]
    jobs = (Point(phases.count(one.value), {"phase": one.value}) for one in Phase)
    yield _gauge("jobs", "Jobs under way, by what they are doing.", jobs)
    if vitals.letters is not None:
        yield _one("notices_pending", "Notices still to be delivered, each channel counted.",
                   vitals.letters)  # fmt: skip
    if vitals.tally is not None:
        yield _one("journal_faulted", "Whether the journal cannot be written.",
                   bool(vitals.faulted))  # fmt: skip
        if vitals.tally.step_age_s is not None:
            yield _one("step_age_seconds", "Time since the loop last stepped.",
                       vitals.tally.step_age_s, "seconds")  # fmt: skip
    if vitals.drops is not None:
        drops = vitals.drops
        yield _counter(
            "inbox_drops", "What the inbox had no room for, by lane.",
            (Point(drops.get(lane, 0), {"lane": lane}) for lane in _LANES),
            None if vitals.tally is None else vitals.tally.began,
        )  # fmt: skip


def _one(name: str, words: str, value: float, unit: str = "") -> Family:
    return _gauge(name, words, [Point(float(value))], unit)


def _gauge(name: str, words: str, points: Iterable[Point], unit: str = "") -> Family:
    return Family(f"carerules_{name}", "gauge", words, tuple(points), unit)


def _counter(
    name: str, words: str, points: Iterable[Point], began: float | None, unit: str = ""
) -> Family:
    return Family(f"carerules_{name}", "counter", words, tuple(points), unit, began)


# ---- packs and plugs -------------------------------------------------------------------------


def _packs(packs: list[PackShape]) -> Iterator[Family]:
    rows = (
        ("charge_ratio", "ratio", "State of charge, 0 to 1.", lambda one: one.charge.soc_percent),
        ("charge_spread_ratio", "ratio", "One sigma of the state of charge.",
         lambda one: one.charge.spread_percent),
        ("charge_wanted_ratio", "ratio", "The state of charge that a rule wants now.", _wanted),
        ("health_ratio", "ratio", "Measured capacity against the label.",
         lambda one: one.health.capacity_percent),
    )  # fmt: skip
    for name, unit, words, percent in rows:
        shown = [(one.pack, percent(one)) for one in packs]
        values = {pack: value / 100 for pack, value in shown if value is not None}
        yield _by_pack(name, words, values, unit)
    yield _by_pack("voltage_volts", "Voltage of the pack, at most ten minutes old.",
                   {one.pack: one.voltage_v for one in packs}, "volts")  # fmt: skip
    yield _by_pack("cell_spread_volts", "Highest less lowest cell, at most ten minutes old.",
                   {one.pack: one.cell_spread_v for one in packs}, "volts")  # fmt: skip
    yield _by_pack("temperature_celsius", "Temperature of the pack, at most ten minutes old.",
                   {one.pack: one.temperature_c for one in packs}, "celsius")  # fmt: skip
    yield _by_pack("reading_age_seconds", "Age of what was measured last.",
                   {one.pack: one.last.age_s for one in packs if one.last}, "seconds")  # fmt: skip
    yield _by_pack("barred", "Whether it takes no energy: quarantined or retired.",
                   {one.pack: float(bool(one.barred or one.retired)) for one in packs})  # fmt: skip


def _wanted(pack: PackShape) -> float | None:
    return pack.aim.percent if pack.aim is not None and pack.aim.wanted_from is None else None


def _by_pack(name: str, words: str, values: Mapping[str, float | None], unit: str = "") -> Family:
    shown = [(pack, value) for pack, value in values.items() if value is not None]
    return _gauge(f"pack_{name}", words, (Point(value, {"pack": pack}) for pack, value in shown),
                  unit)  # fmt: skip


def _plugs(status: StatusShape) -> Iterator[Family]:
    plugs = [(one.station, plug) for one in status.stations for plug in one.plugs]
    labels = [{"station": place, "plug": plug.plug, "side": plug.side} for place, plug in plugs]
    pairs = list(zip(labels, (plug for _, plug in plugs), strict=True))
    yield Family(
        "carerules_plug_state", "stateset",
        "How a plug stands; off only where it was read back off.",
        tuple(Point(float(plug.state == state), one, state)
              for one, plug in pairs for state in _PLUG_STATES),
    )  # fmt: skip
    yield _gauge("plug_on", "Whether we have the plug on.",
                 (Point(float(plug.state == "on"), one) for one, plug in pairs))  # fmt: skip
    yield _gauge("plug_proved_off", "Whether it was read back off, and nothing flowed after.",
                 (Point(float(plug.state == "off"), one) for one, plug in pairs))  # fmt: skip
    yield _gauge("plug_reached", "Whether the plug can be reached.",
                 (Point(float(plug.reached), one) for one, plug in pairs))  # fmt: skip
    power = [Point(plug.power_w, one) for one, plug in pairs if plug.power_w is not None]
    yield _gauge("plug_power_watts", "Power by the plug's own meter.", power, "watts")
    locked = [Point(float(bool(one.locked)), {"station": one.station}) for one in status.stations]
    yield _gauge("station_locked", "Whether the station takes no command but off.", locked)


# ---- counted since the service began ---------------------------------------------------------


def _counted(tally: Tally, status: StatusShape) -> Iterator[Family]:
    began = tally.began
    for name, words, value in (
        ("events", "Events stepped, time alone not counted.", tally.events),
        ("samples", "Samples of packs heard.", tally.samples),
        ("samples_left_out", "Samples that came too late for their place.", tally.left_out),
        ("refused", "Messages and entries refused at a door.", tally.refused),
        ("rules_fired", "Rules that became true for a pack.", tally.fired),
        ("notices", "Notices decided on.", tally.notices),
        ("jobs_begun", "Jobs begun.", tally.jobs_begun),
    ):
        yield _counter(name, words, [Point(value)], began)
    yield _counter("jobs_ended", "Jobs that are over, by how.",
                   (Point(n, {"ending": end.value}) for end, n in tally.jobs_ended.items()),
                   began)  # fmt: skip
    yield _counter("vetoes", "Vetoes, by interlock.",
                   (Point(n, {"interlock": name}) for name, n in tally.vetoes.items()),
                   began)  # fmt: skip
    yield _counter("commands", "Commands to plugs, renewals and repeats not counted.",
                   (Point(n, {"word": word}) for word, n in tally.switched.items()),
                   began)  # fmt: skip
    energy = [
        Point(_J_IN_WH * tally.energy_wh.get(plug.plug, 0.0),
              {"station": one.station, "plug": plug.plug, "side": plug.side})
        for one in status.stations for plug in one.plugs
    ]  # fmt: skip
    yield _counter("plug_energy_joules", "Energy through it while we had it on, by its meter.",
                   energy, began, "joules")  # fmt: skip
