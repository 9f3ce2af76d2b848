"""What is measured by hand still begins: nothing here measures, and no time is looked at."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from types import ModuleType
from typing import Any

import pytest
from supply_kit import ROOT

BENCHMARKS = ROOT / "benchmarks"
COMMANDS = sorted(
    file.name for file in BENCHMARKS.glob("*.py") if '"__main__"' in file.read_text("utf-8")
)


@pytest.fixture
def of(monkeypatch: pytest.MonkeyPatch) -> Any:
    def brought(name: str) -> ModuleType:
        monkeypatch.syspath_prepend(str(BENCHMARKS))
        return import_module(name)

    return brought


def test_there_are_some() -> None:
    assert len(COMMANDS) >= 12


@pytest.mark.parametrize("name", COMMANDS)
def test_it_says_what_it_takes(name: str) -> None:
    """With all that it imports: a name of the house that is gone is found here."""
    done = subprocess.run(
        [sys.executable, str(BENCHMARKS / name), "--help"], cwd=ROOT, capture_output=True,
        text=True, check=False, timeout=500,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-1_000:]
    assert done.stdout.startswith(f"usage: {name}")


def test_what_has_no_target_is_not_said_to_hold(
    of: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    table = of("table")
    table.row("weight", "63 MB")
    table.row("start", "0.3 s", "0.25 s", holds=False)
    assert [line.split()[-1] for line in capsys.readouterr().out.splitlines()] == ["-", "HOLD"]
    with pytest.raises(AssertionError):
        table.row("weight", "63 MB", holds=True)


def test_a_contact_that_opens_too_late_is_over_its_bound(of: Any) -> None:
    times, play = of("fault_times"), of("fault_play")
    runs = times.Runs(next(one for one in play.FAULTS if one.name == "leave"), play.SHORT_S)
    bound = runs.fault.bound(play.SHORT_S)
    runs.took_s += [0.5, bound]
    assert runs.over == 0
    runs.took_s.append(bound + 0.01)
    runs.never = 1
    assert runs.over == 2
    assert runs.row().split(" | ")[-3:] == ["2", "1", "0 |"]


def test_messages_of_a_link_are_told_apart(of: Any) -> None:
    """OASIS MQTT 5.0, section 2.1.4: seven bits of the length a byte, the least first; the
    figures are those of its table 2-1 for one byte and for two."""
    split = of("tcp_link").split
    short, long = b"\xc0\x00", b"\x30\x80\x01" + b"x" * 128
    assert split(short + long + b"\x30\x7f") == ([short, long], b"\x30\x7f")
    assert split(b"\x30\x80") == ([], b"\x30\x80")
    assert split(b"") == ([], b"")
