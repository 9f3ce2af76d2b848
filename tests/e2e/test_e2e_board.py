"""The board's stop on real wires: the service is frozen, the plug is switched off all the same."""

from __future__ import annotations

import os
import signal
import socket
import urllib.request
from time import monotonic

from e2e_kit import Stage, side_by_side, sound
from e2e_process import eventually
from ports_kit import free_port

AWAY = "90 %"
"""So far away that the drain is not over before a busy machine comes to the stop."""


def ask(port: int, path: str, data: bytes | None = None) -> str:
    origin = f"http://127.0.0.1:{port}"
    headers = {"Origin": origin} if data is not None else {}
    request = urllib.request.Request(origin + path, data=data, headers=headers)
    with urllib.request.urlopen(request, timeout=30) as answer:
        return str(answer.read().decode())


def answers(port: int) -> bool:
    try:
        return "Stop everything" in ask(port, "/")
    except OSError:
        return False


@side_by_side
def test_the_boards_stop_passes_a_frozen_service_by(stage: Stage) -> None:
    port = free_port()
    stage.site(target=AWAY)
    stage.cast()
    service = stage.service()
    stage.until_on(service)
    board = stage.start("board", "site.toml", "--listen", f"127.0.0.1:{port}", name="board")
    eventually(lambda: answers(port), "the board answers")
    os.kill(service.pid, signal.SIGSTOP)
    try:
        pressed = monotonic()
        ask(port, "/stop", b"")
        opened = stage.opened(pressed)
        stage.measured.append(f"the board's stop to the contact open: {opened - pressed:.2f} s")
        eventually(lambda: "A-load: read back off" in ask(port, "/"), "it says so")
    finally:
        os.kill(service.pid, signal.SIGCONT)
    service.awaits("everything stopped (the board)")
    assert service.leave(signal.SIGINT) == 0, service.text()
    assert board.leave(signal.SIGINT) == 0, board.text()
    sound(service, board)


@side_by_side
def test_the_board_beside_a_service_stops_a_real_plug(stage: Stage) -> None:
    port = free_port()
    stage.site(target=AWAY)
    stage.cast()
    service = stage.service("site.toml", "--board", f"127.0.0.1:{port}")
    stage.until_on(service)
    eventually(lambda: answers(port), "the board answers")
    eventually(lambda: "drains" in ask(port, "/"), "it says so")
    pressed = monotonic()
    ask(port, "/stop", b"")
    opened = stage.opened(pressed)
    stage.measured.append(f"a stop on the service's own board: {opened - pressed:.2f} s")
    service.awaits("everything stopped (the board)")
    page = eventually(lambda: (p := ask(port, "/")) and "read back off" in p and p, "it is told")
    assert "everything is stopped (the board)" in page
    assert service.leave(signal.SIGINT) == 0, service.text()
    sound(service)


@side_by_side
def test_a_board_that_others_could_reach_is_not_opened_without_a_token(stage: Stage) -> None:
    stage.site()
    refused = stage.run("run", "site.toml", "--board", "0.0.0.0:8455")
    assert refused.process.returncode == 2
    assert "which other machines can reach, and no token" in refused.flat()
    alone = stage.run("board", "site.toml", "--listen", "0.0.0.0:8455")
    assert alone.process.returncode == 2
    sound(refused, alone)


@side_by_side
def test_a_port_that_is_taken_keeps_no_service_from_running(stage: Stage) -> None:
    stage.site()
    stage.cast()
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        service = stage.service("site.toml", "--board", f"127.0.0.1:{port}")
        service.awaits("NO BOARD: cannot listen at")
        service.awaits("started")
        assert service.leave(signal.SIGINT) == 0, service.text()
    sound(service)
