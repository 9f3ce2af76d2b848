"""How a command is told which site it is about, and what it says when nobody told it."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from carerules.cli import main

PLAYED = """\
name = "shed"
zone = "UTC"
rules = []
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[virtual]
start = 2026-12-01T08:00:00
"""


def typed(*words: str) -> Result:
    return CliRunner().invoke(main, [*words], prog_name="carerules")


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A site file in a folder below the one that commands are typed in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CARERULES_SITE", raising=False)
    (tmp_path / "shed").mkdir()
    (tmp_path / "shed" / "site.toml").write_text(PLAYED, encoding="utf-8")
    return "shed/site.toml"


def test_stop_takes_the_site_as_run_does(site: str, tmp_path: Path) -> None:
    """Whoever is in a hurry types what they typed before; a refusal would leave the loads on."""
    for words in ([site], ["--site", site]):
        got = typed("stop", *words, "--json")
        assert got.exit_code == 0, got.output
        assert json.loads(got.stdout)["site_problems"] == []
    # The site that is named goes before the one that the environment names.
    other = {"CARERULES_SITE": str(tmp_path / "gone.toml")}
    assert CliRunner().invoke(main, ["stop", site], env=other).exit_code == 0


@pytest.mark.parametrize("words", ["status", "stop", "log", "record heron charged", "chore"])
def test_nobody_named_a_site_and_none_lies_here(site: str, words: str) -> None:
    got = typed(*words.split())
    assert (got.exit_code, got.stdout) == (2, "")
    assert got.stderr.splitlines() == [
        "found no `site.toml` in this folder, and no other named, wanted a site file",
        "  mend: name yours with `--site FILE`, or once for all commands with "
        "`export CARERULES_SITE=FILE`; `carerules new FOLDER` makes one",
    ]
    if words in ("status", "log"):
        assert "--site shed/site.toml" in typed(words.split(maxsplit=1)[0], "shed/site.toml").stderr
    assert typed(*words.split(), "--site", "gone.toml").stderr.startswith("gone.toml: found no")
    Path("site.toml").write_text(Path(site).read_text("utf-8"), encoding="utf-8")
    assert "no other named" not in typed(*words.split()).output


def told(words: list[str], *, terminal: bool) -> list[str]:
    """The rows of standard error."""
    reader, writer = pty.openpty() if terminal else os.pipe()
    subprocess.run(
        [sys.executable, "-m", "carerules", *words], stdout=subprocess.DEVNULL, stderr=writer,
        check=False, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    os.close(writer)
    heard = b""
    while True:
        try:
            more = os.read(reader, 4096)
        except OSError:  # how a terminal says that nobody writes to it any more
            break
        if not more:
            break
        heard += more
    os.close(reader)
    return heard.decode().replace("\r\n", "\n").rstrip("\n").split("\n")


def test_a_refusal_fits_the_terminal_and_is_one_line_for_a_program(site: str) -> None:
    words = ["record", "heron", "foo", "--site", site]
    (whole,) = told(words, terminal=False)
    rows = told(words, terminal=True)
    assert len(whole) > 80
    assert max(map(len, rows)) <= 80
    assert " ".join(" ".join(rows).split()) == whole
