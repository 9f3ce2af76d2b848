"""Where a calendar lies, which version of it we have, and what is wrong with an address.

Knows paths and URLs. Opens nothing, and no error repeats a URL, which may be a secret.
"""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlsplit

from carerules.adapters.channels import LOOPBACK
from carerules.domain.frozen import guarded


@guarded
class CalendarAddress:
    """Where a calendar lies: one of `file`, `url`, and `url_file` (a URL that is itself a secret).

    `plain`: whether it may come from another machine without TLS; a password never goes there so.
    """

    file: Path | None = None
    url: str | None = None
    url_file: Path | None = None
    user: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    plain: bool = False


@guarded
class Tags:
    """What a server called the version that we have (RFC 9110, sections 8.8.2 and 8.8.3)."""

    etag: str = ""
    modified: str = ""


NO_TAGS = Tags()


def url_fault(url: str, *, plain: bool, with_password: bool) -> str:
    """What is wrong with a calendar's URL; nothing: it can be used. Repeats no part of it."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return "no URL"
    if parts.scheme not in ("http", "https") or not host or not url.isascii() or not is_clean(url):
        return "no URL that begins with `https://`"
    if parts.username or parts.password:
        return "a URL with a name or password in it"
    if parts.scheme == "http" and host not in LOOPBACK:
        if with_password:
            return "a password for a URL without TLS"
        if not plain:
            return "a URL without TLS"
    return ""


def is_clean(url: str) -> bool:
    """Whether nothing in it could begin another line, or is not to be seen."""
    return all(" " < c < "\x7f" for c in url)
