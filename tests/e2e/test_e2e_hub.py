"""A hub at the broker: a plain client walks what it is shown, drives every control, and sees us go.

The client here is paho alone. What it may believe of topics and payloads is judged by
tests/hub/discovery_rules.py and tests/hub/homie_rules.py, which were written from the conventions'
public documents.
"""

from __future__ import annotations

import json
import signal
import sys
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from e2e_kit import Program, Stage, eventually, side_by_side, sound
from paho.mqtt.client import Client as Paho
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

sys.path.append(str(Path(__file__).parents[1] / "hub"))

from discovery_rules import config_faults, read_config, state_faults
from homie_rules import order_faults, read, tree_faults

HUB = '\n[hub]\nkey = "shed"\nevery = "1 s"\nprefix = "hubs"\n'
MORE = """
[pack.egret]
chemistry = "lipo"
cells = 6
capacity = "1.0 Ah"

[station.B]
load = { plug = "B-load", power = "20 W" }

[plug.B-load]
profile = "generic-json"
topic = "shed/b-load"
"""
WORN = """rule worn on pack egret
    when pack.soc <= 50 %:
        retire because "worn out"
"""
LINK, SERVICE = "carerules/hub/shed/link", "carerules/hub/shed/service"
ROOT = "homie/5/carerules-shed"


class Client:
    """A hub of a few lines: what the broker remembers, as it was told of it, and what it was told
    in passing."""

    def __init__(self, stage: Stage) -> None:
        self.eye = stage.eye
        self.passing: list[tuple[str, str]] = []
        self._kept: dict[str, str] = {}
        paho = Paho(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        paho.on_connect = lambda client, *_: client.subscribe(
            "#", options=SubscribeOptions(qos=1, retainAsPublished=True)
        )
        paho.on_message = self._hear
        paho.connect("127.0.0.1", stage.broker.port)
        paho.loop_start()
        stage.also(paho.loop_stop)

    def _hear(self, _client: object, _data: object, message: MQTTMessage) -> None:
        topic, payload = message.topic, message.payload.decode()
        if topic.endswith("/set") or topic.startswith(("shed/", "packs/")):
            return
        if not message.retain:
            self.passing.append((topic, payload))
        elif payload:
            self._kept[topic] = payload
        else:
            self._kept.pop(topic, None)

    def forget(self) -> None:
        """As a client that begins anew."""
        self._kept.clear()

    def kept(self) -> dict[str, str]:
        """What the broker remembers."""
        return dict(self._kept)

    def configs(self) -> dict[str, dict[str, Any]]:
        """Every device that is described, by its name."""
        return {
            read_config(text)["device"]["name"]: read_config(text)
            for topic, text in self.kept().items()
            if topic.startswith("hubs/device/")
        }

    def controls(self) -> dict[str, dict[str, Any]]:
        """Every entity that can be set, by the end of its topic: `pack-heron/place`."""
        return {
            one["command_topic"].removeprefix("carerules/hub/shed/").removesuffix("/set"): one
            for said in self.configs().values()
            for one in said["components"].values()
            if "command_topic" in one
        }

    def homie(self) -> dict[str, str]:
        return {t: text for t, text in self.kept().items() if t.startswith("homie/5/")}

    def drive(self, control: str, payload: str) -> None:
        """Press, choose or enter."""
        self.eye.say(self.controls()[control]["command_topic"], payload.encode())

    def set(self, path: str, payload: str) -> None:
        """The same over the other convention: `pack-heron/control/place`."""
        device, node, prop = path.split("/")
        own = "carerules-shed" if device == "site" else f"carerules-shed-{device}"
        self.eye.say(f"homie/5/{own}/{node}/{prop}/set", payload.encode())

    def answer(self) -> str:
        """What became of the last order."""
        return self.kept()["carerules/hub/shed/site/answer"]

    def shows(self, topic: str, payload: str, within_s: float = 40.0) -> None:
        where = f"carerules/hub/shed/{topic}"
        eventually(lambda: self.kept().get(where) == payload,
                   f"{topic} is {payload}, not {self.kept().get(where)}", within_s)  # fmt: skip


def lay(stage: Stage, more: str = "controls = true\n", packs: str = MORE) -> Path:
    """The site file of these stories."""
    site = stage.site()
    site.write_text(site.read_text() + packs + HUB + more)
    return site


def shown(stage: Stage, more: str = "controls = true\n", packs: str = MORE
          ) -> tuple[Program, Client]:  # fmt: skip
    """A service with a hub, and the client, when all has been said."""
    client = Client(stage)
    if not (stage.folder / "site.toml").exists():
        lay(stage, more, packs)
    service = stage.service()
    eventually(lambda: client.kept().get(LINK) == "online", "the hub is shown the site")
    eventually(lambda: client.kept().get(f"{ROOT}/$state") == "ready", "the other one, too")
    return service, client


def log_of(stage: Stage) -> str:
    return stage.run("log").flat()


@side_by_side
def test_a_plain_client_walks_the_tree(stage: Stage) -> None:
    service, client = shown(stage)
    faults = [
        f"{topic}: {fault}"
        for topic, text in client.kept().items()
        if topic.startswith("hubs/")
        for fault in config_faults(topic, text, "hubs")
    ]
    assert faults == []
    assert set(client.configs()) == {"boat shed", "heron", "egret", "station A", "station B"}
    values = 0
    for said in client.configs().values():
        for one in said["components"].values():
            if "state_topic" in one and one["platform"] != "event":
                values += 1
                assert list(state_faults(one, client.kept()[one["state_topic"]])) == []
    assert values > 40
    assert list(tree_faults(client.homie(), "homie")) == []
    # The eye is another client than the one that has seen it all: it may be a moment behind.
    last = {(LINK, b"online"), (f"{ROOT}/$state", b"ready")}
    eventually(lambda: last <= {(one.topic, one.payload) for one in tuple(stage.eye.heard)},
               "the eye has seen what is said last")  # fmt: skip
    said_to_homie = [
        (one.topic, one.payload.decode())
        for one in tuple(stage.eye.heard)
        if one.topic.startswith("homie/") and not one.topic.endswith("/set")
    ]
    assert list(order_faults(said_to_homie, "homie", {})) == []
    before = len(stage.eye.heard)
    sleep(4.0)
    again = [one.topic for one in stage.eye.heard[before:]
             if one.topic.startswith(("carerules/hub", "hubs/", "homie/"))]  # fmt: skip
    assert again == [], "nothing has changed, and it is said again"
    assert service.leave() in (0, 1)
    eventually(lambda: client.kept()[LINK] == "offline", "leaving is said")
    eventually(lambda: client.kept()[f"{ROOT}/$state"] == "disconnected", "in both conventions")
    sound(service)


@side_by_side
def test_a_plain_client_drives_every_control(stage: Stage) -> None:
    lay(stage)
    plug, _ = stage.cast()
    service, client = shown(stage)
    service.awaits("A-load read back off")
    driven = {
        "pack-egret/place": "B", "pack-egret/record-charged": "PRESS",
        "pack-egret/record-used": "PRESS", "pack-egret/record-swelling": "PRESS",
        "pack-egret/record-inspected": "PRESS", "pack-egret/record-calibrated": "PRESS",
        "pack-egret/record-soc": "61", "pack-egret/record-voltage": "22.8",
        "pack-egret/record-temperature": "21.5", "pack-egret/record-capacity": "0.95",
        "pack-egret/record-cells": "3.80 3.81 3.80 3.79 3.80 3.80",
        "pack-egret/drain-to-storage": "PRESS", "pack-egret/make-ready": "PRESS",
        "site/stop": "PRESS",
    }  # fmt: skip
    others = {name.replace("egret", "heron") for name in driven}
    assert client.controls().keys() == driven.keys() | others, "every control is driven below"
    for control, payload in driven.items():
        if control == "site/stop":
            continue
        client.drive(control, payload)
        word = control.split("/")[1].removeprefix("record-")
        eventually(lambda word=word: word in client.answer(), f"{control} is answered")
        assert "taken in" in client.answer()
    client.shows("pack-egret/place", "B")
    client.shows("station-b/pack", "egret")
    text = log_of(stage)
    for said in ("egret: on station B", "swelling", "inspection", "calibration",
                 "a person wants egret for storage, at 50 %",
                 "a person wants egret for ready, at 100 %"):  # fmt: skip
        assert said in text, said
    # The same at the command line.
    asked = stage.run("want", "egret", "storage")
    assert asked.process.returncode == 0, asked.text()
    assert "to do: drain to 50 %" in asked.flat()
    # heron hangs on a real load: it is drained, through the same permits as by a rule.
    client.drive("pack-heron/drain-to-storage", "PRESS")
    stage.until_on(service)
    # And the other convention: off again, by whoever presses it first.
    pressed = monotonic()
    client.set("site/control/stop", "PRESS")
    opened = stage.opened(pressed)
    stage.measured.append(f"a hub's stop to the contact open: {opened - pressed:.2f} s")
    service.awaits("everything stopped (a hub)")
    client.shows("site/alarm", "ON")
    client.drive("pack-heron/drain-to-storage", "PRESS")
    eventually(lambda: "refused: everything is stopped" in client.answer(), "nothing begins")
    client.set("pack-heron/control/place", "no station")
    client.shows("pack-heron/place", "no station")
    eventually(lambda: f"{ROOT}/$alert/stopped" in client.kept(), "the other one shows it, too")
    sound(service, plug)


@side_by_side
def test_a_killed_service_is_offline_and_a_new_one_is_there_again(stage: Stage) -> None:
    service, client = shown(stage)
    service.kill()
    eventually(lambda: client.kept()[LINK] == "offline", "the will is done")
    eventually(lambda: client.kept()[f"{ROOT}/$state"] == "lost", "in both conventions")
    again = stage.service()
    eventually(lambda: client.kept()[LINK] == "online", "it is back")
    eventually(lambda: client.kept()[f"{ROOT}/$state"] == "ready", "in both")
    assert list(tree_faults(client.homie(), "homie")) == []
    sound(again)


@side_by_side
def test_a_frozen_service_is_not_there_either(stage: Stage) -> None:
    """The connection may live on while nobody evaluates: then the second topic says so."""
    service, client = shown(stage)
    service.send(signal.SIGSTOP)
    eventually(lambda: client.kept()[LINK] == "offline", "the broker misses its keepalive")
    service.send(signal.SIGCONT)
    eventually(lambda: client.kept()[LINK] == "online", "and sees it again")
    eventually(lambda: client.kept()[SERVICE] == "online", "evaluating")
    sound(service)


@side_by_side
def test_a_retired_pack_and_one_that_left_are_taken_away(stage: Stage) -> None:
    site = lay(stage)
    (stage.folder / "shed.care").write_text(WORN)
    service, client = shown(stage)
    assert "egret" in client.configs()
    client.drive("pack-egret/record-soc", "5")
    eventually(lambda: "egret" not in client.configs(), "a retired pack is no device")
    left = [topic for topic in client.kept() if "egret" in topic]
    eventually(lambda: not [t for t in client.kept() if "egret" in t], f"nothing is left of {left}")
    opened = {"event_type": "opened", "text": "retire egret: worn out"}
    eventually(lambda: opened in [json.loads(text) for topic, text in tuple(client.passing)
                                  if topic == "carerules/hub/shed/site/chore"],
               "its chore is told")  # fmt: skip
    eventually(lambda: list(tree_faults(client.homie(), "homie")) == [], "the tree is whole again")
    service.leave()
    # heron leaves the site file while no service runs: the broker itself remembers it.
    site.write_text(site.read_text().replace("[pack.heron]", "[pack.plover]")
                    .replace('pack = "heron"', 'pack = "plover"'))  # fmt: skip
    again = stage.service()
    eventually(lambda: "plover" in client.configs(), "the new pack is shown")
    eventually(lambda: not [t for t in client.kept() if "heron" in t], "nothing is left of heron")
    assert (
        "carerules-shed-pack-heron" not in read(client.kept()[f"{ROOT}/$description"])["children"]
    )
    sound(service, again)


@side_by_side
def test_a_retained_order_is_not_obeyed(stage: Stage) -> None:
    lying = ("carerules/hub/shed/site/stop/set", f"{ROOT}/control/stop/set",
             "carerules/hub/shed/pack-heron/place/set")  # fmt: skip
    for topic in lying:
        stage.eye.say(topic, b"PRESS" if "stop" in topic else b"no station", retain=True)
    service, client = shown(stage)
    # One that comes while we listen, and that the broker would remember, is none either.
    stage.eye.say("carerules/hub/shed/pack-heron/place/set", b"no station", retain=True)
    client.shows("site/dropped", "4")
    sleep(2.0)
    assert client.kept()["carerules/hub/shed/pack-heron/place"] == "A"
    assert client.kept()["carerules/hub/shed/site/alarm"] == "OFF"
    assert "everything stopped" not in service.text()
    # Refusals are journalled with the next fact, or ten seconds later.
    eventually(lambda: "a retained order is not obeyed" in log_of(stage), "it is journalled")
    # And one that is no order at all.
    stage.eye.say("carerules/hub/shed/pack-heron/place/set", b"Z")
    eventually(lambda: "refused" in client.answer(), "it is told")
    assert client.kept()["carerules/hub/shed/pack-heron/place"] == "A"
    sound(service)


@side_by_side
def test_without_controls_only_stop_is_offered(stage: Stage) -> None:
    service, client = shown(stage, more="")
    assert list(client.controls()) == ["site/stop"]
    stage.eye.say("carerules/hub/shed/pack-heron/place/set", b"no station")
    eventually(lambda: "nothing of this site is set there" in service.text(), "it is refused")
    assert "heron: on no station" not in service.text()
    client.drive("site/stop", "PRESS")
    service.awaits("everything stopped (a hub)")
    sound(service)


@side_by_side
def test_a_hub_that_begins_is_told_everything_again(stage: Stage) -> None:
    service, _ = shown(stage)
    before = monotonic()
    stage.eye.say("hubs/status", b"online")
    config = "hubs/device/carerules-shed-pack-heron/config"
    heard = eventually(lambda: stage.eye.on(config, before), "the description comes again")
    eventually(lambda: stage.eye.on(LINK, before), "and that we are there")
    stage.measured.append(f"a hub's birth to the first description: {heard[0].at - before:.2f} s")
    sound(service)


@side_by_side
def test_a_site_file_is_proposed_from_what_is_heard(stage: Stage) -> None:
    """`carerules discover` says nothing itself, and what it calls whole `check` takes."""
    _ = stage.eye
    pack, plug = stage.pack(), stage.plug()
    for one in (pack, plug):
        one.awaits("on the line")
    eventually(lambda: "shed/a-load/link" in {one.topic for one in stage.eye.heard}, "the link")
    before = len(stage.eye.heard)
    ear = stage.start(
        "discover", "--broker", f"127.0.0.1:{stage.broker.port}", "--seconds", 15,
        "--chemistry", "lipo", "--capacity", "1 Ah",
    )  # fmt: skip
    assert ear.ends() == 0
    said = ear.text()
    assert "# Whole:" in said
    for words in ("[pack.heron]", "cells = 6", '#? profile = "generic-json"', "#? [plug.a-load]"):
        assert words in said, words
    (stage.folder / "proposed.toml").write_text(
        "".join(f"{line}\n" for line in said.splitlines()[1:-1])
    )
    assert stage.run("check", "proposed.toml").process.returncode == 0
    heard = {one.topic for one in stage.eye.heard[before:]}
    assert heard <= {"packs/heron/telemetry", "shed/a-load/state", "shed/a-load/truth"}, heard
    nobody = stage.run("discover", "--broker", "127.0.0.1:1", "--seconds", 1)
    assert nobody.process.returncode == 1
    assert "nothing was heard" in nobody.text()
    sound(ear, nobody)


@side_by_side
def test_a_flood_of_orders_is_bounded(stage: Stage) -> None:
    """Most of it is counted and dropped; the service goes on, and a stop still comes through."""
    service, client = shown(stage)
    topic = client.controls()["pack-heron/record-soc"]["command_topic"]
    for number in range(400):
        stage.eye.client.publish(topic, str(50 + number % 10), qos=0)
    eventually(lambda: int(client.kept()["carerules/hub/shed/site/dropped"]) >= 300, "dropped")
    stage.eye.say(topic, b"9" * 2_000)
    client.drive("site/stop", "PRESS")
    service.awaits("everything stopped (a hub)")
    client.shows("site/alarm", "ON")
    log = stage.run("log", "--all", "--last", 10_000).flat()
    entered = log.count("soc 5")
    assert 1 <= entered <= 60, f"{entered}: a minute's worth at most, and some of it"
    sound(service)


@side_by_side
def test_a_broker_that_forgot_everything_is_told_it_again(stage: Stage) -> None:
    """mosquitto as these tests run it keeps nothing over a restart."""
    service, client = shown(stage)
    before = client.kept().keys()
    stage.broker.kill()
    service.awaits("the hub")
    client.forget()
    stage.broker.start()
    eventually(lambda: client.kept().get(LINK) == "online", "it is there again", 60)
    eventually(lambda: client.kept().get(f"{ROOT}/$state") == "ready", "in both conventions", 60)
    eventually(lambda: client.kept().keys() == before, "and whole")
    eventually(lambda: list(tree_faults(client.homie(), "homie")) == [], "as it was")
    sound(service)


@side_by_side
def test_a_hub_that_left_the_site_file_keeps_nothing_of_it(stage: Stage) -> None:
    service, client = shown(stage)
    ours = ("carerules/hub/", "hubs/", "homie/")
    was = client.kept()
    assert len([topic for topic in was if topic.startswith(ours)]) > 40
    stage.eye.say("homie/5/lamp/$state", b"ready", retain=True)
    stage.eye.say("hubs/device/lamp/config", b'{"dev": {"name": "lamp"}}', retain=True)
    service.leave()
    site = stage.folder / "site.toml"
    site.write_text(site.read_text().partition("[hub]")[0])

    # Somebody is there who shows the same, on another machine: what is theirs stays.
    state = f"{ROOT}/$state"
    eventually(lambda: client.kept()[state] == "disconnected", "it has left")
    stage.eye.say(state, b"ready", retain=True)
    beside = stage.service()
    eventually(lambda: LINK not in client.kept(), "the other convention's is gone")
    sleep(2.0)
    homie = {topic for topic in was if topic.startswith(f"{ROOT}/")}
    assert homie <= client.kept().keys()
    beside.leave()

    stage.eye.say(state, b"lost", retain=True)
    alone = stage.service()
    alone.awaits("what a hub was shown of this site is taken away")
    eventually(
        lambda: sorted(topic for topic in client.kept() if topic.startswith(ours))
        == ["homie/5/lamp/$state", "hubs/device/lamp/config"], "all is gone but what is another's",
    )  # fmt: skip
    assert not (stage.folder / "state" / "hub.json").exists()
    alone.leave()
    sound(service, beside, alone)


@side_by_side
def test_a_convention_that_is_turned_off_leaves_nothing_behind(stage: Stage) -> None:
    service, client = shown(stage)
    ours = ("carerules/hub/", "hubs/device/", "homie/")
    assert [topic for topic in client.kept() if topic.startswith(ours)]
    stage.eye.say("homie/5/lamp/$state", b"ready", retain=True)
    service.leave()
    site = stage.folder / "site.toml"
    site.write_text(site.read_text() + "discovery = false\nhomie = false\n")
    again = stage.service()
    eventually(
        lambda: [topic for topic in client.kept() if topic.startswith(ours)]
        == ["homie/5/lamp/$state"], "all is gone but what is another's",
    )  # fmt: skip
    again.kill()
    sleep(1.0)
    assert [topic for topic in client.kept() if topic.startswith(ours)] == ["homie/5/lamp/$state"]
    sound(service, again)
