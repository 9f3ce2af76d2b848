"""The house: how long a module and a function may be, what each module says of itself, and which
libraries of others it knows.

The limits are our own (DEVELOPERS.md), no source: past them there are two ideas, and the second one
has a name. Which room may know which is held by `lint-imports`; here, that no library is forgotten.
"""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from supply_kit import ROOT

MODULE_LINES_MAX = 350
TEST_LINES_MAX = 650
"""A file of tests is a table, and is read by the name of the case that failed."""
FUNCTION_LINES_MAX = 60

HOUSE = sorted((ROOT / "carerules").rglob("*.py"))
BESIDE = sorted(
    file
    for folder in ("benchmarks", "examples", "docs", ".ci", "integrations")
    for file in (ROOT / folder).rglob("*.py")
)
TESTS = sorted((ROOT / "tests").rglob("*.py"))

LONG_FUNCTIONS = {
    # The yardstick: what a person would write out in one loop, measured beside the engine.
    "benchmarks/online.py hand",
}
"""What is longer all the same, and why."""


def name(file: Path) -> str:
    return str(file.relative_to(ROOT))


def long_functions(file: Path, text: str) -> Iterator[str]:
    """Each function of a source that is longer than it may be."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            if node.end_lineno - node.lineno + 1 > FUNCTION_LINES_MAX:
                yield f"{name(file)} {node.name}"


def test_no_module_is_longer_than_it_may_be() -> None:
    assert len(HOUSE) > 400
    assert len(BESIDE) > 10
    most = dict.fromkeys((*HOUSE, *BESIDE), MODULE_LINES_MAX)
    most |= dict.fromkeys(TESTS, TEST_LINES_MAX)
    lines = {file: len(file.read_text("utf-8").splitlines()) for file in most}
    longer = {name(file): lines[file] for file in most if lines[file] > most[file]}
    assert longer == {}


def test_no_function_is_longer_than_it_may_be() -> None:
    found = {
        one
        for file in (*HOUSE, *BESIDE, *TESTS)
        for one in long_functions(file, file.read_text("utf-8"))
    }
    assert found == LONG_FUNCTIONS


def test_the_measure_of_a_function() -> None:
    body = "    x = 1\n" * (FUNCTION_LINES_MAX - 1)
    here = Path(__file__)
    assert list(long_functions(here, f"def f():\n{body}")) == []
    assert list(long_functions(here, f"async def f():\n{body}    x = 2\n")) == [f"{name(here)} f"]


# ---- what a module says of itself ---------------------------------------------------------------

KNOWS = re.compile(r"\b[Kk]nows?\b")
NOT = re.compile(r"\b([Nn]ot|[Nn]o|[Nn]othing|[Nn]ever|[Nn]obody|[Nn]either|[Ww]ithout|[Pp]ure)\b")


def untold(text: str) -> list[str]:
    """What a module's head lacks: what it is, what it knows, what it does not."""
    head = ast.get_docstring(ast.parse(text)) or ""
    first, _, rest = head.partition("\n")
    lacks = [] if len(first) > 20 and not rest.partition("\n")[0] else ["one line that says what"]
    lacks += [] if KNOWS.search(head) else ["what it knows"]
    return lacks + ([] if NOT.search(head) else ["what it does not"])


@pytest.mark.parametrize("room", sorted({file.parent for file in HOUSE}), ids=name)
def test_each_module_says_what_it_knows_and_what_it_does_not(room: Path) -> None:
    found = {name(file): untold(file.read_text("utf-8")) for file in sorted(room.glob("*.py"))}
    assert found
    assert {file: lacks for file, lacks in found.items() if lacks} == {}


def test_a_head_that_lacks_something_is_found() -> None:
    head = "The last word on each intent."
    assert untold(f"'{head} Knows limits, and no rule.'") == []
    assert untold(f"'{head}'") == ["what it knows", "what it does not"]
    assert len(untold("X = 1")) == 3


# ---- libraries of others ------------------------------------------------------------------------

EVERYWHERE = {"pydantic", "pydantic_core"}
"""Whoever parses at a door has it; the core does not (below)."""
CORE = ("domain", "engine", "safety", "loop", "lang")


def roots(text: str) -> set[str]:
    """The first name of everything that a source imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Import(names=names):
                found |= {one.name.partition(".")[0] for one in names}
            case ast.ImportFrom(module=str(module), level=0):
                found.add(module.partition(".")[0])
            case _:
                pass
    return found


def contracts() -> list[dict[str, object]]:
    table = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    found: list[dict[str, object]] = table["tool"]["importlinter"]["contracts"]
    return found


def test_each_library_has_its_rooms() -> None:
    """Under a contract that holds for the whole house, but for the rooms it names."""
    used = set().union(*(roots(file.read_text("utf-8")) for file in HOUSE))
    theirs = used - set(sys.stdlib_module_names) - {"carerules", "__future__"}
    held: set[str] = set()
    for one in contracts():
        if one["type"] == "forbidden" and one["source_modules"] == ["carerules"]:
            assert isinstance(one["forbidden_modules"], list)
            held |= set(one["forbidden_modules"])
    assert theirs - held == EVERYWHERE
    assert len(held) > 15


@pytest.mark.parametrize("room", CORE)
def test_the_core_has_no_library_but_the_parsers(room: str) -> None:
    files = sorted((ROOT / "carerules" / room).rglob("*.py"))
    used = set().union(*(roots(file.read_text("utf-8")) for file in files))
    theirs = used - set(sys.stdlib_module_names) - {"carerules", "__future__"}
    assert theirs == ({"lark"} if room == "lang" else set())


def test_floors_and_circles_are_held_for_every_room() -> None:
    (floors,) = (one for one in contracts() if one["type"] == "layers")
    assert floors["containers"] == ["carerules"]
    assert floors["exhaustive"] is True
    assert "exhaustive_ignores" not in floors
    (circles,) = (one for one in contracts() if one["type"] == "acyclic_siblings")
    assert circles["ancestors"] == ["carerules.**"]
