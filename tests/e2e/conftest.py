"""Runs the scenarios side by side: they mostly wait for timers, and there are many of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from e2e_kit import Stage

AT_ONCE = 12
"""On two cores: a stage waits nine tenths of its time."""


class Running:
    """Every collected scenario, begun with the first of its file that is asked for."""

    def __init__(
        self, bodies: list[Callable[[Stage], None]], folder: Path, measured: list[str]
    ) -> None:
        self._folder, self._measured = folder, measured
        self._pool = ThreadPoolExecutor(AT_ONCE)
        self._stages: list[Stage] = []
        self._bodies = bodies
        self._futures: dict[Callable[[Stage], None], Future[None]] = {}

    def outcome(self, body: Callable[[Stage], None]) -> None:
        if body not in self._futures:
            for one in self._bodies:
                if one.__module__ == body.__module__:
                    self._futures[one] = self._pool.submit(self._play, one)
        self._futures[body].result()

    def _play(self, body: Callable[[Stage], None]) -> None:
        stage = Stage(self._folder / body.__name__)
        self._stages.append(stage)
        try:
            body(stage)
        except BaseException as error:
            error.add_note(stage.account())
            raise
        finally:
            stage.close()
            self._measured.extend(f"{body.__name__}: {line}" for line in stage.measured)

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)
        for stage in self._stages:  # a run that is broken off: each ends at its next wait
            stage.close()
        self._pool.shutdown(wait=True)


@pytest.fixture(scope="session")
def running(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Running]:
    bodies = [
        item.function.body  # type: ignore[attr-defined]
        for item in request.session.items
        if hasattr(getattr(item, "function", None), "body")
    ]
    measured: list[str] = request.config.measured  # type: ignore[attr-defined]
    running = Running(bodies, tmp_path_factory.mktemp("stages"), measured)
    yield running
    running.close()


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    """A stage for a test that is quick, or that wants to be alone."""
    stage = Stage(tmp_path)
    yield stage
    stage.close()
