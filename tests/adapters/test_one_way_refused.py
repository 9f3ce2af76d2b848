"""Where the way to some plugs is refused, the others are brought off, and read back."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from fake_http_plug import FakeHttpPlug

from carerules.adapters import open_journal
from carerules.cli import main
from carerules.cli.sites import journal_path
from carerules.config import SiteFile, read_site
from carerules.domain.decision import SwitchOn
from carerules.domain.event import Started, Tick
from carerules.domain.moment import SECOND
from carerules.service import checkup

SITE = """
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["care.care"]
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
profile = "generic-json"
topic = "shed/a-charger"
[mqtt]
port = 1
user = "shed"
password_file = "broker.password"
{more}
"""
EVERYBODY, GONE, NOISE = "a password for everybody", "a certificate gone", "a certificate of noise"
REFUSED = {
    EVERYBODY: ("", 0o644, "found mode 0644 for `broker.password`, wanted 0600 or less"),
    GONE: ('tls = true\nca_file = "gone.pem"', 0o600, "found no file `gone.pem`"),
    NOISE: ('tls = true\nca_file = "noise.pem"', 0o600, "certificate and key files in PEM form"),
}
"""What the site file says beside, the password file's mode, and what is told. The first two are
found with the site file, the last when the connection is made."""


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeHttpPlug]:
    """A plug that was left on."""
    monkeypatch.setattr("carerules.cli.real.LEAVE_WITHIN", 3 * SECOND)
    monkeypatch.setattr("carerules.service.stopping.WITHIN_S", 3)
    monkeypatch.setattr(checkup, "LISTEN_FOR", 2_000)
    plug = FakeHttpPlug()
    plug.on = True
    yield plug
    plug.close()


def site_at(folder: Path, fake: FakeHttpPlug, what: str, rules: str = "") -> tuple[Path, str]:
    """A site that was served before, and of which the broker is refused now."""
    more, mode, told = REFUSED[what]
    path, password = folder / "site.toml", folder / "broker.password"
    path.write_text(SITE.format(port=fake.port, more=more))
    (folder / "care.care").write_text(rules)
    password.write_text("kingfisher\n")
    password.chmod(mode)
    (folder / "noise.pem").write_text("noise")
    site = read_site(path, to_stop=True)
    assert isinstance(site, SiteFile), site
    journal = open_journal(journal_path(site), owner=True)
    journal.write(Started(1), ())
    journal.commit()
    journal.close()
    return path, told


@pytest.mark.parametrize("what", REFUSED)
def test_a_start_brings_off_what_the_broker_does_not_reach(
    tmp_path: Path, fake: FakeHttpPlug, what: str
) -> None:
    path, told = site_at(tmp_path, fake, what)
    refused = run("run", path)
    assert refused.exit_code == 2
    lines = refused.stderr.splitlines()
    assert told in lines[0]
    assert lines[-2:] == [
        "A-load: read back off", "A-charger: NOT read back off: go there and pull it",
    ]  # fmt: skip
    assert len(lines) <= 5, "each is told once"
    assert not fake.on


@pytest.mark.parametrize("what", REFUSED)
def test_a_stop_does_too(tmp_path: Path, fake: FakeHttpPlug, what: str) -> None:
    path, told = site_at(tmp_path, fake, what)
    stopped = run("stop", "--site", path)
    assert stopped.exit_code == 1
    assert "A-load: read back off" in stopped.stdout
    assert told in stopped.stderr
    assert "A-charger: NOT read back off: go and pull it" in stopped.stderr
    assert not fake.on
    told_json = json.loads(run("stop", "--json", "--site", path).stdout)
    assert told_json["proved_off"] == ["A-load"]
    assert told_json["not_proved_off"] == ["A-charger"]
    assert told in str([told_json["site_problems"], told_json["wires_problem"]])
    assert told_json["wires_problem"] is not None


def test_doctor_says_what_of_the_others_it_hears(tmp_path: Path, fake: FakeHttpPlug) -> None:
    path, told = site_at(tmp_path, fake, NOISE)
    looked = run("doctor", path, "--json")
    assert looked.exit_code == 1
    found = json.loads(looked.stdout)["findings"]
    (broker,) = (one for one in found if one["about"] == "broker")
    assert broker["state"] == "wrong"
    assert told in broker["text"]
    assert any(one["text"].startswith("answers: on") for one in found), "the other plug is heard"
    assert fake.commands() == [], "to look switches nothing"


def test_a_start_that_its_rules_end_brings_everything_off(
    tmp_path: Path, fake: FakeHttpPlug
) -> None:
    """The service fell in the midst of an edit: what was on may still be."""
    path, _ = site_at(tmp_path, fake, NOISE, "when pack.soc")
    refused = run("run", path)
    assert refused.exit_code == 2
    assert "the rules have errors; nothing was started" in refused.stderr
    assert "A-load: read back off" in refused.stderr
    assert not fake.on


def test_rules_with_errors_leave_the_plugs_to_the_service_that_runs(
    tmp_path: Path, fake: FakeHttpPlug
) -> None:
    path, _ = site_at(tmp_path, fake, NOISE, "when pack.soc")
    site = read_site(path)
    assert isinstance(site, SiteFile)
    journal = open_journal(journal_path(site), owner=True)
    try:
        refused = run("run", path)
    finally:
        journal.close()
    assert refused.exit_code == 2
    assert fake.asked == []
    assert fake.on


def test_rules_with_errors_of_a_site_that_was_never_served_switch_nothing(
    tmp_path: Path, fake: FakeHttpPlug
) -> None:
    path, _ = site_at(tmp_path, fake, NOISE, "when pack.soc")
    site = read_site(path)
    assert isinstance(site, SiteFile)
    (journal,) = (one for one in [journal_path(site)] if isinstance(one, Path))
    for one in journal.parent.glob(f"{journal.name}*"):
        one.unlink()
    assert run("run", path).exit_code == 2
    assert fake.asked == []
    assert not journal.exists()


def test_a_plug_left_on_that_the_site_file_has_no_more_is_told(
    tmp_path: Path, fake: FakeHttpPlug
) -> None:
    """The service was killed, and the plug renamed, or its station taken away, before the start."""
    path, _ = site_at(tmp_path, fake, NOISE)
    text = path.read_text().partition("[plug.A-charger]")[0]
    path.write_text(text.replace('charger = { plug = "A-charger", power = "250 W" }\n', ""))
    site = read_site(path)
    assert isinstance(site, SiteFile)
    with closing(open_journal(journal_path(site), owner=True)) as journal:
        for plug in ("A-load", "A-charger"):
            journal.write(Tick(2), [SwitchOn(plug, 90, "heron-1", 2, renewal=False)])
        journal.commit()
    told = "plug A-charger was on when the service last ended, and the site file has it no more"
    ran = run("run", path, "--for", 0.00001)
    assert ran.exit_code == 0, ran.output
    assert " ".join(ran.output.split()).count(told) == 1
    assert "plug A-load was on" not in ran.output
    assert not fake.on
    again = run("run", path, "--for", 0.00001)
    assert told not in " ".join(again.output.split()), "once"


# ---- a site file with mistakes -----------------------------------------------------------------

MISTAKES = {
    "an unknown key of a pack": ("cells = 6", 'cells = 6\ncolour = "red"', "colour"),
    "a zone that is none": ("Europe/Lisbon", "Europe/Lisbonne", "Europe/Lisbonne"),
    "a chemistry file gone": ('"lipo"', '"gone.toml"', "gone.toml"),
    "a plug at no station": (
        'charger = {{ plug = "A-charger", power = "250 W" }}',
        "",
        "A-charger",
    ),
    "a channel of no kind": ("[mqtt]", '[channel.phone]\nkind = "smoke"\n[mqtt]', "smoke"),
    "a wrong key of the broker": ("port = 1\n", "port = 1\nspeed = 3\n", "speed"),
    "a wrong key of the other plug": ("a-charger", 'a-charger"\nlease = "1 s', "1 s"),
    "no broker": ("[mqtt]", "[feed]\n[hub]", "mqtt"),
}
"""What is put in place of what, and what is told of it. None of it keeps anybody from A-load."""


@pytest.fixture(params=MISTAKES)
def mistaken(request: pytest.FixtureRequest, tmp_path: Path, fake: FakeHttpPlug) -> Path:
    path, _ = site_at(tmp_path, fake, NOISE)
    good, bad, told = MISTAKES[request.param]
    text = path.read_text()
    good, bad = good.format(), bad.format()
    assert good in text
    path.write_text(text.replace(good, bad))
    read = read_site(path)
    assert not isinstance(read, SiteFile)
    assert any(told in one.show() for one in read)
    return path


def test_a_stop_needs_no_more_of_a_site_file_than_how_a_plug_is_reached(
    mistaken: Path, fake: FakeHttpPlug
) -> None:
    wrong, left = read_site(mistaken), read_site(mistaken, to_stop=True)
    assert not isinstance(wrong, SiteFile)
    assert isinstance(left, SiteFile)
    assert left.site.plugs["A-load"].variables == {"host": f"127.0.0.1:{fake.port}", "channel": "0"}
    assert journal_path(left) == mistaken.parent / "state" / "journal.db"
    stopped = run("stop", "--site", mistaken)
    assert stopped.exit_code == 1
    assert stopped.stdout == "A-load: read back off\n"
    for one in wrong:
        assert one.show() in stopped.stderr
    assert stopped.stderr.count("A-charger: NOT read back off: go and pull it") == 1
    assert not fake.on


def test_a_start_that_is_refused_for_it_brings_off_the_others_too(
    mistaken: Path, fake: FakeHttpPlug
) -> None:
    refused = run("run", mistaken)
    assert refused.exit_code == 2
    assert refused.stderr.splitlines()[-2:] == [
        "A-load: read back off", "A-charger: NOT read back off: go there and pull it",
    ]  # fmt: skip
    assert not fake.on


def test_a_plug_that_is_refused_is_told_nothing(tmp_path: Path, fake: FakeHttpPlug) -> None:
    """Where it is, or what it is, nobody knows."""
    path, _ = site_at(tmp_path, fake, NOISE)
    text = path.read_text().replace('channel = "0"', 'chanel = "0"').replace("port = 1\n", "")
    path.write_text(text)
    stopped = run("stop", "--site", path)
    assert stopped.exit_code == 1
    assert "A-load: NOT read back off: go and pull it" in stopped.stderr
    assert fake.asked == []


@pytest.mark.parametrize("what", ["name =", "state ="])
def test_where_its_journal_lies_must_be_said(tmp_path: Path, fake: FakeHttpPlug, what: str) -> None:
    """Another journal is another service's."""
    path, _ = site_at(tmp_path, fake, NOISE)
    named = 'name = "boat shed"\n'
    text = path.read_text().replace(named, "" if what == "name =" else f"{named}state = 3\n")
    path.write_text(text)
    assert run("stop", "--site", path).exit_code == 2
    assert fake.asked == []


@pytest.mark.parametrize("what", ["broker.password", "noise.pem"])
def test_a_stop_waits_for_no_pipe(tmp_path: Path, fake: FakeHttpPlug, what: str) -> None:
    """open(2): who reads one waits until somebody writes to it."""
    path, _ = site_at(tmp_path, fake, NOISE)
    (tmp_path / what).unlink()
    os.mkfifo(tmp_path / what, 0o600)
    stopped = run("stop", "--site", path)
    assert stopped.exit_code == 1
    assert "A-load: read back off" in stopped.stdout
    assert run("run", path).exit_code == 2
