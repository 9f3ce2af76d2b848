"""Both conventions, judged by rules written from their public documents (`*_rules.py` here)."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from discovery_rules import NEEDED, config_faults, read_config, state_faults
from homie_rules import order_faults, read, tree_faults
from hub_kit import CONVENTIONS, DISCOVERY, HOMIE, NAMED, Stage, brought, house, stage

from carerules.domain.event import Placed, Stopped
from carerules.domain.quantity import Known
from carerules.hub import Convention, House, Kind, Memo, Property

WORLDS = {
    "well known": stage,
    "nothing known": lambda: stage("1m"),
    "no stations": lambda: stage(stations=()),
    "names that want care": lambda: stage("1m", packs=("Heron_1", "heron-1", "HERON-1", "x"),
                                          stations=("A", "a", "Long_Name")),
    "forty packs": lambda: stage("1m", packs=tuple(f"p{n}" for n in range(40))),
    "stopped": lambda: stopped(stage()),
}  # fmt: skip


def stopped(told: Stage) -> Stage:
    told.hear(Stopped(told.now, "a person"))
    return told


@pytest.fixture(params=WORLDS.values(), ids=list(WORLDS))
def shown(request: pytest.FixtureRequest) -> House:
    return house(request.param().world)


def configs(kept: dict[str, str]) -> dict[str, str]:
    return {topic: text for topic, text in kept.items() if topic.endswith("/config")}


# ---- device discovery ------------------------------------------------------------------------


def test_each_description_holds_to_its_convention(shown: House) -> None:
    kept = dict(DISCOVERY.wanted(shown, alive=True))
    faults = [
        f"{topic}: {fault}"
        for topic, text in configs(kept).items()
        for fault in config_faults(topic, text, "hubs")
    ]
    assert faults == []
    assert len(configs(kept)) == len(shown.devices)


def test_each_value_is_one_that_its_entity_takes(shown: House) -> None:
    kept = dict(DISCOVERY.wanted(shown, alive=True))
    faults, values = [], 0
    for text in configs(kept).values():
        for one in read_config(text)["components"].values():
            topic = one.get("state_topic")
            if topic is None or one["platform"] == "event":
                continue
            values += 1
            faults += [f"{topic}: {fault}" for fault in state_faults(one, kept[topic])]
    assert faults == []
    assert values > 4 * len(shown.devices)


def test_availability_is_two_topics_that_must_both_say_so(shown: House) -> None:
    kept = dict(DISCOVERY.wanted(shown, alive=False))
    for text in configs(kept).values():
        said = read_config(text)
        assert said["availability_mode"] == "all"
        link, service = (one["topic"] for one in said["availability"])
        assert (kept[link], kept[service]) == ("online", "offline")
        assert DISCOVERY.will == (link, "offline")


def test_every_order_has_a_topic_of_its_own_under_our_filter(shown: House) -> None:
    topics = [
        one["command_topic"]
        for text in configs(dict(DISCOVERY.wanted(shown, alive=True))).values()
        for one in read_config(text)["components"].values()
        if "command_topic" in one
    ]
    settable = [one for device in shown.devices for one in device.properties if one.settable]
    assert len(set(topics)) == len(topics) == len(settable) > 0
    (asked,) = DISCOVERY.orders
    start, end = asked.split("/+/+/")
    for topic in topics:
        assert topic.startswith(start)
        assert topic.endswith(f"/{end}")
        assert topic.count("/") == asked.count("/")
        assert DISCOVERY.order(shown, topic, "x") is not None


def test_a_description_fits_a_broker_that_takes_32_kib(shown: House) -> None:
    # integrations/broker/mosquitto.conf: message_size_limit 32768
    kept = DISCOVERY.wanted(shown, alive=True)
    assert max(len(text.encode()) for text in kept.values()) < 10_000


# ---- Homie -----------------------------------------------------------------------------------


def test_the_tree_holds_to_its_convention(shown: House) -> None:
    assert list(tree_faults(HOMIE.wanted(shown, alive=True), "homie")) == []


def test_from_nothing_to_all_in_the_order_that_is_asked_for(shown: House) -> None:
    steps = HOMIE.steps({}, HOMIE.wanted(shown, alive=True))
    assert list(order_faults(steps, "homie", {})) == []
    assert steps[-1] == (f"homie/5/{HOMIE.root}/$state", "ready")


def test_the_will_is_the_roots_and_no_other() -> None:
    assert HOMIE.will == ("homie/5/carerules-river-survey/$state", "lost")


def test_that_nobody_evaluates_is_told_and_taken_away() -> None:
    shown = house(stage().world)
    quiet, well = HOMIE.wanted(shown, alive=False), HOMIE.wanted(shown, alive=True)
    alert = f"homie/5/{HOMIE.root}/$alert/service"
    assert list(tree_faults(quiet, "homie")) == []
    assert (alert, "") in HOMIE.steps(quiet, well)
    assert [step for step in HOMIE.steps(quiet, well) if "$state" in step[0]] == []


# ---- what changes ----------------------------------------------------------------------------


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_nothing_changed_sends_nothing(convention: Convention) -> None:
    told = stage()
    kept = brought(convention, {}, convention.wanted(house(told.world), alive=True))
    assert convention.steps(kept, convention.wanted(house(told.world), alive=True)) == []


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_one_changed_value_is_one_message(convention: Convention) -> None:
    told = stage()
    before = convention.wanted(house(told.world), alive=True)
    told.hear(Placed(told.now, "heron", "A"))
    steps = convention.steps(before, convention.wanted(house(told.world), alive=True))
    assert sorted(topic.split("/")[-1] for topic, _ in steps) == ["pack", "place"]


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
@pytest.mark.parametrize("lost", ["egret", "heron"])
def test_a_pack_that_left_leaves_nothing_behind(convention: Convention, lost: str) -> None:
    both = house(stage().world)
    one = House(both.key, tuple(d for d in both.devices if d.name != lost))
    kept = brought(convention, {}, convention.wanted(both, alive=True))
    after = brought(convention, kept, convention.wanted(one, alive=True))
    assert any(lost in topic for topic in kept)
    assert [topic for topic in after if lost in topic] == []
    steps = convention.steps(kept, convention.wanted(one, alive=True))
    if convention is HOMIE:
        assert list(order_faults(steps, "homie", kept)) == []
        assert list(tree_faults(after, "homie")) == []


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_a_broken_off_removal_is_found_again(convention: Convention) -> None:
    """However far it came: what lies there still is known for ours, and taken away next time."""
    both = house(stage().world)
    one = House(both.key, tuple(d for d in both.devices if d.name != "egret"))
    whole = brought(convention, {}, convention.wanted(both, alive=True))
    wanted = convention.wanted(one, alive=True)
    steps = convention.steps(whole, wanted)
    for done in range(len(steps)):
        lies = dict(whole)
        for topic, payload in steps[:done]:
            lies.pop(topic, None)
            if payload:
                lies[topic] = payload
        found = {t: text for t, text in lies.items() if convention.is_ours(t, text, lies)}
        after = {t for t in lies if t not in found} | brought(convention, found, wanted).keys()
        assert [topic for topic in after if "egret" in topic] == [], f"after {done} steps"


def test_an_entity_that_goes_is_named_by_its_kind_first() -> None:
    told = stage()
    with_, without = (house(told.world, controls=c) for c in (True, False))
    kept = brought(DISCOVERY, {}, DISCOVERY.wanted(with_, alive=True))
    topic = "hubs/device/carerules-river-survey-pack-heron/config"
    first, last = [
        json.loads(payload)["cmps"]
        for where, payload in DISCOVERY.steps(kept, DISCOVERY.wanted(without, alive=True))
        if where == topic
    ]
    gone = first.keys() - last.keys()
    assert gone
    assert all(set(first[name]) == {"p"} and first[name]["p"] in NEEDED for name in gone)
    assert any("place" in name for name in gone)


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_what_another_site_or_program_keeps_is_not_ours(convention: Convention) -> None:
    shown = house(stage().world)
    ours = dict(convention.wanted(shown, alive=True))
    # A site whose key begins like ours, as it would be shown; and somebody else's device.
    other = house(stage().world)
    other = House("river-survey-2", tuple(
        replace(d, id=d.id.replace("river-survey", "river-survey-2")) for d in other.devices
    ))  # fmt: skip
    theirs = dict(replace(convention, key="river-survey-2").wanted(other, alive=True))  # type: ignore[type-var]
    theirs["hubs/device/lamp/config"] = '{"~":"lamps/1","dev":{},"cmps":{}}'
    theirs["homie/5/lamp/$state"] = "ready"
    theirs["hubs/device/rubbish/config"] = "[" * 3_000
    everything = {**theirs, **ours}
    found = {t for t, text in everything.items() if convention.is_ours(t, text, everything)}
    assert found == set(ours)


def test_a_retained_order_at_the_broker_is_none_of_what_we_keep() -> None:
    for convention, topic in (
        (DISCOVERY, "carerules/hub/river-survey/site/stop/set"),
        (HOMIE, "homie/5/carerules-river-survey/control/stop/set"),
    ):
        assert not convention.is_ours(topic, "PRESS", {topic: "PRESS"})
        assert convention.order(house(stage().world), topic, "PRESS") is not None


# ---- the judges themselves -------------------------------------------------------------------

SPOILED = [
    ("config", {"unique_id": None}, "no unique_id"),
    ("config", {"ret": True}, "an order that the broker would remember"),
    ("config", {"object_id": "x"}, "object_id, which is retired"),
    ("config", {"p": "lamp"}, "platform lamp"),
    ("config", {"dev_cla": "voltage", "unit_of_meas": "%"}, "voltage in %"),
    ("config", {"cmd_t": "a/+/set"}, "command_topic a/+/set"),
]


@pytest.mark.parametrize(("_", "fault", "told"), SPOILED, ids=[told for *_, told in SPOILED])
def test_the_judge_of_discovery_finds(_: str, fault: dict[str, object], told: str) -> None:
    kept = dict(DISCOVERY.wanted(house(stage().world), alive=True))
    topic = "hubs/device/carerules-river-survey-pack-heron/config"
    said = json.loads(kept[topic])
    name = next(n for n, one in said["cmps"].items() if one["p"] == "number")
    said["cmps"][name] |= fault
    assert any(told in found for found in config_faults(topic, json.dumps(said), "hubs"))


@pytest.mark.parametrize(
    ("topic", "payload", "told"),
    [
        ("$state", "fine", "$state fine"),
        ("$state", "", "$state None"),
        ("state/charge", "NaN", "no float"),
        ("state/alarm", "TRUE", "no boolean"),
        ("control/place", "B", "is none of"),
        ("state/unheard", "1", "in no description"),
        ("control/make-ready", "PRESS", "momentary"),
    ],
)
def test_the_judge_of_homie_finds(topic: str, payload: str, told: str) -> None:
    kept = dict(HOMIE.wanted(house(stage().world), alive=True))
    kept[f"homie/5/carerules-river-survey-pack-heron/{topic}"] = payload
    if not payload:
        del kept[f"homie/5/carerules-river-survey-pack-heron/{topic}"]
    assert any(told in fault for fault in tree_faults(kept, "homie"))


def test_the_judge_of_order_finds_a_description_changed_while_ready() -> None:
    kept = dict(HOMIE.wanted(house(stage().world), alive=True))
    topic = f"homie/5/{HOMIE.root}/$description"
    said = read(kept[topic]) | {"name": "another"}
    assert list(order_faults([(topic, json.dumps(said))], "homie", kept)) != []


def test_a_text_is_never_longer_than_a_hub_keeps() -> None:
    long = Property("x", "x", Kind.TEXT, value="a b\n" * 200)
    text = long.text()
    assert text is not None
    assert len(text) <= 250
    assert text.isprintable()


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_what_is_remembered_of_devices_makes_no_difference(convention: Convention) -> None:
    """Whatever changes: the same as made anew."""
    told, memo = stage(), Memo(convention)
    first = house(told.world)
    assert memo.wanted(first, alive=True) == convention.wanted(first, alive=True)
    assert memo.wanted(first, alive=False) == convention.wanted(first, alive=False)
    told.hear(Placed(told.now, "heron", "A"))
    # heron's device is another now, egret's the same object as before; and one has left.
    later = house(told.world)
    mixed = House(later.key, tuple(
        old if old.name == "egret" else new
        for old, new in zip(first.devices, later.devices, strict=True)
    ))  # fmt: skip
    fewer = House(later.key, later.devices[:-1])
    for shown in (mixed, fewer, first, mixed):
        assert memo.wanted(shown, alive=True) == convention.wanted(shown, alive=True)


def test_a_form_shows_nothing_that_it_would_not_take() -> None:
    """A pack below the least that may be typed in: shown as its voltage, and not in the form."""
    world = stage("0s v=22.8; 1m").world
    heron = world.packs["heron"]
    low = Known(2.0, 0.02, world.now, "kit")
    readings = {**heron.estimate.readings, "pack.voltage": low}
    beyond = replace(heron, estimate=replace(heron.estimate, readings=readings))
    shown = house(replace(world, packs={**world.packs, "heron": beyond}))
    device = next(device for device in shown.devices if device.name == "heron")
    values = {(one.group.value, one.id): one.value for one in device.properties}
    assert values["state", "voltage"] == 2.0
    assert values["record", "voltage"] is None
    assert list(tree_faults(HOMIE.wanted(shown, alive=True), "homie")) == []
