"""A plug asked by JSON-RPC over HTTP, with a login by digest: relay, meter and a running timer.

Written from RFC 7616 and that family's public documentation, apart from the code that it tests. Run
by itself it is a process of its own: `fake_http_plug.py PORT PASSWORD_FILE TRUTH_FILE`, where each
change of the relay and each command is a line of TRUTH_FILE. `faults` has it misbehave.
"""

from __future__ import annotations

import json
import re
import sys
import threading
from collections.abc import Callable
from hashlib import sha256
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from time import monotonic, sleep, time
from typing import Any

REALM = "plug-1"


def hashed(text: str) -> str:
    return sha256(text.encode()).hexdigest()


class Server(ThreadingHTTPServer):
    """One that is not surprised when whoever asked is gone: that is what some tests do to it."""

    def handle_error(self, request: Any, client_address: Any) -> None:
        if not isinstance(sys.exc_info()[1], ConnectionError):
            super().handle_error(request, client_address)


class FakeHttpPlug:
    """`asked` has each request's method; `on` and `timer_until` are the truth."""

    def __init__(self, password: str | None = None, port: int = 0, watts: float = 58.0) -> None:
        self.password, self.watts = password, watts
        self.on = False
        self.timer_until: float | None = None
        self.timer_s = 0.0
        self.asked: list[dict[str, Any]] = []
        self.headers: list[str] = []
        self.nonces: list[str] = []
        self.counts: dict[str, int] = {}
        self.answers_a_nonce = 1_000
        self.faults: dict[str, Any] = {}
        self.changed: Callable[[bool], None] = lambda _: None
        self.told: Callable[[dict[str, Any]], None] = lambda _: None
        self._lock = threading.Lock()
        plug = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                plug.serve(self)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = Server(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_port
        self._ticking = threading.Event()
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()
        threading.Thread(target=self._tick, daemon=True).start()

    def close(self) -> None:
        self._ticking.set()
        self._server.shutdown()
        self._server.server_close()

    def commands(self) -> list[dict[str, Any]]:
        return [a["params"] for a in self.asked if a["method"] == "Switch.Set"]

    # ---- HTTP ----------------------------------------------------------------------------------

    def serve(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers["Content-Length"]))
        said = request.headers.get("Authorization")
        if self.password is not None and not self._let_in(said, request.path):
            self._challenge(request, said)
            return
        asked = json.loads(body)
        self.asked.append(asked)
        if "silent" in self.faults:
            sleep(self.faults["silent"])
        if "held" in self.faults:
            self.faults["held"].wait()
        answer = json.dumps(self._answer(asked)).encode()
        answer = self.faults.get("body", answer)
        request.send_response(self.faults.get("status", 200))
        request.send_header("Content-Length", str(self.faults.get("length", len(answer))))
        request.send_header("Connection", "close")
        request.end_headers()
        if "drip" in self.faults:
            for byte in answer:
                request.wfile.write(bytes([byte]))
                request.wfile.flush()
                sleep(self.faults["drip"])
        else:
            request.wfile.write(answer[: self.faults.get("cut", len(answer))])
        request.close_connection = True

    def _challenge(self, request: BaseHTTPRequestHandler, said: str | None) -> None:
        nonce = hashed(str(monotonic()))[:16]
        self.nonces.append(nonce)
        stale = ", stale=true" if said and "nonce" in said else ""
        way = self.faults.get("algorithm", "SHA-256")
        told = f'Digest qop="auth", realm="{REALM}", nonce="{nonce}", algorithm={way}{stale}'
        request.send_response(401)
        request.send_header("WWW-Authenticate", self.faults.get("challenge", told))
        request.send_header("Content-Length", "0")
        request.send_header("Connection", "close")
        request.end_headers()
        request.close_connection = True

    def _let_in(self, said: str | None, path: str) -> bool:
        """RFC 7616, section 3.4; each count of a nonce is taken once, and a nonce not for ever."""
        if said is None:
            return False
        self.headers.append(said)
        parts = {k: a or b for k, a, b in re.findall(r'(\w+)=(?:"([^"]*)"|([^",\s]+))', said)}
        nonce, count = parts["nonce"], int(parts["nc"], 16)
        if nonce not in self.nonces or self.counts.get(nonce, 0) >= count:
            return False
        if count > self.answers_a_nonce:
            return False
        ours = hashed(f"{parts['username']}:{REALM}:{self.password}")
        wanted = hashed(
            f"{ours}:{nonce}:{parts['nc']}:{parts['cnonce']}:auth:{hashed(f'POST:{path}')}"
        )
        if parts["username"] != "admin" or parts["response"] != wanted or parts["uri"] != path:
            return False
        self.counts[nonce] = count
        return True

    # ---- the relay -----------------------------------------------------------------------------

    def _answer(self, asked: dict[str, Any]) -> dict[str, Any]:
        given = asked.get("params", {})
        with self._lock:
            was = self.on
            if asked["method"] == "Switch.Set":
                if "refuses" in self.faults:
                    error = {"code": -103, "message": "Invalid argument"}
                    return {"id": asked["id"], "src": "plug-1", "error": error}
                self.told(given)
                self._set(given["on"], given.get("toggle_after"))
                return {"id": asked["id"], "src": "plug-1", "result": {"was_on": was}}
            if asked["method"] == "Switch.GetConfig":
                state = self.faults.get("initial_state", "off")
                return {"id": asked["id"], "src": "plug-1", "result": {"initial_state": state}}
            return {"id": asked["id"], "src": "plug-1", "result": self._status()}

    def _status(self) -> dict[str, Any]:
        status = {"id": 0, "source": "HTTP_in", "output": self.on,
                  "apower": self.watts if self.on else 0.0, "voltage": 231.2,
                  "aenergy": {"total": 12.3}, "temperature": {"tC": 41.2}}  # fmt: skip
        if self.timer_until is not None:
            status |= {"timer_started_at": time(), "timer_duration": self.timer_s}
        return status

    def _set(self, on: bool, toggle_after: float | None) -> None:
        changed, self.on = self.on != on, on
        self.timer_s = toggle_after or 0.0
        self.timer_until = None if toggle_after is None else monotonic() + toggle_after
        if changed:
            self.changed(on)

    def _tick(self) -> None:
        while not self._ticking.wait(0.05):
            with self._lock:
                if self.timer_until is not None and monotonic() >= self.timer_until:
                    self._set(not self.on, None)


def main() -> None:
    port, password_file, truth = int(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3])
    plug = FakeHttpPlug(password_file.read_text().strip(), port, watts=20.0)

    def note(what: dict[str, Any]) -> None:
        with truth.open("a") as file:
            file.write(json.dumps(what) + "\n")

    plug.changed = lambda on: note({"closed": on})
    plug.told = note
    print(f"on the line: {plug.port}", flush=True)
    while True:
        sleep(3_600)


if __name__ == "__main__":
    main()
