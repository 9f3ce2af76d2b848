"""Every feature once from end to end: a client of the protocol, a process, the pipes between."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from features_kit import SITE
from lsp_kit import Editor, applied, at, columns_16, editor, range_at
from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException

from carerules.lsp.server.handlers import build

MAIN = """# 24 µΩ \U0001f50b for heron
use "shared.care"
let low = 40 %   # \U0001f50b
rule keep over brim-full
    when pack.soc > 90 % for 12 h: drain to low
"""
SHARED = "rule brim-full when pack.soc >= 95 % for 24 h: drain to 80 %\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shed µ")  # an address that must be escaped
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    (folder / "shared.care").write_text(SHARED, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def one(folder: Path) -> Iterator[Editor]:
    with editor(folder) as connected:
        yield connected


@pytest.fixture
def main(one: Editor, folder: Path) -> Iterator[str]:
    """The address of an open document."""
    uri = (folder / "main.care").as_uri()
    one.open(uri, MAIN)
    yield uri
    one.shut(uri)


def _document(uri: str) -> lsp.TextDocumentIdentifier:
    return lsp.TextDocumentIdentifier(uri)


# ---- findings ----------------------------------------------------------------------------------


def test_what_is_right_is_said_to_be_so(one: Editor, main: str) -> None:
    assert one.findings(main) == []


def test_findings_as_one_types(one: Editor, main: str) -> None:
    one.change(main, (range_at(MAIN, "pack.soc"), "pack.sock"))
    (found,) = one.findings(main)
    text = MAIN.replace("pack.soc", "pack.sock")
    assert (found.code, found.severity, found.source) == (
        "unknown-signal", lsp.DiagnosticSeverity.Error, "carerules",
    )  # fmt: skip
    assert found.range == range_at(text, "pack.sock")
    one.change(main, (range_at(text, "pack.sock"), "pack.soc"))
    assert one.findings(main) == []


def test_changes_behind_signs_of_two_units(one: Editor, main: str) -> None:
    """Several changes in one message, each counted in what the one before left."""
    first = MAIN.replace("24 µΩ", "\U0001f50b\U0001f50b µ")
    second = first.replace("for heron", "Ω for heron")
    third = second.replace("# \U0001f50b\nrule", "\nrule")
    one.change(
        main,
        (range_at(MAIN, "24 µΩ"), "\U0001f50b\U0001f50b µ"),
        (lsp.Range(at(first, "for heron"), at(first, "for heron")), "Ω "),
        (range_at(second, "# \U0001f50b\nrule"), "\nrule"),
        (lsp.Range(at(third, "40 %"), at(third, "40 %", after=4)), "40 W"),
    )
    (found,) = one.findings(main)
    assert found.code == "unit-mismatch"
    one.change(main, (range_at(third.replace("40 %", "40 W"), "40 W"), "40 %"))
    assert one.findings(main) == []


def test_lines_end_where_the_protocol_says(one: Editor, main: str) -> None:
    """U+2028 and a form feed end no line; `\\r\\n` and a lone `\\r` do. The language's own rows end
    at `\\n`, so that the second statement is not read as one of its own."""
    text = "# a\u2028b\fc\r\nwhen pack.sock > 5: retire\r\n# \r# \U0001f50b é\r\n"
    text += "when pack.sick > 5: retire"
    one.change(main, (None, text))
    found = one.findings(main)
    assert [(d.range.start.line, d.range.start.character) for d in found] == [(1, 5), (4, 5)]


def test_the_whole_text_at_once(one: Editor, main: str) -> None:
    one.change(main, (None, "when pack.soc >= 95 for 24h: drane to 80"))
    (found,) = one.findings(main)
    assert found.code == "unknown-word"


def test_proofs_come_too(one: Editor, main: str) -> None:
    rivals = "rule a when pack.soc > 90: drain to 50\nrule b when pack.soc > 80: drain to 40\n"
    one.change(main, (None, rivals))
    assert "rivals" in [found.code for found in one.findings(main)]


def test_long_proofs_come_after_a_pause(one: Editor, main: str) -> None:
    text = "".join(
        f"rule r{n} when pack.soc > {60 + n % 30} % for {12 + n} h: drain to {40 + n % 10} %\n"
        for n in range(120)
    )
    one.change(main, (None, text))
    version = one.version
    found = one.wait(lambda: next(
        (told.diagnostics for told in one.found[main]
         if told.version == version and told.diagnostics), None))  # fmt: skip
    assert "rivals" in [one.code for one in found]
    first = next(told for told in one.found[main] if told.version == version)
    assert first.diagnostics == ()


def test_a_name_unused_is_faded_and_notes_have_places(one: Editor, main: str) -> None:
    text = "let a = 5 %\nrule b when pack.soc > 9: retire\nrule b when pack.soc > 8: retire\n"
    one.change(main, (None, text))
    by_code = {found.code: found for found in one.findings(main)}
    assert by_code["unused-name"].tags == (lsp.DiagnosticTag.Unnecessary,)
    assert by_code["unused-name"].severity == lsp.DiagnosticSeverity.Warning
    (note,) = by_code["duplicate-name"].related_information or ()
    assert note.location == lsp.Location(main, range_at(text, "b", 0))


def test_another_open_file_counts_as_it_is_open(one: Editor, main: str, folder: Path) -> None:
    shared = (folder / "shared.care").as_uri()
    one.codes(main)
    one.open(shared, SHARED.replace("brim-full", "topped-up"))
    one.codes(main, "unknown-rule")
    one.change(
        shared, (range_at(SHARED.replace("brim-full", "topped-up"), "topped-up"), "brim-full")
    )
    one.codes(main)
    one.change(shared, (range_at(SHARED, "brim-full"), "topped-up"))
    one.codes(main, "unknown-rule")
    one.shut(shared)  # what is saved counts again
    one.codes(main)


def test_a_file_taken_in_with_an_error_is_told_where_it_is_taken_in(
    one: Editor, main: str, folder: Path
) -> None:
    shared = (folder / "shared.care").as_uri()
    one.open(shared, "when pack.sock > 5: retire\n" + SHARED)
    (wrong,) = one.codes(main, "unknown-signal")
    assert wrong.range == range_at(MAIN, "shared.care")
    (note,) = wrong.related_information or ()
    assert note.location.uri == shared
    one.shut(shared)
    one.codes(main)


def test_what_is_closed_is_no_longer_underlined(one: Editor, folder: Path) -> None:
    uri = (folder / "closing.care").as_uri()
    one.open(uri, "when when")
    assert one.findings(uri)
    one.shut(uri)
    one.codes(uri)


def test_a_document_that_was_never_saved(one: Editor) -> None:
    one.open("untitled:Untitled-1", 'use "lipo"\nwhen pack.sock > 5: retire\n')
    (found,) = one.findings("untitled:Untitled-1")
    assert found.code == "unknown-signal"
    one.shut("untitled:Untitled-1")


# ---- reading -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mark", "said"),
    [("pack.soc", "state of charge"), ("12 h", "twelve hours"), ("drain", "drain to SOC"),
     ("brim-full", "rule brim-full"), ("low\n", "40 percent")],
)  # fmt: skip
def test_hover(one: Editor, main: str, mark: str, said: str) -> None:
    found = one.ask(
        "text_document_hover", lsp.HoverParams(_document(main), at(MAIN, mark, after=1))
    )
    assert said in found.contents.value
    assert found.contents.kind == lsp.MarkupKind.Markdown
    assert found.range.start == at(MAIN, mark)


def test_hover_over_nothing(one: Editor, main: str) -> None:
    at_end = lsp.HoverParams(_document(main), lsp.Position(400, 4))
    assert one.ask("text_document_hover", at_end) is None


def test_completion(one: Editor, main: str) -> None:
    text = "rule more on pack "
    one.change(main, (None, text))
    found = one.ask(
        "text_document_completion",
        lsp.CompletionParams(_document(main), lsp.Position(0, len(text))),
    )
    labels = [item.label for item in found.items]
    assert {"heron", "egret"} <= set(labels)
    heron = next(item for item in found.items if item.label == "heron")
    assert heron.text_edit.new_text == "heron"
    assert heron.text_edit.range.start == heron.text_edit.range.end


def test_definition_in_another_file_and_in_the_site(one: Editor, main: str, folder: Path) -> None:
    def where(text: str, mark: str) -> list[tuple[str, int]]:
        found = one.ask(
            "text_document_definition",
            lsp.DefinitionParams(_document(main), at(text, mark, after=1)),
        )
        return [(place.uri, place.range.start.line) for place in found]

    shared = (folder / "shared.care").as_uri()
    assert where(MAIN, "brim-full") == [(shared, 0)]
    assert where(MAIN, "shared.care") == [(shared, 0)]
    assert where(MAIN, "low\n") == [(main, 2)]
    text = "rule a on pack egret when pack.soc > 9: retire"
    one.change(main, (None, text))
    line = SITE[: SITE.index("[pack.egret]")].count("\n")
    assert where(text, "egret") == [((folder / "site.toml").as_uri(), line)]


def test_a_shipped_file_can_be_opened(one: Editor, main: str) -> None:
    one.change(main, (None, 'use "lipo"\n'))
    (found,) = one.ask(
        "text_document_definition", lsp.DefinitionParams(_document(main), lsp.Position(0, 6))
    )
    assert found.uri.endswith("/rules/lipo.care")


def test_references(one: Editor, main: str) -> None:
    for given, count in ((True, 2), (False, 1)):
        found = one.ask(
            "text_document_references",
            lsp.ReferenceParams(lsp.ReferenceContext(given), _document(main), at(MAIN, "low")),
        )
        assert len(found) == count


def test_a_name_is_lit_up_where_it_is_given_and_where_it_is_used(one: Editor, main: str) -> None:
    found = one.ask(
        "text_document_document_highlight",
        lsp.DocumentHighlightParams(_document(main), at(MAIN, "low\n")),
    )
    kinds = lsp.DocumentHighlightKind
    assert [(each.range, each.kind) for each in found] == [
        (range_at(MAIN, "low"), kinds.Write), (range_at(MAIN, "low", nth=1), kinds.Read),
    ]  # fmt: skip


def test_the_list_of_statements(one: Editor, main: str) -> None:
    found = one.ask("text_document_document_symbol", lsp.DocumentSymbolParams(_document(main)))
    assert [item.name for item in found] == ["shared.care", "low", "keep"]


# ---- writing -----------------------------------------------------------------------------------


def test_rename_over_files(one: Editor, main: str, folder: Path) -> None:
    place = at(MAIN, "brim-full", after=2)
    ready = one.ask("text_document_prepare_rename", lsp.PrepareRenameParams(_document(main), place))
    assert (ready.placeholder, ready.range) == ("brim-full", range_at(MAIN, "brim-full"))
    edit = one.ask("text_document_rename", lsp.RenameParams(_document(main), place, "too-full"))
    shared = (folder / "shared.care").as_uri()
    assert applied(MAIN, edit.changes[main]) == MAIN.replace("brim-full", "too-full")
    assert applied(SHARED, edit.changes[shared]) == SHARED.replace("brim-full", "too-full")
    assert set(edit.changes) == {main, shared}


def test_a_rename_that_is_refused_says_why(one: Editor, main: str) -> None:
    place = at(MAIN, "pack.soc")
    for method, params in (
        ("text_document_rename", lsp.RenameParams(_document(main), place, "x")),
        ("text_document_prepare_rename", lsp.PrepareRenameParams(_document(main), place)),
    ):
        with pytest.raises(JsonRpcException, match="signals have fixed names") as caught:
            one.ask(method, params)
        assert caught.value.code == lsp.LSPErrorCodes.RequestFailed.value


def test_layout(one: Editor, main: str) -> None:
    text = "# \U0001f50b\nwhen pack.soc>95 for 24hours:\n  drain to 80\n"
    one.change(main, (None, text))
    edits = one.ask(
        "text_document_formatting",
        lsp.DocumentFormattingParams(_document(main), lsp.FormattingOptions(4, True)),
    )
    right = "# \U0001f50b\nwhen pack.soc > 95 for 24 h:\n    drain to 80\n"
    assert applied(text, list(edits)) == right


def test_a_mend_is_offered_and_puts_it_right(one: Editor, main: str) -> None:
    text = "# \U0001f50b\nwhen pack.sock > 95 for 1 d: drain to 80"
    one.change(main, (None, text))
    (found,) = one.findings(main)
    (action,) = one.ask(
        "text_document_code_action",
        lsp.CodeActionParams(_document(main), found.range, lsp.CodeActionContext([found])),
    )
    assert (action.title, action.kind) == ("write `pack.soc`", lsp.CodeActionKind.QuickFix)
    assert [one.code for one in action.diagnostics] == ["unknown-signal"]
    right = applied(text, list(action.edit.changes[main]))
    one.change(main, (None, right))
    assert one.findings(main) == []


def test_everything_safe_at_once_for_those_who_ask_for_that(one: Editor, main: str) -> None:
    text = "When pack.soc => 95 for 1 d: drain to 80"
    one.change(main, (None, text))
    whole = lsp.Range(lsp.Position(0, 0), lsp.Position(0, 0))
    only = lsp.CodeActionContext([], only=[lsp.CodeActionKind.Source])
    (action,) = one.ask(
        "text_document_code_action", lsp.CodeActionParams(_document(main), whole, only)
    )
    assert action.kind == lsp.CodeActionKind.SourceFixAll
    assert applied(text, list(action.edit.changes[main])) == text.replace("W", "w").replace(
        "=>", ">="
    )


# ---- the counting that is agreed ---------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-32"])
def test_columns_count_as_agreed(tmp_path: Path, encoding: str) -> None:
    row = 'when pack.soc > 95: notify "\U0001f50b µ Ω" urgnt'
    before = row[: row.index("urgnt")]
    width = {"utf-8": len(before.encode()), "utf-16": columns_16(before), "utf-32": len(before)}
    with editor(tmp_path, encodings=[encoding]) as other:
        uri = (tmp_path / "a.care").as_uri()
        other.open(uri, row)
        (found,) = other.findings(uri)
        assert found.range.start == lsp.Position(0, width[encoding])
        other.change(uri, (lsp.Range(found.range.start, lsp.Position(0, 999)), "urgent"))
        assert other.findings(uri) == []


def test_what_the_server_says_it_can_do(tmp_path: Path) -> None:
    one = Editor(cwd=tmp_path)
    result = one.start(tmp_path)
    can = result.capabilities
    assert can.position_encoding == "utf-16"
    assert can.text_document_sync is not None
    assert can.text_document_sync.change == lsp.TextDocumentSyncKind.Incremental  # type: ignore[union-attr]
    for name in ("hover_provider", "completion_provider", "definition_provider", "rename_provider",
                 "references_provider", "document_formatting_provider", "code_action_provider",
                 "code_lens_provider", "document_symbol_provider",
                 "document_highlight_provider"):  # fmt: skip
        assert getattr(can, name), name
    assert one.stop() == 0


def test_each_request_that_is_answered_is_asked_over_the_wire() -> None:
    """One more is asked here, or in a file beside this one."""
    answered = build().protocol.fm.features.keys()
    snake = {re.sub(r"(?=[A-Z])", "_", one.replace("/", "_")).lower() for one in answered}
    asked = "".join(file.read_text("utf-8") for file in Path(__file__).parent.glob("test_*.py"))
    told = {one for one in snake if "_did_" in one} | {"initialize"}
    assert len(snake - told) > 10
    assert {one for one in snake - told if f'"{one}"' not in asked} == set()


# ---- without the extra -------------------------------------------------------------------------


def test_without_the_library_one_line_says_how_to_get_it(tmp_path: Path) -> None:
    """`pygls` is hidden from the process, as where it is not installed."""
    hide = (
        "import sys, importlib.util as u; real = u.find_spec\n"
        "u.find_spec = lambda name, *more: None if name == 'pygls' else real(name, *more)\n"
        "import carerules.cli; sys.argv = ['carerules', 'lsp']; carerules.cli.main()"
    )
    got = subprocess.run([sys.executable, "-c", hide], capture_output=True, text=True, check=False,
                         cwd=tmp_path, env={"PYTHONPATH": ":".join(sys.path)})  # fmt: skip
    assert got.returncode == 2
    assert got.stdout == ""
    assert got.stderr == (
        "the editor service is not installed; mend: `pip install 'carerules[editor]'`\n"
    )


def test_features_and_command_load_no_protocol_library() -> None:
    code = (
        "import sys, carerules.lsp.features, carerules.lsp.journal, carerules.cli.editing\n"
        "assert not {'pygls', 'lsprotocol'} & set(sys.modules)"
    )
    env = {"PYTHONPATH": ":".join(sys.path)}
    subprocess.run([sys.executable, "-c", code], check=True, env=env)
