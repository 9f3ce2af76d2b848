"""What a hub says, as entries: the same as a person's, through the same door, or refused there."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hub_kit import CONVENTIONS, NAMED, house, make_site, places, stage
from hypothesis import given
from hypothesis import strategies as st

from carerules.adapters import Entry, Measured, Place, Problem, Recorded, Stop, Want
from carerules.domain.event import Value
from carerules.hub import NOWHERE, Convention, Order, entry_of, is_stop

SITE = make_site(("heron", "Egret_1"), ("A", "B"))
NOW = datetime(2026, 12, 5, 8, tzinfo=UTC)
SHOWN = house(stage().world)
HERE = places(stage(packs=("heron", "Egret_1"), stations=("A", "B")).world)


def entry(place: str, prop: str, text: str) -> Entry | Problem:
    return entry_of(Order(place, prop, text), SITE, HERE, NOW)


TAKEN = [
    ("site", "control/stop", "PRESS", Stop("a hub")),
    ("pack-heron", "control/place", "B", Place("heron", "B")),
    ("pack-heron", "control/place", NOWHERE, Place("heron", None)),
    ("pack-egret-1", "control/drain-to-storage", "PRESS", Want("Egret_1", "storage", NOW)),
    ("pack-heron", "control/make-ready", "PRESS", Want("heron", "ready", NOW)),
    ("pack-heron", "record/charged", "PRESS", Recorded("heron", ("charge", "full"), NOW)),
    ("pack-heron", "record/swelling", "PRESS", Recorded("heron", ("swelling",), NOW)),
    ("pack-heron", "record/soc", "61.0",
     Measured("heron", NOW, (Value("pack.soc", 61.0, 5.0),))),
    ("pack-heron", "record/cells", "3.8 3.8 3.8 3.8 3.8 3.8",
     Measured("heron", NOW, (), (3.8,) * 6, 0.01)),
]  # fmt: skip


@pytest.mark.parametrize(("place", "prop", "text", "wanted"), TAKEN)
def test_an_order_is_an_entry(place: str, prop: str, text: str, wanted: Entry) -> None:
    assert entry(place, prop, text) == wanted


REFUSED = [
    ("pack-heron", "control/place", "C", "station"),
    ("pack-heron", "control/make-ready", "press", "press the button"),
    ("pack-heron", "record/used", "yes", "press the button"),
    ("site", "control/stop", "", "a pack of this site"),
    ("pack-plover", "control/place", "A", "a pack of this site"),
    ("station-a", "control/place", "A", "a pack of this site"),
    ("pack-heron", "record/soc", "120", "0 % to 100 %"),
    ("pack-heron", "record/soc", "nan", "a number"),
    ("pack-heron", "record/voltage", "", "a voltage"),
    ("pack-heron", "record/voltage", "3.8", "6 cells of `heron`"),
    ("pack-heron", "record/cells", "3.8 3.8", "6, one for each cell"),
    ("pack-heron", "record/temperature", "500", "-40 °C to 120 °C"),
    ("pack-heron", "record/soc", "5" * 300, "200 printable"),
    ("pack-heron", "record/soc", "5\n0", "200 printable"),
]  # fmt: skip


@pytest.mark.parametrize(("place", "prop", "text", "why"), REFUSED)
def test_what_is_no_order_is_refused_in_one_line(
    place: str, prop: str, text: str, why: str
) -> None:
    found = entry(place, prop, text)
    assert isinstance(found, Problem), found
    assert why in found.show()
    assert "\n" not in found.show().removesuffix("\n")


@given(st.sampled_from([d.place for d in SHOWN.devices] + ["pack-x", ""]),
       st.one_of(st.sampled_from([f"{p.group.value}/{p.id}" for d in SHOWN.devices
                                  for p in d.properties]), st.text(max_size=30)),
       st.text(max_size=250))  # fmt: skip
def test_any_words_are_an_entry_or_a_refusal(place: str, prop: str, text: str) -> None:
    order = Order(place, prop, text)
    found = entry_of(order, SITE, HERE, NOW)
    assert isinstance(found, Problem) != isinstance(found, Entry)
    assert isinstance(found, Stop) == is_stop(order)


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
@given(topic=st.text(max_size=60), payload=st.text(max_size=60))
def test_any_topic_is_an_order_of_ours_or_none(
    convention: Convention, topic: str, payload: str
) -> None:
    order = convention.order(SHOWN, topic, payload)
    assert order is None or convention.concerns(topic)


@pytest.mark.parametrize("convention", CONVENTIONS, ids=NAMED)
def test_an_order_to_somebody_else_does_not_concern_us(convention: Convention) -> None:
    """In one house there may be many that are set under the same filter."""
    for topic in ("homie/5/lamp/light/power/set", "carerules/hub/river-survey-2/x/stop/set",
                  "homie/5/carerules-river-survey-2/control/stop/set",
                  "carerules/hub/river-survey-2/site/stop/set", "hubs/device/lamp/config",
                  "homie/5/$broadcast/alert", "carerules/echo/x"):  # fmt: skip
        assert not convention.concerns(topic), topic
        assert convention.order(house(stage().world), topic, "PRESS") is None


def test_without_controls_the_only_order_is_stop() -> None:
    bare = house(stage().world, controls=False)
    settable = [(d.place, p.id) for d in bare.devices for p in d.properties if p.settable]
    assert settable == [("site", "stop")]
    for convention, topic in zip(
        CONVENTIONS,
        ("carerules/hub/river-survey/pack-heron/place/set",
         "homie/5/carerules-river-survey-pack-heron/control/place/set"),
        strict=True,
    ):  # fmt: skip
        assert convention.order(bare, topic, "A") is None
        assert convention.order(house(stage().world), topic, "A") is not None
