"""Messages to events: what is taken, what is refused and how it is named, whatever the bytes.

Ranges are those of domain/signal. JSON: RFC 8259 (no NaN, no infinity). Times: RFC 3339.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest
from doors_kit import PLUGS
from hypothesis import example, given
from hypothesis import strategies as st

from carerules.adapters import (
    Feed,
    Message,
    Topics,
    load_feed_profile,
    load_plug_profile,
    plug_profiles,
    topics_of,
)
from carerules.adapters.feed import FeedProfile, FeedValue
from carerules.adapters.payload import DEPTH_MAX, PAYLOAD_BYTES_MAX
from carerules.adapters.profile import PlugProfile
from carerules.domain.event import PlugLink, PlugReport, Rejected, Sample, SiteSample, Value
from carerules.domain.moment import MINUTE, SECOND
from carerules.domain.pack import Plug
from carerules.domain.quantity import COUNT, SWITCH
from carerules.domain.signal import Signal, catalogue

NOW = 1_796_461_200_000  # 2026-12-05T09:00Z
LEAD = 250
"""The wall clock leads the line by a quarter of a second."""

STATE, LINK, TELEMETRY = "bench/plug-1/state", "bench/plug-1/link", "bench/heron/telemetry"
ROOM = "bench/room/telemetry"


def feed_profile(name: str) -> FeedProfile:
    found = load_feed_profile(name)
    assert isinstance(found, FeedProfile), found
    return found


def plug_profile(name: str) -> PlugProfile:
    found = load_plug_profile(name)
    assert isinstance(found, PlugProfile), found
    return found


FEEDS = [
    Feed("bench", "generic-json", {"topic": "bench/heron"}, "heron"),
    Feed("room", "room-json", {"topic": "bench/room"}),
]
FEED_PROFILES = {name: feed_profile(name) for name in ("generic-json", "room-json")}
OTHERS = {
    "pulse": Plug("pulse", "pulse-timer", {"topic": "plug1", "relay": "1"}),
    "rpc": Plug("rpc", "json-rpc", {"topic": "plug2", "channel": "0"}),
    "bridge": Plug("bridge", "on-time-bridge", {"topic": "bridge/plug3"}),
}
BUILT = topics_of(
    {**PLUGS, **OTHERS},
    {name: plug_profile(name) for name in plug_profiles()},
    FEEDS,
    FEED_PROFILES,
    catalogue(),
)
assert isinstance(BUILT, Topics)
TOPICS = BUILT


def read(topic: str, payload: object, *, retained: bool = False) -> list[Any]:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return list(TOPICS.read(Message(topic, body, retained), NOW, LEAD))


def why(topic: str, payload: object, *, retained: bool = False) -> str:
    (event,) = read(topic, payload, retained=retained)
    assert isinstance(event, Rejected), event
    assert (event.heard, event.origin) == (NOW, topic)
    assert event.why.isprintable()
    return event.why


# ---- plugs -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "report"),
    [
        ({"on": True, "power_w": 58.5, "timer_s": 90}, (True, 58.5, 90.0)),
        ({"on": False, "power_w": 0, "timer_s": None}, (False, 0.0, 0.0)),
        ({"on": True, "power_w": 58.5, "timer_s": None}, (True, 58.5, 0.0)),  # on, unarmed: said
        ({"on": True, "power_w": 58.5}, (True, 58.5, 0.0)),
        ({"on": False, "power_w": None, "timer_s": 3}, (False, None, 3.0)),
        ({"on": False, "power_w": 1, "more": [1, {"x": None}]}, (False, 1.0, 0.0)),
    ],
)
def test_a_generic_plugs_word(payload: object, report: tuple[bool, float, float]) -> None:
    assert read(STATE, payload) == [PlugReport(NOW, "A-load", *report)]


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        ({"power_w": 3}, "no `/on`"),
        ({"on": 1, "power_w": 3}, "`/on`: found `1`, which is neither on nor off"),
        ({"on": "true", "power_w": 3}, '`/on`: found `"true"`, which is neither'),
        ({"on": None, "power_w": 3}, "`/on`: found `null`, which is neither"),
        ({"on": True}, "no `/power_w`"),
        ({"on": True, "power_w": True}, "`/power_w`: found `true`, wanted a number"),
        ({"on": True, "power_w": "3"}, '`/power_w`: found `"3"`, wanted a number'),
        ({"on": True, "power_w": -1}, "`/power_w`: found -1, wanted 0 to 20000"),
        ({"on": True, "power_w": 20_001}, "`/power_w`: found 20001, wanted 0 to 20000"),
        ({"on": True, "power_w": 10**400}, "an enormous number"),
        ({"on": True, "power_w": 3, "timer_s": -1}, "`/timer_s`: found -1"),
        ({"on": True, "power_w": math.nan}, "NaN is no number"),
        ({"on": True, "power_w": math.inf}, "Infinity is no number"),
        (b'{"on": true, "power_w": 1e999}', "`/power_w`: found `Infinity`, wanted a finite"),
        (b'{"on": true, "on": false, "power_w": 0}', "a key comes twice"),
        (b'{"on": true, "power_w": 0', "no JSON"),
        (b"", "no JSON"),
        (b"\xff\xfe", "no UTF-8 text"),
        (b"\xef\xbb\xbf{}", "no JSON"),
        ([True], "no `/on`"),
        ("on", "no `/on`"),
        (b" " * (PAYLOAD_BYTES_MAX + 1), "16385 bytes, the limit is 16384"),
        (b"[" * (DEPTH_MAX + 1) + b"]" * (DEPTH_MAX + 1), "nested deeper than 16"),
        (b"[" * PAYLOAD_BYTES_MAX, "nested deeper than 16"),
        (b'{"a":' * 8_000 + b"1", "x"),
        (b'{"on": true, "power_w": ' + b"9" * 5_000 + b"}", "no JSON"),
    ],
)
def test_a_plugs_word_that_is_refused(payload: object, says: str) -> None:
    if says == "x":  # longer than the limit: which of the two is said does not matter
        assert why(STATE, payload)
        return
    assert says in why(STATE, payload)


def test_brackets_inside_a_string_are_not_depth() -> None:
    assert read(STATE, {"on": False, "power_w": 0, "note": '[{"' * 100 + "\\"}) == [
        PlugReport(NOW, "A-load", on=False, power_w=0.0, timer_s=0.0)
    ]


def test_only_the_link_may_be_retained() -> None:
    assert "retained" in why(STATE, {"on": True, "power_w": 3}, retained=True)
    assert "retained" in why(TELEMETRY, {"voltage": 15.2}, retained=True)
    assert read(LINK, b"online", retained=True) == [PlugLink(NOW, "A-load", up=True)]
    assert read(LINK, b"offline", retained=True) == [PlugLink(NOW, "A-load", up=False)]
    assert "neither" in why(LINK, b"Online")
    assert "neither" in why(LINK, b"")


def test_a_topic_that_nobody_asked_for() -> None:
    (event,) = read("bench/elsewhere", {})
    assert isinstance(event, Rejected)
    assert event.why == "nobody listens on this topic"


@pytest.mark.parametrize(
    ("topic", "payload", "event"),
    [
        ("stat/plug1/RESULT", {"POWER": "ON"}, PlugReport(NOW, "pulse", on=True)),
        ("stat/plug1/RESULT", {"POWER1": "OFF"}, PlugReport(NOW, "pulse", on=False)),
        ("stat/plug1/RESULT", {"PulseTime1": {"Set": 190}}, None),
        ("stat/plug1/STATUS11", {"StatusSTS": {"POWER": "ON"}}, PlugReport(NOW, "pulse", on=True)),
        (
            "stat/plug1/STATUS10",
            {"StatusSNS": {"ENERGY": {"Power": 12}}},
            PlugReport(NOW, "pulse", on=None, power_w=12.0),
        ),
        ("tele/plug1/SENSOR", {"Time": "x"}, None),
        ("tele/plug1/LWT", b"Offline", PlugLink(NOW, "pulse", up=False)),
        (
            "plug2/status/switch:0",
            {"id": 0, "output": True, "apower": 8.9, "timer_duration": 90},
            PlugReport(NOW, "rpc", on=True, power_w=8.9, timer_s=90.0),
        ),
        (
            "plug2/status/switch:0",
            {"id": 0, "output": True, "apower": 8.9},
            PlugReport(NOW, "rpc", on=True, power_w=8.9, timer_s=0.0),
        ),
        ("carerules/plug2/0/rpc", {"id": 1, "result": {"was_on": False}}, None),
        (
            "carerules/plug2/0/rpc",
            {"id": 2, "result": {"output": False, "apower": 0.0}},
            PlugReport(NOW, "rpc", on=False, power_w=0.0),
        ),
        ("plug2/online", b"true", PlugLink(NOW, "rpc", up=True)),
        ("bridge/plug3", {"state": "ON", "power": 5}, PlugReport(NOW, "bridge", True, 5.0)),
        ("bridge/plug3", {"linkquality": 80}, None),
        ("bridge/plug3/availability", {"state": "online"}, PlugLink(NOW, "bridge", up=True)),
    ],
)
def test_other_families(topic: str, payload: object, event: object) -> None:
    assert read(topic, payload) == ([] if event is None else [event])


def test_two_words_that_contradict_are_doubt() -> None:
    assert why("stat/plug1/RESULT", {"POWER": "ON", "POWER1": "OFF"}) == "it contradicts itself"


# ---- feeds -----------------------------------------------------------------------------------


def test_a_packs_sample() -> None:
    sent = {
        "voltage": 15.2,
        "current": -1.2,
        "temperature": 21,
        "soc": 54,
        "cells": [3.8, 3.81, 3.79, 3.8],
    }
    assert read(TELEMETRY, sent) == [
        Sample(
            NOW,
            NOW,
            "heron",
            (
                Value("pack.voltage", 15.2, 0.02),
                Value("pack.current", -1.2, 0.05),
                Value("pack.temperature", 21.0, 1.0),
                Value("pack.soc", 54.0, 5.0),
            ),
            "bench",
            (3.8, 3.81, 3.79, 3.8),
            0.005,
        )
    ]


def test_what_is_left_out_or_null_is_not_there() -> None:
    (sample,) = read(TELEMETRY, {"voltage": 15.2, "soc": None, "cells": None})
    assert sample.values == (Value("pack.voltage", 15.2, 0.02),)
    assert sample.cells == ()


def test_the_rooms_sample() -> None:
    assert read(ROOM, {"temperature": 21.5, "smoke": False}) == [
        SiteSample(
            NOW,
            NOW,
            (Value("site.temperature", 21.5, 0.5), Value("site.smoke", 0.0, 0.0)),
            "room",
        )
    ]
    assert "`/smoke`: found `1`, wanted true or false" in why(ROOM, {"smoke": 1})


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        ({}, "none of the keys"),
        ({"Voltage": 15.2}, "none of the keys"),
        ({"voltage": -0.1}, "`/voltage`: found -0.1, wanted 0 to 1000"),
        ({"voltage": 15_200}, "`/voltage`: found 15200, wanted 0 to 1000"),
        ({"voltage": "15.2"}, "`/voltage`"),
        ({"voltage": True}, "`/voltage`: found `true`"),
        ({"voltage": [15.2]}, "`/voltage`: found a list"),
        ({"voltage": {"v": 15}}, "`/voltage`: found an object"),
        ({"voltage": 15.2, "soc": 101}, "`/soc`: found 101, wanted 0 to 100"),
        ({"voltage": 15.2, "temperature": 294}, "`/temperature`: found 294, wanted -40 to 120"),
        ({"cells": []}, "`/cells`: wanted a list"),
        ({"cells": 3.8}, "`/cells`: wanted a list"),
        ({"cells": [3.8] * 257}, "`/cells`: wanted a list"),
        ({"cells": [3.8, 3_800]}, "`/cells/1`: found 3800, wanted 0 to 5"),
        ({"cells": [3.8, None]}, "`/cells/1`: found `null`"),
        ({"cells": [3.8, -0.01]}, "`/cells/1`: found -0.01"),
        ({"voltage": 15.2, "at": True}, "`/at`: found `true`"),
        ({"voltage": 15.2, "at": "soon"}, "`/at`: found `soon`, wanted ISO 8601"),
        ({"voltage": 15.2, "at": "2026-12-05T09:00:00"}, "wanted a time with offset"),
        ({"voltage": 15.2, "at": NOW}, "wanted 0 to 1e+12"),  # milliseconds
        ({"voltage": 15.2, "at": 0}, "s old"),
        ({"voltage": 15.2, "at": "9999-12-31T23:59:59+00:00"}, "ahead of the clock"),
        ({"voltage": 15.2, "at": "0001-01-01T00:00:00+14:00"}, "`/at`"),
    ],
)
def test_a_sample_that_is_refused(sent: object, says: str) -> None:
    assert says in why(TELEMETRY, sent)


@pytest.mark.parametrize(
    ("age_ms", "at"),
    [
        (0, NOW),
        (-5 * SECOND, NOW),
        (3 * SECOND, NOW - 3 * SECOND),
        (10 * MINUTE, NOW - 10 * MINUTE),
    ],
)
def test_the_senders_time_is_put_on_the_line(age_ms: int, at: int) -> None:
    wall_s = (NOW + LEAD - age_ms) / 1_000
    (sample,) = read(TELEMETRY, {"voltage": 15.2, "at": wall_s})
    assert (sample.heard, sample.at) == (NOW, at)


@pytest.mark.parametrize("age_ms", [-5_001, 10 * MINUTE + 1])
def test_a_time_past_the_limits_is_refused(age_ms: int) -> None:
    assert "`/at`" in why(TELEMETRY, {"voltage": 15.2, "at": (NOW + LEAD - age_ms) / 1_000})


def test_a_written_time_is_read_with_its_offset() -> None:
    (sample,) = read(TELEMETRY, {"voltage": 15.2, "at": "2026-12-05T09:59:58+01:00"})
    assert sample.at == NOW - 2 * SECOND - LEAD


def with_values(*rows: FeedValue, about: str = "pack") -> FeedProfile:
    base = FEED_PROFILES["generic-json" if about == "pack" else "room-json"]
    return base.model_copy(update={"value": list(rows), "cells": None})


def test_units_and_scales() -> None:
    """212 °F is 100 °C, by definition; 3.8 V in mV, and a sensor that counts discharge up."""
    rows = (
        FeedValue(pointer="/v", signal="pack.voltage", unit="mV", spread=20),
        FeedValue(pointer="/t", signal="pack.temperature", unit="°F", spread=1.8),
        FeedValue(pointer="/i", signal="pack.current", unit="A", scale=-0.01),
    )
    built = topics_of({}, {}, FEEDS[:1], {"generic-json": with_values(*rows)}, catalogue())
    assert isinstance(built, Topics)
    message = Message(TELEMETRY, b'{"v": 15200, "t": 212, "i": 250}')
    (sample,) = built.read(message, NOW, 0)
    assert isinstance(sample, Sample)
    assert [value.value for value in sample.values] == pytest.approx([15.2, 100.0, -2.5])
    assert [value.spread for value in sample.values] == pytest.approx([0.02, 1.0, 0.0])


def test_a_sites_own_signals() -> None:
    own = [
        Signal("site.door", SWITCH, None, 0, 1, "whether the door is open"),
        Signal("site.people", COUNT, None, 0, 50, "how many are in"),
    ]
    rows = (
        FeedValue(pointer="/door", signal="site.door", unit="on/off"),
        FeedValue(pointer="/people", signal="site.people", unit="count"),
    )
    profile = with_values(*rows, about="site")
    built = topics_of({}, {}, FEEDS[1:], {"room-json": profile}, catalogue(own))
    assert isinstance(built, Topics)
    (sample,) = built.read(Message(ROOM, b'{"door": true, "people": 3}'), NOW, 0)
    assert isinstance(sample, SiteSample)
    assert sample.values == (Value("site.door", 1.0), Value("site.people", 3.0))


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (FeedValue(pointer="/v", signal="pack.volts", unit="V"), "`pack.volts`"),
        (FeedValue(pointer="/v", signal="pack.health", unit="%"), "`pack.health`"),  # derived
        (FeedValue(pointer="/v", signal="pack.voltage", unit="A"), "unit `A`"),
        (FeedValue(pointer="/v", signal="pack.voltage", unit="on/off"), "unit `on/off`"),
        (FeedValue(pointer="/v", signal="pack.voltage", unit="count"), "unit `count`"),
    ],
)
def test_a_feed_that_does_not_fit(row: FeedValue, found: str) -> None:
    built = topics_of({}, {}, FEEDS[:1], {"generic-json": with_values(row)}, catalogue())
    assert isinstance(built, list)
    assert [(problem.where, problem.found) for problem in built] == [("feeds.bench./v", found)]


def test_all_that_does_not_fit_is_found_in_one_pass() -> None:
    feeds = [
        replace(FEEDS[0], pack=None),
        replace(FEEDS[1], pack="heron"),
        replace(FEEDS[1], variables={}),
    ]
    plugs = {"x": Plug("x", "generic-json", {})}
    profiles = {"generic-json": plug_profile("generic-json")}
    built = topics_of(plugs, profiles, feeds, FEED_PROFILES, catalogue())
    assert isinstance(built, list)
    assert [problem.where for problem in built] == [
        "plugs.x.topic", "feeds.bench", "feeds.room", "feeds.room.topic",
    ]  # fmt: skip


def test_one_topic_may_serve_two() -> None:
    feeds = [FEEDS[0], replace(FEEDS[0], name="again", pack="egret")]
    built = topics_of({}, {}, feeds, FEED_PROFILES, catalogue())
    assert isinstance(built, Topics)
    events = built.read(Message(TELEMETRY, b'{"voltage": 15.2}'), NOW, 0)
    assert [event.pack for event in events if isinstance(event, Sample)] == ["heron", "egret"]


# ---- any bytes -------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["on", "power_w", "timer_s", "voltage", "cells", "soc", "at", "state"]),
            inner,
            max_size=6,
        )
    ),
    max_leaves=20,
)
PAYLOADS = st.binary(max_size=300) | JSON.map(lambda value: json.dumps(value).encode())


@given(st.sampled_from(TOPICS.subscriptions), PAYLOADS, st.booleans())
@example(TELEMETRY, b'{"voltage":1e308}', False)
@example(TELEMETRY, b'{"at":"\xed\xa0\x80"}', False)
@example(TELEMETRY, b'{"at":"\\ud800","voltage":1}', False)
def test_any_bytes_are_events_within_their_ranges(
    topic: str, payload: bytes, retained: bool
) -> None:
    signals = catalogue()
    for event in TOPICS.read(Message(topic, payload, retained), NOW, LEAD):
        assert event.heard == NOW
        if isinstance(event, Sample):
            assert event.at <= NOW
            assert all(0 <= cell <= 5 for cell in event.cells)
            assert event.values or event.cells
        if isinstance(event, Sample | SiteSample):
            assert not retained
            for value in event.values:
                assert signals[value.signal].low <= value.value <= signals[value.signal].high
        if isinstance(event, PlugReport):
            assert not retained
            assert event.power_w is None or 0 <= event.power_w <= 20_000
        if isinstance(event, Rejected):
            assert event.why.isprintable()
            assert len(event.why) < 200
