"""Entries: what is typed is read at the door, stored for the service, and answered."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from reading_kit import FIRES, FULL, RULES, Story, carerules, full_heron, make_site

from carerules.adapters import (
    Answer,
    Attend,
    Cancel,
    Entry,
    Measured,
    Place,
    Recorded,
    Release,
    SqliteJournal,
    UseAdd,
    UseDrop,
)
from carerules.cli import COMMANDS, main
from carerules.domain.event import Tick, UsePlanned, Value
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.domain.pack import Use
from carerules.loop import World
from carerules.service import Desk, handing
from carerules.service.desk import answer_of, events_of

NO_SERVICE = (
    "no service is running: it is taken in at the next start; "
    "`carerules status` already counts it\n"
)


def stored(folder: Path) -> list[Entry]:
    path = folder / "state" / "journal.db"
    if not path.exists():
        return []
    journal = SqliteJournal.open(path, owner=False)
    try:
        return [one.entry for one in journal.waiting_entries()]
    finally:
        journal.close()


def volts(value: float, spread: float) -> tuple[Value, ...]:
    return (Value("pack.voltage", value, spread),)


# Words, and what is stored; `at` of those that mean now is looked at by itself below.
GOOD: list[tuple[str, Callable[[datetime], Entry]]] = [
    ("record heron charged", lambda at: Recorded("heron", ("charge", "full"), at)),
    ("record heron used", lambda at: Recorded("heron", ("use",), at)),
    ("record heron swelling", lambda at: Recorded("heron", ("swelling",), at)),
    ("record egret voltage 15.0", lambda at: Measured("egret", at, volts(15.0, 0.08))),
    ("record egret voltage 15.0 V", lambda at: Measured("egret", at, volts(15.0, 0.08))),
    ("record egret cells 3.75 3.75 3.74 3.76",
     lambda at: Measured("egret", at, (), (3.75, 3.75, 3.74, 3.76), 0.01)),
    ("record heron soc 80", lambda at: Measured("heron", at, (Value("pack.soc", 80.0, 5.0),))),
    ("record heron temperature -5",
     lambda at: Measured("heron", at, (Value("pack.temperature", -5.0, 2.0),))),
    ("place heron A", lambda _: Place("heron", "A")),
    ("place heron --off", lambda _: Place("heron", None)),
    ("release heron", lambda _: Release("heron")),
    ("release A", lambda _: Release("A")),
    ("release site", lambda _: Release("site")),
    ("attend 60", lambda at: Attend(60, at)),
]  # fmt: skip


@pytest.mark.parametrize(("words", "wanted"), GOOD, ids=[words for words, _ in GOOD])
def test_what_fits_is_stored_and_waits_for_the_next_start(
    tmp_path: Path, words: str, wanted: Callable[[datetime], Entry]
) -> None:
    taken = carerules(make_site(tmp_path), *words.split())
    assert (taken.exit_code, taken.output) == (0, NO_SERVICE)
    (entry,) = stored(tmp_path)
    at = getattr(entry, "at", datetime.now(UTC))
    assert entry == wanted(at)
    assert abs(datetime.now(UTC) - at) < timedelta(minutes=5)


def test_a_time_is_read_on_the_virtual_site_s_own_calendar(tmp_path: Path) -> None:
    story = full_heron(tmp_path)  # it is Mon 30 Nov 18:02 there, whatever day it is here
    story.close()
    assert story.run("record", "egret", "charged", "--at", "17:30").exit_code == 0
    assert story.run("uses", "add", "gauge round", "2026-12-03T09:00", "egret").exit_code == 0
    recorded, use = stored(tmp_path)
    half_past_five = datetime(2026, 11, 30, 17, 30, tzinfo=UTC)
    assert recorded == Recorded("egret", ("charge", "full"), half_past_five)
    assert use == UseAdd("gauge round", datetime(2026, 12, 3, 9, tzinfo=UTC), frozenset({"egret"}))
    # A clock time that is over today is tomorrow's: on that calendar, 1 December's.
    assert story.run("uses", "add", "look round", "17:00", "egret").exit_code == 0
    tomorrow = datetime(2026, 12, 1, 17, tzinfo=UTC)
    assert stored(tmp_path)[-1] == UseAdd("look round", tomorrow, frozenset({"egret"}))
    ahead = story.run("record", "egret", "charged", "--at", "18:30")
    assert ahead.exit_code == 2
    assert "which lies ahead" in ahead.output


def test_one_round_is_one_entry_for_each_pack_that_was_looked_at(tmp_path: Path) -> None:
    taken = carerules(make_site(tmp_path), *["record", "heron", "egret", "heron", "inspected"])
    assert (taken.exit_code, taken.output) == (0, f"heron: {NO_SERVICE}egret: {NO_SERVICE}")
    entries = [(one.pack, one.what) for one in stored(tmp_path) if isinstance(one, Recorded)]
    assert entries == [("heron", ("inspection",)), ("egret", ("inspection",))]


@pytest.mark.parametrize(("words", "said"), [
    ("record heron egret voltage 15.0", "found `voltage` of several packs"),
    ("record heron egret inspekted", "did you mean `inspected`?"),
    ("record heron egrot inspected", "found `egrot`"),
    ("record heron egret", "found no words"),
])  # fmt: skip
def test_of_a_round_all_is_entered_or_nothing(tmp_path: Path, words: str, said: str) -> None:
    """The voltage fits egret's four cells alone; of a wrong word none of the packs hears."""
    refused = carerules(make_site(tmp_path), *words.split())
    assert refused.exit_code == 2
    assert said in refused.output
    assert stored(tmp_path) == []


# Words; what is found in them, and the mend, both in the one line that comes back.
BAD = [
    ("record herno charged", "found `herno`", "did you mean `heron`?"),
    ("record", "found no pack", "write its name first"),
    ("record heron", "found no words", "write for instance"),
    ("record heron chargd", "found `chargd`", "did you mean `charged`?"),
    ("record heron charged twice", "found `twice`", "leave it out"),
    ("record heron voltage -3", "found `-3 V`", "look whether it is this pack"),
    ("record heron voltage 150", "found `150 V`", "look whether it is this pack"),
    ("record heron voltage 22,2", "found `22,2`", "write `22.2`"),
    ("record heron voltage 22.2 Ah", "found `22.2 Ah`", "voltage 15.0"),
    ("record heron cells 3.75 3.75", "found 2 values", "6 voltages"),
    ("record heron soc 101", "found `101 %`", "look at the number"),
    ("record heron soc -1", "found `-1 %`", "look at the number"),
    ("record heron charged --at 25:99", "found `25:99`", "in 24 hours"),
    ("place heron C", "found `C`", "there are `A`, `B`"),
    ("place herno A", "found `herno`", "did you mean `heron`?"),
    ("place heron", "found no station", "`carerules place heron A`"),
    ("place heron A B", "found `A B`", "`carerules place heron A`"),
    ("place heron A --off", "found `A`", "`carerules place heron A`"),
    ("uses add survey 2020-01-01T08:00 heron", "which is over", "look at the date"),
    ("uses add survey 2026-12-20T08:00", "found no packs", "name the packs"),
    ("uses add survey 2026-12-20T08:00 herno", "found `herno`", "did you mean `heron`?"),
    ("uses add survey 2027-13-01 heron", "found `2027-13-01`", "look at the month and the day"),
    ("uses add survey someday heron", "found `someday`", "colon"),
    ("uses add", "found nothing", "short name"),
    ("uses add survey 2026-12-20 8:00 heron", "found `2026-12-20 8:00`", "`2026-12-20T08:00`"),
    ("uses drop survey", "found `survey`", "there is none"),
    ("uses drop", "found nothing", "`carerules uses drop survey`"),
    ("attend", "found nothing", "whole minutes"),
    ("attend -5", "found `-5`", "whole minutes"),
    ("attend 5000", "found `5000`", "whole minutes"),
    ("attend 1:30", "found `1:30`", "write `90`, and say it again"),
    ("attend 2 hours", "found `2 hours`", "write `120`, and say it again"),
    ("attend 20h", "found `20h`", "write whole minutes"),
    ("want heron full", "found `full`", "`carerules want heron ready`"),
    ("want heron half", "found `half`", "`carerules want heron storage`"),
    ("want heron blue", "found `blue`", "there are `ready`, `storage`"),
    ("want heron storage", "found no running service", "then ask again"),
    ("want", "found no pack", "write its name first"),
    ("want heron", "found nothing", "`carerules want heron storage`"),
    ("want herno ready", "found `herno`", "did you mean `heron`?"),
    ("release hreon", "found `hreon`", "did you mean `heron`?"),
    ("release", "found nothing", "`carerules release site`"),
    ("cancel heron-1", "found `heron-1`", "there is none"),
    ("answer heron-1 yes", "found `heron-1`", "there is none"),
    ("answer heron-1 perhaps", "found `perhaps`", "there are `no`, `yes`"),
    ("answer", "found nothing", "who asks"),
]


@pytest.mark.parametrize(("words", "found", "mend"), BAD, ids=[words for words, _, _ in BAD])
def test_what_does_not_fit_is_refused_in_one_line_and_nothing_is_stored(
    tmp_path: Path, words: str, found: str, mend: str
) -> None:
    refused = carerules(make_site(tmp_path), *words.split())
    assert refused.exit_code == 2
    (line,) = refused.output.splitlines()
    assert found in line
    assert ", wanted " in line
    assert mend in line.partition("mend: ")[2]
    assert stored(tmp_path) == []


def test_no_site_file_is_said_in_a_line(tmp_path: Path) -> None:
    refused = carerules(tmp_path / "nowhere.toml", "record", "heron", "charged")
    assert refused.exit_code == 2
    assert "nowhere.toml" in refused.output
    assert "Traceback" not in refused.output


# ---- jobs and uses ---------------------------------------------------------------------------


def asking_egret(folder: Path) -> Story:
    """heron has a drain to do, and egret's rule asks, six hours before a use, whether to charge."""
    story = full_heron(folder)
    trial = Use("trial", FIRES + 6 * HOUR, frozenset({"egret"}))
    story.go(UsePlanned(FULL + 2 * MINUTE, trial), Tick(FIRES))
    story.snapshot()
    return story


def test_a_job_that_asks_is_answered_and_one_under_way_called_off(tmp_path: Path) -> None:
    story = asking_egret(tmp_path)
    jobs = {job.rule: job.id for state in story.world.packs.values() for job in state.jobs}
    story.close()
    assert set(jobs) == {"full-too-long", "ready"}
    for words in (("answer", jobs["ready"], "YES"), ("cancel", jobs["full-too-long"])):
        assert story.run(*words).exit_code == 0
    assert stored(tmp_path) == [Answer(jobs["ready"], True), Cancel(jobs["full-too-long"])]
    # The first is called off already, as far as anybody can see; a second time is a slip.
    refused = story.run("cancel", jobs["full-too-long"])
    assert refused.exit_code == 2
    assert f"there is `{jobs['ready']}`" in refused.output


def test_a_job_that_asks_nothing_cannot_be_answered(tmp_path: Path) -> None:
    story = asking_egret(tmp_path)
    jobs = {job.rule: job.id for state in story.world.packs.values() for job in state.jobs}
    refused = story.run("answer", jobs["full-too-long"], "yes")
    assert refused.exit_code == 2
    assert "wanted a job that asks something" in refused.output


def test_a_planned_use_is_called_off_by_its_name_with_or_without_quotes(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    assert story.run("uses", "drop", "Saturday", "survey").exit_code == 0
    assert stored(tmp_path) == [UseDrop("Saturday survey")]
    assert story.run("uses", "list").output == "no use is planned\n"
    refused = story.run("uses", "drop", "Saturday survey")
    assert refused.exit_code == 2


def test_uses_are_planned_by_the_word_that_they_had_once_too(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.close()
    assert story.run("use", "list").output == story.run("uses", "list").output
    assert story.run("use", "drop", "Saturday survey").exit_code == 0
    assert stored(tmp_path) == [UseDrop("Saturday survey")]
    helped = CliRunner().invoke(main, ["use", "add", "--help"], prog_name="carerules")
    assert "Usage: carerules uses add" in helped.output
    assert not [row for row in CliRunner().invoke(main, ["--help"]).output.splitlines()
                if row.split()[:1] == ["use"]]  # fmt: skip


# ---- the service's answer ----------------------------------------------------------------------


def serve_between_looks(story: Story, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The service takes entries up while the command waits: its own desk, its own commit."""
    slept: list[float] = []
    ticks = iter(range(0, 10_000_000, 1_000))
    desk = Desk(story.journal, lambda: next(ticks))

    def take_up(seconds: float) -> None:
        slept.append(seconds)
        for one in desk.waiting():
            heard = story.world.now + SECOND
            events = events_of(one, heard, story.world)
            before = len(story.told)
            story.go(*events)
            outcomes = [out for _, told, _ in story.told[before:] for out in told]
            desk.answer(one, answer_of(events, outcomes))
            story.journal.commit()

    monkeypatch.setattr(handing, "time", SimpleNamespace(sleep=take_up))  # no other thread's
    return slept


def test_a_running_service_answers_and_its_answer_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = full_heron(tmp_path)
    serve_between_looks(story, monkeypatch)
    taken = story.run("record", "egret", "swelling")
    assert taken.exit_code == 0
    assert taken.output == "taken in: quarantined: swollen\n"
    assert story.world.packs["egret"].barred == "quarantined: swollen"
    assert stored(tmp_path) == []


def test_a_refusal_by_the_service_is_a_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The running service may have been started with an older site file."""
    story = full_heron(tmp_path)
    serve_between_looks(story, monkeypatch)
    newer = story.path.read_text("utf-8").replace(
        "[plug.A-load]",
        '[pack.teal]\nchemistry = "lipo"\ncells = 2\ncapacity = "5 Ah"\n[plug.A-load]',
    )
    story.path.write_text(newer, "utf-8")
    refused = story.run("record", "teal", "charged")
    assert refused.exit_code == 1
    assert refused.output == "refused: the running site has no pack teal\n"


def test_a_service_that_does_not_answer_is_waited_for_three_seconds_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    story = full_heron(tmp_path)
    slept: list[float] = []
    monkeypatch.setattr(handing, "time", SimpleNamespace(sleep=slept.append))
    kept = story.run("place", "egret", "--off")
    assert kept.exit_code == 0
    assert kept.output.startswith("it is kept, and the service has not answered yet")
    assert sum(slept) == pytest.approx(3.0)
    assert stored(tmp_path) == [Place("egret", None)]


def test_what_status_counts_in_is_what_the_service_makes_of_it(tmp_path: Path) -> None:
    """Readings by hand, taken up at the same moment: the very same estimate."""
    story = full_heron(tmp_path)
    story.close()
    for words in ("record egret voltage 15.4", "record egret swelling", "place heron --off"):
        assert story.run(*words.split()).exit_code == 0
    story.journal = SqliteJournal.open(story.journal_path, owner=True)
    from carerules.service.reading import reader_of

    view = reader_of(story.site, story.journal_path, story.journal).now()
    world: World = story.world
    for one in story.journal.waiting_entries():
        for event in events_of(one, view.world.now, world):
            story.go(event)
            world = story.world
    for name, state in world.packs.items():
        assert view.world.packs[name].estimate == state.estimate
        assert view.world.packs[name].barred == state.barred
        assert view.world.packs[name].station == state.station
    assert world.packs["egret"].barred


# ---- anything at all ---------------------------------------------------------------------------

WORDS = st.sampled_from([
    "heron", "egret", "A", "B", "site", "charged", "used", "voltage", "cells", "soc", "capacity",
    "temperature", "--at", "--off", "--json", "--pack", "--since", "--last", "--all", "08:00",
    "add", "drop", "list", "yes", "no", "-3", "-3.75", "15.0", "3.75", "80", "1e9", "nan", "-",
    "--", "", "yesterday 18:00", "2026-12-05T08:00", "heron-1", "ready", "--help",
]) | st.text(max_size=12)  # fmt: skip

MINE = sorted(name for name, (module, _) in COMMANDS.items() if module in ("entries", "reading"))


@pytest.fixture(scope="module")
def soup_site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    story = full_heron(tmp_path_factory.mktemp("soup"), rules=RULES)
    story.snapshot()
    story.close()
    return story.path


@settings(max_examples=300, deadline=None)
@given(command=st.sampled_from(MINE), words=st.lists(WORDS, max_size=6))
def test_whatever_is_typed_there_is_no_traceback(
    soup_site: Path, command: str, words: list[str]
) -> None:
    # `--site` first: after a `--` it would be a word like any other.
    site = [] if command == "uses" else ["--site", str(soup_site)]
    if command == "uses" and words:
        words = [words[0], "--site", str(soup_site), *words[1:]]
    before = len(stored(soup_site.parent))
    result = CliRunner().invoke(main, [command, *site, *words])
    assert result.exception is None or isinstance(result.exception, SystemExit), words
    assert result.exit_code in (0, 2), (command, words, result.output)
    if result.exit_code == 2:
        assert len(stored(soup_site.parent)) == before


def test_the_soup_is_about_every_command_of_these_modules() -> None:
    assert MINE == [
        "answer", "attend", "cancel", "log", "place", "record", "release", "status", "uses", "want",
        "why",
    ]  # fmt: skip
