"""A start that is refused where machines share the journal: what nobody serves is brought off, and
what somebody serves is left to them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from click.testing import CliRunner, Result
from fake_http_plug import FakeHttpPlug
from postgres_kit import Server

from carerules.adapters import PostgresPlace, open_journal
from carerules.cli import main
from carerules.cli.real import brought_off
from carerules.config import SiteFile, read_site
from carerules.domain.event import Started
from carerules.domain.moment import SECOND
from carerules.domain.ports import NotOwnerError

SITE = """
name = "{place.site}"
zone = "Europe/Lisbon"
rules = ["care.care"]
[journal]
url = "{place.url}"
schema = "{place.schema}"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[station.A]
load = {{ plug = "A-load", power = "60 W" }}
[plug.A-load]
profile = "json-rpc-http"
host = "127.0.0.1:{port}"
channel = "0"
"""
BROKEN = "when pack.soc"


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeHttpPlug]:
    """A plug that was left on."""
    monkeypatch.setattr("carerules.cli.real.LEAVE_WITHIN", 3 * SECOND)
    plug = FakeHttpPlug()
    plug.on = True
    yield plug
    plug.close()


def site_at(folder: Path, place: PostgresPlace, fake: FakeHttpPlug, rules: str = BROKEN) -> Path:
    path = folder / "site.toml"
    path.write_text(SITE.format(place=place, port=fake.port))
    (folder / "care.care").write_text(rules)
    return path


def served_before(place: PostgresPlace) -> None:
    with closing(open_journal(place, owner=True)) as journal:
        journal.write(Started(1), ())
        journal.commit()


def fence(place: PostgresPlace) -> int | None:
    with psycopg.connect(place.url) as session:
        query = f'SELECT fence FROM "{place.schema}".ownership'
        row = session.execute(query.encode()).fetchone()
    return None if row is None else int(row[0])


def run(path: Path) -> Result:
    return CliRunner().invoke(main, ["run", str(path)])


@pytest.mark.parametrize("wrong", ["the rules", "the site file"])
def test_what_nobody_serves_is_brought_off(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug, wrong: str
) -> None:
    place = postgres.place()
    served_before(place)
    path = site_at(tmp_path, place, fake, BROKEN if wrong == "the rules" else "")
    if wrong == "the site file":
        path.write_text(path.read_text().replace("Lisbon", "Lisbonne"))
    refused = run(path)
    assert refused.exit_code == 2
    assert refused.stderr.splitlines()[-1] == "A-load: read back off"
    assert not fake.on
    assert fence(place) == 2, "under a number of its own: whoever was the owner is so no more"


def test_what_somebody_serves_is_left_to_them(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug
) -> None:
    place = postgres.place()
    served_before(place)
    path = site_at(tmp_path, place, fake)
    with closing(open_journal(place, owner=True)) as journal:
        refused = run(path)
        journal.commit()  # still the owner's
    assert refused.exit_code == 2
    assert "read back" not in refused.stderr
    assert fake.asked == []
    assert fake.on


def test_what_was_never_served_is_let_be(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug
) -> None:
    place = postgres.place()
    path = site_at(tmp_path, place, fake)
    assert run(path).exit_code == 2
    assert fake.asked == []
    with psycopg.connect(place.url) as session:
        made = session.execute("SELECT to_regnamespace(%s)", (place.schema,)).fetchone()
    assert made == (None,), "a refused start makes nothing"
    with closing(open_journal(place, owner=True)):
        pass  # a journal that was made, as by `doctor --prove`, and no start
    assert run(path).exit_code == 2
    assert fake.asked == []


def test_where_nobody_can_say_whose_it_is_nothing_is_switched(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug
) -> None:
    place = postgres.place()
    gone = replace(place, url=place.url.replace(f":{postgres.port}/", ":1/"))
    refused = run(site_at(tmp_path, gone, fake))
    assert refused.exit_code == 2
    first, fault, told = refused.stderr.splitlines()[-3:]
    assert "the rules have errors; nothing was started" in first
    assert "cannot be reached" in fault
    assert told == "whose site it is cannot be seen: no plug was switched"
    assert fake.asked == []
    told_again = run(site_at(tmp_path, gone, fake, "")).stderr.splitlines()
    assert [told in line for line in told_again] == [False, True], "as where its rules hold"


def test_one_that_ends_with_the_journal_in_hand_brings_off(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug
) -> None:
    """Here: a folder for its state that cannot be made."""
    place = postgres.place()
    served_before(place)
    path = site_at(tmp_path, place, fake, "")
    (tmp_path / "state").write_text("no folder")
    refused = run(path)
    assert refused.exit_code == 1
    assert refused.stderr.splitlines()[-1] == "A-load: read back off"
    assert not fake.on


def test_one_that_has_been_followed_says_nothing(
    tmp_path: Path, postgres: Server, fake: FakeHttpPlug
) -> None:
    place = postgres.place()
    site = read_site(site_at(tmp_path, place, fake))
    assert isinstance(site, SiteFile)
    with closing(open_journal(place, owner=True)) as journal:
        with psycopg.connect(place.url) as session:
            session.execute(f'UPDATE "{place.schema}".ownership SET fence = 7'.encode())
        with pytest.raises(NotOwnerError):
            journal.commit()
        assert brought_off(site, journal) == []
    assert fake.asked == []
