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


def loaded(*words: str) -> set[str]:
    """Every module of a process that ran a command to its end."""
    ran = subprocess.run(
        [sys.executable, "-c", AND_LIST, *words], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return set(ran.stdout.rpartition("\nLOADED ")[2].split())


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


@pytest.mark.parametrize("words", [("status", "--json"), ("log",), ("chore",)])
def test_a_look_loads_no_wires(words: tuple[str, ...], tmp_path: Path) -> None:
    shutil.copytree(SURVEY, tmp_path / "site", ignore=shutil.ignore_patterns("state"))
    there = loaded(*words, "--site", str(tmp_path / "site" / "site.toml"))
    assert "carerules.config" in there, "the list is that of the command"
    assert not there & (NETWORK | LIBRARIES)
