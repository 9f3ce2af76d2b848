"""Where a name is given, where else it stands, and what it is to be called instead.

Knows names over all files that are checked together. Does not know what any of them is good for.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

from carerules.domain.diagnostic import Severity, Span
from carerules.domain.frozen import guarded
from carerules.lang import KEYWORDS, Loaded, load
from carerules.lang.memo import Memo
from carerules.lang.names import Mention, Statement
from carerules.lsp.features.findings import Place
from carerules.lsp.features.mends import Edit
from carerules.lsp.features.sight import Sight
from carerules.lsp.text import Document, Position, Range

NAME = re.compile(r"[^\W\d][\w-]{0,63}")
TEXT = re.compile(r'[^"\n{}]{1,400}')

SITE_FILE = ""
"""The file of a place in the site file, which has no name among the rule files."""


# ---- one thing, however it is mentioned --------------------------------------------------------


def same(one: Mention, sight: Sight) -> tuple[str, str, str]:
    """What a mention names: the kind of thing, its name, and in which file or scenario it is so."""
    match one.kind:
        case "let":
            return "let", one.name, one.span.file
        case "setting":
            return "let", one.name, one.within
        case "kind" if _group_of(one.name, one.span.file, sight):
            return "group", one.name, one.span.file
        case "group":
            return "group", one.name, one.span.file
        case "pack" if one.within:
            return "pack", one.name, f"{one.span.file}\n{one.within}"
        case "scenario":
            return "scenario", one.name, one.span.file
        case _:
            return one.kind, one.name, ""


def _group_of(name: str, file: str, sight: Sight) -> bool:
    outline = sight.outlines.get(file)
    return outline is not None and any(
        one.kind == "group" and one.name == name for one in outline.names
    )


def mentions_of(one: Mention, sight: Sight) -> list[Mention]:
    """Every mention of the same thing, file by file."""
    thing = same(one, sight)
    return [
        other for outline in sight.outlines.values() for other in outline.names
        if other.name == one.name and same(other, sight) == thing
    ]  # fmt: skip


def definitions_of(one: Mention, sight: Sight) -> list[Mention]:
    """The mentions that give the name."""
    return [other for other in mentions_of(one, sight) if other.gives]


def statement_of(one: Mention, sight: Sight) -> tuple[Statement, list[str]] | None:
    """The statement that a mention stands in, and its rows with the comments right above."""
    outline, text = sight.outlines.get(one.span.file), sight.loaded.sources.get(one.span.file)
    if outline is None or text is None:
        return None
    line = one.span.line
    for statement in outline.statements:
        if not statement.span.line <= line <= statement.span.end_line:
            continue
        rows = text.removeprefix("\ufeff").split("\n")
        first, last = statement.span.line - 1, statement.span.end_line
        while first > 0 and rows[first - 1].startswith("#"):
            first -= 1
        return statement, [row.rstrip() for row in rows[first:last]]
    return None


# ---- where -------------------------------------------------------------------------------------


def definition(sight: Sight, at: Position) -> list[Place]:
    """Where the name under the cursor is given: a statement, a file, a table of the site file."""
    one = sight.mention_at(sight.document.offset(at))
    if one is None:
        return []
    if one.kind == "file":
        start = Range(Position(0, 0), Position(0, 0))
        return [Place(one.name, start)] if one.name in sight.loaded.sources else []
    if given := definitions_of(one, sight):
        return [_place(other.span, sight) for other in given]
    return _in_site_file(one, sight)


def references(sight: Sight, at: Position, *, with_definition: bool = True) -> list[Place]:
    """Every place of the thing under the cursor, in all files that are checked together."""
    one = sight.mention_at(sight.document.offset(at))
    if one is None:
        return []
    return [
        _place(other.span, sight) for other in mentions_of(one, sight)
        if with_definition or not other.gives
    ]  # fmt: skip


@guarded
class Highlight:
    """A place in the file that is open; `gives`: the name is given there."""

    range: Range
    gives: bool


def highlights(sight: Sight, at: Position) -> list[Highlight]:
    """Every place of the thing under the cursor in this file: a rule and a `let` of one name are
    two things, which the letters alone do not tell apart."""
    one = sight.mention_at(sight.document.offset(at))
    here = [] if one is None else mentions_of(one, sight)
    return [
        Highlight(sight.document.range_of(other.span), other.gives)
        for other in here if other.span.file == sight.file
    ]  # fmt: skip


def _place(span: Span, sight: Sight) -> Place:
    return Place(span.file, sight.document_of(span.file).range_of(span))


def _in_site_file(one: Mention, sight: Sight) -> list[Place]:
    """The table of the site file that gives a pack or a signal; its text lies with the rules'."""
    site = sight.together.setting
    table = {"pack": "pack", "signal": "signal"}.get(one.kind)
    if site is None or table is None:
        return []
    name = one.name.removeprefix("site.") if table == "signal" else one.name
    heading = re.compile(rf'^\[{table}\.(?:"|\')?({re.escape(name)})(?:"|\')?\]', re.MULTILINE)
    found = heading.search(sight.together.site_text)
    if found is None:
        return []
    document = Document(sight.together.site_text, sight.document.encoding)
    return [Place(SITE_FILE, document.range(found.start(1), found.end(1)))]


# ---- another name ------------------------------------------------------------------------------


@guarded
class Refused:
    """Why a name cannot be changed, or not to that."""

    why: str


_WHOSE = {
    "signal": "signals have fixed names", "day": "days have fixed names",
    "file": "rename the file itself", "kind": "chemistries and tags are named in the site file",
    "chemistry": "chemistries are named in their files", "role": "roles are named in the site file",
    "tag": "tags are named in the site file", "channel": "channels are named in the site file",
    "pack": "packs are named in the site file",
}  # fmt: skip


def renamable(sight: Sight, at: Position) -> tuple[Range, str] | Refused | None:
    """The name under the cursor, if it is one that may be changed here; None: there is no name."""
    one = sight.mention_at(sight.document.offset(at))
    if one is None:
        return None
    kind = same(one, sight)[0]
    given = definitions_of(one, sight)
    if kind == "event":
        return Refused("journals count the event by this name, and would begin anew")
    if not given:
        return Refused(_WHOSE.get(one.kind, f"nothing here gives `{one.name}`"))
    fixed = next((other for other in given if other.span.file in sight.together.fixed), None)
    if fixed is not None:
        return Refused(f"`{one.name}` is given in `{fixed.span.file}`, which ships as it is")
    torn = next((file for file, outline in sight.outlines.items() if outline.torn), None)
    if torn is not None:
        line = sight.outlines[torn].torn[0]
        return Refused(f"the statement in line {line} of `{torn}` cannot be read; mend it first")
    return sight.document.range_of(one.span), one.name


def rename(sight: Sight, at: Position, name: str) -> Mapping[str, list[Edit]] | Refused | None:
    """The changes that call the thing under the cursor otherwise, by file.

    Everything else means what it did: the files are read again with the new name, and where that
    is not so, it is refused.
    """
    may = renamable(sight, at)
    if may is None or isinstance(may, Refused):
        return may
    one = sight.mention_at(sight.document.offset(at))
    assert one is not None
    if one.name == name:
        return {}
    if (why := _unfit(name, one)) is not None:
        return Refused(why)
    edits: dict[str, list[Edit]] = {}
    texts = dict(sight.loaded.sources)
    for other in sorted(mentions_of(one, sight), key=_from_the_end):
        file = other.span.file
        document = sight.document_of(file)
        start, end = document.offsets_of(other.span)
        edits.setdefault(file, []).insert(0, Edit(document.range(start, end), name))
        texts[file] = texts[file][:start] + name + texts[file][end:]
    if (why := _changed(sight, texts)) is not None:
        return Refused(why)
    return edits


def _from_the_end(one: Mention) -> tuple[str, int, int]:
    return one.span.file, -one.span.line, -one.span.column


def _unfit(name: str, one: Mention) -> str | None:
    if one.kind == "scenario":
        fits = TEXT.fullmatch(name) is not None
        return None if fits else "the name of a scenario is a text without quotation marks"
    if NAME.fullmatch(name) is None:
        return f"`{name[:40]}` is no name: letters, digits, `-` and `_`, at most 64"
    return f"`{name}` is a word of the language" if name in KEYWORDS else None


_NOWHERE = Span("", 0, 0, 0, 0)  # a longer name moves what stands behind it


def _changed(sight: Sight, texts: Mapping[str, str]) -> str | None:
    """What would not be as it was; None: all the same."""
    together = sight.together
    after = load(
        {file: texts[file] for file in (*together.tops, sight.file) if file in texts},
        catalogue=together.signals, names=together.names, memo=Memo(),
        fetch=lambda name: texts[name] if name in texts else together.fetch(name),
    )  # fmt: skip
    before = sight.loaded
    new = Counter(_code(after)) - Counter(_code(before))
    if new:
        found = next(one for one in after.diagnostics if one.code in {code for code, _ in new})
        return f"it would not hold together any more: {found.message}"
    if before.plan is not None and after.plan is not None:
        keys = [sorted(rule.key for rule in one.plan.rules) for one in (before, after) if one.plan]
        nevers = [
            [replace(never, span=_NOWHERE) for never in one.plan.nevers]
            for one in (before, after) if one.plan
        ]  # fmt: skip
        if keys[0] != keys[1] or nevers[0] != nevers[1]:
            return "a rule would mean another thing: the name is used for something else"
    return None


def _code(loaded: Loaded) -> list[tuple[str, Severity]]:
    return [(one.code, one.severity) for one in loaded.diagnostics]
