"""Where notices go when they leave the house: addresses, and what each is given.

Knows what an address needs. Does not know how a notice travels (`senders` does), or when.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal, TypeAlias
from urllib.parse import urlsplit

from carerules.adapters.address import MqttAddress
from carerules.domain.frozen import guarded

SUBJECT_CHARS_MAX = 120
LOOPBACK = ("127.0.0.1", "::1", "localhost")


class SendError(Exception):
    """It did not arrive, and why; names no secret."""


@guarded
class Posted:
    """What a channel is given: whose site, which incident, and the words.

    `incident` is its number, by which people acknowledge it; 0: a test.
    """

    site: str
    incident: int
    key: str
    pack: str
    text: str
    urgent: bool
    at: str

    @property
    def subject(self) -> str:
        """One line for a lock screen."""
        line = " ".join(f"{'URGENT ' if self.urgent else ''}{self.site}: {self.text}".split())
        return line if len(line) <= SUBJECT_CHARS_MAX else f"{line[: SUBJECT_CHARS_MAX - 1]}…"

    @property
    def body(self) -> str:
        """All of it, and how to answer."""
        lines = [self.text, "", f"{self.site}, {self.at}"]
        if self.incident:
            lines += ["", f"seen it: carerules ack {self.incident}",
                      f"not now: carerules snooze {self.incident} 2h"]  # fmt: skip
        return "\n".join(lines)


@guarded
class Webhook:
    """A POST of JSON. The URL may itself be a secret: then it stands in `url_file`.

    `token_file`: a bearer token. Both files are for their owner only.
    """

    url: str | None = None
    url_file: Path | None = None
    token_file: Path | None = None


@guarded
class Mail:
    """A mail server. `security` `none` is for this machine only."""

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None


@guarded
class Topic:
    """An MQTT topic at the site's broker, never retained."""

    broker: MqttAddress
    topic: str


@guarded
class Apprise:
    """A service that apprise (extra `notify`) speaks to: its URL, a secret, in a file."""

    url_file: Path


Address: TypeAlias = Webhook | Mail | Topic | Apprise
Sender: TypeAlias = Callable[[Posted], None]
"""Delivers one notice, or raises `SendError`. Blocks for as long as the server takes."""


def url_problem(url: str, *, with_token: bool) -> str:
    """What is wrong with a webhook's URL; nothing: it can be used. Repeats no part of it."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return "no URL"
    if parts.scheme not in ("http", "https") or not host or not url.isascii() or " " in url:
        return "no URL that begins with `https://` or `http://`"
    if parts.username or parts.password:
        return "a URL with a name or password in it"
    if with_token and parts.scheme == "http" and host not in LOOPBACK:
        return "a token for a URL without TLS"
    return ""
