"""What is public tells how it is used: a docstring, units, shapes, and where a figure comes from.

The words that count as a unit stand here. What a function raises is held in `test_called_for`, the
figures of the chemistry files one by one in `tests/battery/test_chemistry_files.py`.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from supply_kit import ROOT

HOUSE = ROOT / "carerules"
ROOMS = ("domain", "lang", "engine", "battery", "safety", "loop", "replay", "planner", "report",
         "calendar", "plugin", "fleet", "adapters")  # fmt: skip
FILES = [file for room in ROOMS for file in sorted((HOUSE / room).rglob("*.py"))]
FILES.append(HOUSE / "plugkit.py")

NAMES_OF_UNITS = frozenset(
    re.findall(
        r"\w+",
        "s ms h min day days d wh ah w v a c k mv ma mohm ohm soc volts watts percent share "
        "seconds hours minutes sigmas points",
    )
)
"""A part of a name that says a unit, as in `cell_v_min`."""
NAMES_OF_COUNTS = frozenset(
    re.findall(
        r"\w+",
        "chars lines line columns column rows row index count number digits packs width "
        "height cells cell seq port step steps at start end begin first last most max size "
        "tries level bytes axis pid times id",
    )
)
"""A part of a name that says what a whole number counts, or what it is the place of."""
UNITS = re.compile(
    r"%|°C|0\.\.1|\b1, 0, -1\b|\bA(?=[,.;:)/])"
    r"|(?<!')\b(K|V|Ah|Wh|kWh|W|mV|mΩ|Ω|mm|ms|s|min|h|d|C)\b"
    r"|\b(milli)?seconds?\b|\bsigma|\b(minutes|hours?|days?|[Pp]ercent|points?|units?|capacities"
    r"|volts|watts|amperes|bytes|shares?|fractions?|probability|factors?|moments?|money)\b"
)
"""What a docstring says of a unit; `A` is no article, and `'s` no second."""
COUNTS = re.compile(
    r"\b[Hh]ow (many|often|much|far)\b|\b([Nn]umber(s|ed)?|[Cc]ount(s|ed)?|[Ll]ines?|characters?"
    r"|columns?|place|order|index|rows?|units|steps?|[Aa]x[ei]s|status|process)\b"
)
BARE = re.compile(r"\b(float|int|Floats|Ints|NDArray|ndarray)\b")
ARRAY = re.compile(r"\b(Floats|Ints|Bools|NDArray|ndarray)\b")
SHAPES = re.compile(r"\b(each|every|one an?|per|as many|rows?|columns?|in order)\b")

Function = ast.FunctionDef | ast.AsyncFunctionDef


def told(node: ast.AST) -> str:
    """A docstring on one line, or nothing."""
    return " ".join((ast.get_docstring(node) or "").split())  # type: ignore[arg-type]


def public(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """What a body makes and does not keep to itself."""
    for node in body:
        if isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_"):
            yield node


def functions(tree: ast.Module) -> Iterator[tuple[str, Function]]:
    """Each public function, and each public method of a public class."""
    for node in public(tree.body):
        if isinstance(node, Function):
            yield node.name, node
        elif isinstance(node, ast.ClassDef):
            yield from (
                (f"{node.name}.{one.name}", one)
                for one in public(node.body)
                if isinstance(one, Function)
            )


def fields(tree: ast.Module, text: str) -> Iterator[tuple[str, str, ast.expr, str]]:
    """Each public field of a public class: what is said of it stands in the class's docstring,
    below the field or beside it."""
    lines = text.splitlines()
    for node in public(tree.body):
        if not isinstance(node, ast.ClassDef):
            continue
        for one, after in zip(node.body, [*node.body[1:], None], strict=True):
            if isinstance(one, ast.AnnAssign) and isinstance(one.target, ast.Name):
                beside = lines[one.lineno - 1].partition("#")[2]
                below = words_of(after)
                name = one.target.id
                if not name.startswith("_"):
                    said = f"{told(node)} {below} {beside}"
                    yield f"{node.name}.{name}", name, one.annotation, said


def words_of(node: ast.stmt | None) -> str:
    """The text of a statement that is nothing but a text."""
    match node:
        case ast.Expr(value=ast.Constant(value=str(text))):
            return text
    return ""


# ---- a docstring --------------------------------------------------------------------------------


BUILDERS = {"Builder"}
"""Classes whose methods say nothing: each has the name of the line of the grammar that it takes."""


def untold(tree: ast.Module) -> Iterator[str]:
    for node in public(tree.body):
        assert isinstance(node, Function | ast.ClassDef)
        if not told(node):
            yield node.name
    yield from (
        name
        for name, node in functions(tree)
        if "." in name and not told(node) and name.partition(".")[0] not in BUILDERS
    )


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(HOUSE)))
def test_what_is_public_says_what_it_is(file: Path) -> None:
    assert list(untold(ast.parse(file.read_text("utf-8")))) == []


# ---- units and shapes ---------------------------------------------------------------------------


def names_unit(name: str, annotation: ast.expr, said: str) -> bool:
    """Whether it is told what a bare number counts; true of what is none."""
    kind = ast.unparse(annotation)
    if not BARE.search(kind) or "Callable" in kind:
        return True
    parts = set(name.lower().split("_"))
    if parts & NAMES_OF_UNITS or UNITS.search(said):
        return True
    whole = not re.search(r"\b(float|Floats)\b", kind)
    return whole and bool(parts & NAMES_OF_COUNTS or COUNTS.search(said))


def unitless(text: str) -> Iterator[str]:
    """Each bare number at a public function or class of which nobody is told the unit."""
    tree = ast.parse(text)
    if "base unit" in told(tree):
        return  # of numbers alone, whatever they measure
    for where, node in functions(tree):
        said, args = told(node), node.args
        for one in (*args.posonlyargs, *args.args, *args.kwonlyargs):
            if one.annotation is not None and not names_unit(one.arg, one.annotation, said):
                yield f"{where}: {one.arg}"
        if node.returns is not None and not names_unit(node.name, node.returns, said):
            yield f"{where}: what it returns"
    for where, name, annotation, said in fields(tree, text):
        if not names_unit(name, annotation, said):
            yield where


def shapeless(text: str) -> Iterator[str]:
    """Each public function or field of arrays that does not say what there is one of for what."""
    tree = ast.parse(text)
    for where, node in functions(tree):
        args = (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)
        kinds = [one.annotation for one in args] + [node.returns]
        arrays = [kind for kind in kinds if kind is not None and ARRAY.search(ast.unparse(kind))]
        if arrays and not SHAPES.search(told(node)):
            yield where
    for where, _, annotation, said in fields(tree, text):
        if ARRAY.search(ast.unparse(annotation)) and not SHAPES.search(said):
            yield where


@pytest.mark.parametrize("file", FILES, ids=lambda file: str(file.relative_to(HOUSE)))
def test_a_bare_number_names_its_unit_and_an_array_its_shape(file: Path) -> None:
    text = file.read_text("utf-8")
    assert list(unitless(text)) == []
    assert list(shapeless(text)) == []


# ---- where a figure comes from ------------------------------------------------------------------

FIGURES = sorted(
    (*(HOUSE / "battery").rglob("*.py"), *(HOUSE / "safety").rglob("*.py"),
     HOUSE / "lang" / "limits.py")
)  # fmt: skip
SOURCE = re.compile(
    r"no\s+source|from\s+memory|common\s+practice|our\s+choice\b|\(measured\)|judgement|doi\s"
    r"|\b(19|20)\d\d\b|\bIEC\b|CODATA|SAFETY \d|as in `|by\s+definition"
    r"|\bcells? (above|below)\b",
    re.IGNORECASE,
)
"""A publication, or the plain word that there is none; SAFETY and a number is our own
contract (`docs/safety.md`)."""
ARITHMETIC = {0, 1, 2, 3, 4, -1, 0.5, 100, 1_000, 3_600, 1e-3, 1e-6, 1e6}
"""No figures of anything: halves and squares, percent, and the steps from unit to unit."""


def numbers(node: ast.AST) -> Iterator[ast.Constant]:
    for one in ast.walk(node):
        if isinstance(one, ast.Constant) and type(one.value) in (int, float):
            yield one


def sourceless(text: str) -> Iterator[str]:
    """Figures of nobody: a constant whose comment or docstring names no source (constants that
    follow one another share what comes below the last), or a figure within a function that has
    none beside it, above it or in the docstring."""
    tree, lines = ast.parse(text), text.splitlines()
    ours = SOURCE.search(told(tree)) and "each" in told(tree)
    waiting: list[tuple[str, str]] = []
    for node, after in zip(tree.body, [*tree.body[1:], None], strict=True):
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            beside = "\n".join(lines[node.lineno - 2 : node.end_lineno])
            if any(numbers(node.value)) and not ours:
                waiting.append((ast.unparse(target), beside))
            if isinstance(after, ast.Assign | ast.AnnAssign) and not gap(lines, node, after):
                continue
        elif not isinstance(node, ast.Expr):
            for function in ast.walk(node):
                if isinstance(function, Function):
                    yield from figures(function, lines)
        below = words_of(after)
        yield from (name for name, beside in waiting if not SOURCE.search(beside + below))
        waiting = []


def gap(lines: list[str], node: ast.stmt, after: ast.stmt) -> bool:
    """Whether an empty line stands between two statements."""
    assert node.end_lineno is not None
    return "" in (line.strip() for line in lines[node.end_lineno : after.lineno - 1])


def figures(function: Function, lines: list[str]) -> Iterator[str]:
    for one in numbers(function):
        near = lines[one.lineno - 4 : one.lineno]
        said = " ".join([*(line.partition("#")[2] for line in near), told(function)])
        if one.value not in ARITHMETIC and not SOURCE.search(said):
            yield f"{function.name}: {one.value}"


@pytest.mark.parametrize("file", FIGURES, ids=lambda file: str(file.relative_to(HOUSE)))
def test_a_figure_says_where_it_comes_from(file: Path) -> None:
    assert list(sourceless(file.read_text("utf-8"))) == []


def leaves(table: dict[str, object], above: str = "") -> Iterator[str]:
    """The numbers in a table of TOML that has no `source`, nor stands in one that has."""
    if "source" in table:
        return
    for key, value in table.items():
        if isinstance(value, dict):
            yield from leaves(value, f"{above}{key}.")
        elif isinstance(value, list | int | float) and not isinstance(value, bool):
            yield above + key


CHEMISTRIES = sorted((HOUSE / "battery" / "chemistries").rglob("*.toml"))


@pytest.mark.parametrize("file", CHEMISTRIES, ids=lambda file: file.stem)
def test_a_number_of_a_chemistry_stands_beside_its_source(file: Path) -> None:
    assert list(leaves(tomllib.loads(file.read_text("utf-8")))) == []


# ---- what each of them finds --------------------------------------------------------------------


def test_what_is_untold_is_found() -> None:
    text = (
        "class Pack:\n    '''A pack.'''\n    def charge(self): ...\ndef _own(): ...\ndef f(): ...\n"
    )
    assert list(untold(ast.parse(text))) == ["f", "Pack.charge"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("def drain(to: float) -> None:\n    'Down to there.'", ["drain: to"]),
        ("def drain(to: float) -> None:\n    'Down to there (%).'", []),
        ("def drain(to_v: float) -> None:\n    'Down to there.'", []),
        ("def lines() -> float:\n    'How many.'", ["lines: what it returns"]),
        ("def lines() -> int:\n    'All.'", []),
        ("def of(found: list[int]) -> bool:\n    'Whether.'", ["of: found"]),
        ("def late(now: Moment, at: bool) -> str:\n    'Whether.'", []),
        ("class Pack:\n    'A pack.'\n    size: float", ["Pack.size"]),
        ("class Pack:\n    'A pack.'\n    size: float\n    'In Ah.'", []),
        ("class Pack:\n    'A pack.'\n    size: float  # Ah", []),
        ("class Pack:\n    'A pack.'\n    def size(self) -> float:\n        'Its size.'",
         ["Pack.size: what it returns"]),
    ],
)  # fmt: skip
def test_a_number_without_a_unit_is_found(text: str, found: list[str]) -> None:
    assert list(unitless(text)) == found


def test_an_array_without_a_shape_is_found() -> None:
    text = "def volts(at: Ints) -> Floats:\n    'Volts at those moments.'"
    assert list(shapeless(text)) == ["volts"]
    assert list(shapeless(text.replace("those moments", "each moment"))) == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("REST_V = 3.4", ["REST_V"]),
        ("REST_V = 3.4\n'''V a cell.'''", ["REST_V"]),
        ("REST_V = 3.4  # common practice, no source", []),
        ("LOW = 3.4\nHIGH = 3.5\n'''From memory.'''", []),
        ("LOW = 3.4\n\nHIGH = 3.5\n'''From memory.'''", ["LOW"]),
        ("LOW = 3.4\n'''V.'''\nHIGH = 3.5\n'''From memory.'''", ["LOW"]),
        ("def f(x):\n    return 1.37 * x", ["f: 1.37"]),
        ("def f(x):\n    return 2 * x / 3_600", []),
        ("def f(x):\n    return 1.37 * x  # from memory", []),
        ("class A:\n    def f(self, x=0.02):\n        '''Half (no source).'''\n", []),
        ("class A:\n    def f(self, x=0.02):\n        '''Half.'''\n", ["f: 0.02"]),
        ("NAME = 'x'\nWHOLE = True\n", []),
    ],
)
def test_a_figure_of_nobody_is_found(text: str, found: list[str]) -> None:
    assert list(sourceless(text)) == found


def test_a_number_of_toml_beside_no_source_is_found() -> None:
    text = "x = 1\n[rest]\nsource = 'doi'\npoints = [[1, 2]]\n[limits]\nv = { value = 1 }\n"
    assert list(leaves(tomllib.loads(text))) == ["x", "limits.v.value"]
