"""`carerules journal`: back it up, make it smaller, or save what a damaged one still holds.

Knows the words that people type. Does not know what the journal holds.
"""

from __future__ import annotations

import json
from pathlib import Path

import click

from carerules.adapters.rescue import back_up, compact, salvage
from carerules.cli.common import FAILED, json_option, refuse, site_option
from carerules.cli.sites import site_at
from carerules.config import SiteFile
from carerules.domain.ports import JournalError
from carerules.domain.spelling import counted

MIB = 1 << 20


@click.group("journal")
def journal_command() -> None:
    """Back the journal up, make it smaller, or save what a damaged one holds.

    Example: carerules journal backup heron-shed.db
    """


@journal_command.command("backup")
@click.argument("to", metavar="PATH", type=click.Path(path_type=Path))
@site_option
@json_option
def backup_command(to: Path, site_path: Path, as_json: bool) -> None:
    """Copy the journal to a new file, whole, also while a service runs.

    Example: carerules journal backup december.db
    """
    path = _file_of(site_at(site_path))
    try:
        size = back_up(path, to)
    except JournalError as error:
        refuse(str(error))
    _say({"path": str(to), "bytes": size}, f"{to}: {size / MIB:.1f} MiB", as_json=as_json)


@journal_command.command("compact")
@site_option
@json_option
def compact_command(site_path: Path, as_json: bool) -> None:
    """Give the room of forgotten samples back to the disk.

    The service must not run meanwhile.

    Example: carerules journal compact
    """
    path = _file_of(site_at(site_path))
    if not path.is_file():
        refuse(f"found no journal at `{path}`, wanted one; mend: name the site that has one")
    try:
        before, after = compact(path)
    except JournalError as error:
        refuse(str(error))
    _say({"bytes_before": before, "bytes_after": after},
         f"{before / MIB:.1f} MiB before, {after / MIB:.1f} MiB now", as_json=as_json)  # fmt: skip


@journal_command.command("salvage")
@click.argument("to", metavar="PATH", type=click.Path(path_type=Path))
@site_option
@json_option
def salvage_command(to: Path, site_path: Path, as_json: bool) -> None:
    """Write what can be read of a damaged journal to a new file.

    Exit status 1 when some was lost. The damaged file is not changed: move it aside yourself and
    put the new one in its place.

    Example: carerules journal salvage state/saved.db
    """
    path = _file_of(site_at(site_path))
    try:
        saved = salvage(path, to)
    except JournalError as error:
        refuse(str(error))
    rows = counted(sum(saved.rows.values()), "row")
    lost = f"; some of {', '.join(saved.damaged)} does not read" if saved.damaged else ""
    _say({"path": str(to), "rows": saved.rows, "damaged": list(saved.damaged)},
         f"{to}: {rows} saved{lost}", as_json=as_json)  # fmt: skip
    if saved.damaged:
        raise SystemExit(FAILED)


def _file_of(site: SiteFile) -> Path:
    """The journal's file; a database is kept by whoever keeps the server."""
    if not isinstance(site.journal, Path):
        refuse("this journal lies on PostgreSQL, and these commands keep a file; "
               "mend: the server's own tools do that (`pg_dump`; docs/fleet.md)")  # fmt: skip
    return site.journal


def _say(shape: dict[str, object], words: str, *, as_json: bool) -> None:
    click.echo(json.dumps({"shape": 1, **shape}, indent=2) if as_json else words)
