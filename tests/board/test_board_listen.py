"""The server that listens, on real sockets: few connections, and none that only waits."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from time import monotonic

import pytest
from board_kit import pages
from ports_kit import free_port
from reading_kit import full_heron

from carerules.board import Listener, PortTaken, app_of, listen
from carerules.config import BoardDoor


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(listen, "FIRST_WORD_S", 0.3)
    monkeypatch.setattr(listen, "CONNECTIONS_MAX", 8)
    number = free_port()
    door = BoardDoor("127.0.0.1", number)
    made = pages(full_heron(tmp_path), door=door)
    listener = Listener(app_of(made), door, made.watchers)
    listener.start()
    yield number
    listener.close()


PATIENCE_S = 60.0


def knock(port: int) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
    made.settimeout(PATIENCE_S)
    return made


def let_go(one: socket.socket) -> bool:
    """Whether the other end has closed it; waits for that."""
    try:
        return one.recv(1) == b""
    except ConnectionError:
        return True


def greeted(port: int) -> socket.socket:
    """A connection on which somebody was answered; knocks again where we ourselves came so late
    with our word that it was let go."""
    end = monotonic() + PATIENCE_S
    while monotonic() < end:
        one = knock(port)
        with suppress(ConnectionError):
            one.sendall(f"GET /alive HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            if one.recv(4_000).startswith(b"HTTP/1.1 200"):
                return one
        one.close()
    raise AssertionError("nobody is answered any more")


@pytest.mark.parametrize("word", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: 127"])
def test_who_says_nothing_whole_is_let_go(port: int, word: bytes) -> None:
    with knock(port) as one:
        with suppress(ConnectionError):  # it was let go before we came to it
            one.sendall(word)
        assert let_go(one)
    greeted(port).close()


@pytest.mark.parametrize("path", ["/come-in", "/enter", "/stop", "/nowhere", "/api/1/entries"])
@pytest.mark.parametrize("first", [knock, greeted])
def test_who_never_sends_the_rest_is_let_go(
    port: int, first: Callable[[int], socket.socket], path: str
) -> None:
    """Sixty-four that trickle would keep the page, and its stop, from everybody."""
    here = f"127.0.0.1:{port}"
    head = (
        f"POST {path} HTTP/1.1\r\nHost: {here}\r\nOrigin: http://{here}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ntoken="
    )
    with first(port) as one:
        with suppress(ConnectionError):  # it was let go before we came to it
            one.sendall(head.encode())
        while not let_go(one):
            pass  # it may have answered before the rest came
    greeted(port).close()


def test_one_too_many_is_let_go_at_once(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listen, "FIRST_WORD_S", 10 * PATIENCE_S)
    with ExitStack() as open_ones:
        for _ in range(8):
            open_ones.enter_context(knock(port))
        more = [open_ones.enter_context(knock(port)) for _ in range(40)]
        assert all(let_go(one) for one in more)
    greeted(port).close()


def test_a_head_without_end_is_refused(port: int) -> None:
    with knock(port) as one:
        one.sendall(b"GET / HTTP/1.1\r\nX: ")
        try:
            for _ in range(40):
                one.sendall(b"a" * 1_000)
        except ConnectionError:
            return  # it did not wait for the end
        assert one.recv(200).startswith(b"HTTP/1.1 4") or let_go(one)


def test_a_port_that_is_taken_is_told_in_one_line(tmp_path: Path, port: int) -> None:
    (tmp_path / "other").mkdir()
    made = pages(full_heron(tmp_path / "other"))
    with pytest.raises(PortTaken, match=r"cannot listen at `127\.0\.0\.1:\d+`: address already"):
        Listener(app_of(made), BoardDoor("127.0.0.1", port), made.watchers)
