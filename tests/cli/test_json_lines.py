"""A running service that tells in JSON: each line is one object of the documented shape."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from reading_kit import FIRES, SECOND, draining_heron, make_site, seen_heron

from carerules.adapters import kind_of
from carerules.adapters.records import EVENT_KINDS, OUTCOME_KINDS, dump_event
from carerules.cli import main
from carerules.cli.voice import JsonLines
from carerules.domain.event import Rejected, Tick
from carerules.report.saying import SaidShape, records_of


def run(site: Path, *words: str, env: dict[str, str] | None = None) -> list[str]:
    made = CliRunner(env=env).invoke(
        main, ["run", str(site), "--speed", "100000", "--for", "0.05", *words],
        catch_exceptions=False,
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    return made.stdout.splitlines()


def test_every_line_of_a_run_is_an_object_of_the_shape(tmp_path: Path) -> None:
    lines = run(make_site(tmp_path), "--log", "json")
    told = [SaidShape.model_validate_json(line, strict=True) for line in lines]
    assert {one.site for one in told} == {"boat shed"}
    kinds = [one.kind for one in told]
    assert kinds[0] == "service"
    assert {"started", "off-proven", "ended"} <= set(kinds)
    assert told[-1].text == "all 2 plugs read back off"
    assert [one.at for one in told] == sorted(one.at for one in told)


def test_the_environment_can_ask_for_it_and_words_remain_words(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    for line in run(site, env={"CARERULES_LOG": "json"}):
        assert json.loads(line)["shape"] == 1
    assert run(site)[0] == "boat shed: 2 packs, 2 stations"


def test_the_site_file_can_ask_for_it_and_the_command_line_has_the_last_word(
    tmp_path: Path,
) -> None:
    site = make_site(tmp_path)
    site.write_text('log = "json"\n' + site.read_text("utf-8"), "utf-8")
    for line in run(site):
        assert json.loads(line)["shape"] == 1
    assert run(site, "--log", "words")[0] == "boat shed: 2 packs, 2 stations"
    assert run(site, env={"CARERULES_LOG": "words"})[0] == "boat shed: 2 packs, 2 stations"


def test_a_firing_rule_is_told_with_its_kinds_and_once_each(tmp_path: Path) -> None:
    story = draining_heron(tmp_path)
    told = [one for event, outcomes, world in story.told
            for one in records_of(event, outcomes, world)]  # fmt: skip
    kinds = [one.kind for one in told]
    assert kinds.count("fired") == 1
    assert kinds.count("job-began") == 1
    assert "sample" not in kinds
    fired = next(one for one in told if one.kind == "fired")
    assert fired.about == "heron"
    assert fired.tone == "decided"


def test_the_kinds_are_those_of_the_journal() -> None:
    kinds = {**EVENT_KINDS, **OUTCOME_KINDS}
    assert len(kinds) == len(EVENT_KINDS) + len(OUTCOME_KINDS)
    assert kind_of(Tick(0)) == dump_event(Tick(0))[0] == "tick"


def test_a_line_stays_one_line_whatever_was_sent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    story = draining_heron(tmp_path)
    evil = Rejected(FIRES + 2 * SECOND, "a\nb\x1b[2J", '"}\n{"shape": 1')
    voice = JsonLines(lambda: story.world)
    voice(evil, (), story.world)
    voice(seen_heron(FIRES + 3 * SECOND), (), story.world)
    voice.say("x\ny")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2
    assert json.loads(lines[0])["kind"] == "rejected"
    assert "\x1b" not in lines[0]
