"""Calendars beside a service: the real inbox, thread, process and server; only plugs are missing.

Nothing here asserts how long anything takes: a turn waits for what comes, and there is a bound on
the turns.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.adapters import Inbox, Lane, LineClock, SqliteJournal, UseAdd, UseDrop
from carerules.adapters.apart import WAIT_S_MAX
from carerules.adapters.calendaraddress import Tags
from carerules.adapters.calendarcopy import Copy, CopyShelf
from carerules.adapters.calendarline import Unreached
from carerules.cli import main
from carerules.config import SiteFile, read_site, read_site_text
from carerules.domain.decision import Command, Notice, Outcome
from carerules.domain.event import Event, Rejected, Started, UseDropped, UsePlanned
from carerules.domain.moment import DAY, HOUR, Moment
from carerules.domain.pack import Use
from carerules.loop import World, new_world
from carerules.report import Keeper, KeptCalendar, StatusShape, status_lines, status_of
from carerules.service import Service, dump_world, load_world, read_rules
from carerules.service.almanac import Almanac, Looked
from carerules.service.calendars import TAKEN_S_MAX, Calendars
from carerules.service.desk import entry_events
from carerules.service.kept import kept_calendars
from carerules.sim import VirtualOutside

TURNS_MAX = 6_000

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[pack.egret]
chemistry = "lipo"
cells = 4
capacity = "8 Ah"
tags = ["boat"]
[calendar.crew]
{way}
[calendar.crew.event.survey]
words = ["survey"]
packs = ["heron"]
[calendar.crew.event.boat]
categories = ["boat"]
tags = ["boat"]
"""


def day(ahead: float) -> str:
    """So many days from now, in UTC."""
    return f"{datetime.now(UTC) + timedelta(days=ahead):%Y%m%dT%H%M%SZ}"


def calendar(*events: tuple[str, str]) -> bytes:
    """A calendar of summaries and when each begins."""
    rows = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//boat shed//tests//EN"]
    for number, (summary, start) in enumerate(events):
        rows += ["BEGIN:VEVENT", f"UID:{number}@shed", "DTSTAMP:20260101T000000Z",
                 f"DTSTART:{start}", f"SUMMARY:{summary}", "END:VEVENT"]  # fmt: skip
    return ("\r\n".join([*rows, "END:VCALENDAR"]) + "\r\n").encode()


def site_of(folder: Path, way: str = 'file = "crew.ics"') -> SiteFile:
    read = read_site_text(SITE.format(way=way), "site.toml", folder)
    assert isinstance(read, SiteFile), read
    return read


class InboxOutside:
    """`domain.ports.Outside` of nothing but the real inbox."""

    def __init__(self, clock: LineClock) -> None:
        self.inbox = Inbox(clock)

    def now(self) -> Moment:
        return self.inbox.now()

    def wait(self, due: Moment) -> Sequence[Event]:
        return self.inbox.take(due)

    def perform(self, command: Command) -> None:
        raise AssertionError("there are no plugs here")

    def close(self) -> None:
        pass


@dataclass
class Bench:
    """A service without plugs, its calendars beside it, and what was said."""

    site: SiteFile
    service: Service
    outside: InboxOutside
    clock: LineClock
    heard: list[Event] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)

    @contextmanager
    def calendars(
        self, almanacs: list[Almanac] | None = None, late: int = 0
    ) -> Iterator[Calendars]:
        """The calendars, from start to close; the wall clock `late` ms ahead of the site's."""
        calendars = Calendars(
            self.site, self.service.world, self.outside.inbox.put,
            lambda: self.clock.now() + late, self.notices.append, self.said.append, almanacs,
        )  # fmt: skip

        def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
            self.heard.append(event)
            calendars.tell(event, world)

        self.service.tell = told
        calendars.start()
        try:
            yield calendars
        finally:
            calendars.close()
            # What it read it may just have handed in, and waits for nobody to take it.
            calendars._thread.join(2 * TAKEN_S_MAX + WAIT_S_MAX)
            assert not calendars._thread.is_alive()

    def turn_until(self, done: Callable[[], object]) -> None:
        """Let the loop come round until that is so."""
        for _ in range(TURNS_MAX):
            if done():
                return
            self.service.take(self.outside.wait(self.outside.now() + 50))
        raise AssertionError(f"not after {TURNS_MAX} turns: {self.uses}, {self.said}")

    @property
    def uses(self) -> dict[str, tuple[str, ...]]:
        """The planned uses: their packs by their names without the day."""
        return {
            name.rsplit(" ", 1)[0] if use.calendar else name: tuple(sorted(use.packs))
            for name, use in self.service.world.uses.items()
        }


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return bench_of(site_of(tmp_path))


def bench_of(site: SiteFile, world: World | None = None) -> Bench:
    setup = read_rules(site).setup
    assert setup is not None
    clock = LineClock()
    outside = InboxOutside(clock)
    service = Service(world or new_world(setup, outside.now()), outside, None, lambda *_: None)
    service.take([Started(outside.now())])
    return Bench(site, service, outside, clock)


def test_a_file_plans_changes_and_calls_off(bench: Bench, tmp_path: Path) -> None:
    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("River survey", day(2)), ("Dinner", day(3)), ("Survey B", day(4))))
    with bench.calendars():
        bench.turn_until(lambda: len(bench.uses) == 2)
    assert bench.uses == {"River survey": ("heron",), "Survey B": ("heron",)}
    assert {use.calendar for use in bench.service.world.uses.values()} == {"crew"}
    # The rules see it: how long until the pack is wanted.
    starts = bench.service.world.packs["heron"].uses
    assert len(starts) == 2

    file.write_bytes(calendar(("River survey", day(2)), ("Survey C", day(5))))
    with bench.calendars():
        bench.turn_until(lambda: "Survey C" in bench.uses and "Survey B" not in bench.uses)
    assert set(bench.uses) == {"River survey", "Survey C"}
    assert bench.said == []
    assert bench.notices == []


def test_what_is_planned_by_hand_is_not_touched(bench: Bench, tmp_path: Path) -> None:
    world = bench.service.world
    by_hand = UseAdd("egret out", datetime.now(UTC) + timedelta(days=3), frozenset({"egret"}))
    bench.service.take(entry_events(by_hand, bench.outside.now(), world))
    (tmp_path / "crew.ics").write_bytes(calendar(("survey", day(2))))
    with bench.calendars():
        bench.turn_until(lambda: len(bench.uses) == 2)
    (tmp_path / "crew.ics").write_bytes(calendar())
    with bench.calendars():
        bench.turn_until(lambda: len(bench.uses) == 1)
    assert bench.uses == {"egret out": ("egret",)}


def test_a_person_calls_off_what_people_planned_and_nothing_of_a_calendar(bench: Bench) -> None:
    now, heron = bench.outside.now(), frozenset({"heron"})
    mine, its = Use("mine", now + DAY, heron), Use("its", now + DAY, heron, "crew")
    bench.service.take([UsePlanned(now, mine), UsePlanned(now, its)])
    world = bench.service.world
    assert entry_events(UseDrop("mine"), now, world) == (UseDropped(now, "mine"),)
    (refused,) = entry_events(UseDrop("its"), now, world)
    assert isinstance(refused, Rejected)
    assert refused.why.startswith("calendar crew plans `its`")


def test_a_use_that_has_begun_stays(bench: Bench, tmp_path: Path) -> None:
    now = bench.outside.now()
    began = Use("survey", now - HOUR, frozenset({"heron"}), "crew")
    ahead = Use("walk", now + DAY, frozenset({"heron"}), "crew")
    bench.service.take([UsePlanned(now, began), UsePlanned(now, ahead)])
    (tmp_path / "crew.ics").write_bytes(calendar())
    with bench.calendars():
        bench.turn_until(lambda: "walk" not in bench.service.world.uses)
    assert bench.service.world.uses == {"survey": began}


def test_uses_do_not_pile_up_for_ever(bench: Bench) -> None:
    """A calendar plans one a day for ten years: what began more than a month ago is forgotten."""
    now, heron = bench.outside.now(), frozenset({"heron"})
    for number in range(0, 3_650, 10):
        at = now + number * DAY
        bench.service.take([UsePlanned(at, Use(str(number), at + DAY, heron, "crew"))])
    kept = sorted(int(name) for name in bench.service.world.uses)
    assert kept == [3610, 3620, 3630, 3640]
    assert len(bench.service.world.packs["heron"].uses) == 4


def test_many_changes_come_a_few_at_a_time(bench: Bench, tmp_path: Path) -> None:
    """Between two batches the loop comes round: no more than 16 steps are taken at once."""
    events = [(f"survey {n}", day(2 + n / 50)) for n in range(40)]
    (tmp_path / "crew.ics").write_bytes(calendar(*events))
    batches: list[int] = []
    wait = bench.outside.wait

    def counted(due: Moment) -> Sequence[Event]:
        heard = wait(due)
        batches.append(sum(isinstance(event, UsePlanned) for event in heard))
        return heard

    bench.outside.wait = counted  # type: ignore[method-assign]
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 40)
    assert [count for count in batches if count] == [16, 16, 8]


def test_a_file_that_is_gone_keeps_its_copy_and_says_so_once(
    bench: Bench, tmp_path: Path
) -> None:  # fmt: skip
    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("survey", day(2)), ("survey", day(3))))
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 2)
    file.unlink()
    # A new start: a use was lost meanwhile, and is planned anew from the copy.
    lost = next(iter(bench.service.world.uses))
    bench.service.take([UseDropped(bench.outside.now(), lost)])
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 2)
        bench.turn_until(lambda: any(isinstance(event, Rejected) for event in bench.heard))
    assert bench.said == ["calendar crew: no such file or directory"]
    refused = [event for event in bench.heard if isinstance(event, Rejected)]
    assert [(event.origin, event.why) for event in refused] == [
        ("calendar crew", "no such file or directory")
    ]
    assert bench.notices == []  # the copy is of today


def test_a_copy_that_grew_old_is_told_as_a_notice(bench: Bench, tmp_path: Path) -> None:
    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("survey", day(3)), ("survey", day(0.5))))
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 2)
    file.unlink()
    with bench.calendars(late=DAY):
        bench.turn_until(lambda: bench.notices)
    (notice,) = bench.notices
    assert notice.key == "calendar crew"
    assert notice.text == (
        "calendar crew: no such file or directory (copy is 24 h old): look at what is planned"
    )
    assert not notice.urgent


def test_half_a_file_is_not_taken_for_an_empty_calendar(bench: Bench, tmp_path: Path) -> None:
    """Whoever writes it may be in the middle of it."""
    file = tmp_path / "crew.ics"
    whole = calendar(("survey", day(2)), ("survey", day(3)))
    file.write_bytes(whole)
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 2)
    for half in (b"", whole[: len(whole) // 2], b"<html>log in</html>"):
        file.write_bytes(half)
        with bench.calendars():
            bench.turn_until(lambda: bench.said)
        assert len(bench.service.world.uses) == 2
        assert bench.said.pop().startswith("calendar crew: found no calendar")
    assert not [event for event in bench.heard if isinstance(event, UseDropped)]


def test_a_calendar_that_was_never_reached_plans_and_drops_nothing(bench: Bench) -> None:
    now = bench.outside.now()
    use = Use("survey", now + DAY, frozenset({"heron"}), "crew")
    bench.service.take([UsePlanned(now, use)])
    with bench.calendars():
        bench.turn_until(lambda: bench.notices)
    assert bench.service.world.uses == {"survey": use}
    assert bench.said == ["calendar crew: no such file or directory; there is no copy of it"]
    assert "there is no copy" in bench.notices[0].text


def test_uses_of_a_calendar_that_the_site_no_longer_has_are_called_off(
    bench: Bench, tmp_path: Path
) -> None:
    now = bench.outside.now()
    bench.service.take([UsePlanned(now, Use("old", now + DAY, frozenset({"heron"}), "gone"))])
    (tmp_path / "crew.ics").write_bytes(calendar())
    with bench.calendars():
        bench.turn_until(lambda: not bench.service.world.uses)


def test_two_calendars_with_the_same_event_plan_two_uses(tmp_path: Path) -> None:
    """Whichever is read first has the plain name: neither takes the other's."""
    more = '[calendar.boat]\nfile = "crew.ics"\n[calendar.boat.event.all]\ntags = ["boat"]\n'
    read = read_site_text(SITE.format(way='file = "crew.ics"') + more, "site.toml", tmp_path)
    assert isinstance(read, SiteFile)
    (tmp_path / "crew.ics").write_bytes(calendar(("survey", day(2))))
    bench = bench_of(read)
    with bench.calendars():
        bench.turn_until(lambda: len(bench.service.world.uses) == 2)
    names = sorted(bench.service.world.uses)
    assert names[1] == f"{names[0]} (2)"
    assert sorted(use.calendar for use in bench.service.world.uses.values()) == ["boat", "crew"]


def test_asked_to_it_looks_before_its_turn(bench: Bench, tmp_path: Path) -> None:
    """Its turn is in an hour; what was changed meanwhile is there within seconds all the same."""
    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("survey", day(2))))
    with bench.calendars() as calendars:
        bench.turn_until(lambda: "survey" in bench.uses)
        file.write_bytes(calendar(("survey two", day(2))))
        calendars.look_now()
        bench.turn_until(lambda: set(bench.uses) == {"survey two"})


# ---- what others are told of it ----------------------------------------------------------------


def told_of(bench: Bench) -> tuple[StatusShape, list[str]]:
    """The status as it is shown, and its lines about calendars."""
    shape = status_of(bench.service.world, Keeper(calendars=kept_calendars(bench.site)))
    return shape, [line for line in status_lines(shape) if line.startswith("calendar ")]


def test_the_status_tells_when_it_was_read_and_that_a_copy_holds(
    bench: Bench, tmp_path: Path
) -> None:
    shape, lines = told_of(bench)
    assert [(one.calendar, one.good_at, one.why) for one in shape.calendars] == [
        ("crew", None, None)
    ]
    assert lines == ["calendar crew: not read yet, and there is no copy"]

    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("survey", day(2))))
    with bench.calendars():
        bench.turn_until(lambda: "survey" in bench.uses)
    shape, lines = told_of(bench)
    (read,) = shape.calendars
    assert read.good_at is not None
    assert abs(datetime.now(UTC) - read.good_at) < timedelta(hours=1)
    assert read.why is None
    assert lines[0].startswith("calendar crew: last read ")

    data = file.read_bytes()
    file.unlink()
    with bench.calendars():
        bench.turn_until(lambda: bench.said)
    (held,), lines = told_of(bench)[0].calendars, told_of(bench)[1]
    assert held.good_at == read.good_at, "of the copy, and not of the look that failed"
    assert held.why == "no such file or directory"
    assert lines[0].startswith("calendar crew: no such file or directory; its copy of ")

    file.write_bytes(data)
    with bench.calendars():
        bench.turn_until(lambda: told_of(bench)[0].calendars[0].why is None)
    assert told_of(bench)[0].calendars[0].good_at > held.good_at


def test_what_a_server_says_cannot_make_the_copy_unreadable(bench: Bench, tmp_path: Path) -> None:
    """The note beside a copy has a size; past it the copy would be lost."""
    shelf = CopyShelf(tmp_path, "crew", "here")
    assert shelf.keep(Copy(calendar(), 1_000, Tags("e" * 200, "m" * 200), "é" * 100_000)) == ""
    copy = shelf.load()
    assert copy is not None
    assert copy.why == "é" * 200
    assert shelf.told() == (1_000, "é" * 200)


def doctor_on(site: SiteFile) -> list[tuple[str, str]]:
    """State and text of each finding of `doctor` about calendars."""
    ran = CliRunner().invoke(main, ["doctor", str(site.folder / "site.toml"), "--json"])
    return [
        (one["state"], one["text"])
        for one in json.loads(ran.stdout)["findings"]
        if one["about"].startswith("calendar ")
    ]


def test_the_doctor_reads_each_calendar_and_keeps_nothing(tmp_path: Path) -> None:
    server = Server(calendar(("survey", day(2)), ("dinner", day(3))))
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(way=f'url = "{server.url}"'), "utf-8")
    site = read_site(path)
    assert isinstance(site, SiteFile), site
    try:
        (found,) = doctor_on(site)
        assert found == ("in order", "it can be read: 2 events in the 60 d ahead")
        server.status, server.data = 404, b""
        (found,) = doctor_on(site)
        assert found == ("look", "it answers with HTTP status 404; there is no copy of it")
    finally:
        server.close()
    (found,) = doctor_on(site)
    assert found == ("look", "connection refused; there is no copy of it")
    assert kept_calendars(site) == (KeptCalendar("crew"),)


# ---- over HTTP ---------------------------------------------------------------------------------


class Server:
    """A server of one calendar that can be changed, asked and taken away."""

    def __init__(self, data: bytes) -> None:
        self.data, self.status, self.asked = data, 200, [""]
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                known = self.headers.get("If-None-Match", "")
                outer.asked.append(known)
                tag = f'"{len(outer.data)}"'
                status = 304 if known == tag else outer.status
                body = outer.data if status == 200 else b""
                self.send_response(status)
                self.send_header("ETag", tag)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}/crew.ics"
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.01}
        )
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def test_a_url_is_asked_for_news_only_and_an_unreachable_one_keeps_its_copy(
    tmp_path: Path,
) -> None:
    server = Server(calendar(("survey", day(2))))
    try:
        bench = bench_of(site_of(tmp_path, f'url = "{server.url}"'))
        with bench.calendars():
            bench.turn_until(lambda: len(bench.service.world.uses) == 1)
        with bench.calendars():  # a new start knows the tag from the copy
            bench.turn_until(lambda: len(server.asked) == 3)
        assert server.asked[1:] == ["", f'"{len(server.data)}"']
        server.data = calendar(("survey", day(2)), ("survey", day(3)))
        with bench.calendars():
            bench.turn_until(lambda: len(bench.service.world.uses) == 2)
        assert bench.said == []
    finally:
        server.close()
    with bench.calendars():
        bench.turn_until(lambda: bench.said)
    assert bench.said == ["calendar crew: connection refused"]
    assert len(bench.service.world.uses) == 2


def test_a_server_that_fails_for_a_while_calls_nothing_off(tmp_path: Path) -> None:
    server = Server(calendar(("survey", day(2))))
    try:
        bench = bench_of(site_of(tmp_path, f'url = "{server.url}"'))
        with bench.calendars():
            bench.turn_until(lambda: len(bench.service.world.uses) == 1)
        for status in (404, 410, 500, 503):
            server.status, server.data = status, b"x" * status
            with bench.calendars():
                bench.turn_until(lambda: bench.said)
            assert bench.said.pop() == f"calendar crew: it answers with HTTP status {status}"
            assert len(bench.service.world.uses) == 1
    finally:
        server.close()


# ---- one calendar, looked at again -------------------------------------------------------------


def test_what_has_not_changed_is_not_expanded_again(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "crew.ics").write_bytes(calendar(("survey", day(2))))
    expanded: list[bytes] = []
    from carerules.adapters.apart import expand_apart

    def counted(data: bytes, asked: object) -> object:
        expanded.append(data)
        return expand_apart(data, asked)  # type: ignore[arg-type]

    (settings,) = bench.site.calendars
    almanac = Almanac(settings, "Europe/Lisbon", tmp_path, expand=counted)  # type: ignore[arg-type]
    now = bench.outside.now()
    first, second = almanac.look(now), almanac.look(now + HOUR)
    assert first.occurrences == second.occurrences
    assert len(expanded) == 1
    later = almanac.look(now + 3 * DAY)
    assert later.occurrences == ()
    assert len(expanded) == 1
    almanac.look(now + 8 * DAY)  # past what was looked ahead
    assert len(expanded) == 2
    (tmp_path / "crew.ics").write_bytes(calendar(("survey", day(9))))
    changed = almanac.look(now + 8 * DAY)
    assert len(expanded) == 3
    assert changed.occurrences is not None
    assert len(changed.occurrences) == 1


def test_what_is_wrong_is_said_when_it_changes_and_not_at_each_look(bench: Bench) -> None:
    looks = [Looked((), "no answer"), Looked((), "no answer"), Looked(()), Looked(()),
             Looked((), "no answer")]  # fmt: skip
    puts: list[Lane] = []
    (settings,) = bench.site.calendars
    calendars = Calendars(
        bench.site, bench.service.world, lambda lane, _: puts.append(lane), bench.clock.now,
        bench.notices.append, bench.said.append, [Almanac(settings, "Europe/Lisbon", None)],
    )  # fmt: skip
    for looked in looks:
        calendars._told(calendars._turns[0], looked)
    wrong, well = "calendar crew: no answer", "calendar crew: read again"
    assert bench.said == [wrong, well, wrong]
    assert puts == [Lane.REFUSED, Lane.REFUSED]
    assert len(bench.notices) == 3


def test_only_what_is_away_is_tried_again_sooner_than_its_turn(
    bench: Bench, tmp_path: Path
) -> None:  # fmt: skip
    """What is there and cannot be read will not be read in five minutes either."""
    (settings,) = bench.site.calendars
    almanac = Almanac(settings, "Europe/Lisbon", None)
    assert almanac.look(bench.outside.now()).away
    (tmp_path / "crew.ics").write_bytes(b"garbage")
    looked = almanac.look(bench.outside.now())
    assert looked.why
    assert not looked.away


def test_a_fault_of_ours_in_a_look_is_told_and_ends_nothing(bench: Bench) -> None:
    def falls(_address: object, _tags: Tags) -> Unreached:
        raise RuntimeError("planted")

    (settings,) = bench.site.calendars
    almanac = Almanac(settings, "Europe/Lisbon", None, fetch=falls)
    with bench.calendars([almanac]):
        bench.turn_until(lambda: bench.said)
    assert bench.said == ["calendar crew: it cannot be looked at: `planted`"]


# ---- kept, and played --------------------------------------------------------------------------


def test_which_calendar_planned_a_use_survives_journal_and_snapshot(
    bench: Bench, tmp_path: Path
) -> None:
    (tmp_path / "crew.ics").write_bytes(calendar(("survey", day(2))))
    with bench.calendars():
        bench.turn_until(lambda: bench.service.world.uses)
    world = bench.service.world
    again = load_world(dump_world(world), world.setup)
    assert again is not None
    assert again.uses == world.uses
    journal = SqliteJournal.open(tmp_path / "journal.db", owner=True)
    planned = [event for event in bench.heard if isinstance(event, UsePlanned)]
    for event in planned:
        journal.write(event, [])
    journal.commit(bench.clock.anchor())
    assert [event for _, event in journal.events()] == planned
    journal.close()


def test_a_played_site_reads_a_file_in_its_own_time(tmp_path: Path) -> None:
    from carerules.cli.calendars import put_before
    from carerules.cli.virtual import virtual_outside, virtual_world

    text = SITE.format(way='file = "crew.ics"')
    text += "[virtual]\nstart = 2026-12-01T18:00:00\n"
    site = read_site_text(text, "site.toml", tmp_path)
    assert isinstance(site, SiteFile)
    file = tmp_path / "crew.ics"
    file.write_bytes(calendar(("survey", "20261203T080000Z"), ("survey", "20270301T080000Z")))
    setup = read_rules(site).setup
    assert setup is not None
    world = virtual_world(site)
    outside = virtual_outside(world, None)
    assert isinstance(outside, VirtualOutside)
    service = Service(new_world(setup, world.now), outside, None, lambda *_: None)
    put_before(service, site, outside)
    start = world.now
    service.run([Started(start)], start + DAY)
    assert set(service.world.uses) == {"survey 2026-12-03"}
    # And the crew, who go by the calendar too, know of it.
    assert world.crew.uses() == {"survey 2026-12-03"}
