"""The table of the page: where it is served, and who may see it.

Knows addresses and what must hold between the keys. Does not know what the page shows.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field, WithJsonSchema

from carerules.adapters import Problem
from carerules.config.known import Known, Raw
from carerules.config.problem import Key, found, quoted
from carerules.config.things import Table
from carerules.config.values import PasswordFile, refused
from carerules.domain.frozen import guarded

LISTEN_HERE = "127.0.0.1:8455"
HOSTS_MAX = 20
"""More names than a machine of a workshop bears."""

_LISTEN = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253}):([0-9]{1,5})")
_HOST_NAME = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(:[0-9]{1,5})?")
_LOOPBACK = re.compile(r"localhost|127\.[0-9]{1,3}\.[0-9]{1,3}\.[0-9]{1,3}|::1")


@guarded
class BoardDoor:
    """Where the page is served: `host` without brackets, the other names it goes by as a browser
    writes them, and the file with the token that who comes in must show (None: nobody need).
    `edit_rules`: rule files may be changed on it.
    """

    host: str
    port: int
    hosts: tuple[str, ...] = ()
    token_file: Path | None = None
    edit_rules: bool = False

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        return _LOOPBACK.fullmatch(self.host) is not None


def read_listen(text: str) -> tuple[str, int] | Problem:
    """Host (without brackets) and port of `127.0.0.1:8455` or `[::1]:8455`."""
    match = _LISTEN.fullmatch(text)
    if match is None or not 1 <= int(match[2]) <= 65_535:
        return Problem(quoted(text), "an address and a port", f"such as `{LISTEN_HERE}`")
    return match[1].strip("[]"), int(match[2])


def _listen(value: str) -> str:
    read = read_listen(value)
    if isinstance(read, Problem):
        raise refused(found(value), read.wanted, read.mend)
    return value


def _host_name(value: str) -> str:
    if _HOST_NAME.fullmatch(value) is None:
        raise refused(found(value), "a name as a browser shows it", "such as `shed.local:8455`")
    return value.lower()


Listen = Annotated[
    str, AfterValidator(_listen), WithJsonSchema({"type": "string", "pattern": _LISTEN.pattern})
]
HostName = Annotated[
    str,
    AfterValidator(_host_name),
    WithJsonSchema({"type": "string", "pattern": f"^{_HOST_NAME.pattern}$"}),
]


class BoardTable(Table):
    """The page that a browser shows; it needs the extra `board`."""

    listen: Listen = Field(
        default=LISTEN_HERE,
        description="Where it is served. An address that other machines can reach needs "
        f"`token_file`. Without it: `{LISTEN_HERE}`, for this machine alone.",
    )
    hosts: list[HostName] = Field(
        default=[],
        max_length=HOSTS_MAX,
        description="Other names by which browsers reach it, with the port where one is shown. "
        "A request for any name that is unknown is refused.",
        examples=[["shed.local:8455"]],
    )
    edit_rules: bool = Field(
        default=False,
        description="Whether rule files may be edited on the page; it needs `token_file`. They can "
        "be read there in any case.",
    )
    token_file: PasswordFile | None = Field(
        default=None,
        description="A file with a token of 16 characters or more and nothing else, readable by "
        "its owner only (mode 0600): who wants to see the page must show it.",
        examples=["board-token"],
    )


def board_door(table: BoardTable, folder: Path) -> BoardDoor:
    """The table, in the words of those who serve."""
    read = read_listen(table.listen)
    assert not isinstance(read, Problem)
    token = None if table.token_file is None else folder / table.token_file
    return BoardDoor(*read, tuple(table.hosts), token, table.edit_rules)


def board_mistakes(raw: Raw, _known: Known) -> Iterator[tuple[Key, str, str, str]]:
    """What must hold between its keys: nobody from outside without a token."""
    board = raw.get("board")
    if not isinstance(board, dict) or "token_file" in board:
        return
    if board.get("edit_rules") is True:
        wanted = "a token for whoever edits rules"
        yield ("board", "edit_rules"), "no `token_file`", wanted, "add `token_file`"
    listen = board.get("listen", LISTEN_HERE)
    read = read_listen(listen) if isinstance(listen, str) else None
    if isinstance(read, tuple) and not BoardDoor(*read).is_local:
        said = f"{found(listen)}, which other machines can reach, and no `token_file`"
        yield ("board", "listen"), said, "a token for whoever comes in", "add `token_file`"
