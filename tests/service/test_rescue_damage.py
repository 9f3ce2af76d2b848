"""A journal damaged at random: told in one line, not written to, and saved as far as it reads.

Where the damage is made from: sqlite.org/fileformat.html (pages, the header of 100 bytes, the
b-trees). A page that reads as another value cannot be told from a true one: SQLite keeps no sums.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carerules.adapters import SqliteJournal, rescue
from carerules.adapters.rescue import compact, salvage
from carerules.domain.decision import Notice, Outcome
from carerules.domain.event import Event, Sample, Tick, Value
from carerules.domain.ports import JournalError

ROWS = 400
PAGE = 4_096
Rows = tuple[dict[int, Event], list[Outcome]]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of 400 events, each with a decision, all in the one file."""
    path = tmp_path_factory.mktemp("sound") / "journal.db"
    with closing(SqliteJournal.open(path, owner=True)) as journal:
        for number in range(1, ROWS + 1):
            event = Sample(number, number, "heron", (Value("pack.soc", 80.0),), "feed")
            journal.write(event, [Notice(f"k{number}", "x")])
        journal.commit()
    compact(path)
    return path


@pytest.fixture(autouse=True)
def _soon(monkeypatch: pytest.MonkeyPatch) -> None:
    # A whole table that does not read is gone through number by number: 100 000 take a second.
    monkeypatch.setattr(rescue, "ROWS_LOST_MAX", 1_000)


def rows_of(path: Path) -> Rows:
    """What reads back as what it is; a row that does not is passed over."""
    with closing(SqliteJournal.open(path, owner=False)) as journal:
        events = dict(journal.events(on_damage=lambda _: None))
        return events, [outcome for _, outcome in journal.outcomes(on_damage=lambda _: None)]


def fresh(folder: Path, content: bytes) -> tuple[Path, Path]:
    """The damaged file, and where to save to; what an earlier example left is gone."""
    for old in folder.iterdir():
        old.unlink()
    path = folder / "journal.db"
    path.write_bytes(content)
    return path, folder / "saved.db"


def refused(path: Path) -> str | None:
    """How the owner is refused; None: it opens. Whatever it is, the file stays as it was."""
    before = path.read_bytes()
    try:
        SqliteJournal.open(path, owner=True).close()
    except JournalError as error:
        assert path.read_bytes() == before, "a damaged file is evidence"
        return str(error)
    return None


def salvaged(path: Path, to: Path) -> str | None:
    """Why nothing could be saved; None: something was, be it no row."""
    try:
        salvage(path, to)
    except JournalError as error:
        return str(error)
    return None


def can_be_gone_on_with(saved: Path) -> None:
    with closing(SqliteJournal.open(saved, owner=True)) as journal:
        journal.write(Tick(ROWS * 2), [])
        journal.commit()
        assert journal.last_seq >= 1


def test_any_one_page_of_zeros(sound: Path, tmp_path: Path) -> None:
    """Every page in turn: refused with the command that saves; what is saved is true, and it is
    nearly all, also where the page is a table's first, from which all others are found."""
    folder = tmp_path / "x"
    folder.mkdir()
    lost: list[int] = []
    whole = sound.read_bytes()
    for page in range(len(whole) // PAGE):
        content = whole[: page * PAGE] + bytes(PAGE) + whole[(page + 1) * PAGE :]
        path, to = fresh(folder, content)
        said = refused(path)
        assert said is not None
        assert "\n" not in said
        assert "is damaged" in said
        assert "`carerules journal salvage saved.db`" in said
        saved = salvage(path, to)
        assert path.read_bytes() == content
        events, outcomes = rows_of(to)
        assert len(outcomes) == saved.rows["outcomes"] or len(events) < ROWS
        assert len(outcomes) > 0.8 * ROWS, "each hangs on its event"
        assert all(events[n] == Sample(n, n, "heron", (Value("pack.soc", 80.0),), "feed")
                   for n in events)  # fmt: skip
        assert len(events) == saved.rows["events"]
        lost.append(ROWS - len(events))
        can_be_gone_on_with(to)
    assert max(lost) < 0.1 * ROWS


@pytest.mark.parametrize("compacted", [False, True])
@pytest.mark.parametrize("damage", [b"some other thing", bytes(100), bytes(PAGE)])
def test_a_first_page_that_does_not_read_loses_nothing(
    tmp_path: Path, damage: bytes, compacted: bool
) -> None:
    """Wrong magic, a header of zeros, a page of zeros: where the tables begin is known."""
    folder = tmp_path / "x"
    folder.mkdir()
    made = tmp_path / "made.db"
    with closing(SqliteJournal.open(made, owner=True)) as journal:
        for number in range(1, ROWS + 1):
            journal.write(Tick(number), [Notice(f"k{number}", "x")])
        journal.save_plan("print", {"a.care": "rule"})
        journal.commit()
    if compacted:
        compact(made)
    path, to = fresh(folder, damage + made.read_bytes()[len(damage) :])
    before = path.read_bytes()
    assert refused(path) is not None
    saved = salvage(path, to)
    assert saved.damaged == ("the list of tables",)
    assert saved.rows["plans"] == 1
    events, outcomes = rows_of(to)
    assert events == {n: Tick(n) for n in range(1, ROWS + 1)}
    assert outcomes == [Notice(f"k{n}", "x") for n in range(1, ROWS + 1)]
    assert path.read_bytes() == before
    assert {one.name for one in folder.iterdir()} == {"journal.db", "journal.db.lock", "saved.db"}
    can_be_gone_on_with(to)


def test_a_file_that_is_laid_out_otherwise_is_not_taken_for_a_journal(tmp_path: Path) -> None:
    folder = tmp_path / "x"
    folder.mkdir()
    made = tmp_path / "other.db"
    with closing(sqlite3.connect(made)) as other:
        for number in range(20):
            other.execute(f"CREATE TABLE t{number} (id INTEGER PRIMARY KEY, body TEXT)")
            other.execute(f"INSERT INTO t{number} VALUES (1, 'x')")
        other.commit()
    path, to = fresh(folder, bytes(100) + made.read_bytes()[100:])
    assert sum(salvage(path, to).rows.values()) == 0


def test_what_was_killed_before_it_reached_the_file_is_kept_and_saved(tmp_path: Path) -> None:
    """The newest rows lie in the -wal. A start that is refused takes neither file away from whoever
    wants to save them (sqlite.org/wal.html: the last to close takes the -wal into the file)."""
    folder = tmp_path / "x"
    folder.mkdir()
    with closing(SqliteJournal.open(tmp_path / "journal.db", owner=True)) as journal:
        for half in (range(1, 201), range(201, ROWS + 1)):
            for number in half:
                journal.write(Sample(number, number, "heron", (), "feed"), [])
            journal.commit()
            if half[0] == 1:
                journal._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        # As after kill -9: the files as they are, with nobody who closes them.
        content = bytearray((tmp_path / "journal.db").read_bytes())
        wal = (tmp_path / "journal.db-wal").read_bytes()
    middle = len(content) // PAGE - 3
    content[middle * PAGE : (middle + 1) * PAGE] = bytes(PAGE)
    path, to = fresh(folder, bytes(content))
    beside = folder / "journal.db-wal"
    beside.write_bytes(wal)
    said = refused(path)
    assert said is not None
    assert "is damaged" in said
    assert beside.read_bytes() == wal
    assert salvage(path, to).damaged == ("events",)
    assert (path.read_bytes(), beside.read_bytes()) == (bytes(content), wal)
    events, _ = rows_of(to)
    assert set(range(201, ROWS + 1)) < set(events)
    assert 300 < len(events) < ROWS


LEARNED = json.dumps({"learned": "Ah " * 4_000})
"""A state that is kept: some pages long, as a real one."""


def kept_states(folder: Path, change: Callable[[bytes], bytes]) -> list[int]:
    """The numbers of the states in what was saved of a journal of 400 events that has two of them,
    after 200 and at the end, when its file was changed so."""
    made = folder / "made.db"
    with closing(SqliteJournal.open(made, owner=True)) as journal:
        for number in range(1, ROWS + 1):
            journal.write(Sample(number, number, "heron", (), f"feed-{number}."), [])
            if number in (ROWS // 2, ROWS):
                journal.save_snapshot(number, LEARNED)
        journal.commit()
    compact(made)
    path, to = folder / "journal.db", folder / "saved.db"
    path.write_bytes(change(made.read_bytes()))
    assert salvage(path, to).damaged
    with closing(SqliteJournal.open(to, owner=False)) as journal:
        assert all(body == LEARNED for _, body in journal.snapshots())
        return [seq for seq, _ in journal.snapshots()]


def without_page(raw: bytes, word: bytes) -> bytes:
    """The file with zeros for the page that the word lies on."""
    page = raw.index(word) // PAGE
    return raw[: page * PAGE] + bytes(PAGE) + raw[(page + 1) * PAGE :]


def test_what_was_learned_is_kept_where_it_reads(tmp_path: Path) -> None:
    """It rests on samples that were forgotten since, and cannot be worked out anew."""
    assert kept_states(tmp_path, lambda raw: without_page(raw, b"feed-200.")) == [ROWS, ROWS // 2]


def test_what_was_learned_is_dropped_where_it_does_not_read(tmp_path: Path) -> None:
    def change(raw: bytes) -> bytes:
        at = raw.rindex(b"Ah Ah Ah")
        return without_page(raw[:at] + bytes(8) + raw[at + 8 :], b"feed-200.")

    assert len(kept_states(tmp_path, change)) == 1


def test_a_state_that_is_newer_than_every_event_is_dropped(tmp_path: Path) -> None:
    """Or the numbers of the lost events would be given again, and what they name passed over."""
    newest = f"feed-{ROWS}.".encode()
    assert kept_states(tmp_path, lambda raw: without_page(raw, newest)) == [ROWS // 2]


Damage = tuple[str, int, int]


def damages() -> st.SearchStrategy[list[Damage]]:
    kinds = st.sampled_from(["flip", "zero", "junk", "cut", "magic"])
    one = st.tuples(kinds, st.integers(0, 1 << 30), st.integers(1, 3 * PAGE))
    return st.lists(one, min_size=1, max_size=5)


def damaged(content: bytes, done: list[Damage]) -> bytes:
    raw = bytearray(content)
    for kind, place, length in done:
        if not raw:
            break
        at = place % len(raw)
        end = min(len(raw), at + length)
        match kind:
            case "flip":
                raw[at] ^= 1 << (length % 8)
            case "zero":
                raw[at:end] = bytes(end - at)
            case "junk":
                raw[at:end] = bytes((place + n * 89) % 256 for n in range(end - at))
            case "cut":
                del raw[at:]
            case "magic":
                raw[: min(16, len(raw))] = b"some other thing"[: len(raw)]
    return bytes(raw)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "x").mkdir()
    return tmp_path / "x"  # type: ignore[return-value]


@settings(
    max_examples=60, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(done=damages())
def test_random_damage(sound: Path, folder: Path, done: list[Damage]) -> None:
    """Never another exception than `JournalError`, and never a change of the file; what is saved
    holds by SQLite's own check, is no more than there was, and can be gone on with."""
    content = damaged(sound.read_bytes(), done)
    path, to = fresh(folder, content)
    if content:  # an empty file is a new journal
        said = refused(path)
        assert said is None or "mend:" in said
    for side in folder.glob("journal.db?*"):
        side.unlink()
    path.write_bytes(content)
    wrong = salvaged(path, to)
    if wrong is None:
        events, outcomes = rows_of(to)
        assert len(events) <= ROWS
        assert len(outcomes) <= ROWS
        can_be_gone_on_with(to)
    else:
        assert "mend:" in wrong
        assert not to.exists() or "does not hold" in wrong
    assert path.read_bytes() == content


def test_pages_that_change_places_end_the_salvage_all_the_same(sound: Path, tmp_path: Path) -> None:
    """Numbers that do not rise would lead a reader back to where it was, for ever: the first two
    children of the events' first page (fileformat.html, 1.6) are swapped, the third is empty."""
    folder = tmp_path / "x"
    folder.mkdir()
    raw = bytearray(sound.read_bytes())
    assert raw[PAGE] == 5, "the second page, where the events begin, leads to others"
    cells = [PAGE + int.from_bytes(raw[at : at + 2], "big")
             for at in range(PAGE + 12, PAGE + 18, 2)]  # fmt: skip
    first, second, third = (bytes(raw[cell : cell + 4]) for cell in cells)
    raw[cells[0] : cells[0] + 4], raw[cells[1] : cells[1] + 4] = second, first
    empty = (int.from_bytes(third, "big") - 1) * PAGE
    raw[empty : empty + PAGE] = bytes(PAGE)
    path, to = fresh(folder, bytes(raw))
    saved = salvage(path, to)
    assert saved.damaged == ("events",)
    assert ROWS * 0.8 < saved.rows["events"] < ROWS
