"""Whatever a path names may be no file: nobody waits for a pipe, reads a device to its end, or
takes in a file without end. A start is refused, and a stop reaches the plugs all the same.

That who reads a pipe waits for who writes: open(2), fifo(7).
"""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

import pytest
from click.testing import CliRunner, Result
from cryptography.hazmat.primitives import serialization
from fake_http_plug import FakeHttpPlug
from tls_kit import Authority, Signed

from carerules.adapters import open_journal
from carerules.adapters.calendaraddress import CalendarAddress
from carerules.adapters.calendarline import Unreached, fetch
from carerules.adapters.trust import server_trust
from carerules.bounded import read_bounded
from carerules.cli import main
from carerules.cli.sites import journal_path
from carerules.config import SiteFile, read_site
from carerules.domain.event import Started
from carerules.domain.moment import SECOND

WAITS_S = 90  # for a test that would hang: long enough for a start on a busy machine
HUGE_BYTES = 8 << 30

SITE = """
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["care.care"]
[pack.heron]
chemistry = "own.toml"
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
profile = "own-plug"
topic = "shed/a-charger"
[feed.bench]
profile = "own-feed"
topic = "shed/heron"
pack = "heron"
[mqtt]
port = 1
tls = true
ca_file = "ca.pem"
cert_file = "shed.pem"
key_file = "shed.key"
user = "shed"
password_file = "broker.password"
[channel.letter]
kind = "mail"
host = "127.0.0.1"
user = "shed"
password_file = "mail.password"
ca_file = "mail.pem"
sender = "shed@example.org"
to = ["crew@example.org"]
[calendar.season]
file = "season.ics"
[calendar.season.event.survey]
packs = ["heron"]
"""


@pytest.fixture(autouse=True)
def bounds() -> Iterator[None]:
    """What hangs is told, and what takes in a file without end has no room for it."""

    def late(_number: int, _frame: FrameType | None) -> None:
        raise AssertionError(f"nothing came of it within {WAITS_S} s")

    before = signal.signal(signal.SIGALRM, late)
    room = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, room[1]))
    signal.alarm(WAITS_S)
    yield
    signal.alarm(0)
    resource.setrlimit(resource.RLIMIT_AS, room)
    signal.signal(signal.SIGALRM, before)


def pipe(path: Path) -> None:
    os.mkfifo(path, 0o600)


def folder(path: Path) -> None:
    path.mkdir()


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(HUGE_BYTES)
    path.chmod(0o600)


NO_FILES = [pipe, folder, device, huge]


@pytest.mark.parametrize("make", [pipe, folder, device])
def test_only_a_file_is_read(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "it")
    with pytest.raises(OSError, match=r"a pipe or a device|directory"):
        read_bounded(tmp_path / "it", 10)


def test_one_byte_more_is_read_to_see_that_there_is_more(tmp_path: Path) -> None:
    file = tmp_path / "it"
    for length, seen in ((0, 0), (9, 9), (10, 10), (11, 11), (1_000, 11)):
        file.write_bytes(b"x" * length)
        assert len(read_bounded(file, 10)) == seen
    huge(file)
    assert len(read_bounded(file, 10)) == 11
    with pytest.raises(FileNotFoundError):
        read_bounded(tmp_path / "none", 10)
    with pytest.raises(ValueError, match="null"):
        read_bounded(Path("\0"), 10)


# ---- a key with a passphrase -------------------------------------------------------------------


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeHttpPlug]:
    """A plug that was left on; there is time to read it back off on a busy machine."""
    monkeypatch.setattr("carerules.cli.real.LEAVE_WITHIN", 20 * SECOND)
    monkeypatch.setattr("carerules.service.stopping.WITHIN_S", 20)
    plug = FakeHttpPlug()
    plug.on = True
    yield plug
    plug.close()


@pytest.fixture
def site(tmp_path: Path, fake: FakeHttpPlug) -> Path:
    """A site that holds, and was served before."""
    path, shipped = tmp_path / "site.toml", Path(__file__).resolve().parents[2]
    path.write_text(SITE.format(port=fake.port))
    (tmp_path / "care.care").write_text("")
    lipo = (shipped / "carerules" / "battery" / "chemistries" / "lipo.toml").read_text()
    (tmp_path / "own.toml").write_text(lipo.replace('"lipo"', '"own"'))
    for kind in ("plugs", "feeds"):
        own = f"own-{kind.removesuffix('s')}"
        text = (shipped / "integrations" / kind / "generic-json.toml").read_text()
        (tmp_path / "integrations" / kind).mkdir(parents=True)
        (tmp_path / "integrations" / kind / f"{own}.toml").write_text(
            text.replace('"generic-json"', f'"{own}"')
        )
    signed = Authority(tmp_path, "ca").sign("shed", "127.0.0.1", client=True)
    assert signed == Signed(tmp_path / "shed.pem", tmp_path / "shed.key")
    (tmp_path / "mail.pem").write_bytes((tmp_path / "ca.pem").read_bytes())
    (tmp_path / "season.ics").write_text("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n")
    for name in ("broker.password", "mail.password"):
        (tmp_path / name).touch(0o600)
        (tmp_path / name).write_text("kingfisher\n")
    read = read_site(path)
    assert isinstance(read, SiteFile), [one.show() for one in read]
    journal = open_journal(journal_path(read), owner=True)
    journal.write(Started(1), ())
    journal.commit()
    journal.close()
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [*map(str, words)])


def test_a_key_with_a_passphrase_is_asked_nobody(site: Path, fake: FakeHttpPlug) -> None:
    """A library asks for it at the terminal, and a stop would wait there for somebody who knows."""
    key = site.parent / "shed.key"
    plain = serialization.load_pem_private_key(key.read_bytes(), None)
    key.write_bytes(plain.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"kingfisher"),
    ))  # fmt: skip
    told = "found a key with a passphrase in `shed.key`, wanted one that opens without"
    stopped = run("stop", "--site", site)
    assert stopped.exit_code == 1
    assert "A-load: read back off" in stopped.stdout
    assert told in stopped.stderr
    assert not fake.on
    fake.on = True
    refused = run("run", site)
    assert refused.exit_code == 2
    assert told in refused.stderr.splitlines()[0]
    assert refused.stderr.splitlines()[-2] == "A-load: read back off"
    assert run("check", site).exit_code == 2
    assert not fake.on


# ---- what a site file names --------------------------------------------------------------------

DOORS = {
    "site.toml": "site.toml",
    "care.care": "care.care",
    "own.toml": "own.toml",
    "integrations/plugs/own-plug.toml": "A-charger.profile",
    "integrations/feeds/own-feed.toml": "bench.profile",
    "ca.pem": "ca.pem",
    "shed.pem": "shed.pem",
    "shed.key": "shed.key",
    "broker.password": "broker.password",
    "mail.password": "mail.password",
}
"""What is read at a start, and the word for it in what is told."""
OF_THE_BROKER = ("ca.pem", "shed.pem", "shed.key", "broker.password")


@pytest.mark.parametrize("make", NO_FILES)
@pytest.mark.parametrize("door", DOORS)
def test_no_start_and_no_stop_waits_for_it(
    site: Path, fake: FakeHttpPlug, door: str, make: Callable[[Path], None]
) -> None:
    path = site.parent / door
    path.unlink()
    make(path)
    if door not in OF_THE_BROKER:
        (site.parent / "broker.password").chmod(0o644)  # nobody waits for a broker then
    refused = run("run", site)
    assert refused.exit_code == 2, refused.output
    assert DOORS[door] in refused.stderr
    assert max(map(len, refused.stderr.splitlines())) < 400
    assert run("check", site).exit_code == 2
    stopped = run("stop", "--site", site)
    if door == "site.toml":
        assert stopped.exit_code == 2  # it says where the plugs are
        return
    assert "A-load: read back off" in stopped.stdout, stopped.output
    assert not fake.on


@pytest.mark.parametrize("make", NO_FILES)
@pytest.mark.parametrize("door", ["journal.db", "journal.db.lock", "journal.db-wal", "hub.json"])
def test_nor_for_what_lies_beside_the_journal(
    site: Path, fake: FakeHttpPlug, door: str, make: Callable[[Path], None]
) -> None:
    path = site.parent / "state" / door
    path.unlink(missing_ok=True)
    make(path)
    # Else a start may hold, and go on; and nobody waits for a broker that is refused.
    (site.parent / "broker.password").chmod(0o644)
    refused = run("run", site)
    assert refused.exit_code == 2, refused.output
    stopped = run("stop", "--site", site)
    assert "A-load: read back off" in stopped.stdout, stopped.output
    assert not fake.on


@pytest.mark.parametrize("make", NO_FILES)
def test_nor_does_who_looks_at_a_calendar_or_writes_a_letter(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    make(tmp_path / "it")
    assert isinstance(fetch(CalendarAddress(file=tmp_path / "it")), Unreached)
    with pytest.raises(OSError, match=r"pipe|directory|longer"):
        server_trust(tmp_path / "it")
