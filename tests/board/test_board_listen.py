"""The server that listens, on real sockets: few connections, and none that only waits."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from board_kit import pages
from reading_kit import full_heron

from carerules.board import Listener, PortTaken, app_of, listen
from carerules.config import BoardDoor


@pytest.fixture
def port(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    monkeypatch.setattr(listen, "FIRST_WORD_S", 0.3)
    monkeypatch.setattr(listen, "CONNECTIONS_MAX", 8)
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        number = int(one.getsockname()[1])
    door = BoardDoor("127.0.0.1", number)
    made = pages(full_heron(tmp_path), door=door)
    listener = Listener(app_of(made), door, made.watchers)
    listener.start()
    yield number
    listener.close()


def knock(port: int) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=20)
    made.settimeout(20)
    return made


def let_go(one: socket.socket) -> bool:
    """Whether the other end has closed it; waits for that."""
    try:
        return one.recv(1) == b""
    except ConnectionError:
        return True


def ask(port: int, path: str = "/healthz") -> bytes:
    with knock(port) as one:
        one.sendall(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        return one.recv(200)


@pytest.mark.parametrize("word", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: 127"])
def test_who_says_nothing_whole_is_let_go(port: int, word: bytes) -> None:
    with knock(port) as one:
        one.sendall(word)
        assert let_go(one)
    assert ask(port).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize("path", ["/come-in", "/enter", "/stop", "/nowhere", "/api/1/entries"])
@pytest.mark.parametrize("first", [b"", b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"])
def test_who_never_sends_the_rest_is_let_go(port: int, first: bytes, path: str) -> None:
    """Sixty-four that trickle would keep the page, and its stop, from everybody."""
    here = f"127.0.0.1:{port}"
    head = (
        f"POST {path} HTTP/1.1\r\nHost: {here}\r\nOrigin: http://{here}\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ntoken="
    )
    with knock(port) as one:
        if first:
            one.sendall(first % port)
            assert one.recv(4_000).startswith(b"HTTP/1.1 200")
        one.sendall(head.encode())
        while not let_go(one):
            pass  # it may have answered before the rest came
    assert ask(port).startswith(b"HTTP/1.1 200")


def test_one_too_many_is_let_go_at_once(port: int) -> None:
    with ExitStack() as open_ones:
        for _ in range(8):
            open_ones.enter_context(knock(port))
        more = [open_ones.enter_context(knock(port)) for _ in range(40)]
        assert all(let_go(one) for one in more)
    assert ask(port).startswith(b"HTTP/1.1 200")


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
