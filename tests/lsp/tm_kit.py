"""A small reader of TextMate grammars: at each place the leftmost match, of two the first pattern.

Source: the TextMate manual, chapter language grammars (`match`, `captures`, `patterns`, `include`).
Nothing of ours is used. Patterns run in Python's `re`; a grammar that needs more of another engine
fails to compile here.
"""

from __future__ import annotations

import re
from typing import Any


class Scopes:
    """Says for every character of a line which scopes it is in, the outermost first."""

    def __init__(self, grammar: dict[str, Any]) -> None:
        self.grammar = grammar

    def _flat(self, patterns: list[dict[str, Any]]) -> list[dict[str, Any]]:
        found = []
        for one in patterns:
            if "include" in one:
                assert one["include"].startswith("#")
                found += self._flat([self.grammar["repository"][one["include"][1:]]])
            elif "patterns" in one and "match" not in one:
                found += self._flat(one["patterns"])
            else:
                assert set(one) <= {"match", "name", "captures"}, one
                found.append(one)
        return found

    def of(self, line: str) -> list[list[str]]:
        scopes: list[list[str]] = [[] for _ in line]
        self._run(line, 0, len(line), self.grammar["patterns"], scopes)
        return scopes

    def _run(
        self, line: str, at: int, end: int, patterns: list[dict[str, Any]],
        scopes: list[list[str]],
    ) -> None:  # fmt: skip
        flat = self._flat(patterns)
        while at <= end:
            best: tuple[int, re.Match[str], dict[str, Any]] | None = None
            for one in flat:
                match = re.compile(one["match"]).search(line, at, end)
                if match is not None and (best is None or match.start() < best[0]):
                    best = match.start(), match, one
            if best is None:
                return
            _, match, one = best
            self._mark(scopes, match.span(), one.get("name"))
            for number, capture in one.get("captures", {}).items():
                start, stop = match.span(int(number))
                self._mark(scopes, (start, stop), capture.get("name"))
                if "patterns" in capture:
                    self._run(line, start, stop, capture["patterns"], scopes)
            at = max(match.end(), match.start() + 1)

    @staticmethod
    def _mark(scopes: list[list[str]], span: tuple[int, int], name: str | None) -> None:
        if name is not None:
            for place in range(*span):
                scopes[place].append(name)
