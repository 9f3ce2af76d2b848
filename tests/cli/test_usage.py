"""Commands typed wrongly: one line of ours, exit status 2; and every option says what it does."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from carerules.cli import COMMANDS, main, schema
from carerules.cli.usage import MEANT

ROOT = Path(__file__).parents[2]


def typed_in(words: list[str]) -> Result:
    return CliRunner().invoke(main, words, prog_name="carerules")


def commands(
    command: click.Command = main, path: tuple[str, ...] = ("carerules",)
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from commands(inner, (*path, name))


EVERY = list(commands())
TYPED = [
    ("check", "found no `FILE...`, wanted `carerules check FILE...`; "
     "mend: `carerules check --help` shows how"),
    ("check --jsn x", "found `--jsn`, wanted an option of `carerules check`; "
     "mend: did you mean `--json`?"),
    ("chekc x", "found `chekc`, wanted a command of `carerules`; mend: did you mean `check`?"),
    ("help", "found `help`, wanted a command of `carerules`; "
     "mend: `carerules --help` lists them all"),
    ("Explain heron", "found `Explain`, wanted a command of `carerules`; "
     "mend: `carerules why PACK` explains"),
    ("uses ad", "found `ad`, wanted a command of `carerules uses`; mend: did you mean `add`?"),
    ("rehearse x --days abc", "found `abc` for `--days`, wanted a number from 0.01 to 3660; "
     "mend: `carerules rehearse --help` shows how"),
    ("run x --speed 0", "found `0.0` for `--speed`, wanted a number above 0 and up to 100000; "
     "mend: `carerules run --help` shows how"),
    ("log --last 0", "found `0` for `--last`, wanted a whole number from 1 to 1000000; "
     "mend: `carerules log --help` shows how"),
    ("rehearse x --seed -1", "found `-1` for `--seed`, wanted a whole number from 0; "
     "mend: `carerules rehearse --help` shows how"),
    ("run a b", "found `b`, wanted `carerules run [SITE]`; mend: `carerules run --help` shows how"),
    ("notices site.toml", "found `site.toml`, wanted `carerules notices`; "
     "mend: name the site with `--site site.toml`"),
    ("notices x", "found `x`, wanted `carerules notices`; "
     "mend: `carerules notices --help` shows how"),
    ("new /etc/passwd", "found `/etc/passwd` for `FOLDER`, wanted a folder, and not a file; "
     "mend: `carerules new --help` shows how"),
    ("test shed/site.toml", "found `shed/site.toml`, wanted rule files (.care); "
     "mend: name those in its `rules`"),
    ("format shed/site.toml", "found `shed/site.toml`, wanted rule files (.care); "
     "mend: name those in its `rules`"),
    ("campaign --list --json", "found `--list` with `--json`, wanted one of them; "
     "mend: a list is for people"),
    ("test --only", "found `--only`, wanted a value behind it; mend: `--help` shows how"),
    ("check --json=5 x", "found `--json`, wanted no value behind it; mend: `--help` shows how"),
    ("pretend plug", "found no `--topic`, wanted `carerules pretend plug --topic ...`; "
     "mend: `carerules pretend plug --help` shows how"),
    ("pretend plug --topic x --fault weldd", "found `weldd` for `--fault`, wanted one of "),
]  # fmt: skip


@pytest.mark.parametrize("typed", sorted(MEANT))
def test_what_a_newcomer_types_leads_to_commands_that_there_are(typed: str) -> None:
    """Whatever is named in the mend can be typed: a command of ours, with `--help` behind it."""
    assert typed not in COMMANDS
    said = typed_in([typed]).stderr
    assert MEANT[typed] in said
    named = re.findall(r"`carerules (--)?([a-z-]+)", said.partition("mend: ")[2])
    assert named or ".md" in said
    for option, name in named:
        assert option or typed_in([name, "--help"]).exit_code == 0, name


@pytest.mark.parametrize(("typed", "said"), TYPED, ids=[typed for typed, _ in TYPED])
def test_what_is_typed_wrongly_is_told_in_one_line(typed: str, said: str) -> None:
    got = typed_in(typed.split())
    assert got.exit_code == 2
    assert got.stdout == ""
    assert got.stderr.startswith(said)
    assert got.stderr.count("\n") == 1


def test_a_folder_is_no_file_and_a_site_with_plugs_is_not_played(tmp_path: Path) -> None:
    got = typed_in(["check", str(tmp_path)])
    assert (got.exit_code, "mend: name a file in it" in got.output) == (2, True)
    site = tmp_path / "site.toml"
    site.write_text('name = "shed"\nzone = "UTC"\n[pack.heron]\nchemistry = "lipo"\ncells = 6\n'
                    'capacity = "16 Ah"\n', "utf-8")  # fmt: skip
    got = typed_in(["rehearse", str(site)])
    assert (got.exit_code, "mend: a site with real plugs is not played" in got.output) == (2, True)


def test_bytes_for_the_terminal_do_not_come_back() -> None:
    got = typed_in(["check", "--\x1b[2J" + "x" * 200])
    assert (got.exit_code, "\x1b" in got.stderr, len(got.stderr) < 200) == (2, False, True)


@pytest.mark.parametrize(("path", "command"), EVERY, ids=[" ".join(path) for path, _ in EVERY])
def test_each_command_and_each_option_says_what_it_does(
    path: tuple[str, ...], command: click.Command
) -> None:
    assert (command.help or "").strip()
    for param in command.params:
        if isinstance(param, click.Option):
            assert (param.help or "").strip(), param.opts
    shown = typed_in([*path[1:], "--help"])
    assert shown.exit_code == 0
    assert [line for line in shown.stdout.split("\n") if len(line) > 80] == []


# The others take each word to their own door: a negative number is no option.
OPTIONED = [path for path, one in EVERY if not one.context_settings.get("ignore_unknown_options")]


@pytest.mark.parametrize("path", OPTIONED, ids=" ".join)
def test_no_command_meets_an_unknown_option_in_words_of_another(path: tuple[str, ...]) -> None:
    got = typed_in([*path[1:], "--no-such-option"])
    assert (got.exit_code, got.stdout) == (2, "")
    assert got.stderr.startswith("found `--no-such-option`, wanted an option of ")


def test_the_exit_statuses_are_written_in_the_help() -> None:
    shown = typed_in(["--help"]).stdout
    for status in ("0 done", "1 tried", "2 something"):
        assert status in shown.replace("\n  ", " ")


def test_whoever_types_nothing_is_shown_the_commands() -> None:
    got = typed_in([])
    assert got.exit_code == 2
    assert "rehearse" in got.output


def test_a_program_around_us_hears_the_error_itself() -> None:
    with pytest.raises(click.UsageError):
        main.main(["check"], standalone_mode=False)


# ---- what the system refuses ---------------------------------------------------------------------


def run(words: str, **streams: Any) -> subprocess.CompletedProcess[bytes]:
    surroundings = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "carerules", *words.split()]
    return subprocess.run(command, env=surroundings, check=False, timeout=300, **streams)


@pytest.mark.parametrize("words", ["schema", "campaign --list", "--help"])
def test_a_full_disk_behind_standard_output_is_one_line(words: str) -> None:
    with Path("/dev/full").open("wb") as full:
        got = run(words, stdout=full, stderr=subprocess.PIPE)
    assert got.returncode == 1
    assert got.stderr == b"standard output: no space left on device\n"


def test_whoever_closed_a_stream_is_told_nothing_there() -> None:
    shell = 'exec "$0" -m carerules check gone.care'
    for closed, status in ((">&-", 2), ("2>&-", 2), ("<&- >&- 2>&-", 2)):
        got = subprocess.run(
            ["/bin/sh", "-c", f"{shell} {closed}", sys.executable],
            env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, timeout=300,
            check=False,
        )  # fmt: skip
        assert (got.returncode, b"Traceback" in got.stderr) == (status, False)


def test_what_the_system_refuses_elsewhere_names_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    def gone() -> None:
        raise PermissionError(13, "Permission denied", "shed/none")

    monkeypatch.setattr(schema, "site_schema", gone)
    with pytest.raises(SystemExit):
        main(["schema"], prog_name="carerules")
    got = typed_in(["schema"])
    assert (got.exit_code, got.stderr) == (1, "`shed/none`: permission denied\n")


def test_a_site_is_taken_from_the_surroundings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CARERULES_SITE", str(tmp_path / "gone.toml"))
    for words in ("doctor", "run", "rehearse", "board", "export --to x", "notify-test", "status"):
        got = typed_in(words.split())
        assert got.exit_code == 2
        assert got.stderr.startswith("gone.toml: found no such file"), words
