"""A real browser at a real process: `carerules run` with its board, and Debian's Chromium."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect
from ports_kit import free_port

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 150.0
"""For what takes a second on a quiet machine; a page of the past may be given little of a busy
one."""

ENTRY = (
    "import sys; from carerules.board import asked; from carerules.cli import main\n"
    "asked.WITHIN_S = 600.0; sys.argv[0] = 'carerules'; main()"
)
"""The command, but that a page of the past may take as long as these tests have patience."""

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = ["shed.care"]
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
place = "A"
[pack.egret]
chemistry = "lipo"
cells = 4
capacity = "8 Ah"
place = "B"
[pack.coot]
chemistry = "lipo"
cells = 2
capacity = "5 Ah"
[plug.A-load]
profile = "generic-json"
topic = "shed/a-load"
[plug.B-load]
profile = "generic-json"
topic = "shed/b-load"
[plug.B-charger]
profile = "generic-json"
topic = "shed/b-charger"
[station.A]
load = { plug = "A-load", power = "60 W" }
[station.B]
load = { plug = "B-load", power = "60 W" }
charger = { plug = "B-charger", power = "80 W" }
[virtual]
start = 2026-11-30T18:00:00
seed = 3
[virtual.pack.heron]
soc = "100 %"
[virtual.pack.egret]
soc = "70 %"
[virtual.pack.coot]
feed = false
"""

RULES = """\
rule full-too-long on pack heron
    because "a pack left full loses capacity"
    when pack.soc >= 95 for 24 h: drain to 80 %

rule half on pack egret
    because "it lies for weeks"
    when pack.soc > 60 for 2 s: drain to 50 %

rule look-over on pack heron
    when count use since inspection >= 1: chore "look {pack} over"

rule top-up on pack coot
    when pack.soc < 30:
        ask "charge {pack}?" within 4 h
        charge to 80 %
"""


HAND_SITE = (
    SITE.partition("[plug.A-load]")[0].replace('place = "A"\n', "").replace('place = "B"\n', "")
    + """\
[board]
token_file = "token"
edit_rules = true
"""
)


@dataclass
class Shed:
    """A site and the process that runs it."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def site(self) -> Path:
        return self.folder / "site.toml"

    def begin(self, *words: str) -> None:
        if not self.site.exists():
            self.site.write_text(SITE, "utf-8")
            (self.folder / "shed.care").write_text(RULES, "utf-8")
        env = {k: v for k, v in os.environ.items() if not k.startswith("CARERULES")}
        words = words or ("run", str(self.site), "--board", f"127.0.0.1:{self.port}")
        with (self.folder / "said.txt").open("ab") as said:
            self.process = subprocess.Popen(
                [sys.executable, "-c", ENTRY, *words], cwd=ROOT, env=env,
                stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT,
            )  # fmt: skip
        eventually(self._answers, f"the board answers: {self.said()[-600:]}")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.said()
        try:
            with urllib.request.urlopen(self.origin + "/alive", timeout=2) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def end(self, number: int = signal.SIGTERM) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(number)
            self.process.wait(PATIENCE_S)

    def said(self) -> str:
        file = self.folder / "said.txt"
        return file.read_text("utf-8", "replace") if file.exists() else ""


def eventually(true: Any, what: str) -> Any:
    end = time.monotonic() + PATIENCE_S
    while not (found := true()):
        if time.monotonic() > end:
            raise AssertionError(f"it did not come to: {what}")
        time.sleep(0.05)
    return found


def chromium() -> str:
    """Debian's; the tests of the board cannot do without."""
    for name in ("chromium", "chromium-browser"):
        if (found := shutil.which(name)) is not None:
            return found
    pytest.fail("the tests of the board need Chromium (Debian: `apt-get install chromium`)")


@dataclass
class Eye:
    """What must not happen while anybody looks: errors in the console, requests to elsewhere."""

    origin: str
    wrong: list[str] = field(default_factory=list)
    expected: tuple[str, ...] = ()

    def watch(self, page: Page) -> None:
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.wrong.append(f"script: {error}"))
        page.on("request", self._request)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type not in ("error", "warning"):
            return
        if not any(words in message.text for words in self.expected):
            self.wrong.append(f"console: {message.text}")

    def _request(self, request: Request) -> None:
        if not request.url.startswith((self.origin, "data:")):
            self.wrong.append(f"elsewhere: {request.url}")


@contextmanager
def looking(browser: Browser, shed: Shed, **how: Any) -> Iterator[tuple[BrowserContext, Eye]]:
    """A browser of its own, whose pages are watched for what must not happen."""
    context = browser.new_context(**how)
    context.set_default_timeout(PATIENCE_S * 1_000)
    expect.set_options(timeout=PATIENCE_S * 1_000)
    eye = Eye(shed.origin)
    context.on("page", eye.watch)
    try:
        yield context, eye
        assert eye.wrong == []
    finally:
        context.close()
