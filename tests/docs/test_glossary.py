"""docs/glossary.md: one word for one thing, in docs, help, messages, on the board's pages, and in
what the program says to those who read it."""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import click
import pytest

from carerules.cli import main

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGE = (DOCS / "glossary.md").read_text("utf-8")
SPEECH = "carerules/lang/phrases.py"
"""Turns of everyday speech, which are told how they are written: all that is not a word here."""


class Row(NamedTuple):
    words: tuple[str, ...]
    forbidden: tuple[str, ...]
    allowed: tuple[str, ...]


def rows() -> Iterator[Row]:
    for head, _, forbidden, allowed in re.findall(
        r"^\| (\*\*.+?) \| (.+?) \|(?: (.*?))? \|(?: (.*?))? \|$", PAGE, re.M
    ):
        yield Row(
            tuple(re.findall(r"\*\*`?(.+?)`?\*\*", head)),
            tuple(filter(None, (one.strip() for one in forbidden.split(",")))),
            tuple(filter(None, (one.strip() for one in allowed.split(",")))),
        )


ROWS = list(rows())
ALLOWED = sorted({one.strip("`") for row in ROWS for one in row.allowed}, key=len, reverse=True)
FORBIDDEN = {one: row.words[0] for row in ROWS for one in row.forbidden}
WORD = re.compile(
    r"\b(" + "|".join(re.escape(one) for one in sorted(FORBIDDEN, key=len, reverse=True))
    + r")(?:s|es|d|ed|ing)?\b", re.I,
)  # fmt: skip


def found(text: str) -> list[str]:
    """The words that are not ours, each with a little of what stands about it."""
    text = re.sub(r"\s+", " ", text)
    for phrase in ALLOWED:
        text = re.sub(rf"\b{re.escape(phrase)}(?:s|ed)?\b", "...", text, flags=re.I)
    return [text[max(0, one.start() - 30) : one.end() + 20] for one in WORD.finditer(text)]


def prose(text: str) -> str:
    """A page without what is shown as code, and without addresses of links."""
    text = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    text = re.sub(r"`[^`\n]*`", "`", text)
    text = re.sub(r"\[[\w/.-]+\.md\]\([^)]*\)", "[a page]", text)
    return re.sub(r"\]\([^)]*\)|<!--.*?-->", "]", text, flags=re.DOTALL)


PAGES = [
    ROOT / "README.md",
    ROOT / "CHANGELOG.md",
    ROOT / "DEVELOPERS.md",
    *sorted(DOCS.rglob("*.md")),
]
PAGES.remove(DOCS / "glossary.md")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_a_page_has_no_other_word(page: Path) -> None:
    assert found(prose(page.read_text("utf-8"))) == []


def helps(command: click.Command, path: str = "carerules") -> Iterator[tuple[str, str]]:
    yield path, command.help or ""
    for param in command.params:
        if isinstance(param, click.Option):
            yield f"{path} {param.opts[0]}", param.help or ""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from helps(inner, f"{path} {name}")


def test_no_help_has_another_word() -> None:
    told = dict(helps(main))
    assert len(told) > 150
    assert {path: words for path, text in told.items() if (words := found(prose(text)))} == {}


def test_no_page_of_the_board_has_another_word() -> None:
    files = sorted((ROOT / "carerules" / "board" / "templates").glob("*.html"))
    assert len(files) > 10
    code = re.compile(r"\{[{%#].*?[}%#]\}|<[^>]*>", re.DOTALL)
    told = {file.name: code.sub(" ", file.read_text("utf-8")) for file in files}
    labels = {f"{file.name} {kind}": words for file in files for kind, words in re.findall(
        r'\b(title|aria-label|placeholder|alt)="([^"]*)"', file.read_text("utf-8"))}  # fmt: skip
    both = {**told, **labels}
    assert {name: words for name, text in both.items() if (words := found(text))} == {}


@cache
def messages(file: Path) -> tuple[str, ...]:
    """Texts of the program in which there are words: what is no docstring, and has a blank."""
    tree = ast.parse(file.read_text("utf-8"))
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    texts = (
        node.value for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told
    )  # fmt: skip
    return tuple(text for text in texts if " " in text.strip())


CODE = [file for file in sorted((ROOT / "carerules").rglob("*.py"))
        if str(file.relative_to(ROOT)) != SPEECH]  # fmt: skip


def test_no_message_has_another_word() -> None:
    assert sum(len(messages(file)) for file in CODE) > 2_000
    told = {
        f"{file.relative_to(ROOT)}: {text[:60]}": words
        for file in CODE
        for text in messages(file)
        if (words := found(prose(text)))
    }
    assert told == {}


MANY = {
    ("calendar/guard.py", "rules"): "more than the most that a series may have",
    ("calendar/guard.py", "times"): "more than the most that a day may have",
    ("cli/campaign.py", "nights"): "a share of one, in a second",
    ("cli/exporting.py", "packs"): "a column of a table",
    ("cli/exporting.py", "rows"): "a column of a table",
    ("cli/played.py", "times"): "so many times as fast",
    ("cli/serving.py", "plugs"): "one is said otherwise, just before",
    ("cli/sharing.py", "sites"): "more than one machine serves",
    ("domain/wording.py", "samples"): "as the author wrote it",
    ("fleet/gather.py", "sites"): "more than one pass takes; or of how many",
    ("lang/hints.py", "packs"): "a word of the language",
    ("lang/together.py", "samples"): "as the author wrote it",
    ("loop/world.py", "cells"): "kept in journals, and told to nobody",
    ("report/fleet.py", "sites"): "of how many",
    ("service/checkup.py", "times"): "three at least",
    ("sim/pack.py", "cells"): "told to nobody",
    ("adapters/journal.py", "rows"): "told where there are many",
}
"""Where a number stands before a plural without `counted`, and why it is not one."""
PLURAL = re.compile(
    r"^ (packs|rules|cells|stations|samples|plugs|jobs|chores|notices|nevers|scenarios|nights|"
    r"findings|sites|readings|uses|rows|errors|warnings|times|charges|moves|feeds|channels|entries)\b"
)


def plurals(file: Path) -> Iterator[str]:
    """The plurals that stand behind a number which is worked out, other than by `counted`."""
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if not isinstance(node, ast.JoinedStr):
            continue
        for number, text in pairwise(node.values):
            match number, text:
                case ast.FormattedValue(ast.Name(str(name))), _ if name.isupper():
                    pass  # a limit of ours, of more than one
                case ast.FormattedValue(), ast.Constant(str(said)) if found := PLURAL.match(said):
                    yield found[1]
                case _:
                    pass


def test_one_thing_is_not_told_as_several() -> None:
    told = {
        (str(file.relative_to(ROOT / "carerules")), word) for file in CODE for word in plurals(file)
    }
    assert told == set(MANY)


def test_a_plural_behind_a_number_is_found(tmp_path: Path) -> None:
    file = tmp_path / "x.py"
    file.write_text(
        'f"{n} packs"; f"{MAX} packs"; f"{n} pack-days"; f"{counted(n, 1)} left"', "utf-8"
    )
    assert list(plurals(file)) == ["packs"]


def test_a_mend_is_told_behind_its_own_word() -> None:
    """`help` is what an option prints; what would put something right is a mend."""
    told = [text for file in CODE for text in messages(file) if re.search(r"\bhelp: ", text)]
    assert told == []
    assert sum("mend: " in text for file in CODE for text in messages(file)) > 20


def comments(text: str) -> Iterator[str]:
    """What a source says to those who read it: its docstrings, and each of its comments."""
    for node in ast.walk(ast.parse(text)):
        match node:
            case ast.Expr(value=ast.Constant(value=str(said))):
                yield said
            case _:
                pass
    block: list[str] = []
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            block.append(token.string.lstrip("# "))
        elif token.type != tokenize.NL:
            yield " ".join(block)
            block = []


def test_no_comment_and_no_docstring_has_another_word() -> None:
    told = {file: list(comments(file.read_text("utf-8"))) for file in CODE}
    assert sum(map(len, told.values())) > 5_000
    assert {
        f"{file.relative_to(ROOT)}: {text[:60]}": words
        for file, texts in told.items()
        for text in texts
        if (words := found(prose(text)))
    } == {}


def test_no_name_of_a_test_has_another_word() -> None:
    names = [
        node.name
        for file in sorted((ROOT / "tests").rglob("test_*.py"))
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]
    assert len(names) > 2_000
    assert [name for name in names if found(name.replace("_", " "))] == []


def test_rules_that_ship_have_no_other_word() -> None:
    for file in sorted((ROOT / "rules").glob("*.care")):
        assert found(file.read_text("utf-8")) == [], file.name


# ---- the glossary itself ------------------------------------------------------------------------


def test_each_word_stands_once_and_is_used_elsewhere() -> None:
    words = [word for row in ROWS for word in row.words]
    assert len(words) == len(set(words)) > 55
    assert len(ROWS) == len(re.findall(r"^\| \*\*", PAGE, re.M))
    text = " ".join(page.read_text("utf-8").lower() for page in PAGES)
    assert [word for word in words if not re.search(rf"\b{re.escape(word)}", text)] == []


def test_no_word_is_forbidden_and_ours() -> None:
    ours = {word for row in ROWS for word in row.words}
    assert ours.isdisjoint(FORBIDDEN)
    assert sum(len(row.forbidden) for row in ROWS) > 50


def test_each_exception_is_needed() -> None:
    texts = [*PAGES, *CODE, *(ROOT / "rules").glob("*.care")]
    whole = re.sub(r"\s+", " ", " ".join(file.read_text("utf-8") for file in texts)).lower()
    assert [phrase for phrase in ALLOWED if phrase.lower() not in whole] == []


def test_words_that_are_not_ours_are_found() -> None:
    """The finder itself: a planted word, one that is allowed, and one in code."""
    assert [WORD.search(one)[1] for one in found("the batteries, Alerts and a task")] == [
        "batteries", "batteries", "batteries",
    ]  # fmt: skip
    assert found("Alerts") == ["Alerts"]
    assert found("a discharge load") == []
    assert len(found("a discharge of the load, and a discharge load")) == 1
    assert found(prose("`battery/estimate` and [x](battery.md)\n```\nalert\n```\n")) == []
    assert found("multitasking, alertness") == []
    said = '"""Of batteries."""\nX = 1  # an alert\n# a\n# task\nY = "alert"\n'
    assert [one for one in comments(said) if one] == ["Of batteries.", "an alert", "a task"]
    assert all(found(one) for one in comments(said) if one)
