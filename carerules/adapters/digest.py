"""The login by digest: what a plug asks, and what it is answered. The password never travels.

Knows RFC 7616 with SHA-256 and `qop=auth`. Nothing weaker is answered: who could make us take MD5
or a plain password would have it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from hashlib import sha256

from carerules.domain.frozen import guarded

FIELD_CHARS_MAX = 256  # a nonce is some tens of characters; whatever is longer is none

_PART = re.compile(r'([a-z]+)\s*=\s*(?:"([^"\\]*)"|([^\s,"]+))\s*(?:,\s*|$)', re.IGNORECASE)


@guarded
class Challenge:
    """What must be answered. `stale`: the answer was right, its nonce too old."""

    realm: str
    nonce: str
    opaque: str | None = None
    stale: bool = False


def read_challenge(headers: Iterable[str]) -> Challenge | None:
    """The first challenge in `WWW-Authenticate` headers that we answer; None: there is none."""
    for header in headers:
        scheme, _, rest = header.strip().partition(" ")
        parts = _parts(rest) if scheme.lower() == "digest" else None
        if parts is None or {"realm", "nonce"} - parts.keys():
            continue
        ways = {way.strip().lower() for way in parts.get("qop", "").split(",")}
        if parts.get("algorithm", "MD5").upper() == "SHA-256" and "auth" in ways:
            stale = parts.get("stale", "").lower() == "true"
            return Challenge(parts["realm"], parts["nonce"], parts.get("opaque"), stale)
    return None


def _parts(text: str) -> dict[str, str] | None:
    """The `name=value` parts of a challenge; None: it is not made of them, or one comes twice."""
    parts: dict[str, str] = {}
    at = 0
    while at < len(text):
        match = _PART.match(text, at)
        if match is None:
            return None
        name, value = match[1].lower(), match[2] if match[2] is not None else match[3]
        if name in parts or len(value) > FIELD_CHARS_MAX or not value.isprintable():
            return None
        parts[name], at = value, match.end()
    return parts


def authorization(
    challenge: Challenge, user: str, password: str, method: str, uri: str, count: int, cnonce: str
) -> str:
    """The `Authorization` header. `count` says how often this nonce was answered, from 1.

    Source: RFC 7616, section 3.4.
    """
    ours = _hash(f"{user}:{challenge.realm}:{password}")
    asked = _hash(f"{method}:{uri}")
    response = _hash(f"{ours}:{challenge.nonce}:{count:08x}:{cnonce}:auth:{asked}")
    opaque = "" if challenge.opaque is None else f', opaque="{challenge.opaque}"'
    name = user.replace("\\", "\\\\").replace('"', '\\"')
    return (
        f'Digest username="{name}", realm="{challenge.realm}", uri="{uri}", algorithm=SHA-256, '
        f'nonce="{challenge.nonce}", nc={count:08x}, cnonce="{cnonce}", qop=auth, '
        f'response="{response}"{opaque}'
    )


def _hash(text: str) -> str:
    return sha256(text.encode("utf-8")).hexdigest()
