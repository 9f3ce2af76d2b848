"""`carerules serve`: sites shared with other machines, each served by one of them at a time.

Knows how a site's service is started and ended, a process for each. Does not decide which sites are
this machine's: `service.shares` does.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from contextlib import closing, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from carerules.adapters import HOST, PostgresPlace, Supervisor, watch_over
from carerules.cli.aside import Aside
from carerules.cli.common import refuse, utter
from carerules.cli.sites import site_at
from carerules.domain.ports import JournalError
from carerules.domain.spelling import counted
from carerules.service.shares import Evict, LetGo, Shares, Take

if TYPE_CHECKING:
    from carerules.adapters.watch import Watch

LOOK_EVERY_S = 1.0
"""A site that nobody has is found after half of it; a look is one short query over all sites."""
SITES_MAX = 100
"""A process each, of some 50 MiB: more than one machine has room for."""
LEAVE_WITHIN_S = 30.0
"""Each service needs at most 12 s to bring everything off and read it back, and some to save."""
TOLD_APART = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")
"""What the supervisor of this process says to it alone."""


@click.command("serve")
@click.argument("site_paths", metavar="SITE...", nargs=-1, required=True,
                type=click.Path(path_type=Path))  # fmt: skip
@click.option("--log", "style", type=click.Choice(["words", "json"]), default="words",
              envvar="CARERULES_LOG", help="How they tell, as for `carerules run`.")  # fmt: skip
def serve_command(site_paths: tuple[Path, ...], style: str) -> None:
    """Serve sites together with other machines, each by one of them at a time.

    Run it with the same sites on each machine. Their journals lie in one PostgreSQL database
    (`[journal]`; docs/fleet.md). Ctrl-C brings everything off that is served here.

    Example: carerules serve north/site.toml south/site.toml
    """
    places = _places(site_paths)
    names = {place.schema: place.site for place in places.values()}
    files = {place.schema: path for path, place in places.items()}
    try:
        watch = watch_over(list(places.values()))
    except JournalError as error:
        refuse(str(error))
    with closing(watch):
        _Serving(watch, files, names, style).run()


def _places(paths: Sequence[Path]) -> dict[Path, PostgresPlace]:
    if len(paths) > SITES_MAX:
        refuse(
            f"found {len(paths)} sites, wanted at most {SITES_MAX}; "
            "mend: give the others to another machine"
        )
    places: dict[Path, PostgresPlace] = {}
    for path in paths:
        place = site_at(path).journal
        if not isinstance(place, PostgresPlace):
            refuse(f"{path}: its journal is a file of this machine, which no other can go on with; "
                   "mend: add a table `[journal]`, or `carerules run` it")  # fmt: skip
        places[path] = place
    if len({place.url for place in places.values()}) > 1:
        refuse("the sites lie in several databases; mend: one `carerules serve` for each")
    if len({place.schema for place in places.values()}) < len(paths):
        refuse("two of the sites share a schema; mend: give each site a schema of its own")
    return places


class _Serving:
    """The sites that are served here, a process each."""

    def __init__(
        self, watch: Watch, files: Mapping[str, Path], names: Mapping[str, str], style: str
    ) -> None:
        self._watch, self._files, self._names, self._style = watch, files, names, style
        self._shares = Shares(list(files))
        self._running: dict[str, subprocess.Popen[str]] = {}
        self._leaving_one: set[str] = set()
        self._leave, self._aside = threading.Event(), Aside()
        self._unseen = ""
        self._supervisor = Supervisor(HOST.awake_ms)

    def run(self) -> None:
        """Until a signal; then everything off that is served here."""
        before = {one: signal.signal(one, self._asked_to_leave)
                  for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}  # fmt: skip
        self._supervisor.ready(counted(len(self._files), "site"))
        utter(f"shares {counted(len(self._files), 'site')} with whoever else serves them")
        try:
            while not self._leave.is_set():
                self._supervisor.alive()
                self._collect()
                self._look()
                self._leave.wait(LOOK_EVERY_S)
        finally:
            self._end_all()
            for one, handler in before.items():
                signal.signal(one, handler)
            self._supervisor.close()
            self._aside.wait()

    def _asked_to_leave(self, number: int, _frame: FrameType | None) -> None:
        self._supervisor.stopping()
        said = f"{signal.Signals(number).name}: everything off that is served here"
        self._aside.do(self._leave.set, lambda: utter(said, err=True))

    def _look(self) -> None:
        now = HOST.boot_ms()
        try:
            seen, peers = self._watch.look()
            self._unseen = ""
            mine = self._running.keys()
            for act in self._shares.look(now, seen, peers, self._watch.number, mine):
                match act:
                    case Take(site):
                        self._start(site)
                    case Evict(site, fence, beats):
                        self._evict(site, fence, beats)
                    case LetGo(site):
                        self._say(site, "left to another service")
                        self._leaving_one.add(site)
                        self._running[site].terminate()
            self._watch.forget(self._shares.forgotten(now))
        except JournalError as error:
            # The services here meet the same fault, and end by themselves.
            if str(error) != self._unseen:
                self._unseen = str(error)
                utter(self._unseen, err=True)

    def _evict(self, site: str, fence: int, beats: int) -> None:
        stuck = self._running.get(site)
        if stuck is not None:
            stuck.kill()
        if self._watch.evict(site, fence, beats):
            self._say(site, f"owner number {fence} shows no sign of life, and is the owner no more")

    def _start(self, site: str) -> None:
        words = [sys.executable, "-m", "carerules", "run", str(self._files[site]),
                 "--log", self._style]  # fmt: skip
        environment = {k: v for k, v in os.environ.items() if k not in TOLD_APART}
        # A group of its own: Ctrl-C at a terminal reaches it through us, once.
        service = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                   stderr=subprocess.STDOUT, text=True, errors="replace",
                                   env=environment, start_new_session=True)  # fmt: skip
        self._running[site] = service
        self._say(site, f"served here (process {service.pid})")
        threading.Thread(target=self._pass_on, args=(site, service), daemon=True).start()

    def _pass_on(self, site: str, service: subprocess.Popen[str]) -> None:
        assert service.stdout is not None
        for line in service.stdout:
            text = line.rstrip("\n")
            if self._style == "json":
                utter(text)
            else:
                self._say(site, text)

    def _collect(self) -> None:
        """Services that have ended; one that was not told to is tried again later."""
        for site, service in list(self._running.items()):
            status = service.poll()
            if status is None:
                continue
            del self._running[site]
            if site in self._leaving_one:
                self._leaving_one.discard(site)
            else:
                self._shares.failed(site, HOST.boot_ms())
                self._say(site, f"its service ended ({status})")

    def _end_all(self) -> None:
        for service in self._running.values():
            service.terminate()
        give_up = HOST.boot_ms() + LEAVE_WITHIN_S * 1_000
        for site, service in self._running.items():
            with suppress(subprocess.TimeoutExpired):
                service.wait(max(0.1, (give_up - HOST.boot_ms()) / 1_000))
                continue
            self._say(site, "its service does not end: killed; look at its plugs")
            service.kill()
            service.wait()

    def _say(self, site: str, text: str) -> None:
        utter(f"{self._names[site]}: {text}")
