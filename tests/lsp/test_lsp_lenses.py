"""The line above each rule: by hand, against what `carerules why` says, and over the wire."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from lsp_kit import Editor, editor, range_at
from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException
from reading_kit import FIRES, FULL, RULES, Story, draining_heron, full_heron, make_site, seen_heron

from carerules.adapters import SqliteJournal
from carerules.domain.event import Tick
from carerules.domain.moment import HOUR, MINUTE, SECOND
from carerules.lsp.features import Outlook, lenses
from carerules.lsp.features.lenses import rule_line
from carerules.lsp.journal import read_outlook
from carerules.lsp.library import Library, Shelf
from carerules.lsp.text import Document
from carerules.report import RuleShape

NOW = datetime.fromisoformat("2026-12-01T18:00:00+00:00")
PART = {"words": "x", "holds": "no", "ran_s": None, "wanted_s": None, "seen": [], "parts": []}


def shape(
    holds: str = "no", *, fired: bool = False, after: timedelta | None = None, obstacle: str = ""
) -> RuleShape:
    return RuleShape.model_validate({
        "rule": "a", "because": None, "holds": holds, "fired": fired,
        "fires_at": None if after is None else NOW + after, "moves_energy": True,
        "obstacle": {"interlock": None, "what": obstacle, "mend": None} if obstacle else None,
        "when": PART, "stop": None, "rearm": None,
    })  # fmt: skip


@pytest.mark.parametrize(
    ("states", "line"),
    [
        ([("heron", shape("yes", after=timedelta(0)))], "would fire now for heron"),
        ([("heron", shape("yes", after=timedelta(0), obstacle="heron is on no station"))],
         "would fire now for heron (in its way: heron is on no station)"),
        ([("heron", shape(after=timedelta(hours=4, minutes=10)))],
         "would fire in 4 h 10 min for heron"),
        ([("coot", shape(after=timedelta(days=6))), ("heron", shape(after=timedelta(minutes=5)))],
         "would fire in 5 min for heron, in 6 d for coot"),
        ([("heron", shape("yes", fired=True)), ("egret", shape("unknown")), ("coot", shape())],
         "has fired for heron; unknown for egret; not for coot"),
        ([(f"wren-{n}", shape()) for n in range(9)], "not for wren-0, wren-1, wren-2 and 6 more"),
        ([(f"wren-{n}", shape(after=timedelta(hours=n + 1))) for n in range(5)],
         "would fire in 60 min for wren-0, in 2 h for wren-1, in 3 h for wren-2, later for 2 more"),
    ],
)  # fmt: skip
def test_the_line_of_a_rule(states: list[tuple[str, RuleShape]], line: str) -> None:
    assert rule_line(states, NOW).replace("1 h for wren-0", "60 min for wren-0") == line


# ---- from a journal ----------------------------------------------------------------------------


@pytest.fixture
def story(tmp_path: Path) -> Iterator[Story]:
    story = full_heron(tmp_path)
    yield story
    story.close()


def said(text: str, site: Path) -> list[tuple[int, str]]:
    """The lines above the rules of a text that is open as the site's rule file, and their rows."""
    uri = (site.parent / "shed.care").as_uri()
    sight = Library(site).look(uri, Shelf({uri: Document(text)}))
    return [(one.range.start.line, one.text) for one in lenses(sight, read_outlook(site))]


def test_what_would_come_and_when(story: Story) -> None:
    story.go(Tick(FULL + 20 * HOUR))
    got = said(RULES, story.path)
    # FULL is a minute after the start; the rule fires 24 h after it, on a virtual site's own clock,
    # which stands at the last event that was worth keeping.
    last = story.told[-2][0].heard
    hours = (FULL + 24 * HOUR - last) // HOUR
    assert got[0] == (0, f"would fire in {hours} h 59 min for heron; not for egret")


def test_the_lines_say_what_why_says(story: Story) -> None:
    """For each rule and pack, at several moments: the line names the pack where `why --json` has
    the answer that it stands for."""
    looked = 0
    for at in (FULL + HOUR, FULL + 23 * HOUR, FULL + 24 * HOUR, FULL + 25 * HOUR):
        story.go(seen_heron(at, temperature=45.0), Tick(at + 6 * MINUTE))
        lines = dict(said(RULES, story.path))
        for pack in ("heron", "egret"):
            why = json.loads(story.run("why", pack, "--json").stdout)
            for rule in why["rules"]:
                row = RULES[: RULES.index(f"rule {rule['rule']}")].count("\n")
                part = next(one for one in lines[row].split("; ") if pack in one)
                fires = rule["fires_at"]
                if fires is not None:
                    now = datetime.fromisoformat(fires) <= datetime.fromisoformat(why["at"])
                    assert part.startswith("would fire")
                    assert (f"now for {pack}" in part) == now
                elif rule["fired"]:
                    assert part.startswith("has fired for")
                else:
                    wanted = {"unknown": "unknown for", "no": "not for", "yes": "not for"}
                    assert part.startswith(wanted[rule["holds"]])
                looked += 1
    assert looked >= 16


def test_a_never_says_for_which_packs_it_forbids(story: Story) -> None:
    story.go(seen_heron(FULL + HOUR, temperature=2.0))
    row = RULES[: RULES.index("never")].count("\n")
    lines = dict(said(RULES, story.path))
    assert lines[row] == ("forbids to charge now: heron; cannot be ruled out, so forbids: egret")


def test_a_rule_that_was_changed_or_is_new_is_said_to_be_so(story: Story) -> None:
    text = RULES.replace("95 for 24 h", "96 for 24 h")
    got = said(text, story.path)
    assert got[0] == (0, "not among the rules of boat shed as they are saved")
    renamed = RULES.replace("full-too-long", "brim-full").replace("# ", "#  ")
    assert said(renamed, story.path) == said(RULES, story.path)


def test_a_rule_for_no_pack(tmp_path: Path) -> None:
    text = 'rule none on li-ion packs when pack.soc > 90: notify "{pack}"\n'
    story = full_heron(tmp_path, rules=text)
    assert said(text, story.path) == [(0, "takes in no pack of the site")]
    story.close()


def test_where_the_document_has_an_error_there_are_no_lines(story: Story) -> None:
    assert said(RULES + "when when", story.path) == []


@pytest.mark.parametrize("what", ["no journal", "damaged", "no site", "wrong rules", "wrong site"])
def test_what_cannot_be_said_is_said_above_the_first_rule(tmp_path: Path, what: str) -> None:
    path = make_site(tmp_path)
    wanted = {
        "no journal": "boat shed has no journal yet: it is made when the service runs first",
        "damaged": "is damaged",
        "no site": "no such file",
        "wrong rules": "the saved rules of boat shed have errors",
        "wrong site": "site.toml has errors",
    }[what]
    match what:
        case "damaged":
            (tmp_path / "state").mkdir()
            (tmp_path / "state" / "journal.db").write_bytes(b"no database at all" * 100)
        case "no site":
            path.unlink()
        case "wrong rules":
            full_heron(tmp_path).close()
            (tmp_path / "shed.care").write_text("when when", encoding="utf-8")
        case "wrong site":
            path.write_text("name = 5", encoding="utf-8")
        case _:
            pass
    ((line, text),) = said(RULES, path)
    assert line == 0
    assert wanted in text
    if what == "no journal":
        assert not (tmp_path / "state").exists()


def test_the_journal_is_looked_at_and_left_alone(tmp_path: Path) -> None:
    """While a service owns it: nothing is written, and the owner can write before and after."""
    story = draining_heron(tmp_path)
    story.snapshot()
    file = story.journal_path
    before, stamp = file.read_bytes(), file.stat().st_mtime_ns
    files = sorted(one.name for one in file.parent.iterdir())
    for _ in range(3):
        assert isinstance(read_outlook(story.path), Outlook)
    assert (file.read_bytes(), file.stat().st_mtime_ns) == (before, stamp)
    assert sorted(one.name for one in file.parent.iterdir()) == files
    story.go(Tick(story.world.now + SECOND), seen_heron(story.world.now + 2 * SECOND))
    story.close()
    SqliteJournal.open(file, owner=True).close()  # and no lock was left behind


# ---- over the wire -----------------------------------------------------------------------------


def asked(one: Editor, uri: str) -> list[lsp.CodeLens]:
    document = lsp.TextDocumentIdentifier(uri)
    return list(one.ask("text_document_code_lens", lsp.CodeLensParams(document)) or [])


@pytest.mark.parametrize("how", ["argument", "option"])
def test_lines_above_the_rules_and_why_behind_them(story: Story, tmp_path: Path, how: str) -> None:
    uri = (tmp_path / "shed.care").as_uri()
    arguments = ("--site", str(story.path)) if how == "argument" else ()
    options = {"site": "site.toml"} if how == "option" else None
    with editor(tmp_path, *arguments, options=options) as one:
        text = "# \U0001f50b\n" + RULES
        one.open(uri, text)
        found = asked(one, uri)
        assert found[0].range == range_at(text, "full-too-long")
        first = found[0].command
        assert first is not None
        assert first.title.startswith("would fire in 23 h 59 min for heron")
        why = one.ask(
            "workspace_execute_command",
            lsp.ExecuteCommandParams(first.command, first.arguments),
        )
        assert why.startswith("heron, Mon 30 Nov 2026")
        assert "rule full-too-long" in why
        assert "rule ready" not in why
        assert one.wait(lambda: why if why in one.said else None)

        # a saved file makes the editor ask again, and the answer is a new one
        story.go(seen_heron(FIRES - 5 * SECOND), Tick(FIRES))
        seen = one.refreshed
        one.client.text_document_did_save(
            lsp.DidSaveTextDocumentParams(lsp.TextDocumentIdentifier(uri))
        )
        one.wait(lambda: True if one.refreshed > seen else None)
        one.wait_for(lambda: "would fire now for heron" in asked(one, uri)[0].command.title)


def test_without_a_site_that_was_named_there_are_no_lines(story: Story, tmp_path: Path) -> None:
    """The site near the file gives names, and no more: opening a file reads no journal unasked."""
    uri = (tmp_path / "shed.care").as_uri()
    with editor(tmp_path) as one:
        one.open(uri, RULES)
        assert asked(one, uri) == []
        with pytest.raises(JsonRpcException, match="no site was named"):
            one.ask("workspace_execute_command", lsp.ExecuteCommandParams("carerules.why", ["x"]))


def test_a_site_with_problems_is_told_once(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("name = 5", encoding="utf-8")
    uri = (tmp_path / "a.care").as_uri()
    with editor(tmp_path, "--site", "site.toml") as one:
        one.open(uri, "when pack.soc > 5: retire")
        assert one.findings(uri) == []
        told = one.wait(lambda: one.said or None)
        one.change(uri, (None, "when pack.soc > 6: retire"))
        assert one.findings(uri) == []
        assert len(told) == 1
        assert told[0].startswith("site.toml: ")
