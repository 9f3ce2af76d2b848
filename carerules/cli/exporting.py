"""`carerules export`: the journal as tables for a spreadsheet or a notebook.

Knows the command's words. Does not know what is in a table (report/tables) nor how one is written.
"""

from __future__ import annotations

import json
from pathlib import Path

import click

from carerules.adapters import Problem
from carerules.adapters.tablefile import Format, TableFiles
from carerules.cli.common import FAILED, json_option, refuse, site_argument
from carerules.cli.fleets import needs
from carerules.cli.progress import Progress
from carerules.cli.reader import past_moment, reader_at
from carerules.cli.told import Journalled
from carerules.domain.moment import Moment
from carerules.domain.spelling import counted
from carerules.loop import World
from carerules.report.tables import Tables
from carerules.service.reading import Reader

TAPE_LIST = "tape.json"


@click.command("export")
@site_argument
@click.option("--to", "folder", required=True, metavar="FOLDER", type=click.Path(path_type=Path),
              help="Where the files go; it is made where there is none.")  # fmt: skip
@click.option("--from", "from_text", metavar="TIME",
              help="What was heard from then on: `2026-12-01T00:00`.")  # fmt: skip
@click.option("--until", "until_text", metavar="TIME", help="What was heard before then.")
@click.option("--format", "form", type=click.Choice(["csv", "parquet"]), default="csv",
              show_default=True, help="Parquet needs the extra `export`.")  # fmt: skip
@click.option("--tape", "with_tape", is_flag=True,
              help="Also what rules saw, for `replay --fleet`; Parquet only.")  # fmt: skip
@click.option("--overwrite", is_flag=True, help="Write over files that are there.")
@json_option
def export_command(
    site_path: Path, folder: Path, from_text: str | None, until_text: str | None, form: Format,
    with_tape: bool, overwrite: bool, as_json: bool,
) -> None:  # fmt: skip
    """Write the journal as tables, a file each: samples, cells, room, plugs, events, decisions,
    jobs, notices.

    Works beside a running service. Columns have their unit in their name, times are UTC;
    docs/api.md lists them. A tape has every signal as rules saw it, from the journal's beginning,
    since a `for` may have begun before `--from`.

    Example: carerules export site.toml --to tables --from "2026-12-01T00:00"
    """
    if with_tape:
        if form != "parquet":
            refuse("found `--tape` with CSV, wanted Parquet; mend: add `--format parquet`")
        needs("numpy", extra="replay")
        needs("pyarrow", extra="export")
        if (folder / TAPE_LIST).exists() and not overwrite:
            refuse(f"found `{folder / TAPE_LIST}`, which is there already, wanted a folder without "
                   "it; mend: add `--overwrite`, or name another folder")  # fmt: skip
    with reader_at(site_path) as reader:
        world = reader.now().world
        begin = None if from_text is None else past_moment(from_text, world)
        until = None if until_text is None else past_moment(until_text, world)
        if begin is not None and until is not None and until <= begin:
            refuse(f"found `--until {until_text}` before `--from {from_text}`, wanted it after; "
                   "mend: exchange them")  # fmt: skip
        tables = Tables(reader.setup.site.local, reader.setup.signals)
        files = TableFiles(folder, form, overwrite=overwrite)
        try:
            problem = files.begin({one.name: one.columns for one in tables.all()})
            if isinstance(problem, Problem):
                refuse(problem.show())
            _fill(files, tables, reader, begin, until)
            files.finish()
            packs = _tape(folder, reader, world, until) if with_tape else 0
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            refuse(f"cannot write in `{folder}`: {why}; mend: name another folder", status=FAILED)
        finally:
            files.abandon()
        damaged = reader.damaged
    if as_json:
        made = [{"table": name, "file": str(files.path(name)), "rows": rows}
                for name, rows in files.rows.items()]  # fmt: skip
        told: dict[str, object] = {"shape": 1, "files": made, "damaged_rows": damaged}
        if with_tape:
            told["tape_packs"] = packs
        click.echo(json.dumps(told, indent=2))
        return
    for name, rows in files.rows.items():
        click.echo(f"{rows:>9} rows  {files.path(name)}")
    if with_tape:
        click.echo(f"{packs:>9} packs {folder / TAPE_LIST}")
    if damaged:
        click.echo(
            f"left out because they do not read back: {counted(damaged, 'row')} of the journal",
            err=True,
        )


def _fill(
    files: TableFiles, tables: Tables, reader: Reader, begin: Moment | None, until: Moment | None
) -> None:
    journal = reader.journal
    after = 0 if begin is None or journal is None else journal.seq_at(begin)
    with Progress("writing tables", reader.newest - after) as progress:
        for seq, event, decided in reader.told(after):
            if until is not None and event.heard >= until:
                break
            progress.at(seq - after)
            for name, row in tables.rows(seq, event, decided):
                files.add(name, row)
    for name, row in tables.left():
        files.add(name, row)


def _tape(folder: Path, reader: Reader, world: World, until: Moment | None) -> int:
    """What rules saw, beside the tables; of how many packs. A site that never ran has none."""
    from carerules.fleet import write_tape  # noqa: PLC0415
    from carerules.replay import FACTS_MAX, TooMuchError, record  # noqa: PLC0415

    told = Journalled(reader, "recording a tape")
    try:
        recording = record(told, reader.setup, reader.setup.signals,
                           world.now if until is None else min(until, world.now))  # fmt: skip
    except TooMuchError:
        refuse(f"found more than {FACTS_MAX} facts in the journal, wanted fewer; "
               "mend: give `--until`, or keep samples for a shorter time")  # fmt: skip
    if recording is None:
        return 0
    listed = write_tape(folder, recording, world, reader.site.signals, told.forgotten_before)
    return len(listed.packs)
