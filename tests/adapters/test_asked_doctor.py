"""`carerules doctor` and `stop` where plugs are asked: what answers, what does not, and why."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from fake_http_plug import FakeHttpPlug

from carerules.cli import main
from carerules.service import checkup

SITE = """
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = {{ plug = "A-load", power = "60 W" }}
charger = {{ plug = "A-charger", power = "250 W" }}
[plug.A-load]
profile = "json-rpc-http"
host = "127.0.0.1:{port}"
channel = "0"
[plug.A-charger]
profile = "lan-relay"
host = "127.0.0.1"
"""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, FakeHttpPlug]:
    """A site with one plug that answers, and one whose library is not installed."""
    monkeypatch.setitem(sys.modules, "kasa", None)
    monkeypatch.setattr(checkup, "LISTEN_FOR", 2_000)
    fake = FakeHttpPlug()
    path = tmp_path / "site.toml"
    path.write_text(SITE.format(port=fake.port))
    return path, fake


def run(*words: object) -> Any:
    return CliRunner().invoke(main, [*map(str, words)])


def test_doctor_says_of_each_whether_it_answers_and_why_not(
    site: tuple[Path, FakeHttpPlug],
) -> None:
    path, fake = site
    fake.on = True
    looked = run("doctor", path, "--json")
    fake.close()
    assert looked.exit_code == 1
    found = [
        (one["about"], one["state"], one["text"]) for one in json.loads(looked.stdout)["findings"]
    ]
    assert ("broker", "in order", "no broker: every plug is asked directly") in found
    texts = [text for about, state, text in found if about == "plug A-load" and state == "look"]
    assert "answers: on, 58.0 W, and shows no timer that runs" in texts
    (wrong,) = (text for about, state, text in found if state == "wrong")
    assert wrong.startswith("does not answer: found no library `python-kasa`")
    assert fake.commands() == [], "to look switches nothing"


def test_stop_brings_off_what_it_can_and_names_the_rest(
    site: tuple[Path, FakeHttpPlug], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, fake = site
    fake.on = True
    monkeypatch.setattr("carerules.service.stopping.WITHIN_S", 3)
    stopped = run("stop", "--site", path)
    fake.close()
    assert stopped.exit_code == 1
    assert "A-load: read back off" in stopped.output
    assert "A-charger: NOT read back off: go and pull it" in stopped.output
    assert not fake.on


def test_run_is_refused_in_one_line_with_the_mend(site: tuple[Path, FakeHttpPlug]) -> None:
    path, fake = site
    refused = run("run", path)
    fake.close()
    assert refused.exit_code == 2
    assert len(refused.stderr.splitlines()) == 1
    assert "plug A-charger: found no library `python-kasa`" in refused.stderr
    assert 'pip install "carerules[lan]"' in refused.stderr
