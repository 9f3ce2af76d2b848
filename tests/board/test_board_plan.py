"""The kept plan on the page: what is said of it, and in a browser, from a phone to a wall."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from board_kit import FROM_HERE, pages, waiting
from board_kit import browser as client
from browser_kit import ROOT, Shed, chromium, looking
from playwright.sync_api import Browser, Page, expect, sync_playwright
from reading_kit import Story, full_heron

from carerules.adapters import PlanDrop
from carerules.board.pages import unbroken
from carerules.board.planview import SOON_MAX, plan_view
from carerules.domain.event import Event, Placed, PlanKept
from carerules.domain.keptplan import Hours
from carerules.domain.moment import DAY, MINUTE
from carerules.planner import kept_shape, planned_simply

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[pack.egret]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[station.A]
load = { plug = "A-load", power = "60 W" }
[station.B]
load = { plug = "B-load", power = "60 W" }
[plug.B-load]
profile = "generic-json"
topic = "shed/b-load"
[use.early]
start = 2026-12-01T09:00:00
packs = ["egret"]
[virtual]
start = 2026-11-30T18:00:00
seed = 3
[virtual.pack.heron]
soc = "100 %"
[virtual.pack.egret]
soc = "60 %"
"""
"""At 20 times the speed: the use is 45 minutes of ours away, so that no busy machine gets there."""
RULES = "rule full on pack heron\n    when pack.soc >= 95 for 10 s: drain to 80 %\n"


# ---- what is said ------------------------------------------------------------------------------


def kept(folder: Path, *after: Event) -> Story:
    """heron drains on A a day later, and is to be put on B on Saturday morning."""
    story = full_heron(folder)
    until = story.world.now + 5 * DAY
    story.go(PlanKept(story.world.now, planned_simply(story.world, until, Hours(), "a person")))
    for event in after:
        story.go(event)
    story.snapshot()
    return story


def test_without_a_plan_nothing_stands_on_the_page_of_all_packs(tmp_path: Path) -> None:
    story = full_heron(tmp_path)
    assert plan_view(kept_shape(story.world)) is None
    asked = client(pages(story))
    assert 'aria-label="the plan"></section>' in asked.get("/").text
    assert "No plan is kept." in asked.get("/plan").text


def test_the_plan_says_its_moves_its_runs_and_what_differs(tmp_path: Path) -> None:
    story = kept(tmp_path)
    view = plan_view(kept_shape(story.world))
    assert view is not None
    assert view.head.startswith("to Sat 05 Dec")
    assert [(one.mood, one.when, one.words) for one in view.by_hand] == [
        ("wait", "by Sat 05 Dec 07:15", "put heron on B, in place of egret")
    ]
    assert view.soon == view.by_hand[:SOON_MAX]
    runs = {lane.station: [one.words for one in lane.runs] for lane in view.lanes}
    assert runs["A"] == ["heron drain to 80 % (rule full-too-long)"]
    assert runs["B"][-1].startswith("heron charge to 100 % (use Saturday survey, by Sat 05 Dec")
    assert view.notes == ()
    assert 'class="now"' not in view.wide, "it begins at the next quarter"
    assert all(name in view.narrow for name in ("station A", "station B"))

    (tmp_path / "off").mkdir()
    off = kept(tmp_path / "off", Placed(story.world.now + 20 * MINUTE, "heron", None))
    other = plan_view(kept_shape(off.world))
    assert other is not None
    words = "it no longer fits: heron was to stay on A, and is on no station"
    assert [one.text for one in other.notes] == [words]
    assert 'class="now"' in other.wide
    page = client(pages(off)).get("/").text
    assert words in page
    assert "put heron on B, in place of egret" in page


def test_a_drawing_on_the_page_brings_no_style_and_no_name_twice(tmp_path: Path) -> None:
    """The page's own rule is that no style stands in it, and both drawings are on one page."""
    page = client(pages(kept(tmp_path))).get("/plan").text
    assert page.count("<svg") == 2
    assert "<style" not in page
    assert "style=" not in page
    assert page.count('id="slant-wide"') == page.count('id="slant-narrow"') == 1


def test_the_plan_is_dropped_by_its_button(tmp_path: Path) -> None:
    story = kept(tmp_path)
    story.close()
    asked = client(pages(story))
    answer = asked.post("/enter", data={"do": "plan-drop"}, headers=FROM_HERE)
    assert answer.status_code == 303
    assert waiting(tmp_path) == [PlanDrop()]


@pytest.mark.parametrize(
    ("html", "shown"),
    [
        ("<p>drain to 80 % at 60 W</p>", "<p>drain to 80~% at 60~W</p>"),
        ("<p>1 h 48 min, 25.1 V ± 2 %</p>", "<p>1~h 48~min, 25.1~V ±~2~%</p>"),
        ("<p>21 °C, 16 Ah, 95 Wh, 5 mΩ</p>", "<p>21~°C, 16~Ah, 95~Wh, 5~mΩ</p>"),
        ("<p>3 packs, 30 Nov, 2 have, 4 windows</p>", "<p>3 packs, 30 Nov, 2 have, 4 windows</p>"),
        ('<input value="to 80 %">60 W', '<input value="to 80 %">60~W'),
        ("<pre>rest 1 h</pre> 1 h", "<pre>rest 1 h</pre> 1~h"),
        ('<textarea name="a">for 24 h\n</textarea>', '<textarea name="a">for 24 h\n</textarea>'),
        ("<code>to 80 %</code>", "<code>to 80 %</code>"),
        ("a &lt; 5 V", "a &lt; 5~V"),
    ],
)
def test_a_number_keeps_its_unit_and_what_is_sent_back_is_left_alone(html: str, shown: str) -> None:
    once = unbroken(html)
    assert once.replace("\N{NO-BREAK SPACE}", "~") == shown
    assert unbroken(once) == once


# ---- in a browser ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    made = Shed(tmp_path_factory.mktemp("shed"))
    made.site.write_text(SITE, "utf-8")
    (made.folder / "shed.care").write_text(RULES, "utf-8")
    door = f"127.0.0.1:{made.port}"
    made.begin("run", str(made.site), "--board", door, "--speed", "20")
    for pack, what in (("heron", ["charged"]), ("egret", ["soc", "60"])):
        command(made, "record", pack, *what)
    command(made, "plan", "--simple", "--keep")
    yield made
    made.end()
    assert "Traceback" not in made.said(), made.said()


def command(shed: Shed, *words: str) -> str:
    env = {k: v for k, v in os.environ.items() if not k.startswith("CARERULES")}
    ran = subprocess.run(
        [sys.executable, "-m", "carerules", *words, "--site", str(shed.site)],
        cwd=ROOT, env=env, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


@pytest.fixture(scope="module")
def chrome() -> Iterator[Browser]:
    with sync_playwright() as play:
        sandbox = [] if os.getuid() else ["--no-sandbox"]
        made = play.chromium.launch(executable_path=chromium(), args=sandbox)
        yield made
        made.close()


BROKEN = r"""() => {
  const found = [];
  const names = "%|°[CF]|m?Ah|[mk]?Wh?|m?V|m?A|m?Ω|ms|s|min|h|d";
  const unit = new RegExp(`(?:\\d[\\d.,]*|±)\\s+(?:\\d[\\d.,]*|${names})(?![\\w°])`, "g");
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; (node = walk.nextNode()); ) {
    if (node.parentElement.closest("pre, textarea, code")) continue;
    for (const hit of node.data.matchAll(unit)) {
      const range = document.createRange();
      range.setStart(node, hit.index);
      range.setEnd(node, hit.index + hit[0].length);
      const tops = new Set([...range.getClientRects()].map((one) => Math.round(one.top)));
      if (tops.size > 1) found.push(`${hit[0]} in: ${node.data.trim().slice(0, 60)}`);
    }
  }
  return found;
}"""  # fmt: skip
HEIGHT = "which => document.querySelector(which).getBoundingClientRect().height"
PATHS = ("/", "/plan", "/pack/heron", "/pack/egret")
PAST = ("/pack/heron/past?hours=6", "/pack/heron/why")


def each(page: Page, origin: str, paths: Sequence[str]) -> Iterator[str]:
    for path in paths:
        page.goto(origin + path)
        yield path


def test_no_number_loses_its_unit_and_nothing_runs_out_of_the_page(
    shed: Shed, chrome: Browser
) -> None:
    for width in (320, 800, 1920):
        with looking(chrome, shed, viewport={"width": width, "height": 700}) as (context, _):
            page = context.new_page()
            for path in each(page, shed.origin, (*PATHS, *PAST) if width == 320 else PATHS):
                assert page.evaluate(BROKEN) == [], (width, path)
                over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
                assert over <= 0, (width, path)
    planted = "document.body.innerHTML = '<p style=\"width: 2em\">drain it to 80 % now</p>'"
    with looking(chrome, shed, viewport={"width": 320, "height": 700}, bypass_csp=True) as (one, _):
        page = one.new_page()
        page.goto(shed.origin + "/plan")
        page.evaluate(planted)
        assert page.evaluate(BROKEN) != [], "a break would be seen"


def test_a_phone_and_a_wall_each_have_their_drawing(shed: Shed, chrome: Browser) -> None:
    for width, seen, hidden in ((320, "narrow", "wide"), (1920, "wide", "narrow")):
        with looking(chrome, shed, viewport={"width": width, "height": 700}) as (context, _):
            page = context.new_page()
            page.goto(shed.origin + "/plan")
            expect(page.locator(f".plan-drawing.{seen}")).to_be_visible()
            expect(page.locator(f".plan-drawing.{hidden}")).to_be_hidden()
            # In one step: between two, what is live puts another drawing in the place of this one,
            # and of one that is no longer on the page the height is nothing.
            high = page.evaluate(HEIGHT, f".plan-drawing.{seen} text")
            assert high >= 10, "it can be read"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_plan(shed: Shed, chrome: Browser, scheme: str) -> None:
    with looking(chrome, shed, color_scheme=scheme, bypass_csp=True) as (context, _):
        page = context.new_page()
        for path in each(page, shed.origin, ("/", "/plan")):
            found = Axe().run(page).response["violations"]
            assert found == [], (path, [one["id"] for one in found])


def test_a_swap_is_done_on_the_page_and_what_differs_is_planned_anew(
    shed: Shed, chrome: Browser
) -> None:
    with looking(chrome, shed, viewport={"width": 800, "height": 900}) as (context, _):
        page, whole = context.new_page(), context.new_page()
        page.goto(shed.origin)
        whole.goto(shed.origin + "/plan")
        chores, plan = page.locator("#chores"), page.locator("#plan")
        expect(chores).to_contain_text("put heron on A")
        expect(chores).to_contain_text("egret will not be charged to 100 %")
        expect(plan).to_contain_text("put heron on A")
        expect(plan).to_contain_text("It does without 1 of what is wanted.")
        expect(whole.locator("#plan")).to_contain_text("no station has a charger that can do it")

        swap = page.locator('.chores li:has-text("put heron on A")')
        swap.locator('button[value="done"]').click()
        expect(page.locator("#said")).to_contain_text("taken in")
        expect(chores).not_to_contain_text("put heron")
        expect(page.locator("#pack-heron")).to_contain_text("on station A")
        expect(plan).to_contain_text("Nothing more is to be done by hand.")
        expect(whole.locator("#plan .moves").first).to_contain_text("done Mon 30 Nov")

        # Somebody takes it off in the middle of its drain: it is said, and planned anew.
        command(shed, "place", "heron", "--off")
        expect(chores).to_contain_text("put heron on")
        expect(whole.locator("#plan")).to_contain_text("because heron was to stay on A")
        expect(plan).not_to_contain_text("it no longer fits")

        whole.locator("#plan-drop").click()
        expect(whole.locator("#said")).to_contain_text("taken in")
        expect(plan).to_be_hidden()
        expect(chores).to_contain_text("put heron on a station with a load")
