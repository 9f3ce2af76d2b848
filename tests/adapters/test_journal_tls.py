"""The journal's server over TLS: `sslmode=verify-full` keeps to one authority and one host.

The facts held here against: PostgreSQL 15's documentation, 34.19 (libpq: verify-full, sslrootcert),
20.1 (`hostssl`, `clientcert=verify-full`), 19.9 (server's key: 0600, its own).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from postgres_kit import Server, served
from tls_kit import Authority, Signed

from carerules.adapters import PostgresPlace
from carerules.adapters.postgres import PostgresJournal
from carerules.domain.event import Tick
from carerules.domain.ports import JournalError


class Pki:
    def __init__(self, folder: Path) -> None:
        self.ours, self.theirs = Authority(folder, "ours"), Authority(folder, "theirs")
        self.server = self.ours.sign("server", "127.0.0.1")
        self.elsewhere = self.ours.sign("elsewhere", "db.elsewhere.example")
        self.old = self.ours.sign("old", "127.0.0.1", expired=True)


@pytest.fixture(scope="module")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki"))


def show(server: Server, signed: Signed) -> None:
    """Have the server show a certificate from now on; files of its own account."""
    for source, name in ((signed.certificate, "server.crt"), (signed.key, "server.key")):
        there = server.data / name
        shutil.copy(source, there)
        there.chmod(0o600)
        if os.geteuid() == 0:
            owner = server.data.stat()
            os.chown(there, owner.st_uid, owner.st_gid)


@pytest.fixture(scope="module")
def guarded(pki: Pki) -> Iterator[Server]:
    with served() as server:
        server.stop()
        show(server, pki.server)
        hba = server.data / "pg_hba.conf"
        hba.write_text("hostssl all all 127.0.0.1/32 scram-sha-256\n")
        server.settings = ("-c", "ssl=on")
        server.start()
        yield server


@pytest.fixture
def place(guarded: Server) -> PostgresPlace:
    return guarded.place()


def over(place: PostgresPlace, authority: Authority, mode: str = "verify-full") -> PostgresPlace:
    return replace(place, url=f"{place.url}?sslmode={mode}&sslrootcert={authority.file}")


def restarted(server: Server, signed: Signed) -> None:
    server.stop()
    show(server, signed)
    server.start()


def test_the_right_server_is_written_to(place: PostgresPlace, pki: Pki) -> None:
    with closing(PostgresJournal.open(over(place, pki.ours), owner=True)) as journal:
        journal.write(Tick(1_000), [])
        journal.commit()
        assert journal.last_seq == 1


def refused(place: PostgresPlace) -> str:
    with pytest.raises(JournalError) as told:
        PostgresJournal.open(place, owner=True)
    assert "\n" not in str(told.value)
    return str(told.value)


def test_a_server_that_another_authority_signed_is_refused(place: PostgresPlace, pki: Pki) -> None:
    assert "certificate verify failed" in refused(over(place, pki.theirs))


def test_a_server_is_not_written_to_in_clear_that_wants_tls(place: PostgresPlace) -> None:
    assert "pg_hba.conf" in refused(replace(place, url=f"{place.url}?sslmode=disable"))


def test_a_server_of_another_name_or_that_has_expired_is_refused(
    guarded: Server, place: PostgresPlace, pki: Pki
) -> None:
    try:
        restarted(guarded, pki.elsewhere)
        assert "does not match host name" in refused(over(place, pki.ours))
        restarted(guarded, pki.old)
        assert "certificate verify failed" in refused(over(place, pki.ours))
    finally:
        restarted(guarded, pki.server)
    with closing(PostgresJournal.open(over(place, pki.ours), owner=True)):
        pass
