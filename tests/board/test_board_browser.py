"""The board in a real browser, on a real process: every control, live, reconnecting, accessible."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser_kit import HAND_SITE, RULES, Shed, chromium, looking
from playwright.sync_api import Browser, Page, expect, sync_playwright

WIDTHS = {320: 640, 768: 1024, 1440: 900, 3840: 2160}
PATHS = ("/", "/pack/heron", "/pack/heron/past?hours=6", "/pack/heron/why", "/rules")
CUT_OFF = ("ERR_CONNECTION", "ERR_INCOMPLETE", "ERR_INTERNET_DISCONNECTED", "ERR_EMPTY_RESPONSE",
           "ERR_NETWORK")  # fmt: skip
"""What a browser says of itself when the other end is gone; the page says it in words."""


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    made = Shed(tmp_path_factory.mktemp("shed"))
    made.begin()
    yield made
    made.end()
    assert "Traceback" not in made.said(), made.said()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        sandbox = [] if os.getuid() else ["--no-sandbox"]
        made = play.chromium.launch(executable_path=chromium(), args=sandbox)
        yield made
        made.close()


def row(page: Page, name: str) -> str:
    return page.locator(f"#pack-{name}").inner_text()


# ---- every control -----------------------------------------------------------------------------

BUTTON = """(button) => {
  const form = button.form;
  const told = (name) => form.querySelector(`input[type=hidden][name=${name}]`)?.value ?? "";
  const what = told("do") === "record" ? told("what") : "";
  return [form.getAttribute("action"), told("do"), what, button.name, button.value].join(" ");
}"""
BUTTONS = f"() => [...document.querySelectorAll('button')].map({BUTTON})"


class Walker:
    """Presses buttons, and remembers which there were."""

    def __init__(self, page: Page, origin: str) -> None:
        self.page, self.origin = page, origin
        self.there: set[str] = set()
        self.pressed: set[str] = set()

    def go(self, path: str) -> None:
        self.page.goto(self.origin + path)
        self._look()

    def _look(self) -> None:
        self.there |= set(self.page.evaluate(BUTTONS))

    def press(self, selector: str, **fields: str) -> str:
        """Fill the fields by their labels' ids, press, and read what the page says."""
        self._look()
        for name, value in fields.items():
            field = self.page.locator(f"#{name.replace('_', '-')}")
            if field.evaluate("one => one.tagName") == "SELECT":
                field.select_option(value)
            elif field.get_attribute("type") == "checkbox":
                field.check()
            else:
                field.fill(value)
        button = self.page.locator(selector)
        expect(button).to_have_count(1)
        self.pressed.add(button.evaluate(BUTTON))
        button.click()
        self.page.wait_for_url("**said=**")
        self._look()
        return self.page.locator("#said p").inner_text()


def test_every_control(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed) as (context, _):
        walk = Walker(context.new_page(), shed.origin)
        readings(walk)
        chores(walk)
        jobs(walk)
        the_stop(walk)
        for path in PATHS:
            walk.go(path)
        assert walk.there - walk.pressed == set()


HERON = "/pack/heron"
OF = 'form:has(input[name="what"][value="{}"]) button'


def readings(walk: Walker) -> None:
    walk.go("/")
    for stay in ("30", "60", "120"):
        assert walk.press(f'.attend button[value="{stay}"]').startswith("taken in")
    for what in ("charged", "used", "calibrated", "inspected"):
        walk.go(HERON)
        assert walk.press(f'button[value="{what}"]').startswith("taken in"), what
    walk.go("/pack/heron")
    assert walk.press(OF.format("voltage"), voltage="25.1") == "taken in"
    assert walk.press(OF.format("soc"), soc="99").startswith("taken in")
    assert walk.press(OF.format("bars"), lit="4", of="4").startswith("taken in")
    assert walk.press(OF.format("temperature"), temperature="18,5").startswith("taken in")
    assert walk.press(OF.format("capacity"), capacity="15.1").startswith("taken in")
    cells = {f"cell_{n}": f"4.1{n}" for n in range(1, 7)}
    assert walk.press(OF.format("cells"), **cells).startswith("taken in")
    place = 'form:has(input[name="do"][value="place"]) button'
    assert walk.press(place, station="").startswith("taken in")
    assert "on no station" in row(walk.page, "heron")
    assert walk.press(place, station="A").startswith("taken in")


def chores(walk: Walker) -> None:
    page = walk.page
    # A chore that a rule puts on the list, put off, then done.
    walk.go(HERON)
    walk.press('button[value="used"]')
    walk.go("/")
    expect(page.locator("#chores")).to_contain_text("look heron over")
    assert walk.press('.chores button[value="later"]').startswith("taken in")
    expect(page.locator("#chores .put-off")).to_contain_text("look heron over")
    walk.go(HERON)
    walk.press('button[value="inspected"]')
    walk.press('button[value="used"]')
    walk.go("/")
    assert walk.press('.chores button[value="done"]').startswith("taken in")
    expect(page.locator("#chores")).not_to_contain_text("look heron over")
    # What a job asks: no, then yes.
    for answer in ("no", "yes"):
        walk.go("/pack/coot")
        walk.press(OF.format("soc"), soc="80")
        walk.press(OF.format("soc"), soc="20")
        walk.go("/")
        expect(page.locator("#chores")).to_contain_text("charge coot?")
        assert walk.press(f'.chores button[value="{answer}"]').startswith("taken in")


def jobs(walk: Walker) -> None:
    # What is wanted by hand, called off again.
    walk.go(HERON)
    assert walk.press('button[value="storage"]').startswith("taken in")
    walk.press('#pack-heron form:has(input[value="cancel"]) button')
    walk.go("/pack/egret")
    assert walk.press('button[value="ready"]').startswith("taken in")
    # Swollen: barred, and released by who has looked.
    walk.go("/pack/coot")
    assert walk.press('button[value="swelling"]').startswith("taken in")
    assert "barred" in row(walk.page, "coot")
    assert walk.press("#release-coot", looked_coot="yes").startswith("taken in")


def the_stop(walk: Walker) -> None:
    page = walk.page
    walk.go("/")
    assert "everything was stopped (the board)" in walk.press("#stop")
    expect(page.locator("#head")).to_contain_text("everything is stopped (the board)")
    assert walk.press("#release-site", looked_site="yes").startswith("taken in")
    expect(page.locator("#head")).not_to_contain_text("everything is stopped")


def test_a_box_that_is_not_ticked_lets_nothing_through(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed) as (context, _):
        page = context.new_page()
        page.goto(shed.origin)
        page.locator("#stop").click()
        page.wait_for_url("**said=**")
        page.locator("#release-site").click()  # the browser itself wants the box
        assert "said=" in page.url
        expect(page.locator("#head")).to_contain_text("everything is stopped")
        page.locator("#looked-site").check()
        page.wait_for_timeout(1_200)  # live changes do not untick it
        assert page.locator("#looked-site").is_checked()
        page.locator("#release-site").click()
        expect(page.locator("#head")).not_to_contain_text("everything is stopped")


def test_a_reading_in_two_taps(shed: Shed, browser: Browser) -> None:
    """`Enter` brings the voltage's field and its number pad; then the number and `Enter`."""
    with looking(browser, shed, has_touch=True, viewport={"width": 320, "height": 640}) as (
        context, _,
    ):  # fmt: skip
        page = context.new_page()
        page.goto(shed.origin)
        page.locator('a.enter[href^="/pack/egret"]').tap()
        page.wait_for_url("**/pack/egret**")
        assert page.evaluate("document.activeElement.id") == "voltage"
        assert page.locator("#voltage").get_attribute("inputmode") == "decimal"
        page.keyboard.type("15,9")
        page.locator("form:has(#voltage) button").tap()
        page.wait_for_url("**said=**")
        assert page.locator("#said p").inner_text().startswith("taken in")


def test_everything_works_without_scripts(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed, java_script_enabled=False) as (context, _):
        page = context.new_page()
        page.goto(shed.origin + "/pack/heron")
        page.locator("#voltage").fill("25.0")
        page.locator("form:has(#voltage) button").click()
        page.wait_for_url("**said=**")
        assert page.locator("#said p").inner_text().startswith("taken in")
        page.locator("#stop").click()
        page.wait_for_url("**/?said=**")
        expect(page.locator("#head")).to_contain_text("everything is stopped")
        page.locator("#looked-site").check()
        page.locator("#release-site").click()
        page.wait_for_url("**said=**")
        expect(page.locator("#head")).not_to_contain_text("everything is stopped")


# ---- live --------------------------------------------------------------------------------------


def test_two_tabs_see_an_entry_without_being_read_anew(
    shed: Shed, browser: Browser, record_property: pytest.RecordProperty
) -> None:
    with looking(browser, shed) as (context, _):
        one, other, entry = context.new_page(), context.new_page(), context.new_page()
        for page in (one, other):
            page.goto(shed.origin)
            page.evaluate("window.mine = true")
        entry.goto(shed.origin + "/pack/coot")
        entry.locator("#soc").fill("61")
        begun = time.monotonic()
        entry.locator("form:has(#soc) button").click()
        for page in (one, other):
            expect(page.locator("#pack-coot .level b")).to_have_text("61")
            assert page.evaluate("window.mine")
        took_ms = 1_000 * (time.monotonic() - begun)
        record_property("press to both tabs, ms", round(took_ms))
        print(f"measured: press to both tabs {took_ms:.0f} ms")


def test_the_page_says_that_it_is_cut_off_and_comes_back_by_itself(
    tmp_path: Path, browser: Browser
) -> None:
    shed = Shed(tmp_path)
    shed.begin()
    try:
        with looking(browser, shed) as (context, eye):
            eye.expected = CUT_OFF
            page = context.new_page()
            page.goto(shed.origin)
            page.evaluate("window.mine = true")
            expect(page.locator("#cut")).to_be_hidden()
            shed.end()
            expect(page.locator("#cut")).to_be_visible()
            assert "Not connected" in page.locator("#cut").inner_text()
            shed.begin()
            expect(page.locator("#cut")).to_be_hidden()
            other = context.new_page()
            other.goto(shed.origin + "/pack/coot")
            other.locator("#soc").fill("47")
            other.locator("form:has(#soc) button").click()
            expect(page.locator("#pack-coot .level b")).to_have_text("47")
            assert page.evaluate("window.mine")
    finally:
        shed.end()
    assert "Traceback" not in shed.said(), shed.said()


def test_a_way_that_falls_silent_is_noticed(shed: Shed, browser: Browser) -> None:
    """No end of the connection is heard, as when a phone leaves the network: the beat is missed.
    (Chromium's own `offline` leaves an open stream alone.)"""
    assert shed.process is not None
    with looking(browser, shed) as (context, eye):
        eye.expected = CUT_OFF
        page = context.new_page()
        page.goto(shed.origin)
        before = row(page, "coot")
        shed.process.send_signal(signal.SIGSTOP)
        try:
            expect(page.locator("#cut")).to_be_visible()
            assert row(page, "coot") == before  # the last that was seen stays
        finally:
            shed.process.send_signal(signal.SIGCONT)
        expect(page.locator("#cut")).to_be_hidden()


def test_a_journal_alone_serves_the_same_page(tmp_path: Path, browser: Browser) -> None:
    """`carerules board`, beside no service: everything is there, and that nobody watches."""
    shed = Shed(tmp_path)
    shed.begin()
    shed.end()
    shed.begin("board", str(shed.site), "--listen", f"127.0.0.1:{shed.port}")
    try:
        with looking(browser, shed) as (context, _):
            page = context.new_page()
            page.goto(shed.origin)
            expect(page.locator("#head")).to_contain_text("no service runs")
            other = context.new_page()
            other.goto(shed.origin + "/pack/coot")
            other.locator("#soc").fill("33")
            other.locator("form:has(#soc) button").click()
            other.wait_for_url("**said=**")
            assert "no service is running" in other.locator("#said p").inner_text()
            expect(page.locator("#pack-coot .level b")).to_have_text("33")
    finally:
        shed.end()
    assert "Traceback" not in shed.said(), shed.said()


def test_rules_are_edited_with_the_checker_looking_on_and_taken_up(
    tmp_path: Path, browser: Browser
) -> None:
    """A real site, a token, and a service that goes on under the edited rules."""
    token = tmp_path / "token"
    token.write_text("not-a-real-token-0123456789\n")
    token.chmod(0o600)
    shed = Shed(tmp_path)
    shed.site.write_text(HAND_SITE, "utf-8")
    (tmp_path / "shed.care").write_text(RULES, "utf-8")
    shed.begin()
    try:
        with looking(browser, shed) as (context, eye):
            eye.expected = ("401", "403")
            page = context.new_page()
            page.goto(shed.origin)
            page.locator("#token").fill("wrong")
            page.locator("button").click()
            expect(page.locator("#said")).to_contain_text("this is not the token")
            page.locator("#token").fill("not-a-real-token-0123456789")
            page.locator("button").click()
            expect(page.locator("#pack-heron")).to_be_visible()
            page.goto(shed.origin + "/rules")
            page.get_by_role("link", name="Edit shed.care").click()
            text, take = page.locator("#text"), page.locator('button[value="take"]')
            text.fill(RULES.replace("pack.soc >= 95", "pack.sock >= 95"))
            expect(page.locator("#findings")).to_contain_text("did you mean `pack.soc`")
            expect(take).to_be_disabled()
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                assert Axe().run(page).response["violations"] == []
            text.fill(RULES.replace("drain to 80", "drain to 75"))
            expect(page.locator("#findings")).to_contain_text("nothing is wrong with it")
            page.locator('button[value="compare"]').click()
            expect(page.locator("#compared-head")).to_be_visible()
            expect(page.locator("#text")).to_have_value(RULES.replace("drain to 80", "drain to 75"))
            page.locator('button[value="take"]').click()
            expect(page.locator("#said")).to_contain_text("taken up: changed full-too-long")
            assert "drain to 75" in (tmp_path / "shed.care").read_text("utf-8")
    finally:
        shed.end()
    assert "Traceback" not in shed.said(), shed.said()


# ---- for everybody -------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(shed: Shed, browser: Browser, scheme: str) -> None:
    """All of axe-core's rules (WCAG 2.2 A and AA, contrast among them, and its best practices)."""
    with looking(browser, shed, color_scheme=scheme) as (context, _):
        page = context.new_page()
        for path in PATHS:
            page.goto(shed.origin + path)
            found = Axe().run(page).response["violations"]
            told = [(one["id"], one["nodes"][0]["html"][:160]) for one in found]
            assert told == [], path


def test_axe_finds_what_is_planted(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed) as (context, _):
        page = context.new_page()
        page.goto(shed.origin)
        page.evaluate("document.querySelector('#stop').replaceChildren()")
        page.evaluate("document.querySelector('.summary').setAttribute('hidden', '')")
        found = {one["id"] for one in Axe().run(page).response["violations"]}
        assert "button-name" in found


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_runs_out_of_the_page_and_all_can_be_pressed(
    shed: Shed, browser: Browser, width: int
) -> None:
    """WCAG 2.2: reflow at 320 px (1.4.10), targets of 24 px and more (2.5.8). No name is broken."""
    size = {"width": width, "height": WIDTHS[width]}
    with looking(browser, shed, viewport=size) as (context, _):
        page = context.new_page()
        for path in PATHS:
            page.goto(shed.origin + path)
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
            small = page.evaluate("""() => [...document.querySelectorAll("button, .enter, select")]
                .map((one) => [one.id || one.textContent.trim(), one.getBoundingClientRect()])
                .filter(([, box]) => box.width && (box.width < 24 || box.height < 24))
                .map(([name]) => name)""")
            assert small == [], path
            broken = page.evaluate("""() => [...document.querySelectorAll(".pack h2 a")]
                .map((one) => { one.textContent = "oystercatcher"; return one; })
                .filter((one) => one.getClientRects().length > 1).length""")
            assert broken == 0, path


def test_the_keyboard_reaches_everything_in_order(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed) as (context, _):
        page = context.new_page()
        page.goto(shed.origin)
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        seen: list[str] = []
        places: list[float] = []
        for _ in range(200):
            page.keyboard.press("Tab")
            one = page.evaluate("""() => {
                const at = document.activeElement, box = at.getBoundingClientRect();
                const ring = getComputedStyle(at).outlineStyle;
                return [at.tagName, at.id || at.textContent.trim(), box.top + scrollY, ring];
            }""")
            if one[0] == "BODY":
                break
            assert one[3] != "none", one  # where the focus is can be seen
            seen.append(one[1])
            places.append(one[2])
        assert seen[:2] == ["home", "stop"]
        assert any("heron" in name for name in seen)
        wanted = page.locator("main a, main button, main input, main select").count()
        assert len(seen) >= wanted


def test_the_focus_stays_where_it_is_when_a_part_changes(shed: Shed, browser: Browser) -> None:
    with looking(browser, shed) as (context, _):
        page, other = context.new_page(), context.new_page()
        page.goto(shed.origin)
        page.locator("#home").focus()
        other.goto(shed.origin)
        other.locator('.attend button[value="120"]').click()
        other.wait_for_url("**said=**")
        expect(page.locator("#head")).to_contain_text("somebody is there until")
        assert page.evaluate("document.activeElement.id") == "home"


def test_pictures_for_the_eye(shed: Shed, browser: Browser, tmp_path: Path) -> None:
    """Kept where CARERULES_PICTURES says, for somebody to look at."""
    folder = Path(os.environ.get("CARERULES_PICTURES", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)
    for width, height in WIDTHS.items():
        for scheme in ("light", "dark"):
            how = {"viewport": {"width": width, "height": height}, "color_scheme": scheme}
            with looking(browser, shed, **how) as (context, _):
                page = context.new_page()
                for path in PATHS:
                    page.goto(shed.origin + path)
                    name = path.partition("?")[0].strip("/").replace("/", "-") or "board"
                    file = folder / f"{name}-{width}-{scheme}.png"
                    page.screenshot(path=file, full_page=width < 800)
                    assert file.stat().st_size > 5_000
