"""`carerules report`: a month off a journal, as words, as JSON, and as one page by itself."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from reading_kit import FULL, LOCAL, T0, Story, carerules, draining_heron, make_site

from carerules.adapters.paper import BROWSERS, PaperError, print_page
from carerules.domain.event import Happened, Sample, Value
from carerules.domain.moment import DAY, HOUR


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    story = draining_heron(tmp_path_factory.mktemp("report"))
    at = story.world.now + HOUR
    story.go(Sample(at, at, "heron", (Value("pack.soc", 80.0, 1.0),), "a person"))
    story.go(Sample(at, at, "egret", (Value("pack.soc", 90.0, 1.0),), "a person"))
    for hour, soc in ((10, 50.0), (20, 90.0), (30, 30.0)):
        now = at + hour * HOUR
        story.go(Sample(now, now, "egret", (Value("pack.soc", soc, 1.0),), "a person"))
    story.go(Happened(at + 40 * HOUR, at + 40 * HOUR, "egret", "swelling", "a person"))
    story.go(Sample(at + 4 * DAY, at + 4 * DAY, "egret", (), "a person"))
    story.snapshot()
    yield story
    story.close()


def month_of(story: Story, *words: str) -> dict[str, object]:
    shown = story.run("report", "--json", *words)
    assert shown.exit_code == 0, shown.output
    shape: dict[str, object] = json.loads(shown.stdout)
    return shape


def full_s_of(story: Story) -> float:
    """How long heron was full: from when it was said so until it was said to be at 80 %."""
    said = next(
        event.at for event, _, _ in story.told
        if isinstance(event, Sample) and event.pack == "heron" and event.source == "a person"
    )  # fmt: skip
    return (said - FULL) / 1_000


def pack_of(shape: dict[str, object], name: str) -> dict[str, object]:
    packs = shape["packs"]
    assert isinstance(packs, list)
    (found,) = (one for one in packs if one["pack"] == name)
    assert isinstance(found, dict)
    return found


def test_time_lies_between_its_levels_and_every_minute_once(story: Story) -> None:
    shape = month_of(story)
    heron = pack_of(shape, "heron")
    full_s = next(one["time_s"] for one in heron["levels"] if one["from_percent"] == 95)  # type: ignore[attr-defined]
    # The reading is taken each ten minutes.
    assert full_s == pytest.approx(full_s_of(story), abs=1_200)
    # Of thirty days, the time before the first event is not told of.
    for pack in ("heron", "egret"):
        one = pack_of(shape, pack)
        told_s = sum(level["time_s"] for level in one["levels"]) + one["unknown_s"]  # type: ignore[attr-defined, operator]
        assert told_s == pytest.approx((story.world.now - T0) / 1_000, abs=1_200)


def test_falls_of_charge_are_cycles(story: Story) -> None:
    """90 to 50 and 90 to 30 are 100 points: one whole capacity. Arithmetic by hand."""
    egret = pack_of(month_of(story), "egret")
    assert egret["cycles"] == pytest.approx(1.0, abs=0.03)


def test_what_was_done_stands_on_the_time_line(story: Story) -> None:
    heron = pack_of(month_of(story), "heron")
    kinds = [one["kind"] for one in heron["marks"]]  # type: ignore[attr-defined]
    assert kinds[0] == "began"
    assert "full-too-long: drain to 80 %" in heron["marks"][0]["words"]  # type: ignore[index]
    rules = {one["rule"]: one for one in month_of(story)["rules"]}  # type: ignore[attr-defined]
    assert rules["full-too-long"]["fired"] == 1
    assert rules["warm"]["fired"] == 0


def test_a_pack_that_is_barred_is_to_be_looked_at_now(story: Story) -> None:
    shape = month_of(story)
    (one,) = shape["retire"]  # type: ignore[misc]
    assert one == {"pack": "egret", "now": True, "why": "quarantined: swollen"}  # type: ignore[comparison-overlap]


def test_a_calendar_month_begins_at_the_sites_own_midnight(story: Story) -> None:
    shape = month_of(story, "--month", "2026-12")
    assert shape["begins"] == "2026-12-01T00:00:00Z"  # Lisbon keeps UTC in winter (tz database)
    heron = pack_of(shape, "heron")
    before_s = (LOCAL.moment(LOCAL.read(T0).replace(day=1, month=12, hour=0)) - FULL) / 1_000
    full_s = next(one["time_s"] for one in heron["levels"] if one["from_percent"] == 95)  # type: ignore[attr-defined]
    assert full_s == pytest.approx(full_s_of(story) - before_s, abs=1_200)
    november = pack_of(month_of(story, "--month", "2026-11"), "heron")
    assert november["marks"] == []
    # Its health, too, is what was known at the end of that month: six hours after the beginning.
    assert november["health"]["lying"]["seen_s"] <= 6 * 3_600  # type: ignore[index]


def test_the_words_fit_a_terminal(story: Story) -> None:
    shown = story.run("report")
    assert shown.exit_code == 0
    assert "(VIRTUAL)" in shown.stdout
    assert "egret: quarantined: swollen" in shown.stdout
    assert max(map(len, shown.stdout.splitlines())) <= 80


def test_the_page_is_whole_and_reaches_for_nothing(story: Story, tmp_path: Path) -> None:
    page = tmp_path / "month.html"
    assert story.run("report", "--to", str(page)).exit_code == 0
    html = page.read_text(encoding="utf-8")
    tree = ElementTree.fromstring(html.removeprefix("<!doctype html>\n"))  # well formed
    for element in tree.iter():
        assert element.tag.rpartition("}")[2] not in ("script", "link", "iframe", "object")
        assert not {"src", "href", "onload", "onclick"} & element.attrib.keys()
    assert "url(" not in html
    assert "@import" not in html
    charts = [one for one in tree.iter() if one.get("class") == "chart"]
    assert charts
    course = next(one for one in charts[0].iter() if one.get("class") == "course")
    ys = [float(point.split(",")[1]) for point in course.get("points", "").split()]
    assert ys[0] < ys[-1]  # the higher the charge, the nearer to the top: it was drained
    for word in ("maker", "not a protective device", "virtual site"):
        assert word in html


def test_nothing_that_is_said_becomes_markup(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace("boat shed", "<b onclick='x'>&shed"), encoding="utf-8")
    page = tmp_path / "month.html"
    assert carerules(site, "report", "--to", str(page)).exit_code == 0
    html = page.read_text(encoding="utf-8")
    assert "<b onclick" not in html
    assert "&lt;b onclick=&#x27;x&#x27;&gt;&amp;shed" in html


def test_a_site_that_never_ran_has_an_empty_month(tmp_path: Path) -> None:
    shown = carerules(make_site(tmp_path), "report", "--json")
    assert shown.exit_code == 0
    shape = json.loads(shown.stdout)
    assert shape["since"] is None
    assert shape["retire"] == []


@pytest.mark.parametrize("typed", ["2026-13", "2026-00", "26-12", "december", "0000-01", "3026-01"])
def test_what_is_no_month_is_refused(tmp_path: Path, typed: str) -> None:
    shown = carerules(make_site(tmp_path), "report", "--month", typed)
    assert shown.exit_code == 2
    assert shown.stderr.startswith(f"found `{typed}`, wanted a month")
    assert shown.stderr.count("\n") == 1


def test_another_kind_of_file_and_a_folder_that_is_not_there(tmp_path: Path) -> None:
    site = make_site(tmp_path)
    assert "wanted a name that ends" in carerules(site, "report", "--to", "x.doc").stderr
    shown = carerules(site, "report", "--to", str(tmp_path / "no" / "x.html"))
    assert shown.exit_code == 1
    assert "name another place" in shown.stderr


def test_the_page_is_printed_where_a_browser_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Debian's Chromium is in the tests' needs; a PDF begins with its mark (ISO 32000-1, 7.5.2)."""
    monkeypatch.setattr("carerules.adapters.paper.PRINT_WITHIN_S", 300.0)
    made = tmp_path / "x.pdf"
    print_page("<!doctype html><title>x</title><p>heron</p>", made)
    assert made.read_bytes()[:5] == b"%PDF-"


def test_without_a_browser_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PaperError, match="found no browser that prints"):
        print_page("<p>x</p>", tmp_path / "x.pdf")
    failing = tmp_path / BROWSERS[0]
    failing.write_text("#!/bin/sh\nexit 3\n")
    failing.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    with pytest.raises(PaperError, match="status 3"):
        print_page("<p>x</p>", tmp_path / "x.pdf")


def test_a_browser_of_which_a_part_goes_on_has_printed_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It holds the streams of the one that ended, and writes into the folder while that goes."""
    browser, enough = tmp_path / BROWSERS[0], tmp_path / "enough"
    browser.write_text(f"""#!/bin/sh
for word; do
    case "$word" in
        --user-data-dir=*) mkdir "${{word#*=}}" ;;
        --print-to-pdf=*) echo "%PDF-1.7" >"${{word#*=}}" ;;
    esac
done
(until [ -e {enough} ]; do sleep 0.1; done) &
""")
    browser.chmod(0o755)
    rmdir, late = os.rmdir, []

    def written_late(path: str, *, dir_fd: int | None = None) -> None:
        if path == "profile":
            late.append(os.open("profile/late", os.O_CREAT | os.O_WRONLY, dir_fd=dir_fd))
        rmdir(path, dir_fd=dir_fd)

    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(os, "rmdir", written_late)
    try:
        print_page("<p>x</p>", tmp_path / "x.pdf")
    finally:
        enough.touch()
        for one in late:
            os.close(one)
    assert late
    assert (tmp_path / "x.pdf").read_bytes() == b"%PDF-1.7\n"
