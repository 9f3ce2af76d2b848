"""What each family of plugs says, message by message, and what is made of it.

The messages are written from each family's public protocol documentation, from memory; none was
recorded off a device here. Each story: the link, an ON read back, the timer where it shows, an OFF,
and what other messages on the same topics must not turn into a word of the plug.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from test_plug_profiles import PLUG_VARIABLES, on, plug, profile

from carerules.adapters import Message, Topics, Wire, command_topics, say, topics_of
from carerules.domain.decision import AskPlug, SwitchOff
from carerules.domain.event import PlugLink, PlugReport, Rejected
from carerules.domain.signal import catalogue

P = "A-load"


def up(is_up: bool) -> PlugLink:
    return PlugLink(7, P, is_up)


def says(on: bool | None, power_w: float | None = None, timer_s: float | None = None) -> PlugReport:
    return PlugReport(7, P, on, power_w, timer_s)


# (profile, topic, payload: text or a table, what it says; None: nothing of the plug)
STORY: list[tuple[str, str, object, PlugLink | PlugReport | None]] = [
    ("generic-json", "bench/plug-1/link", "online", up(True)),
    ("generic-json", "bench/plug-1/link", "offline", up(False)),
    ("generic-json", "bench/plug-1/state", {"on": True, "power_w": 58.5, "timer_s": 84.2},
     says(True, 58.5, 84.2)),
    ("generic-json", "bench/plug-1/state", {"on": True, "power_w": 58.5, "timer_s": None},
     says(True, 58.5, 0.0)),
    ("generic-json", "bench/plug-1/state", {"on": False, "power_w": 0, "timer_s": None},
     says(False, 0.0, 0.0)),
    # -- pulse-timer: the answer to Backlog comes as one RESULT a command
    ("pulse-timer", "tele/plug1/LWT", "Online", up(True)),
    ("pulse-timer", "tele/plug1/LWT", "Offline", up(False)),
    ("pulse-timer", "stat/plug1/RESULT", {"PulseTime1": {"Set": 190, "Remaining": 190}}, None),
    ("pulse-timer", "stat/plug1/RESULT", {"POWER": "ON"}, says(True)),
    ("pulse-timer", "stat/plug1/RESULT", {"POWER1": "ON"}, says(True)),
    ("pulse-timer", "stat/plug1/STATUS11",
     {"StatusSTS": {"Time": "2026-12-01T22:10:00", "UptimeSec": 61, "POWER": "ON"}}, says(True)),
    ("pulse-timer", "stat/plug1/STATUS10",
     {"StatusSNS": {"ENERGY": {"Total": 1.2, "Power": 58, "Voltage": 230, "Current": 0.26}}},
     says(None, 58.0)),
    ("pulse-timer", "tele/plug1/SENSOR", {"ENERGY": {"Period": 0, "Power": 0}}, says(None, 0.0)),
    ("pulse-timer", "tele/plug1/SENSOR", {"Time": "2026-12-01T22:10:00"}, None),
    ("pulse-timer", "stat/plug1/RESULT", {"POWER": "OFF"}, says(False)),
    ("pulse-timer", "stat/plug1/RESULT", {"PowerOnState": 0}, None),
    # -- json-rpc: a notification by component, and the answer to an ask
    ("json-rpc", "plug1/online", "true", up(True)),
    ("json-rpc", "plug1/online", "false", up(False)),
    ("json-rpc", "plug1/status/switch:0",
     {"id": 0, "source": "MQTT", "output": True, "timer_started_at": 1764627000.1,
      "timer_duration": 90, "apower": 58.5, "voltage": 231.2, "aenergy": {"total": 12.3},
      "temperature": {"tC": 41.2, "tF": 106.2}}, says(True, 58.5, 90.0)),
    ("json-rpc", "plug1/status/switch:0", {"id": 0, "output": True, "apower": 58.5},
     says(True, 58.5, 0.0)),  # on with no timer: a fault for the interlock to find
    ("json-rpc", "plug1/status/switch:0", {"id": 0, "output": False, "apower": 0.0},
     says(False, 0.0, 0.0)),
    ("json-rpc", "carerules/plug1/0/rpc",
     {"id": 2, "src": "plug1", "dst": "carerules/plug1/0",
      "result": {"id": 0, "output": True, "timer_duration": 90, "apower": 58.5}},
     says(True, 58.5, 90.0)),
    ("json-rpc", "carerules/plug1/0/rpc",
     {"id": 1, "src": "plug1", "dst": "carerules/plug1/0", "result": {"was_on": False}}, None),
    # -- on-time-bridge: state and power in one table, or only one of them
    ("on-time-bridge", "bridge/plug1/availability", {"state": "online"}, up(True)),
    ("on-time-bridge", "bridge/plug1/availability", {"state": "offline"}, up(False)),
    ("on-time-bridge", "bridge/plug1",
     {"state": "ON", "power": 58, "energy": 1.2, "linkquality": 120}, says(True, 58.0)),
    ("on-time-bridge", "bridge/plug1", {"power": 0, "linkquality": 120}, says(None, 0.0)),
    ("on-time-bridge", "bridge/plug1", {"state": "OFF", "power": 0}, says(False, 0.0)),
    # -- value-bridge: one value a topic, with its time
    ("value-bridge", "mesh/plug1/status",
     {"time": 1764627000100, "value": True, "status": "Alive", "nodeId": 4}, up(True)),
    ("value-bridge", "mesh/plug1/status",
     {"time": 1764627000100, "value": False, "status": "Dead", "nodeId": 4}, up(False)),
    ("value-bridge", "mesh/plug1/switch_binary/endpoint_0/currentValue",
     {"time": 1764627000100, "value": True}, says(True)),
    ("value-bridge", "mesh/plug1/switch_binary/endpoint_0/currentValue",
     {"time": 1764627000100, "value": False}, says(False)),
    ("value-bridge", "mesh/plug1/meter/endpoint_0/value/66049",
     {"time": 1764627000100, "value": 58.5}, says(None, 58.5)),
    # -- component-topics: bare words and numbers
    ("component-topics", "plug1/status", "online", up(True)),
    ("component-topics", "plug1/status", "offline", up(False)),
    ("component-topics", "plug1/switch/relay/state", "ON", says(True)),
    ("component-topics", "plug1/switch/relay/state", "OFF", says(False)),
    ("component-topics", "plug1/sensor/watts/state", "58.5", says(None, 58.5)),
    # -- json-rpc-http: the answer to an ask; its link is whether it answers at all
    ("json-rpc-http", "rpc",
     {"id": 3, "src": "plug1", "result": {"id": 0, "source": "HTTP_in", "output": True,
      "timer_started_at": 1764627000.1, "timer_duration": 90, "apower": 58.5}},
     says(True, 58.5, 90.0)),
    ("json-rpc-http", "rpc",
     {"id": 3, "src": "plug1", "result": {"id": 0, "output": False, "apower": 0.0}},
     says(False, 0.0, 0.0)),
    # -- lan-relay: modules, each with its answers
    ("lan-relay", "query",
     {"system": {"get_sysinfo": {"relay_state": 1, "on_time": 12, "err_code": 0}},
      "emeter": {"get_realtime": {"voltage_mv": 231200, "power_mw": 58500, "err_code": 0}},
      "count_down": {"get_rules": {"rule_list": [
          {"id": "7A", "name": "carerules", "enable": 1, "delay": 90, "act": 0, "remain": 81}],
          "err_code": 0}}}, says(True, 58.5, 81.0)),
    ("lan-relay", "query",
     {"system": {"get_sysinfo": {"relay_state": 0}},
      "emeter": {"get_realtime": {"power": 0, "err_code": 0}},
      "count_down": {"get_rules": {"rule_list": [], "err_code": 0}}}, says(False, 0.0, 0.0)),
    # -- lan-relay-untimed: one answer a method
    ("lan-relay-untimed", "query",
     {"get_device_info": {"device_on": True, "on_time": 12},
      "get_energy_usage": {"current_power": 58500, "today_energy": 120}}, says(True, 58.5)),
    ("lan-relay-untimed", "query",
     {"get_device_info": {"device_on": False}, "get_energy_usage": {"current_power": 0}},
     says(False, 0.0)),
]  # fmt: skip


def doors(name: str) -> Topics:
    topics = topics_of({P: plug(name)}, {name: profile(name)}, [], {}, catalogue())
    assert isinstance(topics, Topics)
    return topics


def bytes_of(payload: object) -> bytes:
    return (payload if isinstance(payload, str) else json.dumps(payload)).encode()


@pytest.mark.parametrize(
    ("name", "topic", "payload", "wanted"), STORY, ids=[f"{s[0]} {i}" for i, s in enumerate(STORY)]
)
def test_what_a_plug_says(name: str, topic: str, payload: object, wanted: Any) -> None:
    assert topic in doors(name).subscriptions
    heard = doors(name).read(Message(topic, bytes_of(payload)), 7, 0)
    assert list(heard) == ([] if wanted is None else [wanted])


@pytest.mark.parametrize("name", PLUG_VARIABLES)
def test_the_story_of_each_family_is_whole(name: str) -> None:
    """Link up and down, on, off and power; a timer where the profile says that it shows."""
    told = [wanted for family, _, _, wanted in STORY if family == name]
    reports = [one for one in told if isinstance(one, PlugReport)]
    links = set() if profile(name).call is not None else {True, False}
    assert {one.up for one in told if isinstance(one, PlugLink)} == links
    assert {True, False} <= {one.on for one in reports}
    assert any(one.power_w for one in reports)
    assert bool(profile(name).timer) == any(one.timer_s for one in reports)


@pytest.mark.parametrize(
    ("name", "topic", "payload"),
    [(n, t, p) for n, t, p, wanted in STORY if isinstance(wanted, PlugReport)],
)
def test_what_the_broker_remembers_is_no_word_of_the_plug(
    name: str, topic: str, payload: object
) -> None:
    (heard,) = doors(name).read(Message(topic, bytes_of(payload), retained=True), 7, 0)
    assert isinstance(heard, Rejected)


def sent(name: str, command: Any) -> tuple[str, str]:
    wire = say(command, plug(name), profile(name))
    assert isinstance(wire, Wire)
    return wire.topic, wire.payload


def test_what_is_said_to_the_two_families_with_topics_of_their_own() -> None:
    switch = "mesh/plug1/switch_binary/endpoint_0/targetValue/set"
    assert sent("value-bridge", on(None)) == (switch, '{"value": true}')
    assert sent("value-bridge", SwitchOff(P, "x")) == (switch, '{"value": false}')
    assert sent("component-topics", on(90)) == ("plug1/number/left/command", "90")
    assert sent("component-topics", SwitchOff(P, "x")) == ("plug1/switch/relay/command", "OFF")
    assert sent("component-topics", AskPlug(P)) == ("plug1/button/update/command", "PRESS")
    assert command_topics(plug("component-topics"), profile("component-topics")) == {
        "plug1/number/left/command", "plug1/switch/relay/command",
    }  # fmt: skip


def test_a_family_without_a_timer_has_no_lease() -> None:
    """And so is switched only while a person is there: safety's `timer` and `proof`."""
    assert profile("value-bridge").lease_for(90) is None
