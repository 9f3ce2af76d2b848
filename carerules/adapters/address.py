"""Where the broker, a plug or a database is, and how to log in to it: what the site file says.

Knows the settings. Does not know how a connection is made.
"""

from __future__ import annotations

import re
import stat
from dataclasses import field, replace
from pathlib import Path
from uuid import uuid4

from carerules.adapters.problem import Problem, quoted
from carerules.bounded import read_bounded
from carerules.domain.frozen import guarded

PASSWORD_BYTES_MAX = 4_096
PEM_BYTES_MAX = 1 << 20
"""All authorities that a system trusts come to a quarter of it."""
IN_PEM = ("certificate and key files in PEM form", "look at the `tls` settings")
"""What is wanted, and the mend."""


@guarded
class MqttAddress:
    """A broker. Without `tls` the password travels in clear: for this machine only.

    `ca_file` None: the system's certificate authorities. `cert_file` and `key_file` are ours,
    where the broker asks for them. `client_id` None: a new one each start. `clear_retained`:
    remove retained commands for our plugs at the broker, instead of only reporting them.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    client_id: str | None = None
    clear_retained: bool = False

    def show(self) -> str:
        """`mqtts://bench:8883`."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"

    def visiting(self) -> MqttAddress:
        """The same under a name of this visit's own.

        A broker ends the connection of whoever has the name that somebody new comes with (MQTT
        version 5.0, section 3.1.4, requirement 3.1.4-3): that must never be the service.
        """
        return replace(self, client_id=f"{self.client_id or 'carerules'}-{uuid4().hex[:8]}")


@guarded
class PostgresPlace:
    """A schema of a PostgreSQL database that keeps the journal of one site.

    `url` bears no password. `site` is the site's name: a schema keeps to the site that it was
    begun for.
    """

    url: str
    schema: str
    site: str

    def __str__(self) -> str:
        return f"{self.url} {self.schema}"


@guarded
class Login:
    """How to log in to a plug, as the site file says it. `user` None: the one of its profile."""

    user: str | None = None
    password_file: Path | None = None


@guarded
class Credentials:
    """A user and a password, read; never shown."""

    user: str
    password: str = field(repr=False)


def read_login(login: Login, user: str | None) -> Credentials | Problem | None:
    """The credentials of a login; None: it names no password. `user` is the profile's own."""
    if login.password_file is None:
        return None
    password = read_password(login.password_file)
    if isinstance(password, Problem):
        return password
    name = login.user or user
    if name is None:
        return Problem("no `user`", "`user` beside `password_file`", "add `user`", "user")
    return Credentials(name, password)


def read_host(text: str) -> tuple[str, int | None] | Problem:
    """Host and port number of `10.0.0.7`, `plug-1.shed:8080` or `fe80::1`; None: no port is
    said."""
    host, colon, port = text.rpartition(":")
    if not colon or ":" in host:
        host, port = text, ""
    number = int(port) if port.isdecimal() and len(port) <= 5 else 0
    if not _HOST.fullmatch(host) or (colon and host != text and not 1 <= number <= 65_535):
        bare = text.strip().partition("/")[0]
        has_path = "/" in text and not isinstance(read_host(bare), Problem)
        mend = f"write {quoted(bare)}, without the path" if has_path else "such as `10.0.0.7`"
        return Problem(quoted(text), "an address, with `:PORT` where it is not the usual one", mend)
    return host, number or None


def broker_password(address: MqttAddress) -> str | None:
    """The password for a broker; None: it needs none. Raises `AddressError` for a bad file."""
    if address.password_file is None:
        return None
    read = read_password(address.password_file)
    if isinstance(read, Problem):
        raise AddressError(read)
    return read


_HOST = re.compile(r"[A-Za-z0-9.:_-]{1,253}")


def read_password(file: Path) -> str | Problem:
    """The password in a file that nobody but its owner can read; its last line end is left out."""
    where = str(file)
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
        content = read_bounded(file, PASSWORD_BYTES_MAX)
        if mode & 0o077:
            return Problem(f"mode {mode:04o}", "0600 or less: a password for its owner only",
                           f"`chmod 600 {file.name}`", where)  # fmt: skip
    except OSError as error:
        return Problem(str(error.strerror).lower(), "a file with the password", "look at the path",
                       where)  # fmt: skip
    try:
        password = content.decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        password = ""
    if not password or len(content) > PASSWORD_BYTES_MAX or "\n" in password:
        return Problem(quoted(f"{len(content)} bytes"), "one line of text, the password",
                       "write the password and nothing else", where)  # fmt: skip
    return password


def pem_problem(file: Path, named: str) -> Problem | None:
    """What is wrong with a file of certificates, or of a key, before anything is made of it; None:
    nothing. `named`: as the site file has it."""
    try:
        text = read_bounded(file, PEM_BYTES_MAX)
    except FileNotFoundError:
        return Problem(f"no file {quoted(named)}", *IN_PEM)
    except OSError as error:
        return Problem(f"{(error.strerror or 'an error').lower()}: {quoted(named)}", *IN_PEM)
    if len(text) > PEM_BYTES_MAX:
        return Problem(f"more than {PEM_BYTES_MAX >> 20} MiB in {quoted(named)}", *IN_PEM)
    return None


def key_problem(file: Path, named: str) -> Problem | None:
    """The same of a key, and whether it asks for a passphrase."""
    problem = pem_problem(file, named)
    # RFC 7468, section 11, and the older form of RFC 1421, section 4.6.1.1.
    closed = problem is None and b"ENCRYPTED" in read_bounded(file, PEM_BYTES_MAX)
    return closed_key(named) if closed else problem


def closed_key(named: str) -> Problem:
    """A key that only a person can open, and there may be none."""
    mend = f"`openssl pkey -in {named} -out open.key`, mode 0600, and name that"
    return Problem(f"a key with a passphrase in {quoted(named)}", "one that opens without", mend)


class AddressError(Exception):
    """The address in the site file cannot be used; `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.show())
        self.problem = problem
