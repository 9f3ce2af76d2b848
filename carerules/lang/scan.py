"""From a file's text to its statements, each a piece of text that is parsed by itself.

Knows rows, blanks and the left margin. Does not know the grammar: it only looks at each row's
first word, so that a slip in one statement cannot hide the next.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from carerules.domain.action import ACTIONS
from carerules.domain.diagnostic import Diagnostic, Mend, Span
from carerules.lang.findings import Findings
from carerules.lang.limits import FILE_BYTES_MAX, STATEMENTS_MAX

# Words that begin a line inside a rule, never a statement.
INSIDE_WORDS = frozenset({row.name for row in ACTIONS.values()}) | {
    "stop", "rearm", "because", "over",
}  # fmt: skip


SCENE_WORDS = frozenset({"given", "at", "after", "expect"})  # likewise, inside a scenario


@dataclass(slots=True)
class Item:
    """One statement: its rows, the first row's number, and the rows that lost their indentation.

    `tabbed`: there is a tab in the file, so that what lines up with what is anybody's guess.
    """

    file: str
    line: int
    rows: list[str] = field(default_factory=list)
    pulled: set[int] = field(default_factory=set)
    tabbed: bool = False

    @property
    def text(self) -> str:
        """The statement as it stands in the file."""
        return "\n".join(self.rows)


def read_text(raw: bytes, name: str) -> str | Diagnostic:
    """The text of a rule file: UTF-8 without its byte-order mark; at most 1 MiB; no NUL."""
    findings = Findings()
    if len(raw) > FILE_BYTES_MAX:
        return _too_large(len(raw), name, findings)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8", errors="replace")
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        findings.add(
            "not-utf8", f"byte {raw[error.start]:#04x} is not UTF-8 text",
            Span(name, line, column, line, column + 1), Mend("save the file as UTF-8"),
        )  # fmt: skip
        return findings.all[0]
    if "\0" in text:
        before = text[: text.index("\0")]
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        findings.add(
            "not-utf8", "the file holds a zero byte, which is no text",
            Span(name, line, column, line, column + 1), Mend("save the file as UTF-8"),
        )  # fmt: skip
        return findings.all[0]
    return text


def scan(text: str, file: str, findings: Findings) -> Iterator[Item]:
    """The statements of a file, in order; what is wrong with its rows goes to `findings`."""
    if (size := len(text.encode("utf-8", errors="replace"))) > FILE_BYTES_MAX:
        _too_large(size, file, findings)
        return
    item: Item | None = None
    count, tabbed = 0, False
    for line, written in enumerate(text.removeprefix("\ufeff").split("\n"), start=1):
        # One blank for one tab keeps every later column true.
        row = written.replace("\t", " ")
        if not tabbed and row != written and (at := _tab(written)) is not None:
            tabbed = True
            findings.add(
                "tab", "found a tab, wanted spaces", Span(file, line, at + 1, line, at + 2),
                Mend("put four spaces for each tab of the file", "    ", True),
            )  # fmt: skip
        word = _first_word(row)
        if word is None or (item is not None and row[0].isspace()):
            if item is not None:
                item.rows.append(row)
                item.tabbed = tabbed
        elif row[0].isspace():
            # The first statement of a file: read it as if it stood at the margin.
            width = len(row) - len(row.lstrip())
            findings.add(
                "indentation", "this line is indented, and no rule stands above it",
                Span(file, line, 1, line, 1 + width), Mend("begin it at the left margin", "", True),
            )  # fmt: skip
            item = Item(file, line, [row], tabbed=tabbed)
        elif item is not None and _belongs(word, item):
            # What belongs below `when` must be indented further still: no one change does it.
            four = None if word == "when" else "    "
            findings.add(
                "indentation", f"`{word}` stands inside a {_kind(item)}, and is not indented here",
                Span(file, line, 1, line, 1 + len(word)),
                Mend("put four spaces before it", four, at=Span(file, line, 1, line, 1)),
            )  # fmt: skip
            item.pulled.add(line)
            item.rows.append(row)
        else:
            if item is not None:
                yield item
            count += 1
            if count > STATEMENTS_MAX:
                findings.add(
                    "too-many", f"a file holds at most {STATEMENTS_MAX} statements",
                    Span(file, line, 1, line, 1 + len(word)),
                )  # fmt: skip
                return
            item = Item(file, line, [row], tabbed=tabbed)
    if item is not None:
        yield item


def _belongs(word: str, item: Item) -> bool:
    head = _first_word(item.rows[0])
    if word in INSIDE_WORDS:
        return head in ("rule", "when")
    if word in SCENE_WORDS:
        return head == "scenario"
    bare_head = head == "rule" and not any(re.search(r"\bwhen\b", row) for row in item.rows)
    return word == "when" and bare_head


def _kind(item: Item) -> str:
    return "scenario" if _first_word(item.rows[0]) == "scenario" else "rule"


_FIRST_WORD = re.compile(r"\s*([\w.-]+|[^\s#])")


def _first_word(row: str) -> str | None:
    """None for an empty row and for one that is only a comment."""
    found = _FIRST_WORD.match(row)
    return found[1] if found else None


def _tab(row: str) -> int | None:
    """Where the first tab is; one in a comment is nobody's business."""
    at = row.index("\t")
    hash_at = row[:at].find("#")
    return None if hash_at >= 0 and row[:hash_at].count('"') % 2 == 0 else at


def _too_large(size: int, file: str, findings: Findings) -> Diagnostic:
    # Of a file no more is read than shows that it is too large: how large it is nobody knows.
    said = f"more than {FILE_BYTES_MAX}" if size == FILE_BYTES_MAX + 1 else f"{size}"
    findings.add(
        "too-large", f"the file has {said} bytes, and at most {FILE_BYTES_MAX} are read",
        Span(file, 1, 1, 1, 2), Mend('split it, and take the parts in with `use "NAME.care"`'),
    )  # fmt: skip
    return findings.all[-1]
