"""How many faults planted in `carerules/safety` the tests find, into docs/reliability-mutation.md.

    pip install mutmut; python benchmarks/mutation.py [--out docs/reliability-mutation.md]

Works on a copy of the checkout, never on the checkout itself. Two sets of faults: those that mutmut
plants in functions; and those planted here in what it leaves alone (constants of a module, defaults
of a class, entries of a table of checks, decorated functions). `tests/safety` looks for each.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOM, TESTS = "carerules/safety", "tests/safety"
WANTED = 0.97
SETTINGS = f"""
[tool.mutmut]
source_paths = ["{ROOM}/"]
pytest_add_cli_args = ["-n", "0"]
pytest_add_cli_args_test_selection = ["{TESTS}/"]
also_copy = ["carerules", "tests", "rules", "integrations"]
"""
ALIKE = """
Known among these are the values with which a moment begins that has never been (0 or -1, against
1 ms after 1970: no moment of a site lies between), `lowest_wh`, which is read only beside a
`lowest_v` that was seen, and `floor_charge`, which every bench of a blind station is given. They
change nothing that can be observed.
"""
KILLED = frozenset({1, 3, 36, -24, 24, 152, 255})
"""mutmut's own: a test failed, an error, out of time or of CPU."""
PATIENCE_S = 120


@dataclass(frozen=True)
class Planted:
    """One fault: the file's name, the line, what was done there, and whether a test failed."""

    file: str
    line: int
    what: str
    found: bool


# ---- by mutmut ------------------------------------------------------------------------------


def by_mutmut(copy: Path) -> list[Planted]:
    with (copy / "pyproject.toml").open("a", encoding="utf-8") as settings:
        settings.write(SETTINGS)
    env = {**os.environ, "PYTHONPATH": ""}
    run = subprocess.run(
        ["mutmut", "run", "--max-children", "1"], cwd=copy, env=env, check=False,
        capture_output=True, text=True,
    )  # fmt: skip
    planted = []
    for meta in sorted((copy / "mutants" / ROOM).glob("*.meta")):
        table = json.loads(meta.read_text("utf-8"))["exit_code_by_key"]
        for name, status in table.items():
            if status is None:
                raise SystemExit(f"mutmut came not as far as {name}:\n{run.stdout[-2_000:]}")
            what = "" if status in KILLED else shown(copy, name)
            planted.append(Planted(meta.stem, 0, what or name, status in KILLED))
    if not planted:
        raise SystemExit(f"mutmut planted nothing:\n{run.stdout[-2_000:]}{run.stderr[-2_000:]}")
    return planted


def shown(copy: Path, name: str) -> str:
    """The lines that a fault changed."""
    run = subprocess.run(["mutmut", "show", name], cwd=copy, check=False, capture_output=True,
                         text=True)  # fmt: skip
    lines = [line for line in run.stdout.splitlines() if line[:1] in "+-" and line[:3] not in
             ("+++", "---")]  # fmt: skip
    return " ".join(" ".join(lines).split())


# ---- in what mutmut leaves alone ------------------------------------------------------------


def by_hand(copy: Path) -> list[Planted]:
    planted = []
    for path in sorted((copy / ROOM).glob("*.py")):
        if path.name == "__init__.py":
            continue
        whole = path.read_text("utf-8")
        for line, what, text in variants(ast.parse(whole)):
            path.write_text(text, "utf-8")
            there = whole.splitlines()[line - 1].strip().rstrip(",")
            planted.append(Planted(path.name, line, f"`{there}`: {what}", finds(copy)))
        path.write_text(whole, "utf-8")
    return planted


def finds(copy: Path) -> bool:
    """Whether a test fails. A fault that hangs them is found, too."""
    words = [
        sys.executable,
        "-B",
        "-m",
        "pytest",
        "-x",
        "-q",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        TESTS,
    ]
    env = {**os.environ, "PYTHONPATH": str(copy)}
    try:
        run = subprocess.run(words, cwd=copy, env=env, check=False, timeout=PATIENCE_S,
                             capture_output=True, text=True)  # fmt: skip
    except subprocess.TimeoutExpired:
        return True
    if run.returncode not in (0, 1, 2, 4):
        raise SystemExit(run.stdout[-2_000:])
    return run.returncode != 0


def variants(tree: ast.Module) -> Iterator[tuple[int, str, str]]:
    """Each fault as line, words, and the module's whole text."""
    for index, place in enumerate(left_alone(tree)):
        for number, what in enumerate(faults_of(place)):
            twin = deepcopy(tree)
            plant(left_alone(twin)[index], number)
            before = "" if isinstance(place, ast.Tuple) else f"`{ast.unparse(place)}` "
            yield place.lineno, before + what, ast.unparse(ast.fix_missing_locations(twin))


def left_alone(tree: ast.Module) -> list[ast.expr]:
    """The expressions of constants, defaults, tables and decorated functions."""
    found: list[ast.expr] = []
    bodies = [tree.body, *(node.body for node in tree.body if isinstance(node, ast.ClassDef))]
    for node in (node for body in bodies for node in body):
        if isinstance(node, ast.AnnAssign) and ast.unparse(node.annotation) == "TypeAlias":
            continue
        if isinstance(node, (ast.Assign, ast.AnnAssign)) and node.value is not None:
            # A unit beside a number is not spoilt: the number is.
            units = {one for part in ast.walk(node.value) if isinstance(part, ast.BinOp)
                     for one in (part.left, part.right) if isinstance(one, ast.Name)}  # fmt: skip
            found += [
                one for one in ast.walk(node.value)
                if isinstance(one, ast.expr) and one not in units and faults_of(one)
            ]  # fmt: skip
        elif isinstance(node, ast.FunctionDef) and node.decorator_list:
            found += [
                one for line in node.body for one in ast.walk(line)
                if isinstance(one, ast.expr) and faults_of(one)
            ]  # fmt: skip
    return found


def faults_of(node: ast.AST) -> tuple[str, ...]:
    """What can be done wrong here."""
    match node:
        case ast.Constant(value=bool() as value):
            return (f"{not value}",)
        case ast.Constant(value=int() | float() as value):
            return ("half as much again", "a quarter less") if value else ("1",)
        case ast.Tuple(elts=[ast.Constant(), _]):
            return ()  # a check with its name: the whole entry is taken out, not a half of it
        case ast.Tuple(elts=elements) if len(elements) > 1:
            return tuple(f"without {ast.unparse(one)}" for one in elements)
        case ast.BoolOp():
            return ("and for or, or for and",)
        case ast.Compare(ops=[ast.Is()]):
            return ("is not",)
        case ast.Name(id="MINUTE" | "SECOND" | "HOUR" | "DAY", ctx=ast.Load()):
            return ("half as much again", "a quarter less")
        case _:
            return ()


def plant(node: ast.expr, number: int) -> None:
    """Do the fault of this number."""
    match node:
        case ast.Constant(value=bool()):
            node.value = not node.value
        case ast.Constant(value=int() | float() as value):
            node.value = (value * 1.5, value * 0.75)[number] if value else 1
        case ast.Tuple():
            del node.elts[number]
        case ast.BoolOp():
            node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        case ast.Compare():
            node.ops = [ast.IsNot()]
        case ast.Name():
            node.id = f"{node.id} * {(1.5, 0.75)[number]}"


# ---- the page -------------------------------------------------------------------------------


def table(planted: list[Planted]) -> str:
    all_of, found = Counter(p.file for p in planted), Counter(p.file for p in planted if p.found)
    lines = ["| module | planted | found | share |", "| --- | --: | --: | --: |"]
    for file in sorted(all_of):
        share = found[file] / all_of[file]
        lines.append(f"| {file} | {all_of[file]} | {found[file]} | {share:.1%} |")
    share = sum(found.values()) / len(planted)
    lines.append(f"| **all** | **{len(planted)}** | **{sum(found.values())}** | **{share:.1%}** |")
    return "\n".join(lines)


def missed(planted: list[Planted]) -> str:
    lines = [f"- {p.file}{f', line {p.line}' if p.line else ''}: {p.what}"
             for p in planted if not p.found]  # fmt: skip
    return "Not found:\n\n" + "\n".join(lines) if lines else "Every one was found."


def page(mutmut: list[Planted], hand: list[Planted]) -> str:
    """What is written to docs/."""
    return f"""# Faults planted in the safety room, and how many the tests find

Each is one small change of `carerules/safety`; found is one that makes a test of `tests/safety`
fail. Wanted: {WANTED:.0%} of those in functions. Made by `pip install mutmut; python
benchmarks/mutation.py` (mutmut {version("mutmut")}, Python {platform.python_version()},
{date.today():%Y-%m-%d}; it works on a copy). That a planted fault is found says that the tests look
there; it does not say that the code has no other.

## In functions, planted by mutmut

{table(mutmut)}

{missed(mutmut)}

## In what mutmut leaves alone

Constants of a module (half as much again, a quarter less), defaults of a class, each entry taken
out of the table of checks, conditions in decorated functions.

{table(hand)}

{missed(hand)}
{"" if all(p.found for p in hand) else ALIKE}"""


def main() -> int:
    options = argparse.ArgumentParser(description="faults planted in carerules/safety")
    options.add_argument("--out", type=Path, default=ROOT / "docs" / "reliability-mutation.md")
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".*", "__pycache__", "mutants"))
        assert not finds(copy), "the tests hold before anything is planted"
        hand = by_hand(copy)
        mutmut = by_mutmut(copy)
    asked.out.write_text(page(mutmut, hand), "utf-8")
    score = sum(p.found for p in mutmut) / len(mutmut)
    print(f"{score:.1%} of {len(mutmut)}; {sum(p.found for p in hand)} of {len(hand)} by hand")
    return int(score < WANTED)


if __name__ == "__main__":
    sys.exit(main())
