"""What people enter: happenings, measurements, places, uses, stays, releases, answers.

Knows the commands' words. Does not know what an entry leads to. Each is read at the door against
the site file; what does not fit is refused in one line, and nothing is stored.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from itertools import dropwhile, takewhile
from pathlib import Path
from typing import Any

import click

from carerules.adapters import (
    RECORD_WORDS,
    Answer,
    Cancel,
    Entry,
    LineClock,
    Problem,
    Recorded,
    UseDrop,
    Want,
    owner_of,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    parse_use,
    quoted,
)
from carerules.cli.common import FAILED, Renamed, json_option, refuse, remark, site_option
from carerules.cli.completing import named, offer, these
from carerules.cli.reader import must_be_one_of, reader_at
from carerules.cli.reading import say
from carerules.cli.sites import journal_path, site_at
from carerules.config import SiteFile
from carerules.domain.pack import Site
from carerules.domain.ports import JournalError
from carerules.engine import Job, Phase
from carerules.report import uses_lines, uses_of
from carerules.service.handing import hand_in

# A negative number is a word here, not an option: it must reach the parser, which says what is
# wrong with it.
_WORDS: dict[str, Any] = {"ignore_unknown_options": True}


def _released(ctx: click.Context) -> tuple[str, ...]:
    return (*named("pack", "station")(ctx), "site")


@click.command("record", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="PACK... WHAT [VALUE...]",
                shell_complete=offer(named("pack"), these(*RECORD_WORDS), these()))  # fmt: skip
@click.option("--at", "at_text", metavar="TIME",
              help="When it was so: `08:00`, `yesterday 18:00`, `2026-12-05T08:00`.")  # fmt: skip
@site_option
def record_command(words: tuple[str, ...], at_text: str | None, site_path: Path) -> None:
    """Enter what happened to a pack, or what was measured at it.

    \b
    carerules record heron charged            it was charged full
    carerules record heron used               it was used, and nobody counted
    carerules record heron swelling           it is swollen
    carerules record heron inspected          somebody has looked it over
    carerules record heron egret inspected    and several, in one round
    carerules record heron calibrated         its gauge has learnt a whole turn
    carerules record heron voltage 22.9       read off a hand meter
    carerules record heron cells 3.82 3.81 3.82 3.82 3.80 3.82
    carerules record heron soc 80             read off its gauge
    carerules record heron bars 3 of 4        lamps lit, or a level button
    carerules record heron temperature 21
    carerules record heron capacity 14.8      counted by a charger, a whole turn
    """
    site = site_at(site_path)
    packs = list(dict.fromkeys(takewhile(site.site.packs.__contains__, words)))
    rest = list(dropwhile(site.site.packs.__contains__, words))
    if not packs:
        _known_pack(words[0] if words else "", site.site)
    now = _wall(site, site_path, virtual=at_text is not None)
    if len(packs) == 1:
        enter(site, parse_record(packs[0], rest, at_text, site.site, now))
        return
    # All are read before one is entered: a wrong word enters none.
    entries = [parse_record(pack, rest, at_text, site.site, now) for pack in packs]
    for entry in entries:
        if isinstance(entry, Problem):
            refuse(entry.show())
        if not isinstance(entry, Recorded):
            refuse(Problem(quoted(rest[0]) + " of several packs", "what was read off one pack",
                           f"write for instance `{packs[0]} {' '.join(rest)}`").show())  # fmt: skip
    for pack, entry in zip(packs, entries, strict=True):
        remark(f"{pack}: {handed(site, entry)}")


@click.command("place", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="PACK [STATION]",
                shell_complete=offer(named("pack"), named("station"), these()))  # fmt: skip
@click.option("--off", is_flag=True, help="It is on no station any more.")
@site_option
def place_command(words: tuple[str, ...], off: bool, site_path: Path) -> None:
    """Say which station a pack is on, or that it is on none.

    Example: carerules place heron A
    """
    site = site_at(site_path)
    pack, *rest = words or ("",)
    _known_pack(pack, site.site)
    if len(rest) != (0 if off else 1):
        found = quoted(" ".join(rest)) if rest else "no station"
        wanted = "no station beside `--off`" if off else "one station, or `--off`"
        refuse(Problem(found, wanted, "write for instance `carerules place heron A`").show())
    if rest:
        must_be_one_of(rest[0], site.site.stations, "a station of the site file")
    enter(site, parse_place(pack, rest[0] if rest else None, site.site))


@click.command("want", context_settings=_WORDS)
@click.argument(
    "words",
    nargs=-1,
    type=click.UNPROCESSED,
    metavar="PACK storage|ready",
    shell_complete=offer(named("pack"), these("storage", "ready"), these()),
)
@click.option(
    "--target",
    "level",
    cls=Renamed,
    old="--at",
    type=click.FloatRange(0, 100),
    metavar="PERCENT",
    help="Bring it there: without it 50 % for storage, 100 % when ready.",
)
@site_option
def want_command(words: tuple[str, ...], level: float | None, site_path: Path) -> None:
    """Have a pack drained for storage, or charged for a use, now and without a rule.

    It is a job like a rule's: it waits for what a rule's would wait for, and switches on nothing
    that a rule's could not. `carerules cancel JOB` calls it off.

    Example: carerules want heron storage
    """
    site = site_at(site_path)
    pack, *rest = words or ("",)
    _known_pack(pack, site.site)
    goal = _one(rest, "`storage` or `ready`", "write for instance `carerules want heron storage`")
    if (meant := _GOALS_SAID.get(goal.lower())) is not None:
        refuse(Problem(f"`{goal}`", "`storage` or `ready`",
                       f"write `carerules want {pack} {meant}`").show())  # fmt: skip
    must_be_one_of(goal, ("storage", "ready"), "`storage` or `ready`")
    if owner_of(journal_path(site)) is None:
        # Left for the next start it would be too old to be done: whoever asked may have gone.
        refuse(Problem("no running service", "one that can begin now",
                       "`carerules run SITE`, then ask again").show())  # fmt: skip
    now = _wall(site, site_path, virtual=False)
    enter(site, Want(pack, "storage" if goal == "storage" else "ready", now, level))


_GOALS_SAID = {
    **dict.fromkeys(("full", "charge", "charged", "use", "100", "100%"), "ready"),
    **dict.fromkeys(("store", "stored", "half", "drain", "drained", "50", "50%"), "storage"),
}
"""What people say for a goal."""


@click.group("uses")
def uses_command() -> None:
    """Plan a use, call one off, or list them.

    Example: carerules uses add "Saturday survey" 2026-12-05T08:00 heron egret
    """


@uses_command.command("add", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="NAME START PACK...",
                shell_complete=offer(named("use"), these(), named("pack")))  # fmt: skip
@site_option
def uses_add_command(words: tuple[str, ...], site_path: Path) -> None:
    """Plan a use of some packs; the same name again changes it.

    Example: carerules uses add "Saturday survey" 2026-12-05T08:00 heron egret
    """
    site = site_at(site_path)
    name, start, *packs = (*words, "", "")[: max(2, len(words))]
    if packs and re.fullmatch(r"\d{1,2}:\d\d", packs[0]):
        found, mend = quoted(f"{start} {packs[0]}"), f"write {quoted(f'{start}T{packs[0]:0>5}')}"
        refuse(Problem(found, "a start without a blank in it", mend).show())
    for pack in packs:
        _known_pack(pack, site.site)
    enter(site, parse_use(name, start, packs, site.site, _wall(site, site_path, virtual=True)))


@uses_command.command("drop", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="NAME",
                shell_complete=offer(named("use"), these()))  # fmt: skip
@site_option
def uses_drop_command(words: tuple[str, ...], site_path: Path) -> None:
    """Call a planned use off.

    Example: carerules uses drop "Saturday survey"
    """
    name = _one(words, "a planned use", "write for instance `carerules uses drop survey`")
    with reader_at(site_path) as reader:
        uses = reader.now().world.uses
        must_be_one_of(name, uses, "a planned use")
    if uses[name].calendar:
        found = f"{quoted(name)}, which calendar `{uses[name].calendar}` plans"
        mend = "take it out of the calendar: it would be planned anew"
        refuse(Problem(found, "a use that no calendar plans", mend).show())
    enter(site_at(site_path), UseDrop(name))


@uses_command.command("list")
@site_option
@json_option
def uses_list_command(site_path: Path, as_json: bool) -> None:
    """List the planned uses, soonest first.

    Example: carerules uses list
    """
    with reader_at(site_path) as reader:
        shape = uses_of(reader.now().world)
    say(shape, uses_lines(shape), as_json=as_json)


@click.command("attend", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="MINUTES")
@site_option
def attend_command(words: tuple[str, ...], site_path: Path) -> None:
    """Say that somebody stays with the packs for so many minutes from now.

    Example: carerules attend 60
    """
    site = site_at(site_path)
    enter(site, parse_attend(" ".join(words), _wall(site, site_path, virtual=False)))


@click.command("release", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="PACK|STATION|site",
                shell_complete=offer(_released, these()))  # fmt: skip
@site_option
def release_command(words: tuple[str, ...], site_path: Path) -> None:
    """Say that you have looked: a pack, a station or the whole site may work again.

    Example: carerules release heron
    """
    site = site_at(site_path)
    what = _one(words, "a pack, a station or `site`", "write for instance `carerules release site`")
    names = (*site.site.packs, *site.site.stations, "site")
    must_be_one_of(what, names, "a pack, a station or `site`")
    enter(site, parse_release(what, site.site))


@click.command("cancel", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="JOB")
@site_option
def cancel_command(words: tuple[str, ...], site_path: Path) -> None:
    """Call a job off; `carerules status` shows which are under way.

    Example: carerules cancel heron-3
    """
    job = _one(words, "a job under way", "`carerules status` shows them")
    must_be_one_of(job, [one.id for one in _jobs(site_path)], "a job under way")
    enter(site_at(site_path), Cancel(job))


@click.command("answer", context_settings=_WORDS)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="JOB yes|no",
                shell_complete=offer(these(), these("yes", "no"), these()))  # fmt: skip
@site_option
def answer_command(words: tuple[str, ...], site_path: Path) -> None:
    """Answer what a job asks.

    Example: carerules answer heron-3 yes
    """
    if len(words) != 2:
        found = quoted(" ".join(words)) if words else "nothing"
        refuse(
            Problem(found, "a job and `yes` or `no`", "`carerules status` shows who asks").show()
        )
    job, word = words[0], words[1].lower()
    must_be_one_of(word, ("yes", "no"), "`yes` or `no`")
    asking = [one.id for one in _jobs(site_path) if one.phase is Phase.ASKING]
    must_be_one_of(job, asking, "a job that asks something")
    enter(site_at(site_path), Answer(job, word == "yes"))


# ---- at the door -----------------------------------------------------------------------------


def _known_pack(pack: str, site: Site) -> None:
    if not pack:
        refuse(Problem("no pack", "a pack of the site file", "write its name first").show())
    must_be_one_of(pack, site.packs, "a pack of the site file")


def _one(words: Sequence[str], wanted: str, mend: str) -> str:
    """The only word; a name of several words may be typed with or without quotes."""
    if not words:
        refuse(Problem("nothing", wanted, mend).show())
    return " ".join(words)


def _jobs(site_path: Path) -> list[Job]:
    with reader_at(site_path) as reader:
        world = reader.now().world
    return [job for state in world.packs.values() for job in state.jobs]


def _wall(site: SiteFile, site_path: Path, *, virtual: bool) -> datetime:
    """The wall time that a person's words are measured from.

    A virtual site has a calendar of its own: `virtual` asks for that one, where a time was named.
    Without one the entry means now, whenever that is on the virtual calendar (see service/desk).
    """
    if site.virtual is None or not virtual:
        return LineClock().wall(site.site.local.zone)
    with reader_at(site_path) as reader:
        world = reader.now().world
    return world.local.read(world.now)


# ---- handing it in ---------------------------------------------------------------------------


def enter(site: SiteFile, entry: Entry | Problem) -> None:
    """Leave the entry for the service, and say what became of it."""
    remark(handed(site, entry))


def handed(site: SiteFile, entry: Entry | Problem) -> str:
    """Leave the entry for the service; what became of it, in words."""
    if isinstance(entry, Problem):
        refuse(entry.show())
    try:
        found = hand_in(site, entry)
    except JournalError as error:
        refuse(str(error))
    if found.refused:
        refuse(found.words(), status=FAILED)
    return found.words()
