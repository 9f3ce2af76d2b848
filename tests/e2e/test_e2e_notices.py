"""Notices and real processes: a channel that hangs delays no OFF; what was not delivered before a
kill -9 is delivered after it. Common practice, no source."""

from __future__ import annotations

import socket
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from time import monotonic

from e2e_kit import SITE, Stage, eventually, side_by_side, sound
from ports_kit import free_port

OFF_WITHIN_S = 1.0 + 3.0
"""SAFETY 3: OFF leaves at most 1 s after the decision; three for a shared machine."""

CHANNEL = """
[channel.phone]
kind = "webhook"
url = "http://127.0.0.1:{port}/x"
"""


def _site(stage: Stage, port: int) -> None:
    path = stage.site()
    text = path.read_text()
    assert text.startswith(SITE[:20])
    path.write_text(f"unattended_needs_notice = false\n{text}{CHANNEL.format(port=port)}")


@side_by_side
def test_a_channel_that_hangs_delays_no_off(stage: Stage) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:  # takes the call, and says nothing
        _site(stage, silent.getsockname()[1])
        plug, _ = stage.cast()
        service = stage.service()
        silent.settimeout(60)
        held, _ = silent.accept()  # the first test hangs by now
        stage.until_on(service)
        asked = monotonic()
        stopping = stage.run("stop")
        assert stopping.process.returncode == 0, stopping.text()
        off = eventually(lambda: stage.offs(asked), "OFF on the wire")[0]
        stopped = service.awaits("everything stopped", after=asked).at
        assert off - stopped < OFF_WITHIN_S
        stage.opened(asked)
        assert service.leave() == 0, service.text()
        held.close()
    sound(service, plug)


@side_by_side
def test_what_was_not_delivered_before_a_kill_is_delivered_after_it(stage: Stage) -> None:
    heard: list[bytes] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            heard.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    port = free_port()  # nobody listens here yet
    _site(stage, port)
    rules = 'rule tell\n    when pack.soc < 90 %: notify "it is so"\n'
    (stage.folder / "shed.care").write_text(rules)
    _ = stage.eye
    service = stage.service()
    said = stage.run("record", "heron", "soc", "80")
    assert said.process.returncode == 0, said.text()
    service.awaits("it is so")
    service.kill()
    server = HTTPServer(("127.0.0.1", port), Handler)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    again = stage.service()
    eventually(lambda: any(b"it is so" in body for body in heard), "it is delivered", 90)
    again.leave()  # there is no plug to be read back: it says so with its status
    assert sum(b"it is so" in body for body in heard) == 1
    server.shutdown()
    server.server_close()
