"""A start that its page, or a word of its command, ends: what was left on is brought off."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from errno import ENOSPC
from pathlib import Path

import pytest
from fake_http_plug import FakeHttpPlug
from test_one_way_refused import NOISE, run, site_at

from carerules.adapters import open_journal
from carerules.cli.sites import journal_path
from carerules.config import SiteFile, read_site
from carerules.domain.moment import SECOND

ENDS = {
    "a speed of real time": (("--speed", 2), "", "real time has one speed"),
    "no address": (("--board", "nonsense"), "", "nonsense"),
    "no token": (("--board", "0.0.0.0:8455"), "", "no token"),
    "a token gone": (
        (),
        '[board]\nlisten = "127.0.0.1:0"\ntoken_file = "gone.token"',
        "gone.token",
    ),
}
"""Words of the command, what the site file says beside, and what is told."""


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeHttpPlug]:
    """A plug that was left on."""
    monkeypatch.setattr("carerules.cli.real.LEAVE_WITHIN", 3 * SECOND)
    plug = FakeHttpPlug()
    plug.on = True
    yield plug
    plug.close()


@pytest.mark.parametrize("what", ENDS)
def test_what_was_left_on_is_brought_off(tmp_path: Path, fake: FakeHttpPlug, what: str) -> None:
    words, more, told = ENDS[what]
    path = _site(tmp_path, fake, more)
    refused = run("run", path, *words)
    assert refused.exit_code == 2, refused.output
    assert told in refused.stderr
    assert "A-load: read back off" in refused.stderr
    assert not fake.on


def test_of_a_site_that_another_serves_nothing_is_switched(
    tmp_path: Path, fake: FakeHttpPlug
) -> None:
    path = _site(tmp_path, fake, "")
    site = read_site(path)
    assert isinstance(site, SiteFile)
    with closing(open_journal(journal_path(site), owner=True)):
        assert run("run", path, "--board", "nonsense").exit_code == 2
    assert fake.asked == []
    assert fake.on


def _site(folder: Path, fake: FakeHttpPlug, more: str) -> Path:
    path, _ = site_at(folder, fake, NOISE)
    text = path.read_text().partition("[plug.A-charger]")[0]
    text = text.replace('charger = { plug = "A-charger", power = "250 W" }\n', "")
    path.write_text(f"{text}\n{more}\n")
    return path


@pytest.mark.parametrize("place", ["live.make_state", "real.restore"])
def test_a_start_that_the_system_ends_brings_off_what_was_left_on(
    tmp_path: Path, fake: FakeHttpPlug, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    """A disk that is full, or gone, shows itself wherever it is asked for anything."""

    def full(*_: object) -> None:
        raise OSError(ENOSPC, "no space left on device")

    path = _site(tmp_path, fake, "")
    monkeypatch.setattr(f"carerules.cli.{place}", full)
    ended = run("run", path)
    assert ended.exit_code == 1
    assert "no space left on device" in ended.stderr
    assert "A-load: read back off" in ended.stderr
    assert not fake.on
