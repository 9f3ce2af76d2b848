"""What people write is data: no text becomes code, and no rule file shows another kind of file."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from supply_kit import ROOT

from carerules.adapters.apart import expand_apart
from carerules.calendar import Asked
from carerules.cli import main
from carerules.rulefiles import load_files

MAKERS = {"eval", "exec", "compile", "__import__", "entry_points"}
"""Built in, and able to make code of a text (Python's language reference); and what finds the code
of other packages by its name."""
MODULES = {"pickle", "marshal", "shelve", "code", "codeop", "runpy", "subprocess", "yaml", "pty"}
CALLS = {
    "system", "popen", "execv", "execve", "spawnv", "import_module",
    "create_subprocess_exec", "create_subprocess_shell",
}  # fmt: skip


def makers_in(source: str) -> list[str]:
    """Every place in a source that could make code of a text, or run another program."""
    found = []
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in MAKERS:
                found.append(f"{node.lineno}: {name}")
            case ast.Call(func=ast.Attribute(attr=name)) if name in CALLS:
                found.append(f"{node.lineno}: .{name}")
            case ast.Import(names=names):
                found += [
                    f"{node.lineno}: import {one.name}"
                    for one in names
                    if one.name.split(".")[0] in MODULES
                ]
            case ast.ImportFrom(module=str(module)) if module.split(".")[0] in MODULES:
                found.append(f"{node.lineno}: from {module}")
            case _:
                pass
    return found


def test_no_text_becomes_code() -> None:
    files = sorted((ROOT / "carerules").rglob("*.py"))
    assert len(files) > 200
    found = {
        str(file.relative_to(ROOT)): makers
        for file in files
        if (makers := makers_in(file.read_text("utf-8")))
    }
    assert {file: [one.split(": ")[1] for one in makers] for file, makers in found.items()} == RUN


RUN = {
    # Ours, to read a calendar within limits.
    "carerules/adapters/apart.py": ["import subprocess"],
    # Our own commands, to look at the past without a service waiting for it.
    "carerules/board/asked.py": [".create_subprocess_exec"],
    # Which packages bring a plug-in, to name it: nothing is loaded. And our own process for one.
    "carerules/adapters/pluginline.py": ["entry_points", "entry_points"],
    "carerules/adapters/pluginprocess.py": ["import subprocess"],
    # In that process, and only there: the one plug-in that the site file names.
    "carerules/plugin/host.py": ["entry_points"],
    # A browser of the system, to print a page of ours whose scripts and addresses lead nowhere.
    "carerules/adapters/paper.py": ["import subprocess"],
    # Our own `run`, a process for each site that is served here.
    "carerules/cli/sharing.py": ["import subprocess"],
}
"""The only files that run another program, and why."""


def test_the_process_that_reads_calendars_is_ours_whatever_stands_in_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ran: list[tuple[list[str], dict[str, Any]]] = []

    def run(words: list[str], **rest: Any) -> subprocess.CompletedProcess[bytes]:
        ran.append((words, rest))
        return subprocess.CompletedProcess(words, 0, b'{"why": "-"}')

    monkeypatch.setattr(subprocess, "run", run)
    asked = Asked(0, 1, "UTC")
    for data in (b"BEGIN:VCALENDAR", b"; touch /tmp/x", b"$(id)\n--help\0"):
        expand_apart(data, asked)
    assert [words for words, _ in ran] == [
        [sys.executable, "-P", "-m", "carerules.calendar.worker"]
    ] * 3
    assert all("shell" not in rest for _, rest in ran)
    assert [rest["input"].partition(b"\n")[2] for _, rest in ran] == [
        b"BEGIN:VCALENDAR", b"; touch /tmp/x", b"$(id)\n--help\0",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "source",
    ["eval(text)", "x = exec(text)", "compile(t, '', 'exec')", "__import__(name)",
     "import pickle", "from subprocess import run", "import os\nos.system(text)",
     "importlib.import_module(name)", "entry_points(group=name)"],
)  # fmt: skip
def test_the_search_finds_what_it_looks_for(source: str) -> None:
    assert makers_in(source)
    assert not makers_in("import re\nre.compile(text)\nfixed = validate(text)")


@pytest.mark.parametrize("named", ["../secret", "./secret", "{folder}/secret", "../secret.txt"])
def test_only_rule_files_are_taken_in(tmp_path: Path, named: str) -> None:
    (tmp_path / "rules").mkdir()
    for name in ("secret", "secret.txt", "rules/secret"):
        (tmp_path / name).write_text("let me in\n")
    rules = tmp_path / "rules" / "shed.care"
    rules.write_text(f'use "{named.format(folder=tmp_path)}"\n')
    loaded = load_files({"shed.care": rules})
    assert loaded.plan is None
    assert "let me in" not in repr(loaded)


def test_a_rule_file_that_nobody_names_is_not_taken_in(tmp_path: Path) -> None:
    (tmp_path / "passed-on.care").write_text("rule theirs when pack.soc > 5 %: drain to 1 %\n")
    rules = tmp_path / "shed.care"
    rules.write_text('rule mine when pack.soc > 90 % for 1 h: notify "full"\n')
    plan = load_files({"shed.care": rules}).plan
    assert plan is not None
    assert [rule.name for rule in plan.rules] == ["mine"]
    rules.write_text('use "passed-on.care"\n' + rules.read_text())
    named = load_files({"shed.care": rules}).plan
    assert named is not None
    assert {rule.name for rule in named.rules} == {"mine", "theirs"}


def test_a_rule_file_beside_it_is_taken_in(tmp_path: Path) -> None:
    (tmp_path / "more.care").write_text('when pack.soc > 90 % for 1 h: notify "full"\n')
    rules = tmp_path / "shed.care"
    rules.write_text('use "more.care"\n')
    assert load_files({"shed.care": rules}).plan is not None


def test_check_names_every_file_that_the_rules_come_from(tmp_path: Path) -> None:
    """Whoever takes in a file takes in what that takes in, too: it does not come unseen."""
    full = 'rule {} when pack.soc > {} % for 1 h: notify "full"\n'
    (tmp_path / "deeper").mkdir()
    (tmp_path / "deeper" / "c.care").write_text(full.format("c", 98))
    (tmp_path / "b.care").write_text('use "deeper/c.care"\n' + full.format("b", 97))
    mine = tmp_path / "mine.care"
    mine.write_text('use "b.care"\n' + full.format("a", 96))
    shown = CliRunner().invoke(main, ["check", str(mine)])
    assert shown.exit_code == 0, shown.output
    said = shown.output.splitlines()[-1]
    assert said == f"  of {mine}, b.care, deeper/c.care"
    mine.write_text(full.format("a", 96))
    assert "  of " not in CliRunner().invoke(main, ["check", str(mine)]).output
