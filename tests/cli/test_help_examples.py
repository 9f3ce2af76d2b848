"""Every command's help has an example, and each example really runs as it stands there.

The river survey is run for a little more than a day, and then everything is typed beside it.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from carerules.cli import main

ROOT = Path(__file__).parents[2]
DAYS = "1.215"  # from Monday 18:00 to Tuesday evening: 22:10 of that day is past


def commands(command: click.Command, path: str) -> Iterator[tuple[str, click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        for name in command.list_commands(click.Context(command)):
            inner = command.get_command(click.Context(command), name)
            assert inner is not None
            yield from commands(inner, f"{path} {name}")


EVERY = dict(commands(main, "carerules"))


def examples(told: str) -> list[str]:
    """What a help says to type: behind `Example:`, or lines of their own with a remark behind."""
    found = []
    for part in re.split(r"\n\s*\n", told):
        text = " ".join(part.split())
        if text.startswith("Example: "):
            lines = text.removeprefix("Example: ").split(";")
            found += [line[line.index("carerules ") :] for line in lines]
        elif "\b" in part:
            rows = (row.strip() for row in part.splitlines())
            found += [re.split(r" {2,}", row)[0] for row in rows if row.startswith("carerules ")]
    return found


TYPED = [(path, one) for path, command in EVERY.items() for one in examples(command.help or "")]

# What is there only while something else is, or goes on until it is ended: these are only read.
NOT_RUN = {
    "ack": "no notice is open",
    "answer": "no job asks",
    "board": "goes on until it is ended",
    "calendar": "this site has none",
    "campaign": "takes an hour",
    "cancel": "no such job is under way",
    "chore": "nothing is to be done yet",
    "discover": "wants a broker",
    "doctor": "no plug of a virtual site can be proved",
    "lsp": "goes on until it is ended",
    "new": "asks",
    "notify-test": "this site has no channel",
    "pretend": "wants a broker",
    "rehearse": "takes seconds, and is run in `tests/e2e`",
    "run": "goes on until it is ended",
    "serve": "wants a database",
    "snooze": "no notice is open",
    "want": "wants a service that runs",
}
STATUS = {"carerules test river.care --coverage": 1}
"""What some end with, other than 0: no scenario of the survey's touches everything."""


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("survey")
    here = folder / "examples" / "river-survey"
    shutil.copytree(ROOT / "examples" / "river-survey", here, ignore=lambda *_: ["state"])
    shutil.copytree(here, folder, dirs_exist_ok=True)
    shutil.copy(folder / "river.care", folder / "milder.care")
    (folder / "edited").mkdir()
    shutil.copy(folder / "river.care", folder / "edited" / "river.care")
    words = ["-m", "carerules", "run", "site.toml", "--speed", "100000", "--for", DAYS]
    ran = subprocess.run(
        [sys.executable, *words], cwd=folder, text=True, capture_output=True, timeout=500,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    return folder


@pytest.mark.parametrize("path", EVERY)
def test_each_help_has_an_example_of_that_command(path: str) -> None:
    if path == "carerules":
        return  # its help lists the commands
    found = examples(EVERY[path].help or "")
    assert found
    assert all(one.startswith(f"{path} ") or one == path for one in found[:1])


@pytest.mark.parametrize(("path", "line"), TYPED, ids=[line for _, line in TYPED])
def test_an_example_is_read_as_it_stands(path: str, line: str) -> None:
    words = shlex.split(line.partition(" > ")[0])[1:]
    command: click.Command = main
    while isinstance(command, click.Group):
        inner = command.get_command(click.Context(command), words.pop(0))
        assert inner is not None
        command = inner
    command.make_context(path, words)


@pytest.mark.parametrize(
    "line", [line for _, line in TYPED if line.split()[1] not in NOT_RUN], ids=str
)
def test_an_example_runs(line: str, survey: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(survey)
    monkeypatch.delenv("CARERULES_SITE", raising=False)
    words = shlex.split(line.partition(" > ")[0])[1:]
    ran = CliRunner().invoke(main, words, prog_name="carerules")
    assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.exception
    assert ran.exit_code == STATUS.get(line, 0), ran.output
    assert ran.output


def test_what_is_not_run_is_a_command() -> None:
    assert set(NOT_RUN) <= set(main.list_commands(click.Context(main)))
    assert len(TYPED) > 55
