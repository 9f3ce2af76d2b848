"""The clock's anchor in the journal: seldom enough for a card, often enough for what it is for.

A crash is a journal that is opened again with what was committed; a reboot has a new boot name, a
boot clock that begins anew, and whatever wall clock the test gives it.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from doors_kit import Hands
from hypothesis import given, settings
from hypothesis import strategies as st

from carerules.adapters import ClockAnchor, LineClock, SqliteJournal
from carerules.cli.real import ANCHOR_EVERY, AnchoredJournal
from carerules.domain.event import Event, Happened, Started
from carerules.domain.moment import HOUR, MINUTE, SECOND, Moment


class Life:
    """One run of a service on a journal; `committed` is the last fact that is durable."""

    def __init__(self, path: Path, hands: Hands) -> None:
        self.journal = SqliteJournal.open(path, owner=True)
        self.hands = hands
        self.clock = LineClock(self.journal.clock(), hands.sources())
        self.kept = AnchoredJournal(self.journal, self.clock)
        self.anchors: list[ClockAnchor | None] = []
        plain = self.journal.commit

        def counted(anchor: ClockAnchor | None = None) -> None:
            plain(anchor)
            self.anchors.append(anchor)

        self.journal.commit = counted  # type: ignore[method-assign]
        self.fact(Started(self.clock.now(), self.clock.offset(), self.clock.down))

    def fact(self, event: Event) -> None:
        self.kept.write(event, [])
        self.kept.commit()

    def second(self) -> None:
        """What a service does each second: it looks at its clock, and commits."""
        self.hands.run(SECOND)
        change = self.clock.changed()
        if change is not None:
            self.fact(change)
        self.kept.commit()

    def dies(self) -> Moment:
        """It is killed: what was not committed is lost. The line's moment then."""
        self.journal.close()
        return self.clock.now()


def reboot(hands: Hands, wall_ms: int) -> None:
    hands.boot_id += "-next"
    hands.boot, hands.awake, hands.wall = 30_000, 30_000, wall_ms


def test_a_quiet_hour_is_not_a_commit_a_second(tmp_path: Path, hands: Hands) -> None:
    life = Life(tmp_path / "journal.db", hands)
    life.anchors.clear()
    for _ in range(HOUR // SECOND):
        life.second()
    assert len(life.anchors) == HOUR // ANCHOR_EVERY


def test_each_fact_has_its_anchor_in_the_same_commit(tmp_path: Path, hands: Hands) -> None:
    life = Life(tmp_path / "journal.db", hands)
    for _ in range(5):
        life.second()
        life.fact(Happened(life.clock.now(), life.clock.now(), "heron", "charge", "kit"))
        assert life.anchors[-1] == life.clock.anchor()


def test_a_step_of_the_wall_and_a_reboot_right_after_it_make_nothing_older(
    tmp_path: Path, hands: Hands
) -> None:
    path = tmp_path / "journal.db"
    life = Life(path, hands)
    life.second()
    hands.wall += 3 * HOUR  # a time service has found the right time
    life.second()
    died = life.dies()
    reboot(hands, hands.wall + MINUTE)
    again = Life(path, hands)
    assert died <= again.clock.now() + SECOND <= died + MINUTE + SECOND, "no rest is hours longer"


moves: Any = st.lists(
    st.one_of(
        st.tuples(st.just("runs"), st.integers(1, 90)),
        st.tuples(st.just("fact"), st.just(0)),
        st.tuples(st.just("step"), st.integers(-4 * HOUR, 4 * HOUR)),
        st.tuples(st.just("crash"), st.just(0)),
        st.tuples(st.just("boot, wall right"), st.integers(0, HOUR)),
        st.tuples(st.just("boot, wall behind"), st.integers(0, HOUR)),
    ),
    max_size=12,
)


@settings(max_examples=60, deadline=None)
@given(moves)
def test_over_any_crashes_the_line_loses_little_and_gains_nothing(
    history: list[tuple[str, int]],
) -> None:
    hands = Hands()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "journal.db"
        life, fact = Life(path, hands), 0
        for move, by in history:
            match move:
                case "runs":
                    for _ in range(by):
                        life.second()
                case "fact":
                    fact = life.clock.now()
                    life.fact(Happened(fact, fact, "heron", "charge", "kit"))
                case "step":
                    hands.wall += by
                    life.second()
                case _:
                    died = life.dies()
                    away = by if move == "boot, wall right" else 0
                    if move == "boot, wall right":
                        reboot(hands, hands.wall + by)
                    elif move == "boot, wall behind":
                        reboot(hands, hands.wall - 400 * 24 * HOUR)
                    life = Life(path, hands)
                    now = life.clock.now()
                    assert now >= fact, "never before what is journalled"
                    # A step of two seconds or less is no step yet: so much it may be off.
                    slack = ANCHOR_EVERY + 2 * SECOND if move != "crash" else 0
                    assert died - slack <= now <= died + away + 2 * SECOND
        life.dies()
