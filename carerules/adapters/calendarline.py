"""A calendar fetched: from a file, or over HTTP, where only what is newer than our copy travels.

Knows files, HTTP, TLS and a login. Does not know what stands in a calendar. No proxy is used, no
redirect to another machine is followed, and no error repeats a secret, or a URL that is one.
"""

from __future__ import annotations

import socket
import ssl
from base64 import b64encode
from collections.abc import Callable
from http.client import HTTPException, HTTPResponse
from pathlib import Path
from time import monotonic
from typing import TypeAlias, cast
from urllib.parse import SplitResult, urljoin, urlsplit

from carerules.adapters.address import read_password
from carerules.adapters.calendaraddress import NO_TAGS, CalendarAddress, Tags, is_clean, url_fault
from carerules.adapters.httpline import TimedSource
from carerules.adapters.line import CallError, Left, seconds
from carerules.adapters.problem import Problem
from carerules.adapters.trust import server_trust
from carerules.bounded import read_bounded
from carerules.calendar import CALENDAR_BYTES_MAX
from carerules.domain.frozen import guarded

FETCH_S_MAX = 60.0
"""For all of it, redirects too: 2 MiB over a slow mobile link."""
REDIRECTS_MAX = 3
TAG_CHARS_MAX = 200
"""Of what a server calls a version of its calendar."""


@guarded
class Fetched:
    """The bytes of a calendar, at most 2 MiB, and what its server calls this version."""

    data: bytes
    tags: Tags = NO_TAGS


@guarded
class Unchanged:
    """The server has nothing newer than what we named."""


@guarded
class Unreached:
    """There is nothing to be had: why, in one line."""

    why: str


Answer: TypeAlias = Fetched | Unchanged | Unreached


class _FetchError(Exception):
    """It cannot be had; the text says why."""


def fetch(
    address: CalendarAddress, known: Tags = NO_TAGS, clock: Callable[[], float] = monotonic
) -> Answer:  # fmt: skip
    """The calendar as it is now; blocks for a minute at most."""
    try:
        if address.file is not None:
            return _read(address.file)
        ends = clock() + FETCH_S_MAX
        return _ask(address, known, lambda: ends - clock())
    except (_FetchError, CallError) as error:
        return Unreached(str(error))
    except TimeoutError:
        return Unreached("no answer in time")
    except ssl.SSLError as error:
        return Unreached(f"TLS fails: {(error.reason or 'unknown').replace('_', ' ').lower()}")
    except OSError as error:
        return Unreached((error.strerror or type(error).__name__).lower())
    except (HTTPException, ValueError):
        return Unreached("what it answers is no HTTP")


def _read(file: Path) -> Fetched:
    data = read_bounded(file, CALENDAR_BYTES_MAX)
    if len(data) > CALENDAR_BYTES_MAX:
        raise _FetchError(f"found more than {CALENDAR_BYTES_MAX >> 20} MiB")
    return Fetched(data)


# ---- over HTTP -------------------------------------------------------------------------------


def _ask(address: CalendarAddress, known: Tags, left: Left) -> Answer:
    url = address.url or _secret(address.url_file)
    password = _secret(address.password_file) if address.password_file is not None else None
    fault = url_fault(url, plain=address.plain, with_password=password is not None)
    if fault:
        raise _FetchError(f"its address is {fault}")
    first = urlsplit(url)
    for _ in range(REDIRECTS_MAX + 1):
        parts = urlsplit(url)
        status, headers, body = _get(parts, _head(parts, address.user, password, known), address,
                                     left)  # fmt: skip
        if status not in (301, 302, 303, 307, 308):
            return _answer(status, headers, body)
        # What it is sent on to must be the same door: else the login, or a secret URL's words,
        # would go to another.
        url = urljoin(url, headers.get("location", ""))
        if not is_clean(url) or _door(urlsplit(url)) != _door(first):
            raise _FetchError("it sends us on to another machine, which is not followed")
    raise _FetchError(f"it sends us on more than {REDIRECTS_MAX} times")


def _secret(file: Path | None) -> str:
    assert file is not None, "config has seen to it that there is one of them"
    read = read_password(file)
    if isinstance(read, Problem):
        raise _FetchError(read.show())
    return read


def _door(parts: SplitResult) -> tuple[str, str | None, int]:
    return parts.scheme, parts.hostname, _port(parts)


def _port(parts: SplitResult) -> int:
    return parts.port or (443 if parts.scheme == "https" else 80)


def _head(parts: SplitResult, user: str | None, password: str | None, known: Tags) -> bytes:
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    lines = [
        f"GET {path} HTTP/1.1",
        f"Host: {parts.netloc}",
        "User-Agent: carerules",
        "Accept: text/calendar, */*;q=0.1",
        "Accept-Encoding: identity",
        "Connection: close",
    ]
    if user is not None and password is not None:
        login = b64encode(f"{user}:{password}".encode()).decode()  # RFC 7617
        lines.append(f"Authorization: Basic {login}")
    if known.etag:
        lines.append(f"If-None-Match: {known.etag}")
    if known.modified:
        lines.append(f"If-Modified-Since: {known.modified}")
    return "\r\n".join([*lines, "", ""]).encode("ascii")


def _get(
    parts: SplitResult, head: bytes, address: CalendarAddress, left: Left
) -> tuple[int, dict[str, str], bytes]:
    host = parts.hostname or ""
    family, kind, protocol, _, place = socket.getaddrinfo(
        host, _port(parts), type=socket.SOCK_STREAM
    )[0]
    with socket.socket(family, kind, protocol) as plain:
        plain.settimeout(seconds(left))
        plain.connect(place)
        opened = plain
        if parts.scheme == "https":
            context = server_trust(address.ca_file)
            opened = context.wrap_socket(plain, server_hostname=host)
        opened.settimeout(seconds(left))
        opened.sendall(head)
        return _heard(opened, left)


def _heard(opened: socket.socket, left: Left) -> tuple[int, dict[str, str], bytes]:
    """Status, headers in small letters, and body of what comes: each read has only what is left."""
    response = HTTPResponse(cast("socket.socket", TimedSource(opened, left)), method="GET")
    try:
        response.begin()
        told = response.length or 0
        body = b"" if told > CALENDAR_BYTES_MAX else response.read(CALENDAR_BYTES_MAX + 1)
        if max(told, len(body)) > CALENDAR_BYTES_MAX:
            raise _FetchError(f"found more than {CALENDAR_BYTES_MAX >> 20} MiB")
        if response.length:
            raise _FetchError("its answer breaks off")
        return response.status, {k.lower(): v for k, v in response.getheaders()}, body
    finally:
        response.close()


def _answer(status: int, headers: dict[str, str], body: bytes) -> Answer:
    if status == 304:
        return Unchanged()
    if status in (401, 403):
        raise _FetchError(f"it does not let us in (HTTP status {status})")
    if status != 200:
        raise _FetchError(f"it answers with HTTP status {status}")
    if headers.get("content-encoding", "identity").lower() != "identity":
        raise _FetchError("it answers in an encoding that we did not ask for")
    tags = Tags(_tag(headers.get("etag", "")), _tag(headers.get("last-modified", "")))
    return Fetched(body, tags)


def _tag(text: str) -> str:
    """A tag as we say it again: one clean line, or nothing."""
    return text if len(text) <= TAG_CHARS_MAX and text.isascii() and text.isprintable() else ""
