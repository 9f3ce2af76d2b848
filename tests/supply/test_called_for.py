"""Nothing stands in the house that nobody calls for, and what a public function raises it says."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from supply_kit import ROOT

HOUSE = sorted((ROOT / "carerules").rglob("*.py"))
HERE = {"property", "staticmethod", "classmethod", "dataclass", "frozen", "contextmanager", "cache",
        "lru_cache", "cached_property"}  # fmt: skip
"""Decorators that call nothing by themselves; others hand what they decorate to somebody."""

UNCALLED = {
    # By a library, or for one: what a stream, a group of commands and a trigger must have.
    "readinto", "makefile", "format_commands", "get_next_fire_time",
    # By those who write a plug-in, and name its type.
    "Maker",
}  # fmt: skip
"""What no text of the house names a second time, and who calls for it all the same."""


def front(text: str) -> str:
    """A package's front door without what it passes on: that is no use of it."""
    lines = text.splitlines()
    for node in ast.parse(text).body:
        passes = isinstance(node, ast.ImportFrom) or (
            isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
        )
        if passes and node.end_lineno is not None:
            lines[node.lineno - 1 : node.end_lineno] = [""] * (node.end_lineno - node.lineno + 1)
    return "\n".join(lines)


def words(text: str) -> Iterator[str]:
    """Every word of a source but those of its comments and docstrings."""
    told = {
        node.value.lineno
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        doc = token.type == tokenize.STRING and token.start[0] in told
        if token.type != tokenize.COMMENT and not doc:
            yield from re.findall(r"\w+", token.string)


def made(text: str) -> Iterator[str]:
    """Every name that a source makes: functions, methods, classes, and the module's own values."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            by = {ast.unparse(one).partition("(")[0].rpartition(".")[2]
                  for one in node.decorator_list}  # fmt: skip
            if by <= HERE and not node.name.startswith("__"):
                yield node.name
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else []
        targets = [node.target] if isinstance(node, ast.AnnAssign) else targets
        yield from (one.id for one in targets
                    if isinstance(one, ast.Name) and not one.id.startswith("__"))  # fmt: skip


def uncalled(texts: list[str], beside: list[str]) -> set[str]:
    """Names that are made in a text, and stand nowhere else. By the word alone: what has the name
    of something else is not found."""
    count = Counter(word for text in texts for word in words(text))
    count.update(word for text in beside for word in re.findall(r"\w+", text))
    return {name for text in texts for name in made(text) if count[name] < 2}


def test_nothing_stands_there_that_nobody_calls_for() -> None:
    texts = [file.read_text("utf-8") for file in HOUSE]
    texts = [
        front(text) if file.name == "__init__.py" else text
        for file, text in zip(HOUSE, texts, strict=True)
    ]
    beside = [
        file.read_text("utf-8")
        for kind in ("*.html", "*.lark")
        for file in (ROOT / "carerules").rglob(kind)
    ]
    assert len(beside) > 10
    assert uncalled(texts, beside) == UNCALLED


def test_what_nobody_calls_for_is_found() -> None:
    text = '"""Of alone."""\nLEFT = 1\ndef alone() -> int:\n    return kept()\ndef kept(): ...\n'
    assert uncalled([text], []) == {"LEFT", "alone"}
    assert uncalled([text], ["{{ alone }}"]) == {"LEFT"}
    assert front('from a import alone\n__all__ = ["alone"]\nX = 1\n').split() == ["X", "=", "1"]


# ---- what is raised -----------------------------------------------------------------------------

TOLD_ELSEWHERE = {"MisfitError", "KeyboardInterrupt", "StopIteration", "SystemExit"}
"""Of a check that pydantic calls and words; of the language itself; of a command, whose help has
its exit status."""


def own(node: ast.AST) -> Iterator[ast.AST]:
    """What stands in a function itself: not in one within, and not where it is caught at once."""
    for child in ast.iter_child_nodes(node):
        if isinstance(node, ast.Try) and node.handlers and child in node.body:
            continue
        if not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield child
            yield from own(child)


def unsaid(tree: ast.Module | ast.ClassDef, about: str = "") -> Iterator[str]:
    """Each public function that raises something, and whose docstring does not say so."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from unsaid(node, ast.get_docstring(node) or "")
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if node.name.startswith("_") and node.name != "__init__":
            continue
        raised = {
            ast.unparse(one.exc).partition("(")[0]
            for one in own(node)
            if isinstance(one, ast.Raise) and one.exc is not None
        } - TOLD_ELSEWHERE
        said = (ast.get_docstring(node) or "") + (about if node.name == "__init__" else "")
        # What has a name in lower case was made elsewhere: that something is raised is enough then.
        tells = re.search(r"[Rr]aise|comes out as", said)
        unnamed = {one for one in raised if not (one in said or (tells and not made_here(one)))}
        if re.search(r"\bAs `\w+\.\w+`", said):
            continue  # a contract's own words
        if unnamed:
            yield f"{node.name}: {', '.join(sorted(unnamed))}"


def made_here(raised: str) -> bool:
    """Whether it is an error's own name, and not that of what makes one."""
    return raised.rpartition(".")[2].lstrip("_")[:1].isupper()


def test_what_a_public_function_raises_it_says() -> None:
    found = {
        f"{file.relative_to(ROOT)} {one}"
        for file in HOUSE
        for one in unsaid(ast.parse(Path(file).read_text("utf-8")))
    }
    assert found == set()


def test_what_is_raised_unsaid_is_found() -> None:
    code = 'def f():\n    """Half of it."""\n    raise OSError("gone")\n'
    assert list(unsaid(ast.parse(code))) == ["f: OSError"]
    assert list(unsaid(ast.parse(code.replace("Half of it.", "Half of it; raises OSError.")))) == []
    other = ast.parse(code.replace("Half of it.", "Half of it; raises ValueError."))
    assert list(unsaid(other)) == ["f: OSError"]
    made = ast.parse(code.replace('OSError("gone")', "gone()"))
    assert list(unsaid(made)) == ["f: gone"]
