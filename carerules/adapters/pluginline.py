"""A plug that is reached by a plug-in: code of somebody else's, in a process of its own.

Knows which packages bring a plug-in, and which of its processes serves. Does not know what is
asked, and never loads a plug-in here: what hangs there, or ends, or answers without end, is ended,
and another serves the next request. Nothing that it does holds up more than one call of one plug.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.metadata import entry_points
from typing import Any

from carerules.adapters.address import Credentials
from carerules.adapters.line import CallError, Left, seconds
from carerules.adapters.pluginprocess import NotYetError, PluginProcess, said_why
from carerules.adapters.problem import Problem, quoted
from carerules.domain.frozen import guarded
from carerules.domain.pack import Plug
from carerules.plugin import GROUP, Way

SPARES_FAILED_MAX = 3
"""So many second processes in a row that end before they have loaded, while the first one serves:
what they load is then taken for something that only one process can have at a time, as a radio or
a serial line is. Two may have been an accident."""

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")


@guarded
class Installed:
    """A plug-in that can be had: its name, its package, and the version of that."""

    name: str
    package: str
    version: str


def installed(name: str) -> Installed | Problem:
    """The plug-in of this name. Reads what packages say of themselves, and loads none of them."""
    if not _NAME.fullmatch(name):
        return Problem(quoted(name), "small letters, digits and `-`", "look at the plug-in's name")
    found = [point for point in entry_points(group=GROUP, name=name) if point.dist is not None]
    packages = {point.dist.name: point.dist.version for point in found if point.dist}
    if not packages:
        others = sorted({point.name for point in entry_points(group=GROUP)})
        wanted = ", ".join(map(quoted, others)) or "a package that brings it"
        return Problem(f"no plug-in {quoted(name)}", wanted,
                       "install its package where carerules is installed")  # fmt: skip
    if len(packages) > 1:
        both = " and ".join(map(quoted, sorted(packages)))
        return Problem(f"a plug-in {quoted(name)} in {both}", "it in one package",
                       "take one of them off")  # fmt: skip
    ((package, version),) = packages.items()
    return Installed(name, package, version)


def plugin_line(
    plug: Plug, address: str, login: Credentials | None, tell: Callable[[str], None]
) -> PluginLine | Problem:
    """The way to a plug by the plug-in that its site file names; what speaks against it."""
    found = installed(plug.plugin)
    if isinstance(found, Problem):
        return found
    if found.version != plug.plugin_version:
        return Problem(f"version {found.version} of {quoted(found.package)}",
                       f"{plug.plugin_version or 'none'}, as when the site file was read",
                       "start anew, and put the plug to the test again")  # fmt: skip
    who = Way(address) if login is None else Way(address, login.user, login.password)
    return PluginLine(found.name, who, found.version, tell)


class PluginLine:
    """Satisfies `line.Line`. One process serves; another one is loaded beside it, and has made and
    asked nothing. Where the first is ended, the second serves at once: an OFF that breaks off what
    hangs does not wait until a large library has been loaded anew."""

    def __init__(
        self, name: str, way: Way, version: str = "", tell: Callable[[str], None] = lambda _: None
    ) -> None:
        """Begins nothing before the first call. `version`: of the package, and no other is loaded;
        empty: whichever is there. `tell`: what is no fault of a call; on the caller's thread."""
        self._name, self._way, self._version = name, way, version
        self._serving: PluginProcess | None = None
        self._spare: PluginProcess | None = None
        self._loads = False  # whether the last one did
        self._tell, self._spares_failed = tell, 0

    def call(self, topic: str, payload: str, left: Left) -> bytes:
        """As `Line.call`; what is wrong with the plug-in is a `CallError` too."""
        try:
            told = self._asked(topic, payload, left)
        finally:
            # Afterwards: what is to be said now has the processor first.
            self._have_spare()
        match told:
            case {"body": str(body)}:
                return body.encode("latin-1", errors="replace")
            case _:
                raise said_why(told)

    def abort(self) -> None:
        """As `Line.abort`: the process is ended, so that the next request meets another one. One
        that is still getting ready has been asked nothing, and goes on."""
        serving = self._serving
        if serving is not None and serving.is_ready:
            serving.kill()

    def close(self) -> None:
        """As `Line.close`."""
        for process in (self._serving, self._spare):
            if process is not None:
                process.end()
        self._serving = self._spare = None

    # ---- its processes -------------------------------------------------------------------------

    def _asked(self, topic: str, payload: str, left: Left) -> Mapping[str, Any]:
        process = self._begun(left)
        try:
            process.make_ready(self._way, left)
            told = process.ask(topic, payload, left)
        except NotYetError:
            raise
        except CallError:
            self._let_go()
            raise
        if not any(isinstance(told.get(key), str) for key in ("body", "why")):
            self._let_go()
        return told

    def _begun(self, left: Left) -> PluginProcess:
        seconds(left)
        if self._serving is not None and self._serving.is_over:
            self._let_go()
        if self._serving is None:
            spare, self._spare = self._spare, None
            if spare is not None and spare.is_over:
                self._count_out(spare)
                spare = None
            self._serving = spare or PluginProcess(self._name, self._version)
        return self._serving

    def _have_spare(self) -> None:
        """Only where loading works: what fails at that is not begun twice as often."""
        if self._serving is not None:
            self._loads = self._serving.is_loaded
        if self._spare is not None and self._spare.is_over:
            self._count_out(self._spare)
            self._spare = None
        if self._spare is None and self._loads and self._spares_failed < SPARES_FAILED_MAX:
            with suppress(CallError):
                self._spare = PluginProcess(self._name, self._version)

    def _count_out(self, spare: PluginProcess) -> None:
        self._spares_failed = 0 if spare.has_loaded() else self._spares_failed + 1
        if self._spares_failed == SPARES_FAILED_MAX:
            self._tell(f"its plug-in cannot be loaded twice ({SPARES_FAILED_MAX} tries): no second "
                       "process waits, and an OFF that ends the first waits for it to load anew"
                       )  # fmt: skip
        spare.end()

    def _let_go(self) -> None:
        process, self._serving = self._serving, None
        if process is not None:
            self._loads = process.is_loaded
            process.end()
