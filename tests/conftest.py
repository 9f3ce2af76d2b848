"""Tests run on two processes, a file on one of them; what was measured is said at the end.

The scenarios of tests/e2e run side by side by themselves: they are all one group.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

MEASURED = pytest.StashKey[list[str]]()
"""What scenarios measured, for the eye of whoever ran them; no test asserts it."""


def pytest_configure(config: pytest.Config) -> None:
    config.stash[MEASURED] = []
    config.measured = config.stash[MEASURED]  # type: ignore[attr-defined]


def pytest_collection_modifyitems(items: Sequence[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        place = item.path.relative_to(here)
        group = "e2e" if place.parts[0] == "e2e" else str(place)
        item.add_marker(pytest.mark.xdist_group(group))


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
