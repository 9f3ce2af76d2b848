"""`report` and `labels`: what is printed out and hung up.

Knows the commands' words and files. Does not know what a month came to, nor what stands where.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import click

from carerules.adapters.paper import PaperError, print_page
from carerules.adapters.qr import qr_code
from carerules.cli.common import FAILED, json_option, refuse, site_option
from carerules.cli.completing import named, offer
from carerules.cli.fleets import fleet_options, report_over
from carerules.cli.history import gone_through
from carerules.cli.progress import Progress
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import say
from carerules.cli.sites import site_at
from carerules.cli.writing import put
from carerules.domain.moment import DAY, LocalTime, Moment
from carerules.report.labels import Sheet, label_of, sheet_pages
from carerules.report.month import Month
from carerules.report.month_page import month_lines, month_page
from carerules.report.month_shapes import MonthShape
from carerules.service.reading import Reader

LINK_MAX = 200
"""Characters: a longer address makes a code too fine to be read off a label."""


@click.command("report")
@click.option("--month", "month_text", metavar="YYYY-MM", help="Without it: the last 30 days.")
@click.option(
    "--to", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="Write the page here: `.html`, or `.pdf` where a Chromium is installed.",
)  # fmt: skip
@fleet_options
@site_option
@json_option
def report_command(
    month_text: str | None, to: Path | None, fleet_path: Path | None, address: str | None,
    site_path: Path, as_json: bool,
) -> None:  # fmt: skip
    """Show what a month came to: charge, cycles, health, what lying cost, what to retire.

    With `--to` it is also written as one page that needs nothing else, with charts. With
    `--fleet FOLDER`, the sums over the tapes of many sites, whole; docs/replay.md.

    Example: carerules report --month 2026-12 --to december.html
    """
    if fleet_path is not None:
        if month_text is not None or to is not None:
            refuse("found `--month` or `--to` beside `--fleet`, wanted its tapes as they are; "
                   "mend: leave them away, or export a month")  # fmt: skip
        report_over(fleet_path, address, as_json=as_json)
        return
    if address is not None:
        refuse("found no `--fleet`, wanted it beside `--cluster`; mend: add `--fleet FOLDER`")
    if to is not None and to.suffix not in (".html", ".pdf"):
        refuse(f"found `{to.name}`, wanted a name that ends in .html or .pdf")
    with reader_at(site_path) as reader:
        now = reader.now().world
        begins, ends = _stretch(month_text, now.local, now.now)
        shape = _gathered(reader, begins, min(ends, now.now))
    if to is not None:
        _write(to, month_page(shape))
    say(shape, month_lines(shape), as_json=as_json)


def _stretch(text: str | None, local: LocalTime, now: Moment) -> tuple[Moment, Moment]:
    """A calendar month on the site's clock, or the thirty days up to now."""
    if text is None:
        return now - 30 * DAY, now
    found = re.fullmatch(r"(\d{4})-(\d\d)", text)
    if found is None or not 1 <= int(found[2]) <= 12 or not 1970 <= int(found[1]) <= 2999:
        refuse(f"found `{text}`, wanted a month such as 2026-12")
    year, month = int(found[1]), int(found[2])
    following = (year + 1, 1) if month == 12 else (year, month + 1)
    begins, ends = local.moment(datetime(year, month, 1)), local.moment(datetime(*following, 1))
    if begins >= now:
        refuse(f"found `{text}`, wanted a month that has begun")
    return begins, ends


def _gathered(reader: Reader, begins: Moment, ends: Moment) -> MonthShape:
    month = Month(reader.setup, begins, ends)
    since: Moment | None = None
    with Progress("going through the journal") as progress:
        for event, outcomes, world in reader.through(begins):
            if since is None:
                since, progress.whole = event.heard, ends - event.heard
            progress.at(event.heard - since)
            if event.heard >= ends:
                break
            month.add(event, outcomes, world)
    month.close(ends)
    return month.shape(
        gone_through(reader, list(reader.setup.site.packs), ends), reader.now().world.local
    )


@click.command("labels")
@click.argument("packs", nargs=-1, metavar="[PACK]...",
                shell_complete=offer(named("pack")))  # fmt: skip
@click.option(
    "--to", type=click.Path(path_type=Path, dir_okay=False), required=True, metavar="FILE",
    help="Write here: `.svg`, or `.pdf` where a Chromium is installed.",
)  # fmt: skip
@click.option(
    "--link", metavar="ADDRESS",
    help="Where the board is reached, for the code: http://workshop.lan:8080.",
)  # fmt: skip
@click.option("--size", default="63.5x38.1", show_default=True, metavar="WxH",
              help="Millimetres of one label.")  # fmt: skip
@site_option
def labels_command(
    packs: tuple[str, ...], to: Path, link: str | None, size: str, site_path: Path
) -> None:
    """Make a sheet of labels: name, cells, energy, date, and a code that opens the pack's page.

    All packs, or each PACK that is named. An SVG holds one page: more are numbered.

    Example: carerules labels --link http://workshop.lan:8080 --to labels.svg
    """
    site = site_at(site_path)
    for name in packs:
        must_be_one_of(name, site.site.packs, "a pack of the site file")
    if to.suffix not in (".svg", ".pdf"):
        refuse(f"found `{to.name}`, wanted a name that ends in .svg or .pdf")
    sheet = _sheet(size)
    labels = []
    for name in packs or site.site.packs:
        pack = site.site.packs[name]
        code: tuple[tuple[bool, ...], ...] = ()
        if link is not None:
            found = qr_code(_page_of(link, name))
            if found is None:
                refuse("found no `segno`, wanted it for the codes; install carerules with the "
                       "extra `labels`, or leave `--link` away")  # fmt: skip
            code = found
        chemistry = site.chemistries[pack.chemistry]
        today = datetime.now(UTC).astimezone(site.site.local.zone).date()
        labels.append(label_of(pack, chemistry, site.site.local, today, code))
    try:
        pages = sheet_pages(labels, sheet)
    except ValueError as error:
        refuse(str(error))
    if to.suffix == ".pdf":
        _write(to, _paged(pages))
        return
    for number, page in enumerate(pages, 1):
        there = to if number == 1 else to.with_stem(f"{to.stem}-{number}")
        put(there, page.encode())
        click.echo(f"wrote {there}")


def _sheet(size: str) -> Sheet:
    found = re.fullmatch(r"(\d{1,3}(?:\.\d+)?)x(\d{1,3}(?:\.\d+)?)", size)
    if found is None:
        refuse(f"found `{size}`, wanted millimetres such as 63.5x38.1")
    return Sheet(float(found[1]), float(found[2]))


def _page_of(link: str, pack: str) -> str:
    if not re.fullmatch(r"https?://[^\s?#]+", link) or len(link) > LINK_MAX:
        refuse(f"found `{link}`, wanted the board's address, such as http://workshop.lan:8080")
    return f"{link.rstrip('/')}/pack/{pack}"


def _paged(pages: list[str]) -> str:
    style = "@page{size:A4;margin:0}body{margin:0}svg{display:block;break-after:page}"
    return (
        f"<!doctype html><html lang=en><meta charset=utf-8><title>labels</title>"
        f"<style>{style}</style>{''.join(pages)}</html>"
    )


def _write(to: Path, html: str) -> None:
    """The page, as it is or printed."""
    if to.suffix != ".pdf":
        put(to, html.encode())
    else:
        try:
            print_page(html, to)
        except PaperError as error:
            refuse(str(error), status=FAILED)
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            refuse(f"cannot write `{to}`: {why}; mend: name another place", status=FAILED)
    click.echo(f"wrote {to}", err=True)
