"""`carerules new`: five questions, and a site and rules that check.

Knows the questions. Does not know how either file is written.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar
from zoneinfo import ZoneInfo, available_timezones

import click

from carerules.adapters import PlugProfile, Problem, plug_profiles
from carerules.battery import shipped_chemistries
from carerules.cli.common import FAILED, refuse
from carerules.cli.writing import put
from carerules.config import SiteFile, read_site
from carerules.config.draft import (
    Answers,
    Hands,
    PackAnswer,
    PlugAnswer,
    draft,
    read_pack,
    unfit,
)
from carerules.config.zones import zone_meant
from carerules.report.page import fold
from carerules.service import read_rules

T = TypeVar("T")
TRIES = 5
"""A question is put again so often; whoever still has no answer wants to look it up."""
_HANDS: dict[str, Hands] = {"1": "play", "2": "people", "3": "plug"}


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def new_command(folder: Path) -> None:
    """Ask five questions, and write a site file and rules into FOLDER that check.

    Nothing that lies there is overwritten.

    Example: carerules new workshop
    """
    for name in ("site.toml", "care.care"):
        if (folder / name).exists():
            refuse(f"found `{folder / name}` already, wanted a folder without one; "
                   "mend: name another folder, or edit what lies there")  # fmt: skip
    click.echo("Five questions; Enter takes what stands in brackets, Ctrl-C ends it.\n")
    answers = _asked()
    files = draft(answers)
    _must_check(files)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        refuse(f"cannot make `{folder}`: {why}; mend: name another place", status=FAILED)
    # The site file last: where it stands, the rules that it names stand as well.
    for name in sorted(files):
        put(folder / name, files[name].encode())
    site = folder / "site.toml"
    click.echo(f"\nwrote {site} and {folder / 'care.care'}; both check. Now:\n")
    for line in _next(answers, site):
        click.echo(f"  {line}")
    click.echo(
        "\ncarerules is not a protective device: a pack needs its own cut-offs, a fuse, a\n"
        "fire-proof place and a person. The maker's instructions come first."
    )


def _next(answers: Answers, written: Path) -> list[str]:
    first, site = answers.packs[0].name, shlex.quote(str(written))
    if answers.hands == "play":
        return [f"carerules rehearse {site} --days 7", f"carerules run {site}"]
    said = [f"carerules record {first} charged --site {site}", f"carerules status --site {site}"]
    if answers.hands == "plug":
        feed = f"name in {site} what tells the voltage of {first}: see its last lines"
        return [feed, f"carerules doctor {site} --prove bench-load", f"carerules run {site}", *said]
    return [f"carerules run {site}", *said]


def _asked() -> Answers:
    name = _ask("1. What is the site called?", "workshop", _title)
    zone = _ask("2. In which time zone is it (IANA name)?", _zone_here(), _zone)
    click.echo("3. Which packs? One a line: name, chemistry, cells in series, capacity.")
    kinds = ", ".join(sorted(shipped_chemistries()))
    _say(f"Chemistries: {kinds}. An empty line ends.")
    packs = _packs(zone)
    click.echo("4. How are packs drained that lie too full?")
    click.echo("   1  not yet: play it with virtual packs, nothing real is switched")
    click.echo("   2  by hand: carerules keeps the to-do list")
    click.echo("   3  by a plug with a discharge load on it")
    hands: Hands = _ask("   Which?", "1", _hands)
    plug = _plug(packs, zone) if hands == "plug" else None
    url = _ask("5. A webhook (https://...) for notices, or `no`?", "no", _webhook)
    start = datetime.now(ZoneInfo(zone)).replace(microsecond=0, tzinfo=None).isoformat()
    return Answers(name, zone, packs, hands, plug, url, start)


def _say(text: str) -> None:
    """Below the question that it belongs to."""
    for line in fold("   ", text, 3):
        click.echo(line)


def _ask(question: str, default: str, read: Callable[[str], T | Problem]) -> T:
    """Ask until the answer can be read."""
    for _ in range(TRIES):
        answer = read(click.prompt(question, default=default, show_default=bool(default)).strip())
        if not isinstance(answer, Problem):
            return answer
        _say(answer.show())
    return refuse(f"{TRIES} answers could not be read; nothing was written")


def _wrong(text: str, wanted: str) -> Problem:
    return Problem(f"`{text[:64]}`" if text else "nothing", wanted, "type one of them")


def _hands(text: str) -> Hands | Problem:
    return _HANDS.get(text) or _wrong(text, "1, 2 or 3")


def _title(text: str) -> str | Problem:
    if 1 <= len(text) <= 100 and text.isprintable():
        return text
    return Problem("a name that is empty, long or unprintable", "up to 100 letters", "shorten it")


def _zone_here() -> str:
    """The machine's own zone, where that can be seen."""
    try:
        target = str(Path("/etc/localtime").resolve())
    except OSError:
        return "UTC"
    name = target.partition("zoneinfo/")[2]
    return name if name in available_timezones() else "UTC"


def _zone(text: str) -> str | Problem:
    if text in available_timezones():
        return text
    return Problem(f"`{text[:64]}`", "a zone of the IANA database", zone_meant(text[:64]))


def _packs(zone: str) -> list[PackAnswer]:
    chemistries = sorted(shipped_chemistries())
    packs: list[PackAnswer] = []
    wrong = 0
    while wrong < TRIES:
        text = click.prompt("   pack", default="", show_default=False).strip()
        if not text and packs:
            return packs
        read: PackAnswer | Problem = (
            read_pack(text, chemistries) if text
            else Problem("no pack", "at least one", "as in `heron lipo 6S 16 Ah`")
        )  # fmt: skip
        if isinstance(read, PackAnswer) and any(read.name == one.name for one in packs):
            read = Problem(f"`{read.name}` twice", "a name for each pack", "call it otherwise")
        elif isinstance(read, PackAnswer):
            read = unfit(Answers("site", zone, [read], "people"), "pack") or read
        if isinstance(read, Problem):
            wrong += 1
            _say(read.show())
        else:
            packs.append(read)
            wrong = 0  # nobody types ten packs again for five slips among them
    if packs:  # what was typed is not thrown away for what could not be read
        _say(f"{TRIES} packs in a row could not be read; they are left out: add them to the file")
        return packs
    return refuse(f"{TRIES} packs in a row could not be read; nothing was written")


def _plug(packs: list[PackAnswer], zone: str) -> PlugAnswer:
    for _ in range(TRIES):
        plug = _plug_asked()
        wrong = unfit(Answers("site", zone, packs, "plug", plug), "plug", "station", "mqtt")
        if wrong is None:
            return plug
        _say(wrong.show())
    return refuse(f"{TRIES} answers could not be read; nothing was written")


def _plug_asked() -> PlugAnswer:
    found = plug_profiles()
    profiles = {name: one for name, one in found.items() if isinstance(one, PlugProfile)}
    _say(f"Profiles: {', '.join(sorted(profiles))} (docs/plugs.md).")
    name = _ask("   Which profile?", "generic-json",
                lambda text: text if text in profiles else _wrong(text, "a profile"))  # fmt: skip
    profile = profiles[name]
    variables = {
        key: _ask(f"   `{key}` ({meaning})?", "", partial(_something, meaning))
        for key, meaning in profile.vars.items()
    }
    load_w = _ask("   What does the load draw (W)?", "60", _watts)
    broker = ""
    if profile.call is None:
        broker = _ask("   The MQTT broker (HOST or HOST:PORT)?", "127.0.0.1", _broker)
    return PlugAnswer(name, variables, load_w, broker, timed=profile.on_for is not None)


def _something(meaning: str, text: str) -> str | Problem:
    return text or Problem("nothing", meaning, "type it; Ctrl-C ends all, and nothing is written")


def _watts(text: str) -> float | Problem:
    found = re.fullmatch(r"(\d{1,5}(?:\.\d+)?)\s*W?", text)
    if found is not None and float(found[1]) > 0:
        return float(found[1])
    return Problem(f"`{text[:64]}`", "watts", "as in `60`")


def _broker(text: str) -> str | Problem:
    if re.fullmatch(r"[A-Za-z0-9._-]{1,253}(?::\d{1,5})?", text):
        return text
    return Problem(f"`{text[:64]}`", "a host, or HOST:PORT", "as in `192.0.2.7:1883`")


def _webhook(text: str) -> str | Problem:
    if text == "no":
        return ""
    if re.fullmatch(r"https://[^\s\"]{1,500}", text):
        return text
    return Problem(
        f"`{text[:64]}`", "`no`, or an address that begins with https://", "see its page"
    )


def _must_check(files: dict[str, str]) -> None:
    """What is about to be written, read as any site: a beginner's first file has no mistake."""
    with TemporaryDirectory(prefix="carerules-new-") as made:
        folder = Path(made)
        for name, text in files.items():
            (folder / name).write_text(text, encoding="utf-8")
        site = read_site(folder / "site.toml")
        if not isinstance(site, SiteFile):
            refuse(*(problem.show() for problem in site))
        rules = read_rules(site)
        if rules.setup is None:
            refuse("the rules that were written do not check: please tell us of your answers",
                   status=FAILED)  # fmt: skip
