"""docs/reference: as the program makes it, whole, and with examples that are read."""

import re
from pathlib import Path

import pytest

from carerules.adapters.remade import remade
from carerules.cli import COMMANDS
from carerules.cli.manual import command_rows, make, refresh
from carerules.domain.action import ACTIONS
from carerules.domain.condition import PERSON_EVENTS
from carerules.domain.quantity import ENERGY, UNITS, WARMTH
from carerules.domain.signal import Signal, catalogue
from carerules.lang import CODES, KEYWORDS, Names, load
from carerules.lang.format import NOT_LAID_OUT, format_text
from carerules.lang.prove import PROOF_CODES
from carerules.lang.reference import reference
from carerules.report.manual import CommandRow, manual_pages
from carerules.report.manual_codes import EXAMPLE_SITE
from carerules.shipped import shipped

FOLDER = Path(__file__).parents[2] / "docs" / "reference"
PAGES = {file.name: file.read_text(encoding="utf-8") for file in sorted(FOLDER.glob("*.md"))}
EXAMPLES = [
    (file, piece.split("```")[0])
    for file, text in PAGES.items()
    for piece in text.split("```care\n")[1:]
]
SIGNALS = catalogue([Signal("site.meter", ENERGY, None, 0, 1_000_000, "meter")])
LIPO = (shipped("rules") / "lipo.care").read_text(encoding="utf-8")


def test_the_pages_are_as_the_program_makes_them() -> None:
    assert refresh(FOLDER, check=True) == []


@pytest.mark.parametrize(("file", "example"), EXAMPLES, ids=lambda text: text.split("\n")[0][:50])
def test_an_example_is_read_and_laid_out(file: str, example: str) -> None:
    # The pages that are no list of codes speak of any site.
    names = EXAMPLE_SITE if file == "diagnostics.md" else Names()
    got = load({"example.care": example}, catalogue=SIGNALS, names=names,
               fetch={"lipo": LIPO}.get)  # fmt: skip
    assert got.diagnostics == ()
    assert got.plan is not None
    assert got.plan.rules or got.plan.nevers or got.scenarios
    assert format_text(example, "example.care") == example


def test_every_page_but_the_commands_has_examples() -> None:
    found = {file for file, _ in EXAMPLES}
    assert found == set(PAGES) - {"index.md", "commands.md", "words.md"}


def _headings(file: str) -> list[str]:
    return [head.strip("`") for head in re.findall(r"^#{2,3} (.*)$", PAGES[file], re.MULTILINE)]


def _first_cells(file: str) -> list[str]:
    return [cell.replace("\\|", "|") for cell in re.findall(r"^\| `(.*?)` \|", PAGES[file],
                                                           re.MULTILINE)]  # fmt: skip


def test_nothing_is_left_out() -> None:
    assert _headings("signals.md") == list(catalogue())
    assert _headings("actions.md") == [row.form for row in ACTIONS.values()]
    assert _headings("diagnostics.md") == [*CODES, *PROOF_CODES, NOT_LAID_OUT.name]
    assert _first_cells("words.md") == sorted(KEYWORDS)
    assert {symbol for symbol, unit in UNITS.items() if unit.dimension != WARMTH} <= set(
        _first_cells("values.md")
    )
    assert set(PERSON_EVENTS) <= set(_first_cells("values.md"))
    commands = {head.split()[1] for head in _headings("commands.md")}
    assert commands == set(COMMANDS)


def test_every_row_of_the_language_is_on_a_page() -> None:
    text = "\n".join(PAGES.values())
    for row in reference():
        shown = f"`{row.form}`" if row.kind not in ("keyword",) else f"| `{row.form}` |"
        assert shown in text or shown.replace("|", "\\|") in text, row


def test_every_link_leads_somewhere() -> None:
    for file, text in PAGES.items():
        for target in re.findall(r"\]\(([^)]+)\)", text):
            page, _, anchor = target.partition("#")
            assert (FOLDER / (page or file)).is_file(), (file, target)
            assert not anchor or anchor in _headings(page or file), (file, target)
    assert all(f"({file})" in PAGES["index.md"] for file in PAGES if file != "index.md")


def test_every_option_of_a_command_is_told() -> None:
    rows = {row.name: row for row in command_rows()}
    assert {option.form for option in rows["format"].options} == {
        "--check", "--diff", "--stdin", "--json",
    }  # fmt: skip
    assert rows["format"].usage == "carerules format [OPTIONS] [FILE...]"
    assert rows["reference"].usage == "carerules reference [OPTIONS] [CODE]"
    for row in rows.values():
        assert row.text, row.name


# ---- making them anew --------------------------------------------------------------------------


def test_a_page_that_was_changed_is_told_and_made_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "reference"
    assert make([str(folder)]) == 0
    made = {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir()}
    assert make(["--check", str(folder)]) == 0
    (folder / "words.md").write_text("changed", encoding="utf-8")
    (folder / "signals.md").unlink()
    (folder / "left-over.md").write_text(PAGES["words.md"], encoding="utf-8")
    assert make([str(folder), "--check"]) == 1
    told = capsys.readouterr().err
    assert [Path(line.split(":")[0]).name for line in told.splitlines()] == [
        "words.md", "signals.md", "left-over.md",
    ]  # fmt: skip
    assert "run `python -m carerules.cli.manual docs/reference`" in told
    assert (folder / "words.md").read_text(encoding="utf-8") == "changed"
    assert make([str(folder)]) == 0
    assert {file.name: file.read_text(encoding="utf-8") for file in folder.iterdir()} == made


def test_a_page_that_somebody_wrote_stays(tmp_path: Path) -> None:
    (tmp_path / "own.md").write_text("# Written by hand\n", encoding="utf-8")
    assert make([str(tmp_path)]) == make([str(tmp_path), "--check"]) == 0
    assert (tmp_path / "own.md").read_text(encoding="utf-8") == "# Written by hand\n"


@pytest.mark.parametrize("arguments", [[], ["--check"], ["--help"], ["pages", "-c"]])
def test_what_names_nothing_to_make_makes_nothing(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert make(arguments) == remade(arguments, lambda _: "made", "x") == 2
    assert capsys.readouterr().err.count(", wanted what is to be made, ") == 2
    assert list(tmp_path.iterdir()) == []


def test_another_command_makes_other_pages() -> None:
    row = CommandRow("whistle", "carerules whistle", "Whistle.")
    pages, other = manual_pages([]), manual_pages([row])
    assert {name for name in pages if pages[name] != other[name]} == {"commands.md", "index.md"}
    assert "carerules whistle" in other["commands.md"]
