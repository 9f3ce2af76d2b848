"""The stop that somebody pressed on the page: under way, and what came of it.

Knows when one was begun. Does not know how it is done (service/stopping), and asks no running
service for leave: a hung one is passed by.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from carerules.domain.frozen import guarded
from carerules.service.stopping import StopReport

BY = "the board"
AFTER_S = 2.0
"""So long the press waits, to say at once what came of it where that is quick."""


@guarded
class HaltState:
    """What the page says of a stop: lines, and whether a person must go there."""

    words: tuple[str, ...] = ()
    failed: bool = False
    over: bool = False


class Halt:
    """One stop at a time: a second press while one is under way joins it."""

    def __init__(self, stop: Callable[[], StopReport]) -> None:
        self._stop = stop
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self.state = HaltState()

    def press(self) -> HaltState:
        """Begin, and wait a little; from any thread."""
        with self._lock:
            thread = self._thread
            if thread is None or not thread.is_alive():
                self.state = HaltState(("bringing everything off",))
                thread = threading.Thread(target=self._run, name="board-stop", daemon=True)
                self._thread = thread
                thread.start()
        thread.join(AFTER_S)
        return self.state

    def clear(self) -> None:
        """What came of the last one is no longer shown, if it is over: the site was released."""
        if self.state.over:
            self.state = HaltState()

    def _run(self) -> None:
        try:
            report = self._stop()
        except Exception as error:  # whatever it was, the person must know that it did not work
            words = (f"the stop did not come to an end ({error}): go there and pull the plugs",)
            self.state = HaltState(words, failed=True, over=True)
            return
        self.state = HaltState(tuple(_words(report)), failed=report.failed, over=True)


def _words(report: StopReport) -> list[str]:
    words = []
    if report.told is not None:
        words.append(f"the running service: {report.told}")
    if report.problem is not None:
        words.append(report.problem)
    if report.wires_problem is not None:
        words.append(report.wires_problem)
    if report.off is not None:
        words += [f"{name}: read back off" for name in report.off.proven]
        words += [f"{one.name}: NOT read back off: go there and pull it"
                  for one in report.off.unproven]  # fmt: skip
    elif report.told is None:
        words.append("no service has answered, and this site has no wires: pull the plugs by hand")
    return words
