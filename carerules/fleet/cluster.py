"""A Dask cluster's workers as hands.

Knows schedulers, workers and how they are lost. Does not know what a piece of work is.
Whoever reaches a scheduler can run programs on its machines: that is what it is for. It belongs on
loopback, or behind TLS with certificates on every side (docs/replay.md).
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import suppress
from threading import Thread
from time import monotonic
from typing import Any

from distributed import Client, wait
from distributed.scheduler import KilledWorker

from carerules.adapters import quoted
from carerules.fleet.hand import Done, Work, do
from carerules.fleet.hands import HandsError
from carerules.fleet.which import version

ANSWERS_WITHIN_S = 30.0
"""A scheduler in the same house answers in milliseconds; on a machine full of other work, late."""
WORKERS_WITHIN_S = 30.0
"""A worker that is started together with its scheduler is there some seconds later."""
NOBODY_MAX_S = 30.0
"""So long it may go on without a worker: one that is started anew is back in a few seconds."""
LOOK_EACH_S = 1.0
LOST_AFTER_S = 30.0
"""A scheduler that is busy answers late, but not so late."""
RESULT_WITHIN_S = 300.0
"""Where the worker ended just after it was done, the bunch is gone through once more before."""
EACH_HAND = 3
"""Pieces of work under way for each thread: one is done, two wait, and no more is in memory."""


class Cluster:
    """The workers of a scheduler that answered, with the same carerules. Use with `with`."""

    def __init__(self, address: str) -> None:
        """Raises HandsError: nobody answers, nobody works there, or another carerules does."""
        # Its own words about a scheduler that went away are many lines; ours is one.
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        self._address = address
        client = _connected(address)
        if client is None:
            raise HandsError(
                f"found nobody at {quoted(address)}, wanted a Dask scheduler that answers within "
                f"{ANSWERS_WITHIN_S:.0f} s; mend: start `dask scheduler`, and give its address as "
                "it prints it (`tcp://127.0.0.1:8786`)"
            )
        self._client = client
        try:
            self._look_over()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the cluster as it was."""
        with suppress(Exception):
            self._client.close(timeout=2)

    def _look_over(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=WORKERS_WITHIN_S)
        except (TimeoutError, OSError) as error:
            raise HandsError(
                f"found no worker at {quoted(self._address)}, wanted one at least; mend: start "
                f"`dask worker {self._address}` on each machine"
            ) from error
        self._same("the scheduler", self._asked_scheduler())
        told: dict[str, Any] = self._client.run(version, on_error="return")
        for worker, its in told.items():
            self._same(f"the worker {worker}", its)

    def _asked_scheduler(self) -> object:
        try:
            return self._client.run_on_scheduler(version)
        except Exception as error:
            return error

    def _same(self, who: str, its: object) -> None:
        if its == version():
            return
        found = "no carerules that answers" if isinstance(its, Exception) else f"carerules {its}"
        raise HandsError(f"found {found} at {who}, wanted {version()} as here; mend: install the "
                         "same on every machine")  # fmt: skip

    def __call__(self, works: Sequence[Work]) -> Iterator[Done]:
        """A worker that is lost has its work done by another; a bunch over which several are lost
        is told, as the one that may be too much for them. Raises HandsError."""
        left, open_, nobody_since = list(reversed(works)), set[Any](), None
        while left or open_:
            threads = self._threads()
            while left and len(open_) < EACH_HAND * max(1, threads):
                # Not pure: what lies in a folder may have changed since the same was asked.
                open_.add(self._client.submit(do, left.pop(), pure=False))
            done = self._waited_for(open_)
            if threads or done:
                nobody_since = None
            elif nobody_since is None:
                nobody_since = monotonic()
            elif monotonic() - nobody_since > NOBODY_MAX_S:
                raise HandsError(
                    f"found no worker left at {quoted(self._address)}, wanted one within "
                    f"{NOBODY_MAX_S:.0f} s; mend: start `dask worker {self._address}`"
                )
            open_ -= done
            for future in done:
                yield self._result(future)

    def _threads(self) -> int:
        """How many threads of workers there are now."""
        if self._client.status != "running":
            raise self._lost()
        try:
            told = self._client.sync(self._client.scheduler.ncores, callback_timeout=LOST_AFTER_S)
        except (OSError, TimeoutError) as error:
            raise self._lost() from error
        return sum(told.values())

    def _waited_for(self, futures: Collection[Any]) -> set[Any]:
        """Those that are done; the library's own waiting wants to know whose they are."""
        try:
            with self._client.as_current():
                return set(
                    wait(list(futures), timeout=LOOK_EACH_S, return_when="FIRST_COMPLETED").done
                )
        except TimeoutError:
            return set()
        except CancelledError as error:
            raise self._lost() from error

    def _result(self, future: Any) -> Done:
        try:
            told: Done = future.result(timeout=RESULT_WITHIN_S)
        except KilledWorker as error:
            raise HandsError(
                "found that several workers ended over one bunch, wanted it done; mend: give "
                "workers more memory (`--memory-limit`), or fewer packs a bunch"
            ) from error
        except (CancelledError, OSError, TimeoutError) as error:
            raise self._lost() from error
        finally:
            future.release()
        return told

    def _lost(self) -> HandsError:
        return HandsError(f"lost the scheduler at {quoted(self._address)}, wanted it until the "
                          "end; mend: look why it ended, and begin again")  # fmt: skip


def _connected(address: str) -> Any:
    """A client of the scheduler there; None: nobody answers.

    In a thread of its own: with somebody who takes the connection and then says nothing, the
    library waits without end, whatever it is given for a limit.
    """
    answer: list[Any] = []

    def connect() -> None:
        with suppress(Exception):
            answer.append(_Asking(address, timeout=ANSWERS_WITHIN_S, set_as_default=False))

    asking = Thread(target=connect, daemon=True, name="asks-the-scheduler")
    asking.start()
    asking.join(ANSWERS_WITHIN_S + LOOK_EACH_S)
    return answer[0] if answer else None


class _Asking(Client):  # type: ignore[misc]
    """A client that whoever has it closes, and that does nothing when it is collected as garbage.

    The library's own closes itself then. Where that happens while the next one begins, in the same
    thread, both want one lock, and neither ever gets it.
    """

    def __init__(self, address: str, **options: Any) -> None:
        try:
            super().__init__(address, **options)
        except BaseException:
            with suppress(Exception):
                self.close(timeout=2)
            with suppress(Exception):
                self._loop_runner.stop()  # where it closed itself already, that is still to do
            raise

    def __del__(self) -> None:
        pass
