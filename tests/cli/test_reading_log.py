"""`log`: what was seen, decided and done, in order, and as much of it as was asked for."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from reading_kit import (
    FIRES,
    FULL,
    LOCAL,
    T0,
    Story,
    begin,
    carerules,
    draining_heron,
    full_heron,
    make_site,
    seen_heron,
)

from carerules.domain.event import (
    A_PERSON,
    BESIDE,
    Acknowledged,
    ClockSet,
    PlugReport,
    Rejected,
    Sample,
    Value,
)
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.report import LogShape, line_of, said
from carerules.service import reading


def log(story: Story, *words: str) -> LogShape:
    shown = story.run("log", *words, "--json")
    assert shown.exit_code == 0, shown.output
    return LogShape.model_validate_json(shown.stdout)


def everything(story: Story) -> list[str]:
    """Each sentence that was journalled, by the words themselves."""
    sentences: list[str] = []
    for event, told, world in story.told:
        lines = (said(event, world.local), *map(line_of, told))
        sentences += [line.text for line in lines if line is not None]
    return sentences


def test_nothing_journalled_is_said(tmp_path: Path) -> None:
    shown = carerules(make_site(tmp_path), "log")
    assert (shown.exit_code, shown.output) == (0, "nothing is journalled that fits\n")


def test_everything_is_there_in_the_order_in_which_it_was(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    shape = log(story)
    assert [line.text for line in shape.lines] == everything(story)
    times = [line.at for line in shape.lines]
    assert times == sorted(times)


@pytest.mark.parametrize("window", [1, 2, 3, 7, 512])
@pytest.mark.parametrize("last", [1, 2, 5, 1_000])
def test_the_last_lines_are_the_same_however_they_are_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, window: int, last: int
) -> None:
    story = draining_heron(tmp_path)
    whole = everything(story)
    monkeypatch.setattr(reading, "WINDOW_ROWS", window)
    assert [line.text for line in log(story, "--last", str(last)).lines] == whole[-last:]


@pytest.mark.parametrize("window", [1, 3, 512])
def test_since_begins_at_the_very_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, window: int
) -> None:
    story = draining_heron(tmp_path)
    monkeypatch.setattr(reading, "WINDOW_ROWS", window)
    shape = log(story, "--from", "2026-12-01T18:01:00")
    assert {line.at for line in shape.lines} == {LOCAL.read(FIRES)}
    assert log(story, "--from", "2026-11-30T18:00").lines == log(story, "--last", "99").lines
    two = log(story, "--from", "2026-11-30T18:00", "--last", "2").lines
    assert two == log(story).lines[-2:]


def test_unless_asked_for_more_it_is_the_last_forty(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(*(Rejected(FULL + HOUR, f"shed/{number}", "no number") for number in range(50)))
    whole = everything(story)
    assert [line.text for line in log(story).lines] == whole[-40:]
    assert [line.text for line in log(story, "--from", "2026-11-30T18:00").lines] == whole


def test_of_one_pack_come_its_plugs_and_uses_too(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.go(PlugReport(FIRES + 30 * SECOND, "A-load", False, 0.0))  # somebody pulled it
    texts = [line.text for line in log(story, "--pack", "heron").lines]
    assert any(text.startswith("A-load on") for text in texts)
    assert any(text.startswith("A-load off: plug A-load: it was switched off") for text in texts)
    assert any(text.startswith("use planned: Saturday survey") for text in texts)
    assert not any("B-charger" in text for text in texts)
    assert [line.text for line in log(story, "--pack", "egret").lines] == [
        "on station B",
        "use planned: Saturday survey, Sat 05 Dec 08:00 (egret, heron)",
    ]


def test_samples_and_reports_come_when_asked_for(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    texts = [line.text for line in log(story, "--all").lines]
    assert "soc 60 % (a person)" in texts
    assert "plug A-load: on, 58 W, 89 s left of its timer" in texts
    assert any(text.startswith("voltage 25.14 V, current 0 A, temp") for text in texts)
    assert not any("60 %" in line.text for line in log(story).lines)


def test_a_voltage_that_was_typed_keeps_its_last_zero(tmp_path: Path) -> None:
    """15.20 V is a reading to the hundredth: as 15.2 V it would look ten times as rough."""
    story = begin(tmp_path)
    for minute, volts in enumerate((15.2, 15.0, 15.215)):
        at = FULL + minute * MINUTE
        story.go(Sample(at, at, "egret", (Value("pack.voltage", volts, 0.08),), A_PERSON))
        status = json.loads(story.run("status", "egret", "--json").stdout)
        assert status["packs"][0]["last"]["found"] == ("15.20 V", "15.00 V", "15.215 V")[minute]
    texts = [line.text for line in log(story, "--all", "--pack", "egret").lines]
    assert texts[-3:] == [f"voltage {one} V (a person)" for one in ("15.20", "15.00", "15.215")]


def test_what_was_decided_on_an_unreadable_event_is_not_told_of_another(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    story.close()
    with sqlite3.connect(story.journal_path) as database:
        database.execute("UPDATE events SET body = '' WHERE kind = 'tick'")
    assert [line.text for line in log(story).lines] == everything(story)[:9]


def test_a_long_line_is_folded_under_its_own_words(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Rejected(FULL + HOUR, "shed/heron", "found nothing in it that a pack could say " * 4))
    shown = story.run("log", "--last", "1").output.splitlines()
    assert len(shown) > 2
    assert shown[0].startswith("Mon 30 Nov 19:01:00  seen     refused from shed/heron")
    for line in shown[1:]:
        assert line.startswith(" " * 30)
        assert line[30] != " "
        assert len(line) <= 80


def test_what_strangers_sent_cannot_play_with_the_terminal(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Rejected(FULL + HOUR, "shed/\x1b[2Jheron\r", "bell \x07"))
    shown = story.run("log", "--last", "1").output
    assert "refused from shed/·[2Jheron·: bell ·" in shown


def test_a_persons_stop_beside_the_service_is_no_refusal(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Rejected(FULL + HOUR, BESIDE, "says OFF to plug `A-load` itself"))
    shown = " ".join(story.run("log", "--last", "1").output.split())
    assert "a person's `carerules stop` says OFF to plug `A-load` itself" in shown
    assert "refused" not in shown


def test_what_a_person_answered_to_a_notice_is_there(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    story.go(Acknowledged(FULL + HOUR, "off A-load", "pull A-load"))
    story.go(Acknowledged(FULL + HOUR, "k", "heron is warm", FULL + 3 * HOUR))
    shown = story.run("log", "--last", "2").output
    assert "notice seen: pull A-load" in shown
    until = story.site.site.local.show(FULL + 3 * HOUR)
    assert f"notice held back until {until}: heron is warm" in " ".join(shown.split())


def test_the_wall_clock_of_each_line_is_that_of_its_time(tmp_path: Path) -> None:
    """The line runs on; a clock that was put an hour ahead shows from there on only."""
    story = begin(tmp_path)
    story.go(ClockSet(T0 + HOUR, HOUR), replace(seen_heron(T0 + 2 * HOUR), cells=()))
    shape = log(story, "--all")
    assert shape.lines[0].at == LOCAL.read(T0)
    assert shape.lines[-1].at == LOCAL.read(T0 + 3 * HOUR)


def test_lines_are_coloured_only_where_that_is_wanted() -> None:
    from carerules.report import log_lines
    from carerules.report.shapes import LineShape

    at = LOCAL.read(T0 + MINUTE)
    row = LineShape(seq=1, at=at, tone="alarm", about="heron", text="swollen")
    shape = LogShape(site="shed", lines=[row], next_after=1)
    assert log_lines(shape) == ["Mon 30 Nov 18:01:00  alarm    heron: swollen"]
    painted = log_lines(shape, lambda tone, text: f"<{tone}>{text}")
    assert painted == ["<alarm>Mon 30 Nov 18:01:00  alarm    heron: swollen"]
    named = row.model_copy(update={"text": "heron is swollen"})
    shape = LogShape(site="shed", lines=[named], next_after=1)
    assert log_lines(shape) == ["Mon 30 Nov 18:01:00  alarm    heron is swollen"]


WRONG = [
    (("--pack", "herno"), "did you mean `heron`?"),
    (("--from", "2027-01-01T10:00"), "which lies ahead"),
    (("--from", "lately"), "wanted a time such as"),
]


@pytest.mark.parametrize(("words", "mend"), WRONG, ids=str)
def test_what_does_not_fit_is_refused_in_one_line(
    tmp_path: Path, words: tuple[str, ...], mend: str
) -> None:
    refused = full_heron(tmp_path).run("log", *words)
    assert refused.exit_code == 2
    assert len(refused.output.splitlines()) == 1
    assert mend in refused.output
