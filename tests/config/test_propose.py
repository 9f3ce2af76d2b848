"""A proposed site file: what is recognised, what is left to a person, and that a claim holds."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.adapters import FeedProfile, MqttAddress, PlugProfile, feed_profiles, plug_profiles
from carerules.adapters.overhear import Listened, Overheard
from carerules.adapters.recognise import Likeness, feeds_among, plugs_among, states_among
from carerules.config import SiteFile, read_site_text
from carerules.config.propose import Known, Proposal, propose

NOW = 1_790_000_000_000
PLUGS = [one for one in plug_profiles().values() if isinstance(one, PlugProfile)]
FEEDS = [one for one in feed_profiles().values() if isinstance(one, FeedProfile)]
HERE = MqttAddress(port=1884)

PACK = json.dumps({"voltage": 22.8, "cells": [3.8] * 6, "temperature": 21.0}).encode()
ROOM = b'{"temperature": 20.5, "smoke": false}'
GENERIC = b'{"on": false, "power_w": 0.0, "timer_s": null}'
RPC = b'{"id": 0, "output": false, "apower": 0.0, "timer_duration": null}'

HOUSE = {
    "packs/heron/telemetry": PACK, "house/room/telemetry": ROOM,
    "shed/a-load/state": GENERIC, "shed/a-load/link": b"online",
    "plugs/p1/status/switch:0": RPC, "plugs/p1/online": b"true",
    "house/clock": b"12:00",
}  # fmt: skip


def overheard(said: Mapping[str, bytes], **kept: bool) -> dict[str, Overheard]:
    return {topic: Overheard(payload, retained=kept.get("retained", False))
            for topic, payload in said.items()}  # fmt: skip


def recognised(said: Mapping[str, bytes]) -> tuple[list[Likeness], list[Likeness]]:
    heard = overheard(said)
    return plugs_among(heard, PLUGS), feeds_among(heard, FEEDS, NOW)


def proposed(said: Mapping[str, bytes], known: Known | None = None, **more: bool) -> Proposal:
    heard = overheard(said, **more)
    plugs, feeds = plugs_among(heard, PLUGS), feeds_among(heard, FEEDS, NOW)
    return propose(HERE, Listened(heard), 20, plugs, feeds, known or Known())


def taken(text: str) -> bool:
    return isinstance(read_site_text(text, "proposed"), SiteFile)


def answered(text: str) -> str:
    """As if a person had found every example right."""
    return re.sub(r"^#\? ", "", text, flags=re.MULTILINE)


def test_plugs_are_recognised_by_the_profile_that_most_of_it_fits() -> None:
    plugs, _ = recognised(HOUSE)
    assert [(one.profile, dict(one.variables), one.lacking) for one in plugs] == [
        ("json-rpc", {"topic": "plugs/p1", "channel": "0"}, ()),
        ("generic-json", {"topic": "shed/a-load"}, ()),
    ]


def test_feeds_are_recognised_and_a_room_is_no_pack() -> None:
    _, feeds = recognised(HOUSE)
    assert [(one.profile, one.about, dict(one.variables), one.cells) for one in feeds] == [
        ("room-json", "site", {"topic": "house/room"}, 0),
        ("generic-json", "pack", {"topic": "packs/heron"}, 6),
    ]


@pytest.mark.parametrize(
    "said",
    [
        {"shed/a-load/state": b'{"on": "yes", "power_w": 0}'},  # a word that is none of the profile
        {"shed/a-load/link": b"online"},  # a word alone is chance
        {"house/switch/lamp/state": b"ON"},  # so is one row of a profile
        {"packs/heron/telemetry": b'{"voltage": "22"}'},
        {"packs/heron/telemetry": b"[" * 5_000},
        {"packs/heron/telemetry": b'{"voltage": 22.8, "at": 1}'},  # from 1970
        {"a/telemetry": b"\xff\xfe"},
    ],
)
def test_what_no_profile_reads_is_not_recognised(said: dict[str, bytes]) -> None:
    plugs, feeds = recognised(said)
    assert (plugs, [one for one in feeds if one.about == "pack"]) == ([], [])


def entity(kind: str | None, about: str, topic: object, unit: str = "°C", **more: str) -> object:
    said = {"dev_cla": about, "unit_of_meas": unit, "stat_t": topic, **more}
    return said if kind is None else {"p": kind, **said}


BOX = {
    "a": entity("sensor", "temperature", "box/t"),
    "b": entity("sensor", "temperature", "box/all", val_tpl="{{ value_json.t }}"),
    "c": entity("sensor", "temperature", "box/f", "°F"),
    "d": entity("sensor", "temperature", "a/+"),
    "e": entity("lamp", "temperature", "box/l"),
}
OURS = {"a": entity("sensor", "temperature", "~/pack-heron/temperature")}
DESCRIBED = {
    topic: json.dumps(said).encode()
    for topic, said in {
        "hubs/sensor/shed1/temp/config": entity(None, "temperature", "shed1/temp"),
        "hubs/binary_sensor/alarm1/config": {
            "~": "alarm1", "state_topic": "~/smoke", "device_class": "smoke",
        },
        "hubs/device/box/config": {"dev": {}, "o": {"name": "box"}, "cmps": BOX},
        "hubs/device/ours/config": {"~": "carerules/hub/x", "cmps": OURS},
        "hubs/rubbish/config": [1],
        "x/config": {"dev_cla": "smoke", "stat_t": 7},
    }.items()
}  # fmt: skip


def test_what_a_device_described_to_a_hub_is_proposed_as_a_question() -> None:
    states = states_among(overheard(DESCRIBED, retained=True))
    assert [(one.profile, one.variables["topic"], one.variables["signal"]) for one in states] == [
        ("hub-capitals", "alarm1/smoke", "smoke"),
        ("hub-temperature", "box/t", "temperature"),
        ("hub-temperature", "shed1/temp", "temperature"),
    ]
    heard = overheard({**HOUSE, **DESCRIBED})
    fed = [*feeds_among(heard, FEEDS, NOW), *states]
    told = propose(HERE, Listened(heard), 20, [], fed, Known("lipo", "16 Ah"))
    assert told.whole
    assert "#? [feed.smoke]" in told.text
    read = read_site_text(answered(told.text), "proposed")
    assert isinstance(read, SiteFile), [one.show() for one in read]
    assert {feed.profile for feed in read.feeds} >= {"hub-capitals", "hub-temperature"}


def test_a_remembered_value_makes_no_feed() -> None:
    assert feeds_among(overheard(HOUSE, retained=True), FEEDS, NOW) == []


def test_it_claims_to_be_whole_only_where_it_is() -> None:
    bare = proposed(HOUSE)
    assert not bare.whole
    assert not taken(bare.text)
    assert "Not whole yet" in bare.text
    told = proposed(HOUSE, Known("lipo", "16 Ah"))
    assert told.whole
    assert taken(told.text)
    assert "# Whole: `carerules check` takes it" in told.text
    # A pack that does not tell its cells, of which nobody says how many it has.
    dumb = {"packs/heron/telemetry": b'{"voltage": 22.8}'}
    assert not proposed(dumb, Known("lipo", "16 Ah")).whole
    assert proposed(dumb, Known("lipo", "16 Ah", 6)).whole
    assert not proposed(HOUSE, Known("unobtainium", "16 Ah")).whole


def test_every_example_in_its_place_makes_a_whole_site() -> None:
    read = read_site_text(answered(proposed(HOUSE).text), "proposed")
    assert isinstance(read, SiteFile), [one.show() for one in read]
    assert set(read.site.packs) == {"heron"}
    assert set(read.site.plugs) == {"a-load", "p1"}
    assert {feed.name for feed in read.feeds} == {"heron", "room"}
    assert read.mqtt is not None
    assert read.mqtt.port == 1884


def test_nothing_that_only_a_person_knows_is_in_force() -> None:
    """A load and a charger look alike on the wire, and a label is on no wire at all."""
    told = proposed(HOUSE)
    in_force = [line for line in told.text.splitlines() if not line.startswith("#")]
    for word in ("load =", "charger =", "capacity", "chemistry", "[plug", "[station", "unguarded"):
        assert not any(word in line for line in in_force), word
    assert told.asks == sum(line.startswith("#? ") for line in told.text.splitlines())


def test_names_are_told_apart_and_can_be_spoken_of() -> None:
    said = {f"{room}/{name}/telemetry": PACK for room in ("a", "b") for name in ("x", "pack", "7")}
    told = answered(proposed(said).text)
    read = read_site_text(told, "proposed")
    assert isinstance(read, SiteFile), [one.show() for one in read]
    assert len(read.site.packs) == 6


TOPIC = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=60)


@settings(deadline=None)  # the machine that runs the tests may be busy
@given(st.dictionaries(
    st.one_of(TOPIC, TOPIC.map(lambda t: f"{t}/telemetry"), TOPIC.map(lambda t: f"{t}/state")),
    st.one_of(st.binary(max_size=80), st.sampled_from([PACK, ROOM, GENERIC, RPC, b"on", b"21"])),
    max_size=8,
))  # fmt: skip
def test_whatever_is_said_there_the_text_is_toml_and_no_claim_is_false(
    said: dict[str, bytes],
) -> None:
    told = proposed(said)
    assert tomllib.loads(told.text)["mqtt"]["port"] == 1884
    assert told.whole == taken(told.text)
    tomllib.loads(answered(told.text))
    assert {sign for sign in told.text if not sign.isprintable()} == {"\n"}
