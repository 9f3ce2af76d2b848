"""`carerules replay` over a journal: what fired then fires again, and what other rules change."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from reading_kit import FIRES, LOCAL, RULES, T0, Story, draining_heron

from carerules.domain.decision import Fired
from carerules.domain.event import Sample, Value
from carerules.domain.moment import DAY, HOUR, MINUTE


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = draining_heron(tmp_path_factory.mktemp("replay"))
    warm = FIRES + HOUR
    for minute in range(0, 30, 3):
        at = warm + minute * MINUTE
        value = 41.0 if 3 <= minute < 15 else 30.0
        story.go(Sample(at, at, "heron", (Value("pack.temperature", value),), "probe"))
    story.snapshot()
    yield story
    story.close()


def replayed(story: Story, *words: str) -> Any:
    shown = story.run("replay", *words, "--json")
    assert shown.exit_code == 0, shown.output
    return json.loads(shown.stdout)


def rules_file(folder: Path, text: str) -> str:
    path = folder / "other.care"
    path.write_text(text, encoding="utf-8")
    return str(path)


def fired(story: Story) -> list[tuple[str, str, str]]:
    return sorted(
        (one.pack, one.rule, LOCAL.read(one.since).isoformat())
        for _, decided, _ in story.told
        for one in decided
        if isinstance(one, Fired)
    )


def test_the_rules_in_force_fire_as_the_journal_says_they_did(story: Story) -> None:
    shape = replayed(story)
    found = sorted((one["pack"], one["rule"], one["at"].replace("Z", "+00:00"))
                   for one in shape["firings"])  # fmt: skip
    assert found == fired(story)
    assert {rule for _, rule, _ in found} == {"full-too-long", "warm"}


def test_the_same_rules_from_a_file_change_nothing(story: Story, tmp_path: Path) -> None:
    shape = replayed(story, "--rules", rules_file(tmp_path, RULES))
    assert {one["change"] for one in shape["firings"]} == {"same"}
    assert "no firing differs" in story.run(
        "replay", "--rules", rules_file(tmp_path, RULES)).output  # fmt: skip


def test_other_rules_add_remove_and_move(story: Story, tmp_path: Path) -> None:
    other = RULES.replace("for 24 h", "for 20 h").replace("> 40 °C for 5 min", "> 45 °C")
    other += 'rule mild\n    when pack.temperature > 25 °C for 2 min: notify "mild"\n'
    shape = replayed(story, "--rules", rules_file(tmp_path, other))
    told = {(one["rule"], one["change"]) for one in shape["firings"]}
    assert told == {("full-too-long", "moved"), ("warm", "gone"), ("mild", "added")}
    moved = next(one for one in shape["firings"] if one["change"] == "moved")
    assert moved["at"] == LOCAL.read(FIRES - 4 * HOUR).isoformat().replace("+00:00", "Z")
    assert moved["was_at"] == LOCAL.read(FIRES).isoformat().replace("+00:00", "Z")
    counts = {one["rule"]: (one["in_force"], one["in_file"]) for one in shape["rules"]}
    assert counts == {"full-too-long": (1, 1), "ready": (0, 0), "warm": (1, 0), "mild": (None, 1)}


def test_what_the_algebra_does_not_cover_is_said_and_fires_all_the_same(
    story: Story, tmp_path: Path
) -> None:
    other = RULES.replace("pack.temperature > 40 °C for 5 min",
                          "max of pack.temperature over 10 min > 40 °C")  # fmt: skip
    shape = replayed(story, "--rules", rules_file(tmp_path, other))
    by = {one["rule"]: one["by_engine"] for one in shape["rules"]}
    assert by["warm"] == "`max of pack.temperature over 10 min` is a window"
    assert by["full-too-long"] is None
    assert [one["change"] for one in shape["firings"] if one["rule"] == "warm"] == ["moved"]
    assert "warm went through the engine" in story.run(
        "replay", "--rules", rules_file(tmp_path, other)).output  # fmt: skip


def test_a_stretch_tells_only_what_lies_in_it(story: Story) -> None:
    shape = replayed(story, "--until", "2026-12-01T18:00")
    assert shape["firings"] == []
    shape = replayed(story, "--from", "2026-12-01T18:01", "--until", "2026-12-01T18:01")
    assert [one["rule"] for one in shape["firings"]] == ["full-too-long"]


def test_the_words_fit_80_columns_and_say_the_limits(story: Story, tmp_path: Path) -> None:
    long = RULES + f'rule {"a" * 60}\n    when pack.soc > 1 %: notify "x"\n'
    for words in ((), ("--rules", rules_file(tmp_path, long))):
        lines = story.run("replay", *words).output.splitlines()
        assert max(map(len, lines)) <= 80
        text = " ".join(line.strip() for line in lines)
        assert "measured signals are taken as they were" in text


def test_forgotten_samples_are_said(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    try:
        for hour in range(1, 4):
            at = FIRES + hour * HOUR
            story.go(Sample(at, at, "heron", (Value("pack.temperature", 30.0),), "probe"))
        story.snapshot()
        story.journal.forget(story.journal.seq_at(FIRES + 2 * HOUR + 1))
        shape = replayed(story)
        assert shape["forgotten_before"] is not None
        assert "are forgotten" in " ".join(story.run("replay").output.split())
    finally:
        story.close()
    assert T0 < FIRES < T0 + 2 * DAY


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--from", "2026-12-01T19:00", "--until", "2026-12-01T18:00"), "after the end"),
        (("--until", "moonrise"), "moonrise"),
        (("--rules", "nowhere.care"), "nowhere.care"),
    ],
)
def test_what_is_typed_wrongly_is_refused(story: Story, words: tuple[str, ...], said: str) -> None:
    shown = story.run("replay", *words)
    assert shown.exit_code == 2
    assert said in shown.output
