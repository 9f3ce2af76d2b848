"""The profiles that ship, and what is said of one that a user gets wrong.

Pulse time: n from 112 counts seconds plus 100, up to 64900 (that firmware's public command
reference). Leases: `on_for` in seconds is the plain meaning of `toggle_after` and `on_time`.
"""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import (
    Feed,
    Problem,
    Topics,
    Unsaid,
    Wire,
    command_topics,
    feed_profiles,
    fits,
    load_feed_profile,
    load_plug_profile,
    plug_profiles,
    say,
    shelf,
    topics_of,
)
from carerules.adapters.feed import FeedProfile
from carerules.adapters.payload import MISSING, at_pointer
from carerules.adapters.profile import PlugProfile
from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.pack import Plug
from carerules.domain.signal import catalogue

PLUG_VARIABLES = {
    "generic-json": {"topic": "bench/plug-1"},
    "pulse-timer": {"topic": "plug1", "relay": "1"},
    "json-rpc": {"topic": "plug1", "channel": "0"},
    "on-time-bridge": {"topic": "bridge/plug1"},
    "value-bridge": {
        "node": "mesh/plug1",
        "switch": "switch_binary/endpoint_0",
        "power": "meter/endpoint_0/value/66049",
    },
    "component-topics": {
        "topic": "plug1",
        "switch": "relay",
        "left": "left",
        "power": "watts",
        "update": "update",
    },
    "json-rpc-http": {"host": "10.0.0.7", "channel": "0"},
    "lan-relay": {"host": "10.0.0.8"},
    "lan-relay-untimed": {"host": "10.0.0.9"},
}
NO_TIMER = {"value-bridge", "lan-relay-untimed"}
"""The families of which not every plug obeys a timer (docs/plugs.md)."""
TIMED = sorted(set(PLUG_VARIABLES) - NO_TIMER)

HUB_FEEDS = ("hub-count", "hub-capitals", "hub-presence", "hub-switch", "hub-temperature")
FEED_VARIABLES = {
    "generic-json": {"topic": "bench/heron"},
    "room-json": {"topic": "bench/room"},
    **{name: {"topic": f"house/{name}", "signal": "temperature"} for name in HUB_FEEDS},
}


def profile(name: str) -> PlugProfile:
    found = load_plug_profile(name)
    assert isinstance(found, PlugProfile), found
    return found


def plug(name: str) -> Plug:
    return Plug("A-load", name, PLUG_VARIABLES[name])


def on(lease_s: int | None) -> SwitchOn:
    return SwitchOn("A-load", lease_s, "job", 0, renewal=False)


def test_all_that_ship_are_known_here_and_fit_a_site() -> None:
    plugs, feeds = plug_profiles(), feed_profiles()
    assert set(plugs) == set(PLUG_VARIABLES)
    assert set(feeds) == set(FEED_VARIABLES)
    topics = topics_of(
        {name: Plug(name, name, PLUG_VARIABLES[name]) for name in plugs},
        {name: found for name, found in plugs.items() if isinstance(found, PlugProfile)},
        [
            Feed("a", "generic-json", FEED_VARIABLES["generic-json"], "heron"),
            Feed("b", "room-json", FEED_VARIABLES["room-json"]),
        ],
        {name: found for name, found in feeds.items() if isinstance(found, FeedProfile)},
        catalogue(),
    )
    assert isinstance(topics, Topics)
    assert topics.subscriptions[0] == "bench/heron/telemetry"


@pytest.mark.parametrize("name", TIMED)
def test_each_that_ships_has_a_timer_a_meter_and_a_link(name: str) -> None:
    """Without them a plug cannot be leased, an OFF not be proved, and its absence not be seen."""
    found = profile(name)
    assert found.on_for is not None
    assert found.metered
    assert (found.availability is None) == (found.call is not None)
    assert found.ask is not None
    assert found.on is None  # nothing in it switches on without an end
    assert found.lease_for(90) == 90
    assert fits(plug(name), found) is None


@pytest.mark.parametrize(
    ("name", "command", "topic", "payload"),
    [
        ("generic-json", on(90), "bench/plug-1/set", '{"on": true, "for_s": 90}'),
        ("generic-json", SwitchOff("A-load", "x"), "bench/plug-1/set", '{"on": false}'),
        ("generic-json", AskPlug("A-load"), "bench/plug-1/get", ""),
        ("pulse-timer", on(90), "cmnd/plug1/Backlog", "PulseTime1 190; Power1 ON"),
        ("pulse-timer", on(12), "cmnd/plug1/Backlog", "PulseTime1 112; Power1 ON"),
        ("pulse-timer", on(64_800), "cmnd/plug1/Backlog", "PulseTime1 64900; Power1 ON"),
        ("pulse-timer", SwitchOff("A-load", "x"), "cmnd/plug1/Power1", "OFF"),
        ("pulse-timer", AskPlug("A-load"), "cmnd/plug1/Backlog", "Status 11; Status 10"),
        ("on-time-bridge", on(90), "bridge/plug1/set", '{"state": "ON", "on_time": 90}'),
    ],
)
def test_what_is_said_to_a_plug(name: str, command: Command, topic: str, payload: str) -> None:
    wire = say(command, plug(name), profile(name))
    assert isinstance(wire, Wire)
    assert (wire.topic, wire.payload) == (topic, payload)
    # Late commands are never obeyed: 10 s (docs/plugs.md says so to those who write firmware).
    assert wire.expiry_s <= (30 if isinstance(command, SwitchOff) else 10)


def test_json_rpc_says_json_rpc() -> None:
    wire = say(on(90), plug("json-rpc"), profile("json-rpc"))
    assert isinstance(wire, Wire)
    assert wire.topic == "plug1/rpc"
    assert json.loads(wire.payload) == {
        "id": 1,
        "src": "carerules/plug1/0",
        "method": "Switch.Set",
        "params": {"id": 0, "on": True, "toggle_after": 90},
    }


@given(st.sampled_from(TIMED), st.integers(-10, 100_000))
def test_a_lease_is_never_made_shorter_and_never_left_out(name: str, lease_s: int) -> None:
    found = profile(name)
    assert found.on_for is not None
    wire = say(on(lease_s), plug(name), found)
    if not found.on_for.min_s <= lease_s <= found.on_for.max_s:
        assert isinstance(wire, Unsaid)
        return
    assert isinstance(wire, Wire)
    assert str(lease_s + int(found.on_for.offset)) in wire.payload


@pytest.mark.parametrize("name", TIMED)
def test_an_on_without_an_end_is_refused_where_the_profile_has_none(name: str) -> None:
    assert isinstance(say(on(None), plug(name), profile(name)), Unsaid)


def test_command_topics_are_those_that_switch() -> None:
    assert command_topics(plug("pulse-timer"), profile("pulse-timer")) == {
        "cmnd/plug1/Power1", "cmnd/plug1/Backlog",
    }  # fmt: skip


# ---- a user's own profile --------------------------------------------------------------------

GOOD = """
name = "mine"
title = "my plug"
[vars]
topic = "its topic"
[[state]]
topic = "{topic}/state"
pointer = "/on"
on = true
off = false
[off]
topic = "{topic}/set"
payload = "off"
[on_for]
topic = "{topic}/set"
payload = "on {n}"
min_s = 1
max_s = 600
"""


def load(folder: Path, text: str) -> PlugProfile | Problem:
    (folder / "mine.toml").write_text(text)
    return load_plug_profile("mine", [folder])


def test_a_good_one_is_read(tmp_path: Path) -> None:
    found = load(tmp_path, GOOD)
    assert isinstance(found, PlugProfile)
    assert not found.metered
    assert "mine" in plug_profiles([tmp_path])


@pytest.mark.parametrize(
    ("old", "new", "where", "found", "mend"),
    [
        ('name = "mine"', 'name = "other"', "mine.toml", "`name` is `other`", "rename"),
        ('title = "my plug"', "", "mine.toml: title", "nothing", "add it"),
        ('title = "my plug"', "title = 7", "mine.toml: title", "`7`", "docs/plugs.md"),
        (
            'title = "my plug"',
            "title = ",
            "mine.toml:3:9",
            "`title =`",
            "a text goes in quotes",
        ),
        ("[off]", "[offf]", "mine.toml: offf", "a key that no", "mend its spelling"),
        ("on = true", 'on = "true"\noops = 1', "mine.toml: state.0.oops", "a key that no", "spell"),
        ("on = true", "on = false", "mine.toml: state.0", "`false` for both", "mend one"),
        (
            'pointer = "/on"',
            'pointer = "on"',
            "mine.toml: state.0.pointer",
            "`on`",
            "begin with `/`",
        ),
        ('pointer = "/on"', "", "mine.toml: state.0", "no `pointer`", "quotes"),
        ('"{topic}/state"', '"{topic}/#"', "mine.toml: state.0.topic", "`{topic}/#`", "topic"),
        ('"{topic}/state"', '"$SYS/x"', "mine.toml: state.0.topic", "`$SYS/x`", "topic"),
        ('"{topic}/state"', '"{tpic}/state"', "mine.toml: the file", "`{tpic}` in `topic`", "add"),
        ('"on {n}"', '"on"', "mine.toml: on_for", "no `{n}` in `payload`", "stay on"),
        ("min_s = 1", "min_s = 900", "mine.toml: on_for", "min_s 900 above max_s 600", "change"),
        ("min_s = 1", "min_s = 0", "mine.toml: on_for.min_s", "`0`", "docs"),
        ("min_s = 1", "min_s = 1\nscale = inf", "mine.toml: on_for.scale", "`inf`", "docs"),
        ("min_s = 1", "min_s = 1\nscale = -1", "mine.toml: on_for.scale", "`-1`", "docs"),
    ],
)
def test_each_mistake_is_named(
    tmp_path: Path, old: str, new: str, where: str, found: str, mend: str
) -> None:
    assert old in GOOD
    problem = load(tmp_path, GOOD.replace(old, new, 1))
    assert isinstance(problem, Problem)
    assert problem.where == where
    assert problem.found.startswith(found)
    assert mend in problem.mend
    assert problem.show().isprintable()


@pytest.mark.parametrize("name", ["", "../secret", "A", "x" * 65, "a/b", "no-such"])
def test_a_name_that_is_none(name: str) -> None:
    assert isinstance(load_plug_profile(name), Problem)
    assert isinstance(load_feed_profile(name), Problem)


@given(st.binary(max_size=200))
def test_any_bytes_are_a_profile_or_a_problem(data: bytes) -> None:
    class File:
        name = "mine.toml"

        def open(self, _mode: str) -> BytesIO:
            return BytesIO(data)

    found = shelf.read(File(), "mine", PlugProfile)  # type: ignore[arg-type]
    assert isinstance(found, Problem)
    assert found.show().isprintable()


@pytest.mark.parametrize(
    ("variables", "where", "found"),
    [
        ({}, "topic", "no `topic`"),
        ({"topic": "a", "tpic": "b"}, "tpic", "`tpic`"),
        ({"topic": "a/#"}, "topic", "`a/#`"),
        ({"topic": "a/+/b"}, "topic", "`a/+/b`"),
        ({"topic": 'a"b'}, "topic", '`a"b`'),
        ({"topic": "{n}"}, "topic", "`{n}`"),
        ({"topic": "a/"}, "topic", "`a/`"),
        ({"topic": "a//b"}, "topic", "`a//b`"),
        ({"topic": ""}, "topic", "``"),
        ({"topic": "x" * 121}, "topic", "`" + "x" * 60 + "…`"),
    ],
)
def test_variables_are_checked(variables: dict[str, str], where: str, found: str) -> None:
    problem = fits(Plug("p", "generic-json", variables), profile("generic-json"))
    assert problem is not None
    assert (problem.where, problem.found) == (where, found)


def test_a_number_must_be_one() -> None:
    problem = fits(Plug("p", "json-rpc", {"topic": "a", "channel": "x"}), profile("json-rpc"))
    assert problem is not None
    assert "digits" in problem.mend


@pytest.mark.parametrize(
    ("host", "fits_it"),
    [
        ("10.0.0.7", True), ("plug-1.shed", True), ("10.0.0.7:8080", True), ("fe80::1", True),
        ("10.0.0.7:0", False), ("10.0.0.7:70000", False), ("10.0.0.7:x", False), ("a b", False),
        ("a/b", False), (":80", False), ("10.0.0.7:", False), ("user@10.0.0.7", False),
    ],
)  # fmt: skip
def test_an_address_must_be_one(host: str, fits_it: bool) -> None:
    variables = {"host": host, "channel": "0"}
    problem = fits(Plug("p", "json-rpc-http", variables), profile("json-rpc-http"))
    assert (problem is None) == fits_it
    if problem is not None:
        assert host in problem.found


ASKED = """
name = "mine"
title = "my plug"
[vars]
host = "its address"
[call]
way = "http"
address = "{host}"
[[state]]
topic = "rpc"
pointer = "/on"
on = true
off = false
[off]
topic = "rpc"
payload = "off"
answer = [{ pointer = "/id", word = 1 }]
[on_for]
topic = "rpc"
payload = "on {n}"
answer = [{ pointer = "/id" }]
min_s = 1
max_s = 600
[ask]
topic = "rpc"
payload = "?"
"""


@pytest.mark.parametrize(
    ("old", "new", "found", "mend"),
    [
        ('way = "http"', 'way = "telnet"', "`telnet`", "docs/plugs.md"),
        ('"{host}"', '"{hots}"', "`{hots}` in `call.address`", "add"),
        ('[ask]\ntopic = "rpc"\npayload = "?"', "", "no `ask`", "says nothing by itself"),
        ('answer = [{ pointer = "/id" }]', "", "a command without `answer`", "add `answer`"),
        ('[[state]]\ntopic = "rpc"', '[[state]]\ntopic = "x"', "a topic that `ask`", "answer to"),
        ('[call]\nway = "http"\naddress = "{host}"', "", "`answer`", "over a broker none"),
        ("[ask]", '[availability]\ntopic = "a"\nup = "1"\ndown = "0"\n[ask]',
         "`availability` beside `call`", "leave it out"),
    ],
)  # fmt: skip
def test_each_mistake_of_a_plug_that_is_asked_is_named(
    tmp_path: Path, old: str, new: str, found: str, mend: str
) -> None:
    assert isinstance(load(tmp_path, ASKED), PlugProfile)
    assert old in ASKED
    problem = load(tmp_path, ASKED.replace(old, new, 1))
    assert isinstance(problem, Problem)
    assert problem.found.startswith(found)
    assert mend in problem.mend


# RFC 6901, section 5: the document and the values that its pointers find.
RFC_6901 = json.loads(
    r'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, '
    r'"k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1),
        ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
        ("/foo/2", MISSING), ("/foo/-", MISSING), ("/foo/01", MISSING), ("/foo/+0", MISSING),
        ("/foo/bar", MISSING), ("/nothing", MISSING), ("/foo/0/x", MISSING),
    ],
)  # fmt: skip
def test_pointers_find_what_the_rfc_says(pointer: str, value: object) -> None:
    assert at_pointer(RFC_6901, pointer) == value
