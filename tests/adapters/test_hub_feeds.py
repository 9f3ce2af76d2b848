"""States of a hub as signals of the site: bare words and numbers, on any topic, by a profile."""

from __future__ import annotations

import pytest

from carerules.adapters import (
    Feed,
    FeedProfile,
    Message,
    Problem,
    Topics,
    load_feed_profile,
    topics_of,
)
from carerules.domain.event import Rejected, SiteSample
from carerules.domain.quantity import COUNT, SWITCH, TEMPERATURE
from carerules.domain.signal import Signal, catalogue

OWN = (
    Signal("site.somebody-home", SWITCH, 600_000, 0, 1, "somebody is home"),
    Signal("site.tariff", COUNT, None, 0, 9, "step of the tariff"),
    Signal("site.shed", TEMPERATURE, 600_000, -40, 80, "the shed"),
)


def profile(name: str) -> FeedProfile:
    read = load_feed_profile(name)
    assert isinstance(read, FeedProfile), read
    return read


def doors(name: str, signal: str, **changed: object) -> Topics | list[Problem]:
    about = profile(name).model_copy(update=changed)
    feed = Feed("it", name, {"topic": "house/it", "signal": signal})
    return topics_of({}, {}, [feed], {name: about}, catalogue(OWN))


def said(name: str, signal: str, payload: bytes, **changed: object) -> SiteSample | Rejected:
    topics = doors(name, signal, **changed)
    assert isinstance(topics, Topics), topics
    (event,) = topics.read(Message("house/it", payload), 7_000, 0)
    assert isinstance(event, SiteSample | Rejected)
    return event


TAKEN = [
    ("hub-switch", "smoke", b"on", 1.0),
    ("hub-switch", "smoke", b"off\n", 0.0),
    ("hub-switch", "smoke", b'"on"', 1.0),
    ("hub-presence", "somebody-home", b"home", 1.0),
    ("hub-presence", "somebody-home", b'"not_home"', 0.0),
    ("hub-temperature", "temperature", b"21.5", 21.5),
    ("hub-temperature", "shed", b'"-3.25"', -3.25),
    ("hub-temperature", "shed", b"-3", -3.0),
    ("hub-count", "tariff", b"2", 2.0),
    ("hub-count", "tariff", b'"2"', 2.0),
]


@pytest.mark.parametrize(("name", "signal", "payload", "value"), TAKEN)
def test_a_state_is_taken(name: str, signal: str, payload: bytes, value: float) -> None:
    event = said(name, signal, payload)
    assert isinstance(event, SiteSample), event
    assert [(one.signal, one.value) for one in event.values] == [(f"site.{signal}", value)]


REFUSED = [
    ("hub-switch", "smoke", b"unavailable", 'wanted `"on"` or `"off"`'),
    ("hub-switch", "smoke", b"true", "found `true`"),
    ("hub-switch", "smoke", b"1", "found `1`"),
    ("hub-switch", "smoke", b"", "none of the keys"),
    ("hub-switch", "smoke", b"null", "none of the keys"),
    ("hub-presence", "somebody-home", b"work", "found"),
    ("hub-temperature", "shed", b"unknown", "wanted a number"),
    ("hub-temperature", "shed", b"2 1", "wanted a number"),
    ("hub-temperature", "shed", b"1e3", "wanted -40 to 80"),
    ("hub-temperature", "shed", b'"1e3"', "wanted a number"),
    ("hub-temperature", "shed", b"NaN", "wanted a number"),
    ("hub-temperature", "shed", b"81", "wanted -40 to 80"),
    ("hub-temperature", "shed", b"true", "wanted a number"),
    ("hub-count", "tariff", b"\xff", "no UTF-8"),
]


@pytest.mark.parametrize(("name", "signal", "payload", "why"), REFUSED)
def test_what_is_no_state_is_refused(name: str, signal: str, payload: bytes, why: str) -> None:
    event = said(name, signal, payload)
    assert isinstance(event, Rejected), event
    assert why in event.why


def test_what_the_broker_remembers_is_taken_only_where_its_age_does_not_matter() -> None:
    topics = doors("hub-count", "tariff", retained=True)
    assert isinstance(topics, Topics)
    (event,) = topics.read(Message("house/it", b"2", retained=True), 7_000, 0)
    assert isinstance(event, SiteSample)
    (problem,) = doors("hub-temperature", "shed", retained=True)  # type: ignore[misc]
    assert isinstance(problem, Problem)
    assert "retained" in problem.found
    plain = doors("hub-count", "tariff")
    assert isinstance(plain, Topics)
    (event,) = plain.read(Message("house/it", b"2", retained=True), 7_000, 0)
    assert isinstance(event, Rejected)


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ({"unit": "°C", "on": "a", "off": "b"}, "`on`"),
        ({"unit": "on/off", "on": "a"}, "`on`"),
        ({"unit": "on/off", "on": "a", "off": "a"}, "for both"),
    ],
)
def test_words_that_fit_no_switch_are_no_profile(row: dict[str, str], found: str) -> None:
    about = profile("hub-switch").model_dump()
    about["value"] = [{"pointer": "", "signal": "site.{signal}", **row}]
    with pytest.raises(ValueError, match=found):
        FeedProfile.model_validate(about)


def test_a_signal_that_the_site_does_not_have_is_told() -> None:
    (problem,) = doors("hub-switch", "door")  # type: ignore[misc]
    assert isinstance(problem, Problem)
    assert problem.found == "`site.door`"
