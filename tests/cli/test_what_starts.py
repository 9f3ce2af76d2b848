"""What a command imports is what it needs: who edits a rule waits for no broker and no web server.

Held by content and not by time: which modules are there at the end of a real process.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from ports_kit import free_port

ROOT = Path(__file__).resolve().parents[2]
SURVEY = ROOT / "examples" / "river-survey"

NETWORK = {"paho", "smtplib", "ssl", "urllib.request", "http.client", "httpx", "urllib3", "asyncio"}
LIBRARIES = {"apprise", "icalendar", "apscheduler", "starlette", "uvicorn", "jinja2", "numpy",
             "ortools", "pygls", "segno", "pyarrow", "kasa"}  # fmt: skip
AND_LIST = """
import sys
from carerules.cli import main
try:
    main(sys.argv[1:])
finally:
    print("\\nLOADED", *sorted(sys.modules))
"""
WHEN_READ = """
import sys
from carerules.cli import live
from carerules.config import read, schema
from carerules.lang import tables
before = live.read_rules
def read_rules(site):
    print("\\nREAD", *sorted(sys.modules))
    return before(site)
live.read_rules = read_rules
kept = {"grammar": tables.grammar, "tables": read._tables, "schema": schema._schema}
try:
    live.run_command(sys.argv[1:], standalone_mode=False)
finally:
    print("\\nKEPT", *(name for name, one in kept.items() if one.cache_info().currsize))
    print("\\nLOADED", *sorted(sys.modules))
"""


def said(script: str, *words: str) -> str:
    """What a process printed that ran a script to its end."""
    ran = subprocess.run(
        [sys.executable, "-c", script, *words], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def listed(text: str, head: str) -> set[str]:
    """The words of the line that begins so."""
    return set(text.rpartition(f"\n{head}")[2].partition("\n")[0].split())


def loaded(*words: str) -> set[str]:
    """Every module of a process that ran a command to its end."""
    return listed(said(AND_LIST, *words), "LOADED")


def test_a_check_of_rules_loads_nothing_of_a_service() -> None:
    there = loaded("check", str(SURVEY / "river.care"))
    assert "carerules.lang.prove" in there, "the list is that of the command"
    assert not there & (NETWORK | LIBRARIES | {"pydantic", "sqlite3", "multiprocessing"})
    assert not there & {"carerules.adapters", "carerules.config", "carerules.service"}


def test_a_virtual_site_without_a_page_loads_no_wires(tmp_path: Path) -> None:
    shutil.copytree(SURVEY, tmp_path / "site", ignore=shutil.ignore_patterns("state"))
    site = str(tmp_path / "site" / "site.toml")
    there = loaded("run", site, "--speed", "100000", "--for", "0.01")
    assert "carerules.cli.played" in there, "the list is that of the command"
    assert not there & (NETWORK | LIBRARIES)
    assert not there & {"carerules.lang.prove", "carerules.adapters.broker"}


def test_a_service_with_its_page_holds_only_what_it_uses(tmp_path: Path) -> None:
    """What it weighs is measured by benchmarks/resident.py; here is what must not come in."""
    (tmp_path / "all.care").write_text('use "lipo"\n', "utf-8")
    (tmp_path / "site.toml").write_text(
        'name = "shelf"\nzone = "UTC"\nrules = ["all.care"]\n'
        '[pack.heron]\nchemistry = "lipo"\ncells = 6\ncapacity = "16 Ah"\n', "utf-8",
    )  # fmt: skip
    door = f"127.0.0.1:{free_port()}"
    there = loaded("run", str(tmp_path / "site.toml"), "--board", door, "--for", "0.00002")
    assert {"carerules.cli.real", "carerules.board", "uvicorn", "apscheduler"} <= there
    assert not there & {"smtplib", "email.generator", "numpy", "icalendar", "recurring_ical_events",
                        "dateutil", "apprise", "segno", "ortools", "psycopg", "kasa"}  # fmt: skip
    ours = {"adapters.mail", "lang.prove", "sim", "campaign", "fleet", "planner", "replay", "lsp",
            "hub", "service.hub", "service.calendars", "calendar.expand"}  # fmt: skip
    assert not there & {f"carerules.{one}" for one in ours}


def test_the_page_takes_the_place_of_what_reading_took(tmp_path: Path) -> None:
    """Two megabytes: what is loaded before they are given back lies beside them for good."""
    shutil.copytree(SURVEY, tmp_path / "site", ignore=shutil.ignore_patterns("state"))
    door = f"127.0.0.1:{free_port()}"
    text = said(WHEN_READ, str(tmp_path / "site" / "site.toml"), "--board", door,
                "--speed", "100000", "--days", "0.01")  # fmt: skip
    page = {"carerules.board", "starlette", "uvicorn", "jinja2", "asyncio"}
    assert page <= listed(text, "LOADED"), "the page was served"
    assert "carerules.lang" in listed(text, "READ"), "the list is that of when rules were read"
    assert not listed(text, "READ") & page
    assert not listed(text, "KEPT"), "what only reading needs is held while the service runs"


@pytest.mark.parametrize("words", [("status", "--json"), ("log",), ("chore",)])
def test_a_look_loads_no_wires(words: tuple[str, ...], tmp_path: Path) -> None:
    shutil.copytree(SURVEY, tmp_path / "site", ignore=shutil.ignore_patterns("state"))
    there = loaded(*words, "--site", str(tmp_path / "site" / "site.toml"))
    assert "carerules.config" in there, "the list is that of the command"
    assert not there & (NETWORK | LIBRARIES)
