"""Statements as they were read last time, for a text that is read again at each key.

Knows which statements are still the same. Does not know what stands in one.
"""

from __future__ import annotations

from typing import TypeAlias

from carerules.domain.diagnostic import Diagnostic
from carerules.lang.findings import Findings
from carerules.lang.parse import parse
from carerules.lang.scan import Item
from carerules.lang.statements import StatementNode

# All that the reading of a statement hangs on: its text, its place, what is known of its margin.
_Key: TypeAlias = tuple[str, int, str, bool, frozenset[int]]
_Read: TypeAlias = tuple[StatementNode | None, tuple[Diagnostic, ...]]


class Memo:
    """Holds what the last two readings met, and nothing older. For one thread."""

    def __init__(self) -> None:
        self._now: dict[_Key, _Read] = {}
        self._before: dict[_Key, _Read] = {}

    def parse(self, item: Item, findings: Findings) -> StatementNode | None:
        """As `parse`, without doing again what was done last time."""
        key = (item.file, item.line, item.text, item.tabbed, frozenset(item.pulled))
        read = self._now.get(key) or self._before.get(key)
        if read is None:
            own = Findings()
            read = parse(item, own), tuple(own.all)
        self._now[key] = read
        findings.all += read[1]
        return read[0]

    def turn(self) -> None:
        """A reading of all files is over: what it did not meet is forgotten after the next."""
        self._before, self._now = self._now, {}
