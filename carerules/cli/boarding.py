"""`carerules board`, and the page beside `carerules run`.

Knows how the page is put together. Does not know what it shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from carerules.adapters import HOST, Problem
from carerules.cli.common import refuse, site_argument
from carerules.cli.sites import site_at
from carerules.config import BoardDoor, SiteFile, read_listen
from carerules.config.board import LISTEN_HERE
from carerules.domain.decision import Outcome
from carerules.domain.event import Event
from carerules.loop import World
from carerules.service import Service
from carerules.service.counts import Counts, Vitals
from carerules.service.kept import kept_calendars

if TYPE_CHECKING:
    from carerules.board import Listener, Source


@click.command("board")
@site_argument
@click.option("--listen", metavar="HOST:PORT",
              help=f"Where; else what the site file says, else {LISTEN_HERE}.")  # fmt: skip
def board_command(site_path: Path, listen: str | None) -> None:
    """Serve the page of a site from its journal, until Ctrl-C.

    Beside a service that runs in another process, or without any. `carerules run SITE --board
    HOST:PORT` serves it from the service itself, which is lighter and quicker.

    Example: carerules board examples/river-survey/site.toml
    """
    site = site_at(site_path)
    door = door_of(site, listen) or door_of(site, LISTEN_HERE)
    assert door is not None
    if isinstance(door, Problem):
        refuse(door.show())
    listener = _listener(site, door, _of_journal, lambda: None)
    if isinstance(listener, str):
        refuse(listener)
    click.echo(f"the board of {site.site.name}: {address(door)} (Ctrl-C ends it)")
    with suppress(KeyboardInterrupt):  # Ctrl-C is how it ends
        listener.run()


def door_of(site: SiteFile, listen: str | None) -> BoardDoor | Problem | None:
    """Where the page is served: what was typed, else what the site file says, else nowhere."""
    if listen is None:
        return site.board
    read = read_listen(listen)
    if isinstance(read, Problem):
        return read
    host, port = read
    return replace(site.board or BoardDoor(host, port), host=host, port=port)


def closed(door: BoardDoor) -> str | None:
    """Why the page cannot be served there, whoever has the address; None: it can."""
    try:
        from carerules.board import access_of  # noqa: PLC0415
    except ModuleNotFoundError as error:
        return f"the page needs `{error.name}`; mend: `pip install 'carerules[board]'`"
    access = access_of(door)
    return access.show() if isinstance(access, Problem) else None


def address(door: BoardDoor) -> str:
    """What to type into a browser."""
    host = f"[{door.host}]" if ":" in door.host else door.host
    return f"http://{host}:{door.port}/"


@contextmanager
def board_beside(
    site: SiteFile, door: BoardDoor | None, service: Service, wake: Callable[[], None],
    say: Callable[[str], None],
    drops: Callable[[], Mapping[str, int]] | None = None,
    letters: Callable[[], int] | None = None,
    reread: Callable[[], str] | None = None,
) -> Iterator[None]:  # fmt: skip
    """Serve the page beside the service for as long as it runs; no door, no page. `drops` and
    `letters`: what the inbox had no room for, and what is still to be delivered. `reread` has the
    service read its rules again. An address that is taken keeps nobody's packs waiting: the service
    runs without the page, and says so."""
    if door is None:
        yield
        return

    counts, tell = Counts(HOST.wall_ms(), HOST.awake_ms, service.world), service.tell

    def told(event: Event, outcomes: Sequence[Outcome], world: World) -> None:
        tell(event, outcomes, world)
        counts.tell(event, outcomes, world)

    service.tell = told

    def vitals() -> Vitals:
        return Vitals(
            counts.tally(),
            service.faulted,
            None if drops is None else drops(),
            None if letters is None else letters(),
        )

    def of_service(site: SiteFile) -> Source:
        from carerules.board import RunningSource  # noqa: PLC0415

        return RunningSource(lambda: service.world, vitals, lambda: kept_calendars(site))

    listener = _listener(site, door, of_service, wake, reread)
    if isinstance(listener, str):
        say(f"NO BOARD: {listener}")
        yield
        return
    listener.start()
    say(f"the board: {address(door)}")
    try:
        yield
    finally:
        listener.close()


def _listener(
    site: SiteFile, door: BoardDoor, source: Callable[[SiteFile], Source],
    wake: Callable[[], None], reread: Callable[[], str] | None = None,
) -> Listener | str:  # fmt: skip
    """The board, its address taken; or why that cannot be had, in one line."""
    # Only who wants the page waits for it to be imported, and needs what it runs on.
    if (why := closed(door)) is not None:
        refuse(why)
    from carerules.board import Listener, Pages, PortTaken, access_of, app_of  # noqa: PLC0415

    access = access_of(door)
    assert not isinstance(access, Problem), "asked just now"
    pages = Pages(site, source(site), access, wake)
    if reread is not None:
        pages.reread = reread
    try:
        return Listener(app_of(pages), door, pages.watchers)
    except PortTaken as error:
        return str(error)


def _of_journal(site: SiteFile) -> Source:
    from carerules.board import JournalSource  # noqa: PLC0415

    return JournalSource(site)
