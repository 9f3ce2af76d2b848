"""While a service runs, a whole search for garbage, which stops everything, comes seldom."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

import pytest
from click.testing import CliRunner

from carerules.cli import main
from carerules.cli.serving import GIVE_BACK_EACH, SEARCH_EACH, SEARCHES_A_WHOLE, tidying
from carerules.service import Service

SURVEY = Path(__file__).parents[2] / "examples" / "river-survey"


def test_a_whole_search_comes_seldom_while_it_runs_and_as_ever_afterwards(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[tuple[int, int, int]] = []
    run = Service.run

    def looking(self: Service, *args: object) -> object:
        found.append(gc.get_threshold())
        return run(self, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(Service, "run", looking)
    before = gc.get_threshold()
    for name in ("site.toml", "river.care"):
        (tmp_path / name).write_text((SURVEY / name).read_text("utf-8"), "utf-8")
    ran = CliRunner().invoke(
        main, ["run", str(tmp_path / "site.toml"), "--speed", "100000", "--for", "0.01"]
    )
    assert ran.exit_code == 0, ran.output
    assert found == [(*before[:2], SEARCHES_A_WHOLE)]
    assert before[2] < SEARCHES_A_WHOLE
    assert gc.get_threshold() == before


class Link:
    """One of a circle."""

    other: Link


def test_what_grew_old_before_it_was_garbage_is_found_all_the_same() -> None:
    now, first, second = [0], Link(), Link()
    first.other, second.other = second, first
    tidy, known = tidying(lambda: now[0]), weakref.ref(first)
    gc.collect()  # it is as old as the world now
    gc.disable()  # nor does a search come of itself, for what a thread of another test may make
    try:
        del first, second
        for generation in (0, 1):
            gc.collect(generation)
        now[0] = SEARCH_EACH - 1
        tidy()
        assert known() is not None
        now[0] = SEARCH_EACH
        tidy()
        assert known() is None
    finally:
        gc.enable()


def test_what_is_free_is_given_back_when_its_time_has_come(monkeypatch: pytest.MonkeyPatch) -> None:
    now, given = [0], []
    monkeypatch.setattr("carerules.cli.serving.give_back", lambda: given.append(now[0]))
    tidy = tidying(lambda: now[0])
    for at in (0, GIVE_BACK_EACH - 1, GIVE_BACK_EACH, GIVE_BACK_EACH + 1, 2 * GIVE_BACK_EACH):
        now[0] = at
        tidy()
    assert given == [GIVE_BACK_EACH, 2 * GIVE_BACK_EACH]


def test_a_service_that_runs_looks_whether_a_search_is_due(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: list[bool] = []
    monkeypatch.setattr("carerules.cli.serving.tidying", lambda _now: lambda: looked.append(True))
    for name in ("site.toml", "river.care"):
        (tmp_path / name).write_text((SURVEY / name).read_text("utf-8"), "utf-8")
    ran = CliRunner().invoke(
        main, ["run", str(tmp_path / "site.toml"), "--speed", "100000", "--for", "0.01"]
    )
    assert ran.exit_code == 0, ran.output
    assert looked
