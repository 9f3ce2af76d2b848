"""The doors as functions of bytes: whatever comes in, a value or a refusal comes out.

Shared by the hypothesis tests beside this file and by the atheris script; each target raises where
a door breaks its word. What a door lets in is carried on into the core: bytes that were taken must
not bring it down later.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from carerules.adapters import (
    RECORD_WORDS,
    Feed,
    Message,
    Problem,
    Topics,
    dump_entry,
    dump_event,
    load_entry,
    load_event,
    load_feed_profile,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    parse_use,
    plug_profiles,
    to_events,
    topics_of,
)
from carerules.battery import shipped_chemistries
from carerules.config import SiteFile, read_site_text
from carerules.domain.diagnostic import Diagnostic, Severity
from carerules.domain.event import Event, Rejected, Sample, SiteSample, Started, Tick, Value
from carerules.domain.moment import MINUTE, SECOND, LocalTime, Moment
from carerules.domain.pack import Pack, Plug, Site, Socket, Station
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.engine import explain
from carerules.lang import CODES, Names, load, read_text
from carerules.lang.format import format_text
from carerules.lang.limits import FINDINGS_MAX
from carerules.loop import World, facts_of, make_setup, new_world, next_due, step

ZONE = ZoneInfo("Europe/Berlin")
NOW: Moment = 1_764_921_600_000  # Friday 5 December 2025, 08:00 UTC
CHEMISTRIES = shipped_chemistries()
SIGNALS = catalogue()
NAMES = Names(
    packs=frozenset({"heron", "egret"}), chemistries=frozenset({"lipo", "lifepo4"}),
    tags=frozenset({"smart"}), roles=frozenset({"boat"}), channels=frozenset({"phone"}),
)  # fmt: skip
PLUGS = {
    "A-load": Plug("A-load", "generic-json", {"topic": "bench/plug-1"}),
    "pulse": Plug("pulse", "pulse-timer", {"topic": "plug1", "relay": "1"}),
    "rpc": Plug("rpc", "json-rpc", {"topic": "plug2", "channel": "0"}),
    "radio": Plug("radio", "on-time-bridge", {"topic": "bridge/plug3"}),
}
SITE = Site(
    "river survey",
    LocalTime(ZONE),
    {
        name: Pack(name, "lipo", cells, 16.0, CHEMISTRIES["lipo"].limits, frozenset({"smart"}))
        for name, cells in (("heron", 6), ("egret", 4))
    },
    {"A": Station("A", load=Socket("A-load", 60.0)), "B": Station("B", load=Socket("rpc", 60.0))},
    PLUGS,
    virtual=True,
)
FEEDS = [
    Feed("bench", "generic-json", {"topic": "bench/heron"}, "heron"),
    Feed("room", "room-json", {"topic": "bench/room"}),
]


def _topics() -> Topics:
    plugs = plug_profiles()
    feeds = {name: load_feed_profile(name) for name in ("generic-json", "room-json")}
    built = topics_of(PLUGS, plugs, FEEDS, feeds, SIGNALS)  # type: ignore[arg-type]
    assert isinstance(built, Topics)
    return built


TOPICS = _topics()


def world_with(plan: Plan) -> World:
    world = new_world(make_setup(SITE, CHEMISTRIES, SIGNALS, plan), NOW)
    return step(world, Started(NOW))[0]


QUIET = world_with(Plan())


# ---- rules -----------------------------------------------------------------------------------


def care(data: bytes) -> None:
    """A rule file. What loads is run for two hours, with samples, and a look at why."""
    text = read_text(data, "fuzz.care")
    if isinstance(text, Diagnostic):
        assert text.code in CODES
        return
    got = load({"fuzz.care": text}, catalogue=SIGNALS, names=NAMES)
    errors = [one for one in got.diagnostics if one.severity is Severity.ERROR]
    assert len(got.diagnostics) <= FINDINGS_MAX
    assert (got.plan is None) == bool(errors)
    for one in got.diagnostics:
        assert one.code in CODES
        assert one.show(got.sources[one.span.file])
    if got.plan is not None:
        run(got.plan)


def layout(data: bytes) -> None:
    """A rule file laid out: its errors, or a text that is laid out already. Never the refusal that
    tells of a fault in the program: the meaning must have stayed what it was."""
    text = read_text(data, "fuzz.care")
    if isinstance(text, Diagnostic):
        return
    out = format_text(text, "fuzz.care", known=SIGNALS)
    if isinstance(out, str):
        assert format_text(out, "fuzz.care", known=SIGNALS) == out
        return
    assert out
    for one in out:
        assert one.code in CODES, one.show()


def run(plan: Plan) -> None:
    """The plan through the real step, at a few moments."""
    world = world_with(plan)
    for minute, celsius, charge in ((1, 20.0, 50.0), (2, 46.0, 96.0), (45, 2.0, 12.0)):
        at = NOW + minute * MINUTE
        for _ in range(20):
            if (due := next_due(world)) >= at:
                break
            world = step(world, Tick(max(due, world.now)))[0]
        seen = (Value("pack.temperature", celsius, 0.5), Value("pack.soc", charge, 2.0))
        world = step(world, Sample(at, at, "heron", seen, "fuzz"))[0]
    world = step(world, Tick(NOW + 120 * MINUTE))[0]
    state, facts = world.packs["heron"], facts_of(world, "heron")
    for bound, rule in zip(world.setup.bound["heron"].rules, state.rules, strict=True):
        explain(bound.when, rule.memory, facts, world.now)


# ---- site files ------------------------------------------------------------------------------


def site(data: bytes) -> None:
    """A site file: one that is read whole, or problems of one line each and a mend."""
    read = read_site_text(data.decode("utf-8", "replace"), "site.toml")
    if isinstance(read, SiteFile):
        assert read.site.packs
        return
    assert read
    for problem in read:
        assert problem.show().replace("\n", "").isprintable()
        assert problem.show().count("\n") <= 1


# ---- what comes over the broker --------------------------------------------------------------


def message(data: bytes) -> None:
    """A message: the first byte picks the topic, and whether it was retained; then the payload."""
    topics = TOPICS.subscriptions
    pick = data[0] if data else 0
    told = Message(topics[(pick >> 1) % len(topics)], data[1:], retained=bool(pick & 1))
    taken(TOPICS.read(told, NOW + SECOND, 0))


def taken(events: tuple[Event, ...]) -> None:
    """Events that a door let in: each can be kept and read again, and the core takes it."""
    world = QUIET
    for event in events:
        if isinstance(event, Rejected):
            assert event.why.isprintable()
            assert len(event.why) < 400
        for value in event.values if isinstance(event, Sample | SiteSample) else ():
            signal = SIGNALS[value.signal]
            assert signal.low <= value.value <= signal.high
        assert load_event(*dump_event(event)) == event
        world = step(world, event)[0]
    step(world, Tick(world.now + 10 * MINUTE))


# ---- what people type ------------------------------------------------------------------------


def entry(data: bytes) -> None:
    """Words, in quotes where they hold a space: the first picks the command."""
    words = [
        word.strip("'") for word in re.findall(r"'[^']*'|\S+", data.decode("utf-8", "replace"))
    ]
    command, *rest = words or [""]
    now = datetime.fromtimestamp(NOW / 1_000, ZONE)
    first, others = (rest[0], rest[1:]) if rest else ("", [])
    match command:
        case "place":
            found = parse_place(first, others[0] if others else None, SITE)
        case "use":
            found = parse_use(first, others[0] if others else "", others[1:], SITE, now)
        case "attend":
            found = parse_attend(" ".join(rest), now)
        case "release":
            found = parse_release(" ".join(rest), SITE)
        case _:
            at = others.pop() if command == "at" and others else None
            found = parse_record(first, others, at, SITE, now)
    if isinstance(found, Problem):
        assert found.show().isprintable()
        return
    assert load_entry(*dump_entry(found)) == found
    taken(to_events(found, NOW + SECOND, SITE.local))


TARGETS: dict[str, Callable[[bytes], None]] = {
    "care": care, "layout": layout, "site": site, "message": message, "entry": entry,
}  # fmt: skip


def examples(name: str) -> list[bytes]:
    """Inputs that are right, for a fuzzer to begin from."""
    root = Path(__file__).parents[2]
    match name:
        case "care" | "layout":
            paths = [*root.glob("rules/*.care"), *root.glob("tests/lang/right/*.care"),
                     *root.glob("examples/**/*.care")]  # fmt: skip
            return [path.read_bytes() for path in sorted(paths)]
        case "site":
            return [path.read_bytes() for path in sorted(root.glob("examples/**/*.toml"))]
        case "message":
            bodies = (
                b'{"on": true, "power_w": 58.5, "timer_s": 90}', b'{"cells": [3.7, 3.71, 3.7]}',
                b'{"POWER1": "ON"}', b'{"StatusSNS": {"ENERGY": {"Power": 61}}}', b"Online",
                b'{"state": "ON", "power": 5}', b'{"temperature": 21.5, "smoke": false}',
                b'{"soc": 80, "voltage": 22.9, "time": "2025-12-05T08:00:00+00:00"}',
                b'{"output": true, "apower": 60.1, "timer_duration": 90}',
            )  # fmt: skip
            return [bytes([pick]) + body for pick in range(24) for body in bodies]
        case _:
            lines = [f"record heron {word} 3.7" for word in RECORD_WORDS] + [
                "record heron charged", "record heron cells 3.7 3.7 3.7 3.7 3.7 3.7",
                "at heron charged 'yesterday 18:00'", "place heron A", "place heron",
                "use survey 'tomorrow 06:00' heron egret", "attend 45", "release site",
                "record egret voltage 15.0V", "at heron soc 80 % 2025-12-04T08:00",
            ]  # fmt: skip
            return [line.encode() for line in lines]
