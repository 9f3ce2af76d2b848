"""`carerules check` at a terminal: folded at 80 columns, nothing lost; piped, a line for each."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from carerules.cli.common import folded

RIVALS = """\
rule stored-for-a-long-time on lipo packs
    when pack.soc > 60 % for 12 h and time until use > 7 d: drain to 45 %
rule full-for-too-long on packs where chemistry is lipo and tagged "smart"
    when pack.soc >= 95 % for 24 h and time until use > 24 h: drain to 80 %
"""


def checked(folder: Path, *, terminal: bool) -> list[str]:
    file = folder / "river.care"
    file.write_text(RIVALS, encoding="utf-8")
    reader, writer = pty.openpty() if terminal else os.pipe()
    subprocess.run(
        [sys.executable, "-m", "carerules", "check", file.name],
        stdout=subprocess.DEVNULL, stderr=writer, cwd=folder, check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    os.close(writer)
    told = b""
    while True:
        try:
            more = os.read(reader, 4096)
        except OSError:  # how a terminal says that nobody writes to it any more
            break
        if not more:
            break
        told += more
    os.close(reader)
    return told.decode().replace("\r\n", "\n").rstrip("\n").split("\n")


def test_a_person_reads_no_row_of_more_than_eighty_columns(tmp_path: Path) -> None:
    whole, narrow = (checked(tmp_path, terminal=terminal) for terminal in (False, True))
    assert max(map(len, whole)) > 80
    assert max(map(len, narrow)) <= 80
    assert " ".join(" ".join(narrow).split()) == " ".join(" ".join(whole).split())


@pytest.mark.parametrize("before", range(30, 80))
def test_what_is_to_be_typed_stays_in_one_row(before: int) -> None:
    typed = "`carerules record heron inspected`"
    row = f"{'a' * before} {typed} and so on, with one word and another, till there is no room"
    rows = folded(row).split("\n")
    assert max(map(len, rows)) <= 80
    assert any(typed in row for row in rows)
    assert " ".join(" ".join(rows).split()) == row


def test_a_program_reads_each_message_in_one_line(tmp_path: Path) -> None:
    rows = checked(tmp_path, terminal=False)
    assert [row.partition(": warning rivals: ")[0] for row in rows if "rivals" in row] == [
        "river.care:1:6"
    ]
    assert sum(row.startswith("  mend: ") for row in rows) == 1
