"""Servers of the tests' own for HTTP and SMTP, which take letters, refuse or hang."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from carerules.config import SiteFile, read_site

PATIENCE_S = 60.0

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
"""


def eventually(true: Callable[[], Any], what: str) -> Any:
    end = monotonic() + PATIENCE_S
    while not (found := true()):
        assert monotonic() < end, f"it did not come to: {what}"
        sleep(0.01)
    return found


def secret(folder: Path, name: str, text: str, mode: int = 0o600) -> Path:
    file = folder / name
    file.write_text(text)
    file.chmod(mode)
    return file


def site_with(folder: Path, lines: str) -> SiteFile:
    path = folder / "site.toml"
    path.write_text(SITE + lines)
    site = read_site(path)
    assert isinstance(site, SiteFile), [one.show() for one in site]
    return site


@dataclass
class Web:
    """What was posted: path, headers, body."""

    port: int
    heard: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    status: int = 200


@contextmanager
def web_server() -> Iterator[Web]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            web.heard.append((self.path, dict(self.headers), body))
            self.send_response(web.status)
            if web.status == 302:
                self.send_header("Location", f"http://127.0.0.1:{web.port}/elsewhere")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    web = Web(server.server_address[1])
    thread = threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    try:
        yield web
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@dataclass
class Post:
    """An SMTP server's mailbag, and every line that it was told."""

    port: int
    letters: list[str] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    refuses: str = ""


@contextmanager
def mail_server() -> Iterator[Post]:
    """RFC 5321 as far as one letter goes, without TLS."""
    listener = socket.create_server(("127.0.0.1", 0))
    post = Post(listener.getsockname()[1])

    def serve() -> None:
        while True:
            try:
                line, _ = listener.accept()
            except OSError:
                return
            with line, line.makefile("rwb") as talk:
                _exchange(post, talk)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield post
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(5)


def _exchange(post: Post, talk: Any) -> None:
    def say(text: str) -> None:
        talk.write(text.encode() + b"\r\n")
        talk.flush()

    say("220 post")
    while raw := talk.readline():
        line = raw.decode().rstrip("\r\n")
        post.lines.append(line)
        verb = line.partition(" ")[0].upper()
        if verb == "QUIT":
            say("221 bye")
            return
        if verb == "EHLO":
            say("250-post\r\n250 AUTH PLAIN")
        elif verb == "AUTH" and post.refuses:
            say(f"535 {post.refuses} {line}")  # a server that repeats what it was told
        elif verb == "AUTH":
            say("235 in")
        elif verb == "DATA":
            say("354 go on")
            body = b""
            while (part := talk.readline()) != b".\r\n":
                body += part
            post.letters.append(body.decode())
            say("250 taken")
        else:
            say("250 ok")


@contextmanager
def silent_server() -> Iterator[int]:
    """Takes the call and says nothing, for ever."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]
