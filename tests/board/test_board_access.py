"""Who is let in: names, origins, tokens. Pure checks, each with what a browser would send."""

from __future__ import annotations

from pathlib import Path

import pytest
from board_kit import DOOR, TOKEN

from carerules.adapters import Problem
from carerules.board import Access, access_of
from carerules.config import BoardDoor

HERE = Access(DOOR)
SHED = BoardDoor("192.168.7.9", 8455, ("shed.local:8455", "board.shed.example"))
ANY = BoardDoor("0.0.0.0", 8455)

HOSTS = [
    (DOOR, "127.0.0.1:8455", True),
    (DOOR, "localhost:8455", True),
    (DOOR, "LOCALHOST:8455", True),
    (DOOR, "[::1]:8455", True),
    (DOOR, "127.0.0.1", False),  # the port is part of who we are
    (DOOR, "127.0.0.1:8080", False),
    (DOOR, "evil.example:8455", False),  # a name that was made to point here
    (DOOR, "127.0.0.1.evil.example:8455", False),
    (DOOR, "", False),
    (DOOR, "127.0.0.1:8455, evil.example", False),
    (SHED, "192.168.7.9:8455", True),
    (SHED, "shed.local:8455", True),
    (SHED, "board.shed.example", True),
    (SHED, "other.local:8455", False),
    (SHED, "localhost:8455", False),
    (ANY, "192.168.7.9:8455", True),
    (ANY, "[fe80::1]:8455", True),
    (ANY, "shed.local:8455", False),
    (BoardDoor("127.0.0.1", 80), "localhost", True),  # the port that a browser leaves out
]


@pytest.mark.parametrize(("door", "host", "ours"), HOSTS, ids=str)
def test_only_our_own_names_are_answered(door: BoardDoor, host: str, ours: bool) -> None:
    assert Access(door).is_ours(host.lower()) is ours
    refusal = Access(door).refusal("GET", {"host": host})
    assert (refusal is None) is ours
    assert ours or (refusal is not None and refusal.status == 421)


OWN = "http://127.0.0.1:8455"
POSTS = [
    ({"origin": OWN}, None),
    ({"origin": OWN, "sec-fetch-site": "same-origin"}, None),
    ({"sec-fetch-site": "same-origin"}, None),
    ({"origin": "https://127.0.0.1:8455"}, None),  # behind a proxy that speaks TLS
    ({}, 403),
    ({"origin": "null"}, 403),
    ({"origin": "http://evil.example"}, 403),
    ({"origin": "http://127.0.0.1:8080"}, 403),
    ({"origin": "http://localhost:8455"}, 403),  # another name is another origin
    ({"origin": OWN, "sec-fetch-site": "cross-site"}, 403),
    ({"origin": OWN, "sec-fetch-site": "same-site"}, 403),
    ({"origin": OWN, "sec-fetch-site": "none"}, 403),
    ({"sec-fetch-site": "cross-site"}, 403),
]


@pytest.mark.parametrize(("said", "status"), POSTS, ids=str)
def test_a_form_from_elsewhere_is_refused(said: dict[str, str], status: int | None) -> None:
    refusal = HERE.refusal("POST", {"host": "127.0.0.1:8455", **said})
    assert (None if refusal is None else refusal.status) == status


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"])
def test_other_methods_are_refused(method: str) -> None:
    refusal = HERE.refusal(method, {"host": "127.0.0.1:8455", "origin": OWN})
    assert refusal is not None
    assert refusal.status == 405


def test_the_token_is_known_by_cookie_and_by_bearer_only() -> None:
    held = Access(SHED, TOKEN)
    assert held.knows({"authorization": f"Bearer {TOKEN}"})
    assert held.knows({"cookie": f"a=b; carerules-board={held.proof}"})
    for shown in (
        {}, {"authorization": f"Bearer {TOKEN}x"}, {"authorization": "Bearer "},
        {"cookie": f"carerules-board={TOKEN}"}, {"cookie": "carerules-board="}, {"cookie": "\x00="},
        {"authorization": held.proof},
    ):  # fmt: skip
        assert not held.knows(shown), shown
    assert TOKEN not in held.proof


def test_where_no_token_is_wanted_none_is_asked_for() -> None:
    assert HERE.knows({})


def test_tokens_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the library's own comparison, the token and the cookie alike."""
    seen: list[tuple[bytes, bytes]] = []

    def compare(one: bytes, other: bytes) -> bool:
        seen.append((one, other))
        return one == other

    monkeypatch.setattr("carerules.board.access.hmac.compare_digest", compare)
    held = Access(SHED, TOKEN)
    held.knows({"authorization": "Bearer wrong", "cookie": "carerules-board=wrong"})
    assert (b"wrong", TOKEN.encode()) in seen
    assert (b"wrong", held.proof.encode()) in seen


def test_an_address_that_others_reach_is_refused_without_a_token() -> None:
    refused = access_of(BoardDoor("192.168.7.9", 8455))
    assert isinstance(refused, Problem)
    assert "which other machines can reach, and no token" in refused.show()
    assert isinstance(access_of(ANY), Problem)
    assert isinstance(access_of(DOOR), Access)


def test_a_short_or_open_token_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "token"
    door = BoardDoor("192.168.7.9", 8455, (), file)
    file.write_text("short\n")
    file.chmod(0o600)
    short = access_of(door)
    assert isinstance(short, Problem)
    assert "a token of 5 characters" in short.show()
    file.write_text(TOKEN + "\n")
    held = access_of(door)
    assert isinstance(held, Access)
    assert held.token == TOKEN
    file.chmod(0o644)
    assert isinstance(access_of(door), Problem)
