"""Delivery from the journal: what fails is tried again after a restart, what hangs holds up
nothing. Common practice, no source."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from notices_kit import eventually, mail_server, site_with, web_server

from carerules.adapters import Lane, OutboxFile, Posted, Read, SendError, SqliteJournal
from carerules.cli import main
from carerules.config import SiteFile
from carerules.domain.decision import ChoreClosed, Notice, Outcome
from carerules.domain.event import Acknowledged, ChannelProved, Event, Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment
from carerules.domain.ports import JournalError
from carerules.service import courier as courier_room
from carerules.service.courier import Courier

T: Moment = 1_764_892_800_000
TWO = """
[channel.phone]
kind = "webhook"
url = "http://127.0.0.1:1/x"
daily_test = false
[channel.neighbour]
kind = "webhook"
url = "http://127.0.0.1:1/y"
after = "10 min"
daily_test = false
"""


@dataclass
class Hands:
    """The clock in the test's hand, the senders' deeds, and what the service heard."""

    folder: Path
    site: SiteFile
    now: Moment = T
    arrived: list[tuple[str, str]] = field(default_factory=list)
    fails: bool = False
    hang: threading.Event | None = None
    events: list[Event] = field(default_factory=list)

    def put(self, lane: Lane, read: Read) -> None:
        self.events += read(self.now)

    def sender(self, name: str):  # type: ignore[no-untyped-def]
        def send(posted: Posted) -> None:
            if self.hang is not None and name == "phone":
                self.hang.wait()
            if self.fails:
                raise SendError("no way there")
            self.arrived.append((name, posted.text))

        return send

    def words(self, channel: str = "phone") -> list[str]:
        return [text for name, text in self.arrived if name == channel]

    @property
    def path(self) -> Path:
        return self.folder / "journal.db"

    @contextmanager
    def courier(self) -> Iterator[Courier]:
        names = [one.way.name for one in self.site.ways_out]
        one = Courier(self.path, self.site, lambda: self.now, self.put,
                      {name: self.sender(name) for name in names})  # fmt: skip
        one.start()
        try:
            yield one
        finally:
            one.close()

    def outbox(self):  # type: ignore[no-untyped-def]
        with closing(OutboxFile(self.path)) as file:
            return file.load()


@pytest.fixture
def hands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Hands, SqliteJournal]]:
    monkeypatch.setattr(courier_room, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(courier_room, "LEAVE_WITHIN_S", 60.0)  # none leaves with a letter in hand
    with closing(SqliteJournal.open(tmp_path / "journal.db", owner=True)) as journal:
        yield Hands(tmp_path, site_with(tmp_path, TWO)), journal


def decide(journal: SqliteJournal, at: Moment, *outcomes: Outcome) -> None:
    journal.write(Tick(at), outcomes)
    journal.commit()


def test_a_notice_in_the_journal_is_delivered_once_and_proves_its_channel(
    hands: tuple[Hands, SqliteJournal],
) -> None:
    hand, journal = hands
    with hand.courier():
        decide(journal, T, Notice("k", "heron is warm", "heron"))
        eventually(hand.words, "it is delivered")
        eventually(lambda: hand.outbox().proven, "the proof is kept")
    with hand.courier():
        decide(journal, T + 1, Notice("other", "egret is warm"))
        eventually(lambda: len(hand.words()) > 1, "the next one")
    assert hand.words() == ["heron is warm", "egret is warm"]
    assert hand.words("neighbour") == []
    assert ChannelProved(T, T, "phone") in hand.events


def test_what_was_decided_before_channels_were_there_is_not_sent(
    hands: tuple[Hands, SqliteJournal],
) -> None:
    hand, journal = hands
    decide(journal, T, Notice("old", "old news"))
    with hand.courier():
        decide(journal, T, Notice("new", "news"))
        eventually(hand.words, "it is delivered")
    assert hand.words() == ["news"]


def test_what_failed_is_tried_again_after_a_restart(hands: tuple[Hands, SqliteJournal]) -> None:
    hand, journal = hands
    hand.fails = True
    with hand.courier():
        decide(journal, T, Notice("k", "heron is warm"))
        eventually(lambda: any(one.tries for one in hand.outbox().letters.values()), "one try")
    hand.fails = False
    hand.now += 10 * SECOND
    with hand.courier():
        eventually(hand.words, "the second try")
    (letter,) = hand.outbox().letters.values()
    assert (letter.tries, letter.done, letter.error) == (2, hand.now, "")


def test_what_is_decided_while_no_courier_runs_is_delivered_by_the_next(
    hands: tuple[Hands, SqliteJournal],
) -> None:
    hand, journal = hands
    with hand.courier():
        pass
    decide(journal, T, Notice("k", "heron is warm"))
    with hand.courier():
        eventually(hand.words, "it is delivered")
    assert hand.words() == ["heron is warm"]


def test_a_channel_that_hangs_holds_up_no_other_and_is_given_up(
    hands: tuple[Hands, SqliteJournal],
) -> None:
    hand, journal = hands
    hand.hang = threading.Event()
    with hand.courier():
        decide(journal, T, Notice("off", "pull it", urgent=True))
        eventually(lambda: hand.outbox().letters, "it is on its way")
        hand.now += 10 * MINUTE
        eventually(lambda: hand.words("neighbour"), "the second channel")
        eventually(
            lambda: any(one.error == "it has hung" for one in hand.outbox().letters.values()),
            "it is told",
        )
        assert hand.words() == []
        hand.hang.set()
        eventually(hand.words, "the first channel after all")


def test_acknowledged_by_a_command_it_goes_on_to_nobody(hands: tuple[Hands, SqliteJournal]) -> None:
    hand, journal = hands
    (hand.folder / "state").mkdir()
    (hand.folder / "state" / "journal.db").symlink_to(hand.path)
    site = ["--site", str(hand.folder / "site.toml")]
    with hand.courier():
        decide(journal, T, Notice("off A-load", "pull it", urgent=True))
        eventually(hand.words, "it is delivered")
        eventually(lambda: hand.outbox().letters, "the letter is kept")
        said = CliRunner().invoke(main, ["ack", "1", *site])
        assert said.exit_code == 0, said.output
        assert "seen: pull it" in said.output
        eventually(lambda: hand.outbox().incidents["off A-load"].acknowledged, "it is taken in")
        hand.now += HOUR
        decide(journal, hand.now, Notice("k", "heron is warm"))
        eventually(lambda: len(hand.words()) == 2, "the courier has looked again")
        eventually(lambda: "k" in hand.outbox().incidents, "it is kept")
        assert hand.words("neighbour") == []
        said = CliRunner().invoke(main, ["notices", "--json", *site])
        (first, _) = json.loads(said.stdout)["notices"]
        assert first["key"] == "off A-load"
        assert first["acknowledged"] is not None
        said = CliRunner().invoke(main, ["snooze", "2", "2h", *site])
        assert said.exit_code == 0, said.output
        eventually(lambda: hand.outbox().incidents["k"].snoozed_until, "it is taken in")
    answers = [one for one in hand.events if isinstance(one, Acknowledged)]
    assert [(one.key, one.text, one.until) for one in answers] == [
        ("off A-load", "pull it", None), ("k", "heron is warm", hand.now + 2 * HOUR),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["ack", "9"], "found `9`, wanted the number or key of a notice"),
        (["ack"], "found nothing, wanted the number or key of a notice"),
        (["snooze", "1"], "wanted a notice and a duration"),
        (["snooze", "1", "soon"], "wanted a duration from 1 min to 7 d"),
        (["snooze", "1", "9d"], "wanted a duration from 1 min to 7 d"),
    ],
)
def test_what_is_mistyped_is_refused_in_one_line(
    tmp_path: Path, words: list[str], said: str
) -> None:
    site_with(tmp_path, TWO)
    done = CliRunner().invoke(main, [*words, "--site", str(tmp_path / "site.toml")])
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output.splitlines()) == 1


def test_a_chore_that_is_done_is_told_no_more(hands: tuple[Hands, SqliteJournal]) -> None:
    hand, journal = hands
    hand.fails = True
    with hand.courier():
        decide(journal, T, Notice("chore heron-1", "take heron in"))
        eventually(lambda: hand.outbox().letters, "it waits")
        decide(journal, T, ChoreClosed("heron-1"))
        eventually(lambda: hand.outbox().letters[1].dropped == "it has ended", "it is dropped")


def test_what_no_journal_can_hold_is_told_all_the_same(
    hands: tuple[Hands, SqliteJournal], monkeypatch: pytest.MonkeyPatch
) -> None:
    hand, _ = hands

    def full(*_: object) -> None:
        raise JournalError("the disk is full")

    with hand.courier() as courier:
        monkeypatch.setattr(OutboxFile, "save", full)
        courier.urge(Notice("journal", "the journal cannot be written", urgent=True))
        eventually(hand.words, "it is delivered")
        for number in range(10 * courier_room.URGED_MAX):  # never blocks
            courier.urge(Notice(f"k{number}", "more", urgent=True))
    assert hand.words()[0] == "the journal cannot be written"


def test_a_test_by_hand_where_no_service_runs(tmp_path: Path) -> None:
    with web_server() as web, mail_server() as post:
        site_with(tmp_path, f"""
[channel.phone]
kind = "webhook"
url = "http://127.0.0.1:{web.port}/x"
[channel.crew]
kind = "mail"
host = "127.0.0.1"
port = {post.port}
security = "none"
sender = "shed@example.org"
to = ["crew@example.org"]
""")  # fmt: skip
        done = CliRunner().invoke(main, ["notify-test", str(tmp_path / "site.toml")])
        assert (done.exit_code, done.output) == (0, "phone: it arrived\ncrew: it arrived\n")
        assert len(web.heard) == len(post.letters) == 1
        web.status = 500
        done = CliRunner().invoke(main, ["notify-test", str(tmp_path / "site.toml"), "--json"])
    assert done.exit_code == 1
    assert json.loads(done.stdout)["channels"] == [
        {"channel": "phone", "arrived": False, "problem": "127.0.0.1 answered 500"},
        {"channel": "crew", "arrived": True, "problem": None},
    ]
    with closing(OutboxFile(tmp_path / "state" / "journal.db")) as file:
        assert set(file.load().proven) == {"phone", "crew"}


def test_doctor_says_when_each_channel_was_last_proven(tmp_path: Path) -> None:
    with web_server() as web:
        lines = "".join(
            f'[channel.{name}]\nkind = "webhook"\nurl = "http://127.0.0.1:{web.port}/{name}"\n'
            for name in ("phone", "neighbour", "old")
        )
        site_with(tmp_path, lines)
        path = str(tmp_path / "site.toml")
        state = tmp_path / "state"
        never = _channels_by_doctor(path)
        assert {state for state, _ in never.values()} == {"look"}
        assert all(text.startswith("never proved") for _, text in never.values())
        assert not state.exists(), "to look makes no journal"
        proved = CliRunner().invoke(main, ["notify-test", path])
        assert proved.exit_code == 0, proved.output
    with closing(OutboxFile(state / "journal.db")) as file:
        before = file.load()
        at = before.proven["old"] - 25 * HOUR
        kept = {"phone": before.proven["phone"], "old": at}
        file.save(before, replace(before, proven=kept), file.read_up_to())
    with closing(sqlite3.connect(state / "journal.db")) as database, database:
        database.execute("DELETE FROM proven WHERE channel = 'neighbour'")
    now = _channels_by_doctor(path)
    assert now["channel phone"][0] == "in order"
    assert now["channel phone"][1].startswith("last proved ")
    assert now["channel old"][0] == "look"
    assert now["channel old"][1].endswith(", wanted within 24 h")
    assert now["channel neighbour"] == ("look", "never proved, wanted within 24 h")


def _channels_by_doctor(path: str) -> dict[str, tuple[str, str]]:
    looked = CliRunner().invoke(main, ["doctor", path, "--json"])
    assert looked.exit_code == 0, looked.output
    found = json.loads(looked.stdout)["findings"]
    return {
        one["about"]: (one["state"], one["text"])
        for one in found
        if one["about"].startswith("channel ")
    }


def test_the_outbox_does_not_loosen_the_journals_locks(
    hands: tuple[Hands, SqliteJournal],
) -> None:
    """sqlite.org/howtocorrupt.html, 2.2: closing another descriptor of the file lets go of every
    lock of the process; the next program to leave then takes the -wal away under us."""
    hand, journal = hands
    look = (
        "import sys; from pathlib import Path; from carerules.adapters import SqliteJournal\n"
        "one = SqliteJournal.open(Path(sys.argv[1]), owner=False)\n"
        "print(len(list(one.events()))); one.close()"
    )

    def seen() -> str:
        command = [sys.executable, "-c", look, str(hand.path)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()

    decide(journal, T, Notice("k", "heron is warm"))
    hand.outbox()  # opened and closed in this process
    assert seen() == "1"  # another program comes and leaves
    decide(journal, T, Notice("k", "heron is hot"))
    assert seen() == "2"
