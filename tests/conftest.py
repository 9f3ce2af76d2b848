"""Tests run on two processes, a file on one of them; what was measured is said at the end.

The scenarios of one file of tests/e2e run side by side by themselves.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib import import_module
from pkgutil import walk_packages
from typing import Any

import pytest
from hypothesis import settings
from postgres_kit import Server, served

import carerules

# A deadline is a wall-clock claim, and fails on a busy machine what is right.
settings.register_profile("ours", deadline=None)
settings.load_profile("ours")

MEASURED = pytest.StashKey[list[str]]()
"""What scenarios measured, for the eye of whoever ran them; no test asserts it."""


def pytest_configure(config: pytest.Config) -> None:
    config.stash[MEASURED] = []
    config.measured = config.stash[MEASURED]  # type: ignore[attr-defined]


def pytest_collection_finish(session: pytest.Session) -> None:
    """In CI hypothesis tries the same examples each time, and some of them are constants of what
    has been imported: all of ours is, before the first test, whichever file comes before which."""
    if os.environ.get("CI") and session.items:
        for module in walk_packages(carerules.__path__, "carerules."):
            if not module.name.endswith("__main__"):
                import_module(module.name)


def pytest_sessionfinish(session: pytest.Session) -> None:
    output: dict[str, Any] | None = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["measured"] = session.config.stash[MEASURED]


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    node.config.stash[MEASURED].extend(getattr(node, "workeroutput", {}).get("measured", ()))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for line in sorted(terminalreporter.config.stash[MEASURED]):
        terminalreporter.write_line(f"measured: {line}")


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """A PostgreSQL server, one for all tests of this process; each takes a schema of its own."""
    with served() as server:
        yield server
