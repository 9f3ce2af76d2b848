"""What a site stands on, looked at: broker, clock, disk, notices, and each plug's guard.

Knows where to look and what is amiss, in plain words with the mend. Switches nothing: plugs are
asked how they are, and no more.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from carerules.adapters import (
    KeptJournal,
    LineClock,
    PostgresPlace,
    open_journal,
    synchronised,
)
from carerules.config import SiteFile
from carerules.domain.decision import AskPlug
from carerules.domain.event import ClockSet, PlugLink, PlugReport, Rejected
from carerules.domain.moment import DAY, SECOND, Duration, Moment, show_duration
from carerules.domain.ports import JournalError
from carerules.loop import World
from carerules.safety import NOTICE_PROVEN_WITHIN
from carerules.service.finding import Finding
from carerules.service.outside import RealOutside
from carerules.service.plugcheck import Heard, plugins, plugs

LISTEN_FOR: Duration = 6 * SECOND
"""A connection takes 5 s at most before it is tried again; a plug answers within one."""
ASK_EVERY: Duration = 2 * SECOND
LOOK_EVERY: Duration = SECOND // 4
DISK_WRONG_BYTES = 50 << 20
DISK_LOOK_BYTES = 500 << 20
"""A year of ten packs, each telling once in 10 s, takes less; below a tenth of it, the journal may
fill the disk within weeks. An estimate, no source."""
STEPS_LOOK = 3
"""Steps of the clock in a day: one is a summer time that somebody set by hand."""


def look_over(
    site: SiteFile,
    world: World,
    journal: KeptJournal | None,
    clock: LineClock,
    proven: Mapping[str, Moment],
) -> list[Finding]:
    """Everything, in the order of the page; `proven` says when a notice last went by a channel."""
    heard = Heard()
    if site.has_wires:
        heard = _listened(site, clock)
    return [
        *_broker(site, heard),
        *at_the_hub(site),
        *_clock(site, world, journal),
        *_disk(site, journal),
        *_notices(site, proven, clock.now()),
        *_calendars(site, clock.now() + clock.offset()),
        *plugins(site),
        *plugs(site, world, heard),
    ]


# ---- the broker, and what the plugs say ------------------------------------------------------


def _listened(site: SiteFile, clock: LineClock) -> Heard:
    outside = RealOutside(site, clock, strict=False)
    heard = Heard(refused=outside.lost)
    outside.start()
    try:
        now = outside.now()
        give_up, ask_at = now + LISTEN_FOR, now
        while now < give_up and not set(heard.reports) >= set(site.site.plugs):
            if now >= ask_at:
                ask_at = now + ASK_EVERY
                for name in site.site.plugs if heard.up else site.called:
                    outside.perform(AskPlug(name))
            for event in outside.wait(now + LOOK_EVERY):
                match event:
                    case PlugReport(plug=plug):
                        heard.reports[plug] = event
                    case PlugLink(_, plug, up):
                        heard.up = heard.up or (up and plug not in site.called)
                        (heard.away.discard if up else heard.away.add)(plug)
                    case Rejected(_, origin, why) if origin.startswith("plug "):
                        heard.lost[origin.removeprefix("plug ")] = why
                    case Rejected(_, _, why):
                        heard.refusals.append(why)
                    case _:
                        pass
            now = outside.now()
    finally:
        outside.close()
    return heard


def _broker(site: SiteFile, heard: Heard) -> Iterator[Finding]:
    if site.mqtt is None:
        what = "no broker: entries by hand only"
        if site.virtual is not None:
            what = "a virtual site"
        elif site.called:
            what = "no broker: every plug is asked directly"
        yield Finding("broker", "in order", what)
        return
    where = site.mqtt.show()
    if heard.refused is not None:
        mend = "see what `[mqtt]` names for the login"
        yield Finding("broker", "wrong", f"{where} is not asked: {heard.refused}", mend)
        return
    # A site without plugs hears of no link: nothing of it says whether the broker is there.
    if not site.on_broker:
        yield Finding("broker", "in order", f"{where}: no plug is switched over it")
    elif heard.up:
        yield Finding("broker", "in order", f"{where} accepts us")
    else:
        why = f": {heard.refusals[0]}" if heard.refusals else " within 6 s"
        yield Finding(
            "broker",
            "wrong",
            f"{where} does not let us in{why}",
            "see that it runs, and that `[mqtt]` has its host, port and login",
        )
    lies = [why for why in heard.refusals if why.startswith("a retained command")]
    for why in dict.fromkeys(lies):
        yield Finding("broker", "wrong", why, "or set `clear_retained = true` in `[mqtt]`")


# ---- this machine ----------------------------------------------------------------------------


def at_the_hub(site: SiteFile) -> Iterator[Finding]:
    """What a hub may have done, and whether anybody at the broker may."""
    if site.hub is None or site.mqtt is None:
        return
    offers = "stop, and what `controls` adds" if site.hub.controls else "stop only"
    known = site.mqtt.username is not None or site.mqtt.cert_file is not None
    if known or not site.hub.controls:
        yield Finding("hub", "in order", f"it is offered {offers}")
    else:
        yield Finding(
            "hub", "look",
            f"it is offered {offers}, and the broker lets us in without a login: whoever reaches "
            "the broker can press the same buttons",
            "give the broker logins and an access list (docs/security.md), or take `controls` out",
        )  # fmt: skip


def _clock(site: SiteFile, world: World, journal: KeptJournal | None) -> Iterator[Finding]:
    if site.virtual is not None:
        return
    match synchronised():
        case True:
            yield Finding("clock", "in order", "kept by a time service")
        case False:
            yield Finding(
                "clock",
                "look",
                "no time service keeps it: windows of the day may be off",
                "turn on the system's time service (NTP)",
            )
        case None:
            yield Finding(
                "clock",
                "look",
                "this system does not say whether it is kept",
                "see that a time service (NTP) runs",
            )
    if journal is None:
        return
    since = journal.seq_at(world.now - DAY)
    steps = sum(isinstance(event, ClockSet) for _, event in journal.events(since))
    if steps >= STEPS_LOOK:
        yield Finding(
            "clock",
            "look",
            f"it was set, or the machine slept, {steps} times in 24 h",
            "each time brings every load off: let the machine not sleep",
        )


def _disk(site: SiteFile, journal: KeptJournal | None) -> Iterator[Finding]:
    there = _nearest(site.state)
    free = shutil.disk_usage(there).free
    said = f"{_size(free)} free at `{there}`"
    if free < DISK_WRONG_BYTES:
        yield Finding("disk", "wrong", said, "free some space: without a journal nothing goes on")
    elif free < DISK_LOOK_BYTES:
        yield Finding("disk", "look", said, "free some space before it is full")
    else:
        yield Finding("disk", "in order", said)
    if not isinstance(site.journal, Path):
        yield _database(site.journal)
        return
    try:
        _write_there(there)
        if journal is not None:
            journal.check_in_place()
    except (OSError, JournalError) as error:
        what = error.strerror if isinstance(error, OSError) else str(error)
        yield Finding(
            "journal",
            "wrong",
            f"`{there}` cannot be written: {what}",
            "give the service's user the folder",
        )
        return
    yield Finding(
        "journal",
        "in order",
        "its folder takes a file and makes it durable"
        + ("" if journal is not None else "; nothing is journalled yet"),
    )


def _database(place: PostgresPlace) -> Finding:
    """Whether a journal on a server can be kept there, as who opens it finds."""
    try:
        open_journal(place, owner=False).close()
    except JournalError as error:
        return Finding("journal", "wrong", error.what, error.mend)
    return Finding("journal", "in order", f"`{place.schema}` at `{place.url}` answers, and makes "
                   "durable what it is given")  # fmt: skip


def _size(octets: int) -> str:
    """`66 GiB`, or below ten of them `980 MiB`."""
    return f"{octets >> 30} GiB" if octets >= 10 << 30 else f"{octets >> 20} MiB"


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest above it that is there: the service makes the rest."""
    return next((one for one in (folder, *folder.parents) if one.is_dir()), Path("/"))


def _write_there(folder: Path) -> None:
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".doctor-") as file:
        file.write(b"doctor")
        file.flush()
        os.fsync(file.fileno())


def _notices(site: SiteFile, proven: Mapping[str, Moment], now: Moment) -> Iterator[Finding]:
    if site.channels:
        yield Finding("notices", "in order", f"go out by {', '.join(sorted(site.channels))}")
        for channel in site.ways_out:
            yield _channel(site, channel.way.name, proven.get(channel.way.name), now)
    else:
        yield Finding(
            "notices",
            "look",
            "no channel is declared: what is urgent shows only on the "
            "service's own terminal and in `carerules log`",
            "add a `[channel.NAME]`",
        )


def _channel(site: SiteFile, name: str, at: Moment | None, now: Moment) -> Finding:
    about = f"channel {name}"
    if at is not None and now - at <= NOTICE_PROVEN_WITHIN:
        ago = show_duration(max(0, now - at))
        return Finding(about, "in order", f"last proved {ago} ago")
    said = "never proved" if at is None else f"last proved {site.site.local.show(at)}"
    need = f", wanted within {show_duration(NOTICE_PROVEN_WITHIN)}"
    return Finding(about, "look", said + need, f"`carerules notify-test {site.file}`")


# ---- calendars -------------------------------------------------------------------------------


def _calendars(site: SiteFile, wall_ms: int) -> Iterator[Finding]:
    if site.calendars:
        # Few sites have calendars, and what fetches them is large.
        from carerules.service.calendarcheck import read_each  # noqa: PLC0415

        yield from read_each(site, wall_ms)
