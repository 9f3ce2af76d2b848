"""A plug that is asked over HTTP: one POST, one answer, within its time and its size.

Knows HTTP and the login by digest. Does not know what is asked.
"""

from __future__ import annotations

import io
import socket
from contextlib import suppress
from dataclasses import dataclass, field
from http.client import HTTPException, HTTPResponse
from secrets import token_hex
from typing import IO, cast

from carerules.adapters.address import Credentials
from carerules.adapters.digest import Challenge, authorization, read_challenge
from carerules.adapters.line import LATE, CallError, Left, LoginError, seconds
from carerules.adapters.payload import PAYLOAD_BYTES_MAX
from carerules.adapters.problem import quoted

METHOD = "POST"


@dataclass(slots=True)
class HttpLine:
    """Satisfies `line.Line`. A connection for each request: none is kept that could go deaf.

    No redirect is followed, and no proxy is used. `credentials` None: the plug asks for none.
    """

    host: str
    port: int
    credentials: Credentials | None = None
    _challenge: Challenge | None = None
    _count: int = 0
    _open: socket.socket | None = field(default=None, repr=False)

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        """As `Line.call`; `topic` is the path. A login is answered once, then it is refused."""
        try:
            status, challenges, body = self._post(f"/{topic}", payload, left)
            if status == 401:
                self._learn(challenges)
                status, _, body = self._post(f"/{topic}", payload, left)
        except TimeoutError:
            raise CallError(LATE) from None
        except (OSError, HTTPException, ValueError) as error:
            raise CallError(quoted(error or type(error).__name__)) from None
        if status == 401:
            self._challenge = None
            raise LoginError("it refuses the user name or the password")
        if status != 200:
            raise CallError(f"it answers with HTTP status {status}")
        return body

    def abort(self) -> None:
        """As `Line.abort`."""
        opened = self._open
        if opened is not None:
            with suppress(OSError):
                opened.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Nothing is kept between calls."""

    # ---- the login -----------------------------------------------------------------------------

    def _learn(self, challenges: list[str]) -> None:
        if self.credentials is None:
            raise LoginError("it asks for a password: name its file in `password_file`")
        self._challenge, self._count = read_challenge(challenges), 0
        if self._challenge is None:
            raise LoginError("it asks for a login other than digest with SHA-256")

    def _login(self, uri: str) -> str:
        if self._challenge is None or self.credentials is None:
            return ""
        self._count += 1
        mine = self.credentials
        said = authorization(self._challenge, mine.user, mine.password, METHOD, uri, self._count,
                             token_hex(16))  # fmt: skip
        return f"Authorization: {said}\r\n"

    # ---- one request ---------------------------------------------------------------------------

    def _post(self, uri: str, payload: str, left: Left) -> tuple[int, list[str], bytes]:
        content = payload.encode("utf-8")
        host = f"[{self.host}]" if ":" in self.host else self.host
        head = (
            f"{METHOD} {uri} HTTP/1.1\r\nHost: {host}:{self.port}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(content)}\r\n"
            f"Connection: close\r\n{self._login(uri)}\r\n"
        )
        found = socket.getaddrinfo(self.host, self.port, type=socket.SOCK_STREAM)
        family, kind, protocol, _, address = found[0]
        with socket.socket(family, kind, protocol) as opened:
            self._open = opened
            try:
                opened.settimeout(seconds(left))
                opened.connect(address)
                opened.settimeout(seconds(left))
                opened.sendall(head.encode("utf-8") + content)
                return answer(opened, left)
            finally:
                self._open = None


def answer(opened: socket.socket, left: Left) -> tuple[int, list[str], bytes]:
    """The status, the `WWW-Authenticate` headers and the body of what comes on a socket.

    Raises `CallError`, or what sockets and the HTTP library raise, for anything else.
    """
    # The library wants only a `makefile` of its socket.
    response = HTTPResponse(cast("socket.socket", TimedSource(opened, left)), method=METHOD)
    try:
        response.begin()
        told = response.length or 0
        body = b"" if told > PAYLOAD_BYTES_MAX else response.read(PAYLOAD_BYTES_MAX + 1)
        if max(told, len(body)) > PAYLOAD_BYTES_MAX:
            raise CallError(f"it answers with more than {PAYLOAD_BYTES_MAX} bytes")
        if response.length:
            raise CallError("its answer breaks off")
        return response.status, response.headers.get_all("WWW-Authenticate", []), body
    finally:
        response.close()


class TimedSource(io.RawIOBase):
    """A socket as a stream of which each read has only what is left of the call: a plug that sends
    a byte a second cannot hold it up for longer."""

    def __init__(self, opened: socket.socket, left: Left) -> None:
        self._opened, self._left = opened, left

    def makefile(self, _mode: str) -> IO[bytes]:
        """As of a socket, for the HTTP library."""
        return io.BufferedReader(self)

    def readable(self) -> bool:
        """It can be read."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """What comes next (how many bytes), with no more than what is left of the call to come."""
        self._opened.settimeout(seconds(self._left))
        return self._opened.recv_into(buffer)
