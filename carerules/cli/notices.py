"""`carerules notices`, `ack`, `snooze` and `notify-test`: what people were told, and their answer.

Knows the words that people type. Does not know how a notice travels or when.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import NoReturn

import click

from carerules.adapters import (
    HOST,
    JournalPlace,
    LineClock,
    OutboxFile,
    Problem,
    open_journal,
    owner_of,
    quoted,
)
from carerules.cli.common import FAILED, json_option, refuse, site_argument, site_option
from carerules.cli.sites import journal_path, outbox_of, site_at
from carerules.config import SiteFile
from carerules.domain.moment import MINUTE, show_duration
from carerules.domain.notice import Incident, Letter, Outbox
from carerules.domain.ports import JournalError
from carerules.domain.quantity import DURATION, read_quantity
from carerules.domain.spelling import counted
from carerules.loop.notices import SNOOZE_MAX, named
from carerules.service.courier import tested_by_hand

TEST_WITHIN_S = 30.0
"""A channel gives up on a silent server after some 10 s; mail has several answers to wait for."""
LOOK_EVERY_S = 0.2
SHOWN_MAX = 40


NOBODY = "nobody was told anything yet"
PLAYED = "a virtual site sends nothing: `carerules log` shows what would have been told"


@click.command("notices")
@site_option
@json_option
def notices_command(site_path: Path, as_json: bool) -> None:
    """List what people were told, newest last, and what became of it.

    Example: carerules notices
    """
    site = site_at(site_path)
    outbox = outbox_of(site)
    shown = sorted(outbox.incidents.values(), key=lambda one: (one.heard, one.number))[-SHOWN_MAX:]
    if as_json:
        rows = [_row(site, outbox, one) for one in shown]
        click.echo(json.dumps({"shape": 1, "notices": rows, "channels": _channels(site, outbox)},
                              indent=2))  # fmt: skip
        return
    for one in shown:
        mark = "URGENT " if one.urgent else ""
        when = site.site.local.show(one.heard)
        click.echo(f"{one.number:>4}  {when}  {mark}{one.text}")
        click.echo(f"      {_state(site, one)}; {_delivery(outbox, one)}")
    for row in _channels(site, outbox):
        proven = row["proved_at"] or "never"
        click.echo(f"channel {row['channel']}: last delivered {proven}")
    if not shown:
        click.echo(NOBODY if site.virtual is None else PLAYED)


@click.command("ack")
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="KEY")
@site_option
def ack_command(words: tuple[str, ...], site_path: Path) -> None:
    """Say that you have seen a notice: quiet until it says something else.

    KEY is its number or its key; `carerules notices` lists them.

    Example: carerules ack 7
    """
    site = site_at(site_path)
    incident = _meant(site, " ".join(words))
    _say(site, "ack", incident.key, 0)
    click.echo(f"seen: {incident.text}")


@click.command("snooze")
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="KEY DURATION")
@site_option
def snooze_command(words: tuple[str, ...], site_path: Path) -> None:
    """Hold a notice back for a while; what it says meanwhile is told afterwards.

    Example: carerules snooze 7 2h
    """
    site = site_at(site_path)
    if len(words) < 2:
        _unfit(" ".join(words), "a notice and a duration")
    *key, text = words
    read = read_quantity(text, DURATION)
    length = 0 if isinstance(read, str) else round(read.value)
    if not MINUTE <= length <= SNOOZE_MAX:
        _unfit(text, f"a duration from 1 min to {show_duration(SNOOZE_MAX)}")
    incident = _meant(site, " ".join(key))
    _say(site, "snooze", incident.key, length)
    click.echo(f"not for {show_duration(length)}: {incident.text}")


@click.command("notify-test")
@site_argument
@json_option
def notify_test_command(site_path: Path, as_json: bool) -> None:
    """Send a test over each channel, and prove it for the next 24 h.

    Exit status 1 when one failed.

    Example: carerules notify-test site.toml
    """
    site = site_at(site_path)
    if not site.ways_out:
        refuse(f"{site_path}: found no channel that leaves the house, wanted one to test; "
               "mend: add a table `[channel.NAME]`")  # fmt: skip
    path = journal_path(site)
    try:
        with closing(open_journal(path, owner=False)) as journal:
            now = LineClock(journal.clock()).now()
        running = owner_of(path) is not None
        said = _by_service(site, path) if running else tested_by_hand(site, path, now)
    except JournalError as error:
        refuse(str(error))
    if as_json:
        rows = [{"channel": name, "arrived": not why, "problem": why or None}
                for name, why in said.items()]  # fmt: skip
        click.echo(json.dumps({"shape": 1, "by_service": running, "channels": rows}, indent=2))
    else:
        for name, why in said.items():
            click.echo(f"{name}: {why or 'it arrived'}", err=bool(why))
    if any(said.values()):
        raise SystemExit(FAILED)


def _by_service(site: SiteFile, path: JournalPlace) -> dict[str, str]:
    """Have the running service test its channels: it is its ways that must work."""
    with closing(OutboxFile(path)) as file:
        before = max(file.load().letters, default=0)
        file.say("test", "", 0, HOST.wall_ms())
        said = {one.way.name: "not answered yet: look at `carerules notices`"
                for one in site.ways_out}  # fmt: skip
        give_up = time.monotonic() + TEST_WITHIN_S
        waiting = set(said)
        while waiting and time.monotonic() < give_up:
            time.sleep(LOOK_EVERY_S)
            for letter in file.load().letters.values():
                if letter.number > before and not letter.incident and letter.channel in waiting:
                    if letter.done is None and not letter.error:
                        continue
                    said[letter.channel] = "" if letter.done is not None else letter.error
                    waiting.discard(letter.channel)
        return said


# ---- what is shown ---------------------------------------------------------------------------


def _state(site: SiteFile, one: Incident) -> str:
    if one.over:
        return "over"
    if one.acknowledged is not None:
        return f"acknowledged {site.site.local.show(one.acknowledged)}"
    if one.snoozed_until > one.heard:
        return f"snoozed until {site.site.local.show(one.snoozed_until)}"
    return "not acknowledged"


def _letters(outbox: Outbox, one: Incident) -> list[Letter]:
    return [letter for letter in outbox.letters.values() if letter.incident == one.number]


def _delivery(outbox: Outbox, one: Incident) -> str:
    last = {letter.channel: letter for letter in _letters(outbox, one)}
    words = []
    for name, letter in last.items():
        word = "waits"
        if letter.done is not None:
            word = "arrived"
        elif letter.dropped:
            word = letter.dropped
        elif letter.error:
            word = f"{counted(letter.tries, 'try', 'tries')}, {letter.error}"
        words.append(f"{name}: {word}")
    return ", ".join(words) or "on the terminal only"


def _row(site: SiteFile, outbox: Outbox, one: Incident) -> dict[str, object]:
    local = site.site.local

    def shown(moment: int | None) -> str | None:
        return None if moment is None else local.read(moment).isoformat(timespec="seconds")

    return {
        "number": one.number, "key": one.key, "text": one.text, "pack": one.pack or None,
        "urgent": one.urgent, "heard": shown(one.heard), "told": shown(one.told),
        "acknowledged": shown(one.acknowledged), "over": one.over,
        "snoozed_until": shown(one.snoozed_until or None),
        "letters": [
            {"channel": letter.channel, "made": shown(letter.made), "done": shown(letter.done),
             "tries": letter.tries, "dropped": letter.dropped or None,
             "error": letter.error or None}
            for letter in _letters(outbox, one)
        ],
    }  # fmt: skip


def _channels(site: SiteFile, outbox: Outbox) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for one in site.ways_out:
        at = outbox.proven.get(one.way.name)
        shown = None if at is None else site.site.local.read(at).isoformat(timespec="seconds")
        rows.append({"channel": one.way.name, "proved_at": shown})
    return rows


# ---- at the door -----------------------------------------------------------------------------


def _meant(site: SiteFile, word: str) -> Incident:
    outbox = outbox_of(site)
    incident = named(outbox, word)
    if incident is None:
        _unfit(word, "the number or key of a notice")
    return incident


def _say(site: SiteFile, word: str, key: str, length: int) -> None:
    try:
        with closing(OutboxFile(journal_path(site))) as file:
            file.say(word, key, length, HOST.wall_ms())
    except JournalError as error:
        refuse(str(error))
    if owner_of(journal_path(site)) is None:
        click.echo("no service is running: it is taken in at the next start")


def _unfit(text: str, wanted: str) -> NoReturn:
    said: Sequence[str] = (quoted(text),) if text else ("nothing",)
    refuse(Problem(said[0], wanted, "`carerules notices` lists them").show())
