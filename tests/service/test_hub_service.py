"""The service at a hub, with a line that only notes: what is said while nobody evaluates, and what
becomes of orders that come late, or too often."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from threading import Lock
from time import sleep
from typing import Any

import pytest

from carerules.adapters import Lane
from carerules.adapters.hubline import Ears, Heard, Script
from carerules.config import HubSettings, SiteFile, read_site_text
from carerules.domain.event import Event, Placed, Rejected, Started, Stopped, Tick
from carerules.domain.moment import SECOND
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.hub import places_of
from carerules.loop import World, make_setup, new_world, step
from carerules.service.checkup import at_the_hub
from carerules.service.hub import ORDERS_A_MINUTE, SILENT_S, Hub
from carerules.service.hublines import conventions_of, every_convention
from carerules.service.leftover import note_shown, noted

SITE = """name = "shed"
zone = "UTC"
[mqtt]
[hub]
homie = false
every = "1 s"
controls = true
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = { plug = "a", power = "60 W" }
[plug.a]
profile = "generic-json"
topic = "shed/a"
"""
BEGIN = 1_790_000_000_000
PLACE = "carerules/hub/shed/pack-heron/place/set"
STOP = "carerules/hub/shed/site/stop/set"


@dataclass
class Noted:
    """Satisfies `service.hub.Line`: nothing is sent."""

    script: Script
    ears: Ears
    wanted: Mapping[str, str] = field(default_factory=dict)
    waiting: list[Heard] = field(default_factory=list)
    anew: int = 0

    def start(self) -> None: ...

    def close(self) -> None: ...

    def again(self) -> None:
        self.anew += 1

    def say(self, topic: str, payload: str) -> None: ...

    def orders(self) -> Sequence[Heard]:
        taken, self.waiting = self.waiting, []
        return taken

    def pump(self, wanted: Mapping[str, str]) -> bool:
        self.wanted = wanted
        return True


class Stage:
    """A hub, a clock set by hand, and an inbox that is emptied by hand."""

    def __init__(self) -> None:
        read = read_site_text(SITE, "site.toml")
        assert isinstance(read, SiteFile), read
        setup = make_setup(read.site, read.chemistries, catalogue(), Plan())
        self.world: World = new_world(setup, BEGIN)
        self.at_s, self.now = 1_000.0, BEGIN
        self.put: list[tuple[Lane, Callable[[int], Sequence[Event]], int]] = []
        self._lock = Lock()
        self.line: Any = None

        def line(_name: str, _address: object, _word: object, script: Script, ears: Ears) -> Noted:
            noted = Noted(script, ears)
            # The first is of the convention that is spoken; the other one tidies up.
            self.line = self.line or noted
            return noted

        self.hub = Hub(read, self.world, self._put, lambda: self.now, lambda: "",
                       line=line, clock_s=lambda: self.at_s)  # fmt: skip
        self.hear(Started(BEGIN))

    def _put(self, lane: Lane, read: Callable[[int], Sequence[Event]]) -> None:
        with self._lock:
            self.put.append((lane, read, self.now))

    def hear(self, event: Event) -> None:
        self.world, outcomes = step(self.world, event)
        self.hub.tell(event, outcomes, self.world)

    def taken(self) -> list[Event]:
        """What the evaluator finds in its inbox now."""
        with self._lock:
            waiting, self.put = self.put, []
        return [event for _, read, heard in waiting for event in read(heard)]

    def shows(self, leaf: str) -> str | None:
        found: str | None = self.line.wanted.get(f"carerules/hub/shed/{leaf}")
        return found

    def until(self, true: Callable[[], bool], what: str) -> None:
        """The hub's thread comes round twice a second."""
        for _ in range(2_000):
            if true():
                return
            self.line.ears.kick()
            sleep(0.05)
        raise AssertionError(what)


@pytest.fixture
def stage() -> Any:
    stage = Stage()
    stage.hub.start()
    yield stage
    stage.hub.close()


def test_a_service_that_does_not_evaluate_is_not_there(stage: Stage) -> None:
    """Its connection may be well: the other topic of availability is for this."""
    stage.until(lambda: stage.shows("service") == "online", "it is there")
    assert stage.shows("link") == "online"
    stage.at_s += SILENT_S + 1
    stage.until(lambda: stage.shows("service") == "offline", "it stands still")
    stage.hear(Tick(BEGIN + SECOND))
    stage.until(lambda: stage.shows("service") == "online", "it goes on")


def test_an_order_is_an_event_and_its_answer_is_shown(stage: Stage) -> None:
    stage.line.waiting.append(Heard(0.0, PLACE, "A"))
    stage.until(lambda: bool(stage.put), "it is handed in")
    (placed,) = stage.taken()
    assert placed == Placed(BEGIN, "heron", "A")
    stage.hear(placed)
    stage.at_s += 2
    stage.until(lambda: "taken in" in (stage.shows("site/answer") or ""), "it is answered")
    assert stage.shows("pack-heron/place") == "A"


def test_an_order_that_the_evaluator_comes_to_late_is_not_obeyed(stage: Stage) -> None:
    stage.line.waiting.append(Heard(0.0, PLACE, "A"))
    stage.until(lambda: bool(stage.put), "it is handed in")
    stage.now += 11 * SECOND
    (event,) = stage.taken()
    assert isinstance(event, Rejected)
    assert "waited too long" in event.why


def test_a_stop_is_never_too_late_and_waits_for_nobody(stage: Stage) -> None:
    assert stage.line.ears.order(STOP, "PRESS")  # on the line's own thread, at once
    stage.now += 60 * SECOND
    (event,) = stage.taken()
    assert isinstance(event, Stopped)
    # Pressed again at once it has been heard already; a while later it is pressed again.
    assert stage.line.ears.order(STOP, "PRESS")
    assert stage.taken() == []
    stage.at_s += 1
    assert stage.line.ears.order(STOP, "PRESS")
    assert [type(one) for one in stage.taken()] == [Stopped]


def test_a_minute_has_so_many_orders_and_no_more(stage: Stage) -> None:
    for _ in range(ORDERS_A_MINUTE + 5):
        stage.line.waiting.append(Heard(0.0, PLACE, "A"))
    stage.until(lambda: len(stage.put) > ORDERS_A_MINUTE, "they are taken")
    stage.at_s += 2
    stage.until(lambda: stage.shows("site/dropped") == "5", "five are counted")
    events = stage.taken()
    assert sum(isinstance(one, Placed) for one in events) == ORDERS_A_MINUTE
    assert any("orders a minute" in one.why for one in events if isinstance(one, Rejected))
    stage.at_s += 61
    stage.line.waiting.append(Heard(0.0, PLACE, "A"))
    stage.until(lambda: bool(stage.put), "the next minute has its own")
    assert isinstance(stage.taken()[0], Placed)


def test_a_hub_that_begins_is_answered_after_a_while_of_its_own(stage: Stage) -> None:
    stage.line.ears.born()
    stage.at_s += 0.05
    sleep(0.2)
    assert stage.line.anew == 0, "not at once: everybody at the broker heard it too"
    stage.at_s += 6
    stage.until(lambda: stage.line.anew == 1, "once")


def test_trouble_of_the_line_is_no_order(stage: Stage) -> None:
    stage.line.ears.fault("no connection")
    (event,) = stage.taken()
    assert isinstance(event, Rejected)
    stage.at_s += 2
    stage.until(lambda: stage.shows("site/dropped") == "0", "nothing was ordered")


@pytest.mark.parametrize(
    ("mqtt", "hub", "state"),
    [
        ("", "controls = true", "look"),
        ('user = "carerules"', "controls = true", "in order"),
        ("", "", "in order"),
    ],
)
def test_doctor_tells_where_anybody_can_press_the_buttons(mqtt: str, hub: str, state: str) -> None:
    text = SITE.replace("controls = true\n", f"{hub}\n").replace("[mqtt]\n", f"[mqtt]\n{mqtt}\n")
    read = read_site_text(text, "site.toml")
    assert isinstance(read, SiteFile), read
    (found,) = at_the_hub(read)
    assert (found.about, found.state, bool(found.mend)) == ("hub", state, state == "look")


def test_without_a_hub_doctor_has_nothing_to_say_of_one() -> None:
    read = read_site_text(SITE.replace("[hub]", "[mqtt2]").split("[mqtt2]", maxsplit=1)[0] +
                          "[pack" + SITE.split("[pack", maxsplit=1)[1], "site.toml")  # fmt: skip
    assert isinstance(read, SiteFile), read
    assert list(at_the_hub(read)) == []


def test_whatever_goes_wrong_there_the_evaluator_goes_on(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carerules.service.hub.answer_of", lambda *_: 1 / 0)
    stage.line.waiting.append(Heard(0.0, PLACE, "A"))
    stage.until(lambda: bool(stage.put), "it is handed in")
    (placed,) = stage.taken()
    stage.hear(placed)  # does not raise
    assert any("division" in event.why for event in stage.taken() if isinstance(event, Rejected))


def test_wherever_the_site_was_shown_is_noted_and_swept_in_every_convention(tmp_path: Path) -> None:
    """A convention more has its place noted beside the journal, and its remains taken away."""
    site = read_site_text(SITE, "site.toml")
    assert isinstance(site, SiteFile)
    assert site.hub is not None
    where = [one.name for one in fields(HubSettings) if one.type == "str" and one.name != "key"]
    assert len(where) >= 2
    elsewhere = replace(site.hub, **{name: f"far/{name}" for name in where})
    site = replace(site, state=tmp_path, hub=elsewhere)
    note_shown(site)
    found = noted(site)
    assert found is not None
    assert {name: getattr(found, name) for name in (*where, "key")} == {
        **{name: f"far/{name}" for name in where}, "key": "shed",
    }  # fmt: skip
    places = places_of(site.site, found.key, controls=False)
    swept = {type(one) for one in every_convention(found, places)}
    off = replace(found, **{one.name: False for one in fields(found) if one.type == "bool"})
    assert swept == {type(one) for one in conventions_of(off, places)[1]}
    for one in every_convention(found, places):
        assert any(topic.startswith("far/") for topic in one.remembered), one
