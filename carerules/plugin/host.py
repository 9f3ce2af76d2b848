"""The process in which one plug-in lives: asked on standard input, answers on standard output.

Knows the way in and out, and the limits that it puts on itself. Does not know who asks
(adapters/pluginline), or what is asked. It ends with whoever began it.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
from contextlib import suppress
from importlib.metadata import entry_points
from queue import SimpleQueue
from threading import Thread
from typing import Any, BinaryIO

from carerules.plugin.contract import GROUP, PlugIn, RefusedError, SilentError, Way

BODY_BYTES_MAX = 16 * 1024  # as of every plug's message (adapters/payload)
WHY_CHARS_MAX = 200
MEMORY_BYTES_MAX = 1 << 30
"""Of addresses, not of memory: ten times what the example takes, and libraries reserve more than
they use. It ends what grows without end before the service's own machine runs out."""


def confine() -> None:
    """No more than this, from here on; and no image of the memory, in which a password stands, when
    it ends badly. Raises OSError or ValueError where the system does not let that be set."""
    # Where the machine's memory is all gone the system is to end this one, and not the service.
    with suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as score:
        score.write("1000")
    for what, most in ((resource.RLIMIT_AS, MEMORY_BYTES_MAX), (resource.RLIMIT_CORE, 0)):
        _, hard = resource.getrlimit(what)
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (least, least))


def loaded(name: str, version: str) -> Any:
    """The maker of the plug-in of this name, loaded: here, and nowhere else, code of others is run.

    Raises whatever that code raises, and ImportError where its package has another version now,
    which nobody has put to the test; `version` empty: whichever is there."""
    (point,) = entry_points(group=GROUP, name=name)
    found = "" if point.dist is None else point.dist.version
    if version not in ("", found):
        raise ImportError(f"version {found or 'unknown'} is installed now, and not {version}")
    return point.load()


def answered(plug: PlugIn, request: dict[str, Any], secret: str | None) -> dict[str, Any]:
    """One request put to the plug-in, and what came of it, whatever that was."""
    try:
        body: object = plug.ask(request["topic"], request["payload"], request["seconds"])
    except Exception as error:
        return wrong(error, secret)
    if not isinstance(body, bytes):
        return {"why": "its answer is something other than bytes", "kind": "failed"}
    if len(body) > BODY_BYTES_MAX:
        return {"why": f"its answer has more than {BODY_BYTES_MAX} bytes", "kind": "failed"}
    return {"body": body.decode("latin-1")}


def wrong(error: Exception, secret: str | None) -> dict[str, Any]:
    """An error of the plug-in's, as it may be told."""
    text, kind = str(error), "refused" if isinstance(error, RefusedError) else "silent"
    if not isinstance(error, SilentError):
        # Nobody but its author can make anything of this: their language's word is meant.
        text, kind = f"{type(error).__name__}: {text}", "failed"
    if secret:
        text = text.replace(secret, "…")
    return {"why": text[:WHY_CHARS_MAX], "kind": kind}


def _own_streams() -> tuple[BinaryIO, BinaryIO]:
    """Standard input and output for ourselves: what a plug-in prints or reads there is lost."""
    given, said = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing, 1)
    return given, said


def main() -> None:
    """Load the plug-in that is named, make it for the plug that is told, and put to it what is
    asked until nobody asks any more."""
    given, said = _own_streams()
    ours = os.getpid()

    def say(answer: dict[str, Any]) -> None:
        if os.getpid() != ours:
            # It forked, and came back twice: the second answer would pass for a later one.
            os._exit(1)
        said.write(json.dumps(answer).encode() + b"\n")
        said.flush()

    lines: SimpleQueue[bytes] = SimpleQueue()

    def listen() -> None:
        for line in given:
            lines.put(line)
        # Whoever asked is gone; a plug-in that hangs, or what it began, is no reason to stay.
        if os.getpgid(0) == ours:
            os.killpg(ours, signal.SIGKILL)
        os._exit(0)

    Thread(target=listen, daemon=True).start()
    secret: str | None = None
    try:
        confine()
        maker = loaded(sys.argv[1], sys.argv[2])
        say({"loaded": True})
        way = Way(**json.loads(lines.get()))
        secret = way.password
        plug: PlugIn = maker(way)
    except Exception as error:
        say(wrong(error, secret))
        return
    say({"ready": True})
    while True:
        request = json.loads(lines.get())
        say({**answered(plug, request, secret), "number": request["number"]})


if __name__ == "__main__":
    with suppress(BrokenPipeError):
        main()
