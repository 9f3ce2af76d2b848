"""One option for one thing, whatever the command; and what was typed once is still understood."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

from carerules.cli import main
from carerules.cli.common import Renamed

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[pack.egret]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = { plug = "A-load", power = "60 W" }
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[use.survey]
start = 2026-12-05T08:00:00
packs = ["heron"]
[calendar.crew]
file = "crew.ics"
[calendar.crew.event.boats]
packs = ["heron"]
[mqtt]
"""
RULES = "rule too-long when pack.soc >= 95 % for 24 h: drain to 80 %\n"


def every(command: click.Command, path: str = "") -> Iterator[tuple[str, click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from every(inner, f"{path} {name}".strip())


EVERY = dict(every(main))
OPTIONS = [
    (path, one)
    for path, command in EVERY.items()
    for one in command.params
    if isinstance(one, click.Option) and not one.hidden
]


def taking(option: str) -> dict[str, str]:
    """What each command's option of this name takes."""
    return {path: one.metavar or "" for path, one in OPTIONS if one.opts[0] == option}


@pytest.mark.parametrize(
    ("option", "value"),
    [("--site", "FILE"), ("--from", "TIME"), ("--until", "TIME"), ("--days", "DAYS"),
     ("--broker", "HOST:PORT"), ("--soc", "PERCENT"), ("--seed", "NUMBER")],
)  # fmt: skip
def test_an_option_takes_the_same_in_all_commands(option: str, value: str) -> None:
    took = taking(option)
    assert len(took) > 1
    assert set(took.values()) == {value}


def test_no_option_is_told_by_the_kind_of_its_value_in_the_program() -> None:
    context = click.Context(main)
    shown = {
        f"{path} {one.opts[0]}": one.make_metavar(context) for path, one in OPTIONS
        if not one.is_flag
    }  # fmt: skip
    assert len(shown) > 80
    assert {
        at: form for at, form in shown.items() if re.search(r"RANGE|TEXT|PATH|INTEGER", form)
    } == {}


def test_each_command_about_a_site_takes_it_by_the_same_option() -> None:
    """Those that take no site: what is about texts, a plug that is played, or the program."""
    without = {
        path for path, command in EVERY.items()
        if not isinstance(command, click.Group)
        and not any(one.opts[0] == "--site" for one in command.params)
    }  # fmt: skip
    assert without == {
        "new", "serve", "campaign", "format", "reference", "schema", "pretend plug",
        "pretend pack",
    }  # fmt: skip


WHOLE = ("run", "rehearse", "board", "doctor", "notify-test", "export --to x")


@pytest.mark.parametrize("words", WHOLE)
def test_what_is_about_the_whole_site_takes_it_either_way(
    words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CARERULES_SITE", raising=False)

    def said(*more: str) -> str:
        got = CliRunner().invoke(main, [*words.split(), *more], prog_name="carerules")
        assert got.exit_code == 2
        return got.stderr.splitlines()[0]

    assert said().startswith("found no `site.toml` in this folder")
    assert said("a.toml").startswith("a.toml: found no such file")
    assert said("--site", "a.toml").startswith("a.toml: found no such file")
    assert said("a.toml", "--site", "a.toml").startswith("a.toml: found no such file")
    assert said("a.toml", "--site", "b.toml") == (
        "found the site files `a.toml` and `b.toml`, wanted one; mend: leave one away"
    )


def test_a_site_file_where_a_pack_is_wanted_is_told_where_it_stands(shed: Path) -> None:
    got = CliRunner().invoke(main, ["status", "site.toml", "--site", str(shed)])
    assert (got.exit_code, got.stderr) == (
        2, "found `site.toml`, wanted a pack of the site file; "
        "mend: a site file stands behind `--site`: `--site site.toml`\n",
    )  # fmt: skip


# ---- what was typed once ---------------------------------------------------------------------

OLD = {
    "check": {"--for-site": "--site"},
    "test": {"--for-site": "--site"},
    "run": {"--for": "--days"},
    "compare": {"--for": "--instead-of"},
    "log": {"--since": "--from"},
    "want": {"--at": "--target"},
    "plan": {"--svg": "--to"},
    "forecast": {"--from": "--soc"},
    "campaign": {"--jobs": "--processes"},
}


def test_every_older_name_is_in_the_list_above() -> None:
    renamed = {
        path: {one.old: one.opts[0] for one in command.params if isinstance(one, Renamed)}
        for path, command in EVERY.items()
    }
    assert {path: names for path, names in renamed.items() if names} == OLD


@pytest.mark.parametrize("path", OLD)
def test_an_older_name_is_understood_and_shown_nowhere(path: str) -> None:
    command, typed = EVERY[path], {"check": ["x"], "test": ["x"], "compare": ["x"],
                                   "forecast": ["heron", "drain", "40"]}.get(path, [])  # fmt: skip
    for old, new in OLD[path].items():
        read = [
            command.make_context(path, [*typed, name, "7"]).params for name in (old, new)
        ]  # fmt: skip
        assert read[0] == read[1]
        assert "7" in {str(value) for value in read[0].values()} or 7.0 in read[0].values()
        assert not re.search(rf"{old}\b", CliRunner().invoke(main, [path, "--help"]).output)


def test_a_broker_and_a_pack_are_taken_as_they_were_typed_once() -> None:
    pack = EVERY["log"].make_context("log", ["--pack", "heron"]).params
    assert (pack["pack"], pack["pack_old"]) == (None, "heron")
    plug = EVERY["pretend plug"].make_context("plug", ["--topic", "x", "--port", "7"]).params
    assert (plug["port"], plug["host"], plug["broker_text"]) == (7, None, "127.0.0.1:1883")


# ---- what Tab offers -------------------------------------------------------------------------


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    (tmp_path / "site.toml").write_text(SITE, "utf-8")
    (tmp_path / "shed.care").write_text(RULES, "utf-8")
    (tmp_path / "crew.ics").write_text("", "utf-8")
    return tmp_path / "site.toml"


def offered(words: list[str], begun: str = "") -> list[str]:
    found = ShellComplete(main, {}, "carerules", "_X").get_completions(words, begun)
    return [one.value for one in found]


@pytest.mark.parametrize(
    ("words", "begun", "names"),
    [
        ("status", "", ["heron", "egret"]),
        ("health", "h", ["heron"]),
        ("log", "e", ["egret"]),
        ("timeline", "e", ["egret"]),
        ("forecast", "e", ["egret"]),
        ("why", "her", ["heron"]),
        ("why heron", "", ["too-long"]),
        ("labels heron", "", ["egret"]),
        ("record", "x", []),
        ("record heron", "cal", ["calibrated"]),
        ("place heron", "", ["A"]),
        ("want heron", "", ["storage", "ready"]),
        ("release", "", ["heron", "egret", "A", "site"]),
        ("answer heron-3", "", ["yes", "no"]),
        ("uses drop", "", ["survey"]),
        ("uses add survey 2026-12-05T08:00", "", ["heron", "egret"]),
        ("uses add survey 2026-12-05T08:00 heron", "", ["egret"]),
        ("calendar", "", ["crew"]),
        ("compare x", "-", None),
        ("doctor --prove", "", ["A-load"]),
        ("compare x --instead-of", "", ["shed.care"]),
        ("reference", "two-r", ["two-readings"]),
        ("forecast heron", "d", ["drain"]),
    ],
)
def test_tab_offers_the_names_of_the_site(
    words: str, begun: str, names: list[str] | None, shed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARERULES_SITE", str(shed))
    found = offered(words.split(), begun)
    if names is None:
        assert "--instead-of" in found
        assert "--for" not in found
    else:
        assert found == names


def test_tab_offers_those_of_the_site_that_is_typed(
    shed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CARERULES_SITE", raising=False)
    assert offered(["status"]) == []
    assert offered(["status", "--site", str(shed)]) == ["heron", "egret"]
    assert offered(["doctor", "--site", str(shed), "--prove"]) == ["A-load"]


@pytest.mark.parametrize("text", ["pack = 3", "pack = [", "\x00", "rules = 3"])
def test_tab_offers_nothing_out_of_a_file_that_does_not_read(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = tmp_path / "site.toml"
    site.write_text(text, "utf-8")
    for words in (["status"], ["why", "heron"], ["compare", "x", "--instead-of"]):
        assert offered([*words[:1], "--site", str(site), *words[1:]]) == []
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize(
    ("kind", "says"),
    [("[mqtt]\n", "nobody was told anything yet"),
     ("[virtual]\nstart = 2026-11-30T18:00:00\n", "a virtual site sends nothing: ")],
)  # fmt: skip
def test_a_played_site_does_not_say_that_nobody_was_told(kind: str, says: str, shed: Path) -> None:
    played = SITE.partition("[calendar.crew]")[0] + kind
    shed.write_text(played, "utf-8")
    got = CliRunner().invoke(main, ["notices", "--site", str(shed)])
    assert (got.exit_code, got.stdout.splitlines()[0].startswith(says)) == (0, True)
