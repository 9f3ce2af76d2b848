"""docs/calendars.md: its site file holds, and its numbers are those in force."""

from __future__ import annotations

import re
from pathlib import Path

from calendar_kit import asked

from carerules.calendar import OCCURRENCES_MAX, Expanded, guard, wanted_of, worker
from carerules.calendar.expand import expand
from carerules.config import SiteFile, read_site, read_site_text
from carerules.service import calendars

PAGE = (Path(__file__).parents[2] / "docs" / "calendars.md").read_text("utf-8")
PACK = '[pack.{}]\nchemistry = "lipo"\ncells = 4\ncapacity = "8 Ah"\ntags = ["boat"]\n'


def test_the_site_file_shown_holds(tmp_path: Path) -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    secret = tmp_path / "crew-url"
    secret.write_text("https://calendar.example.org/crew.ics")
    secret.chmod(0o600)
    packs = "".join(PACK.format(name) for name in ("heron", "egret", "teal"))
    read = read_site_text(
        f'name = "shed"\nzone = "UTC"\n{packs}{shown}', "site.toml", tmp_path
    )  # fmt: skip
    assert isinstance(read, SiteFile), read
    (one,) = read.calendars
    assert one.all_day_min == 8 * 60
    assert [sorted(pick.packs) for pick in one.picks] == [
        ["egret", "heron"], ["egret", "heron", "teal"]
    ]  # fmt: skip


def test_the_bounds_told_are_those_in_force() -> None:
    for number, unit in (
        (guard.INTERVAL_MAX, "intervals above {:,}"), (guard.YEAR_MIN, "the year {}"),
        (guard.YEAR_MAX, "after {}"), (OCCURRENCES_MAX, "More than {:,} events"),
        (worker.WORK_S_MAX, "{} s of processor time"), (worker.EVENT_S_MAX, "after {:g} s of work"),
        (worker.MEMORY_BYTES_MAX >> 20, "{} MiB."),
        (calendars.RETRY // 60_000, "tried again after {} min"),
    ):  # fmt: skip
        assert unit.format(number).replace(",", " ") in " ".join(PAGE.split()), unit


def test_the_examples_calendar_plans_what_its_site_file_says() -> None:
    example = Path(__file__).parents[2] / "examples" / "river-survey"
    site = read_site(example / "site-mqtt.toml")
    assert isinstance(site, SiteFile)
    (settings,) = site.calendars
    assert settings.address.file is not None
    stretch = asked("2026-12-01", "2027-01-10", all_day_min=settings.all_day_min)
    read = expand(settings.address.file.read_bytes(), stretch)
    assert isinstance(read, Expanded)
    assert read.troubles == ()
    local = site.site.local
    shown = [
        (f"{local.read(one.start):%d %b %H:%M}", one.title, sorted(one.packs))
        for one in wanted_of(read.occurrences, settings.picks, local)
    ]
    buoys = ["dipper", "teal"]
    assert shown == [
        ("08 Dec 09:00", "Buoy check above the weir 2026-12-08", buoys),
        ("17 Dec 13:00", "Buoy check above the weir (moved: high water) 2026-12-17", buoys),
        ("19 Dec 08:00", "Open day at the lock 2026-12-19", ["egret", "heron"]),
        ("05 Jan 09:00", "Buoy check above the weir 2027-01-05", buoys),
    ]
