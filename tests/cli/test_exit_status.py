"""docs/cli.md says what each exit status means; commands are held to it, by what they do."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from reading_kit import draining_heron

from carerules.adapters.rescue import Saved
from carerules.cli import COMMANDS, entries, keeping, live, main, rehearsal

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "cli.md").read_text("utf-8")
SURVEY = str(ROOT / "examples" / "river-survey" / "site.toml")
ROWS = re.findall(r"^\| (`[^|]+) \| ([^|]+) \| ([^|]+) \|$", PAGE, re.M)
ONE = {name: one for names, one, _ in ROWS for name in re.findall(r"`([a-z-]+)`", names)}
"""For each command, when it ends with 1."""
NEVER = "—"
CALENDAR = """
[calendar.crew]
file = "none.ics"
[calendar.crew.event.survey]
words = ["survey"]
packs = ["heron"]
"""


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shed")
    draining_heron(folder).close()
    (folder / "broken.care").write_text("when pack.sock > 3: drain to 80\n", "utf-8")
    (folder / "loose.care").write_text("when pack.soc>90 for 24h: drain to 80\n", "utf-8")
    told = 'scenario "no"\n    given pack heron at 50 %\n    after 1 h: expect heron drain\n'
    (folder / "wrong.care").write_text(f"when pack.soc > 90 %: drain to 80 %\n\n{told}", "utf-8")
    (folder / "bare.toml").write_text('name = "bare"\nzone = "UTC"\n', "utf-8")
    (folder / "broken.toml").write_text("name = 3\n", "utf-8")
    return folder


# What is typed, what it ends with. A word in capitals stands for a file of the shed's.
TYPED: list[tuple[str, int]] = [
    ("check RULES", 0), ("check broken.care", 2), ("check broken.toml", 2), ("check gone.care", 2),
    ("format --check loose.care", 1), ("format --check broken.care", 2), ("format", 2),
    ("test wrong.care", 1), ("test RULES --coverage", 1), ("test RULES", 0),
    ("test broken.care", 2),
    ("status --site SITE", 0), ("status --site broken.toml", 2), ("status --site gone.toml", 2),
    ("why heron --site SITE", 0), ("why ostrich --site SITE", 2), ("log --site SITE", 0),
    ("log --site bare.toml", 2), ("health --site SITE", 0), ("health ostrich --site SITE", 2),
    ("forecast heron drain 80 --site SITE", 0), ("forecast heron drain 800 --site SITE", 2),
    ("replay --site SITE", 0), ("replay --site SITE --rules broken.care", 2),
    ("timeline heron --site SITE", 0), ("timeline ostrich --site SITE", 2),
    ("compare gone.care --site SITE", 2),
    ("plan --simple --site SITE", 0), ("plan --simple --site SITE --until never", 2),
    ("plan --simple --site SITE --svg /dev/null/plan.svg", 1),
    ("report --site SITE --month 2026-11", 0), ("report --site SITE --month 2026-13", 2),
    ("report --site SITE --month 2026-11 --to /dev/null/month.html", 1),
    ("labels --site SITE --to /dev/null/labels.svg", 1), ("labels --site SITE --to x.doc", 2),
    ("export SITE --to /dev/null/tables", 1), ("export gone.toml --to tables", 2),
    ("notices --site SITE", 0), ("ack 99 --site SITE", 2), ("snooze 99 1h --site SITE", 2),
    ("notify-test --site SITE", 2), ("chore --site SITE", 0), ("chore 99 done --site SITE", 2),
    ("record ostrich charged --site SITE", 2), ("record heron voltage fast --site SITE", 2),
    ("place heron nowhere --site SITE", 2), ("want ostrich storage --site SITE", 2),
    ("uses drop nothing --site SITE", 2), ("attend long --site SITE", 2),
    ("release ostrich --site SITE", 2), ("cancel nothing --site SITE", 2),
    ("answer nothing yes --site SITE", 2),
    ("journal salvage saved.db --site gone.toml", 2), ("journal compact --site bare.toml", 2),
    ("run gone.toml", 2), ("run SITE --speed 0", 2), ("serve SITE", 2),
    ("stop --site gone.toml", 2),
    ("rehearse bare.toml", 2), ("campaign --trouble ghosts", 2), ("campaign --list", 0),
    ("doctor gone.toml", 2), ("discover --site bare.toml", 2), ("calendar --site SITE", 0),
    ("reference unknown-signal", 0), ("reference no-such-code", 2), ("schema", 0),
    ("new /dev/null/x", 1), ("board gone.toml", 2), ("pretend pack --topic x --chemistry lead", 2),
    ("lsp --nonsense", 2), ("--help", 0), ("nonsense", 2),
]  # fmt: skip


def ends_with(typed: str, shed: Path) -> tuple[int, str]:
    places = {"SITE": "site.toml", "RULES": "shed.care"}
    words = [places.get(word, word) for word in typed.split()]
    words = [str(shed / word) if re.fullmatch(r"[\w-]+\.(care|toml|db|svg|doc)", word) else word
             for word in words]  # fmt: skip
    run = CliRunner().invoke(main, words, input="shed\n", prog_name="carerules")
    assert run.exception is None or isinstance(run.exception, SystemExit), run.exception
    assert "Traceback" not in run.output
    return run.exit_code, run.stderr


@pytest.mark.parametrize(("typed", "status"), TYPED, ids=[typed for typed, _ in TYPED])
def test_a_command_ends_as_the_page_says(typed: str, status: int, shed: Path) -> None:
    found, said = ends_with(typed, shed)
    assert found == status, said
    if status == 2:
        assert said.strip()
    if status == 1:
        assert ONE[typed.split(maxsplit=1)[0]] != NEVER


REFUSED = SimpleNamespace(refused=True, words=lambda: "refused: not now")


def left_on(_: object) -> bool:
    return False


def gone(*_: object) -> Saved:
    return Saved({"events": 3}, ("events",))


def ran_badly(*_: object) -> tuple[Callable[..., list[str]], Callable[..., list[str]]]:
    return lambda *_: ["A-load: NOT read back off"], lambda _: []


PLANTED: list[tuple[str, object, str, object]] = [
    ("record heron charged --site SITE", entries, "hand_in", lambda *_: REFUSED),
    ("rehearse SITE --days 0.01", rehearsal, "all_off", left_on),
    ("journal salvage saved.db --site SITE", keeping, "salvage", gone),
    ("run SITE", live, "_ways", ran_badly),
]


@pytest.mark.parametrize(
    ("typed", "module", "name", "instead"), PLANTED, ids=[p[0] for p in PLANTED]
)
def test_what_goes_wrong_on_the_way_ends_with_1(
    typed: str, module: object, name: str, instead: object, shed: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr(module, name, instead)
    assert ends_with(typed, shed)[0] == 1
    assert ONE[typed.split(maxsplit=1)[0]] != NEVER


def test_a_calendar_that_cannot_be_had_ends_with_1(shed: Path) -> None:
    text = (shed / "site.toml").read_text("utf-8")
    (shed / "dated.toml").write_text(text + CALENDAR, "utf-8")
    assert ends_with("calendar --fetch --site dated.toml", shed)[0] == 1


ELSEWHERE = {
    "stop": "tests/e2e/test_e2e_faults.py", "doctor": "tests/e2e/test_e2e_doctor.py",
    "discover": "tests/e2e/test_e2e_hub.py", "campaign": "tests/campaign/test_campaign.py",
    "notify-test": "tests/notices/test_courier.py",
}  # fmt: skip
"""Where a broker, a night or a channel has to fail first."""


def test_every_command_that_may_end_with_1_is_seen_to() -> None:
    here = {typed.split()[0] for typed, status in TYPED if status == 1} | {"calendar"}
    here |= {typed.split()[0] for typed, *_ in PLANTED}
    alike = {"place", "want", "uses", "attend", "release", "cancel", "answer", "chore"}
    assert {name for name, one in ONE.items() if one != NEVER} == here | alike | {*ELSEWHERE}
    assert {COMMANDS[name][0] for name in alike} == {"entries", "chores"}
    for name, file in ELSEWHERE.items():
        text = (ROOT / file).read_text("utf-8")
        assert name in text
        assert re.search(r"(?:returncode|exit_code) == 1\b", text)


def test_the_page_has_every_command_once_and_2_for_each() -> None:
    names = [name for names, *_ in ROWS for name in re.findall(r"`([a-z-]+)`", names)]
    assert sorted(names) == sorted(COMMANDS)
    assert all(two.strip(" —") for *_, two in ROWS)
    assert {words.split()[0] for words, _ in TYPED} >= set(COMMANDS)


def test_a_module_says_1_only_where_the_page_does() -> None:
    """By the name of the status; `entries` is where `chores` hands in."""
    for module in {module for module, _ in COMMANDS.values()}:
        text = (ROOT / "carerules" / "cli" / f"{module}.py").read_text("utf-8")
        told = {ONE[name] for name, (where, _) in COMMANDS.items() if where == module}
        says = bool(re.search(r"\bFAILED\b", text)) or "import enter" in text
        assert says is (told != {NEVER}), module


def test_there_are_three_and_the_program_says_so() -> None:
    assert re.findall(r"^\| (\d) \|", PAGE, re.M) == ["0", "1", "2"]
    shown = " ".join(CliRunner().invoke(main, ["--help"]).output.split())
    assert "0 done; 1 tried, and not come to a good end; 2 something" in shown
    used = set()
    for file in (ROOT / "carerules" / "cli").glob("*.py"):
        used |= set(re.findall(r"(?:SystemExit|sys\.exit)\((\d+)\)", file.read_text("utf-8")))
    assert used <= {"0", "1", "2"}


def test_every_variable_that_is_read_is_on_the_page() -> None:
    told = set(re.findall(r"`([A-Z_]{4,})`", PAGE))
    read = set()
    for file in (ROOT / "carerules").rglob("*.py"):
        text = file.read_text("utf-8")
        read |= set(re.findall(r'(?:environ(?:\.get\(|\[)|envvar=|env\.get\()"([A-Z_]+)"', text))
    ours = {name for name in read if name not in ("TERM", "PYTHONPATH")}
    assert ours
    assert ours <= told, ours - told
