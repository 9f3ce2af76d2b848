"""Who may see the page and press its buttons: names, origins and the token.

Knows headers. Does not know what is behind the door. Pure: every check is a function of what the
request says.
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Mapping
from hashlib import sha256
from http.cookies import CookieError, SimpleCookie

from carerules.adapters import Problem, read_password
from carerules.config import BoardDoor
from carerules.domain.frozen import guarded

COOKIE = "carerules-board"
TOKEN_CHARS_MIN = 16
"""At 62 signs each, 95 bits: no number of tries that a door lets through comes near."""

_READS = frozenset({"GET", "HEAD"})
_HERE = ("localhost", "127.0.0.1", "[::1]")
_ANY = ("0.0.0.0", "::")


@guarded
class Refusal:
    """Why a request is not let in: the status of HTTP, and one line for a person."""

    status: int
    why: str


@guarded
class Access:
    """The door's rules; `token` None: whoever reaches the address may come in."""

    door: BoardDoor
    token: str | None = None

    def refusal(self, method: str, headers: Mapping[str, str]) -> Refusal | None:
        """Why this request is refused whatever it wants; None: it is not. Header names are lower
        case. The token is asked for apart (`knows`)."""
        host = headers.get("host", "").lower()
        if not self.is_ours(host):
            # A page of a stranger whose name was made to point here (DNS rebinding) says that name.
            return Refusal(421, "this name is not one of this board's: see `hosts` in `[board]`")
        if method in _READS:
            return None
        if method != "POST":
            return Refusal(405, f"found {method[:10]}, wanted GET or POST")
        return None if _from_here(host, headers) else Refusal(
            403, "this form did not come from this board's own page"
        )  # fmt: skip

    def is_ours(self, host: str) -> bool:
        """Whether a browser that asked for `host` (with its port) meant this board."""
        if host in self.door.hosts:
            return True
        name, _, port = host.rpartition(":")
        if not name or name.endswith("]") != name.startswith("["):
            name, port = host, "80"  # what a browser leaves out
        if port != str(self.door.port):
            return False
        own = self.door.host.lower()
        if name.strip("[]") == own:
            return True
        if own in _ANY:
            # No name of a stranger's is an address: an address was typed by who meant it.
            return name in _HERE or _is_address(name)
        return self.door.is_local and name in _HERE

    def knows(self, headers: Mapping[str, str]) -> bool:
        """Whether the request shows the token: in the cookie of `proof`, or as a bearer."""
        if self.token is None:
            return True
        shown = [headers.get("authorization", "").removeprefix("Bearer ")]
        held = _cookie(headers.get("cookie", ""))
        # Both are compared, each in constant time, whichever was shown.
        fits = [same(shown[0], self.token), same(held, self.proof)]
        return any(fits)

    @property
    def proof(self) -> str:
        """What the cookie holds: made of the token, so that the token itself is kept nowhere."""
        assert self.token is not None
        return hmac.new(self.token.encode(), b"carerules board", sha256).hexdigest()


def access_of(door: BoardDoor) -> Access | Problem:
    """The door with its token read; or why it must not be opened."""
    if door.token_file is None:
        if not door.is_local:
            return Problem(
                f"`{door.host}`, which other machines can reach, and no token",
                "a token for whoever comes in", "add `token_file` to `[board]` in the site file",
            )  # fmt: skip
        return Access(door)
    token = read_password(door.token_file)
    if isinstance(token, Problem):
        return token
    if len(token) < TOKEN_CHARS_MIN:
        return Problem(f"a token of {len(token)} characters", f"at least {TOKEN_CHARS_MIN}",
                       "make one with `openssl rand -hex 16`")  # fmt: skip
    return Access(door, token)


def same(one: str, other: str) -> bool:
    """Whether two texts are the same, in a time that says nothing of where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


def _from_here(host: str, headers: Mapping[str, str]) -> bool:
    """Whether a POST comes from a page of ours, by what every browser says of it and no page can
    forge. One that says neither is refused."""
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is None and site is None:
        return False
    if origin is not None and origin.lower() not in (f"http://{host}", f"https://{host}"):
        return False
    return site in (None, "same-origin")


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _cookie(header: str) -> str:
    try:
        found = SimpleCookie(header).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else found.value
