"""The status, uses and chores in words, for a terminal of 80 columns.

Knows shapes and how a page is laid out. Does not know worlds, nor where it is printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from carerules.domain.spelling import ALIKE_MAX, counted, renamed
from carerules.report.glance import glance_words
from carerules.report.pack import show_use
from carerules.report.page import Paint, fold, plain, show_at, show_percent, show_s
from carerules.report.shapes import (
    CalendarCopyShape,
    ChoreShape,
    ChoresShape,
    JobShape,
    PackShape,
    PlugShape,
    StationShape,
    StatusShape,
    UsesShape,
    WaitShape,
)
from carerules.report.words import wish

_LABEL = 11


def status_lines(
    status: StatusShape, paint: Paint = plain, *, whole: bool = False,
    numbers: Mapping[str, int] | None = None,
) -> list[str]:  # fmt: skip
    """The status for a terminal; `whole`: with all that is known of a pack's health, not only what
    is worth a look. `numbers`: of each chore by its key, where the status is of one pack only, for
    `carerules chore` counts those of all."""
    lines = list(_head(status, paint))
    for pack in status.packs:
        lines += ["", *_pack_lines(pack, status, paint, whole=whole)]
    if status.stations:
        lines.append("")
    for station in status.stations:
        lines += _station_lines(station, status, paint)
    if status.calendars:
        lines.append("")
    for calendar in status.calendars:
        lines += _calendar_lines(calendar, paint)
    if status.chores:
        lines += ["", "for you:", *_for_you(status.chores, numbers)]
    counts = _counts(status)
    return [*lines, "", *fold("", counts)] if counts else lines


def _for_you(chores: Sequence[ChoreShape], numbers: Mapping[str, int] | None) -> list[str]:
    """As `chore_lines`; what is to be done alike with many packs is one line, under the first's
    number, or a first day with thirty packs were seventy."""
    alike: dict[tuple[str, bool], list[ChoreShape]] = {}
    for chore in chores:
        alike.setdefault(_kind(chore), []).append(chore)
    lines: list[str] = []
    told: set[tuple[str, bool]] = set()
    for place, chore in enumerate(chores, 1):
        number = place if numbers is None else numbers[chore.key]
        same = alike[_kind(chore)]
        if len(same) <= ALIKE_MAX:
            lines += _chore_lines(number, chore)
        elif _kind(chore) not in told:
            told.add(_kind(chore))
            lines += _chore_lines(number, chore, f" and {len(same) - 1} more")
    return [*lines, "  `carerules chore` lists each with its number"] if told else lines


def _kind(chore: ChoreShape) -> tuple[str, bool]:
    if chore.pack is None or chore.asks:
        return chore.key, True
    return renamed(chore.text, chore.pack), chore.later is None


def uses_lines(uses: UsesShape) -> list[str]:
    """The uses for a terminal."""
    if not uses.uses:
        return ["no use is planned"]
    return [line for use in uses.uses for line in fold(f"{show_at(use.start)}  ", show_use(use))]


def chore_lines(chores: Sequence[ChoreShape]) -> list[str]:
    """What is for a person to do, each with its number."""
    lines: list[str] = []
    for number, chore in enumerate(chores, 1):
        lines += _chore_lines(number, chore)
    return lines


def _chore_lines(number: int, chore: ChoreShape, others: str = "") -> list[str]:
    text, whose = chore.text, f"{chore.pack}{others}"
    if chore.pack and chore.pack not in text:
        text = f"{whose}: {text}"
    elif others:
        text = renamed(text, chore.pack or "", whose, count=1)
    later = f"; not before {show_at(chore.later)}" if chore.later is not None else ""
    return fold(f"  {number}. ", f"{text} (since {show_at(chore.since)}{later})")


def todo_lines(chores: ChoresShape) -> list[str]:
    """What is for a person to do, and what of the kept plan comes onto the list later."""
    lines = chore_lines(chores.chores) or ["nothing is for you to do"]
    if chores.coming:
        lines.append("coming, by the plan:")
    for one in chores.coming:
        off = f", in place of {one.off}" if one.off else ""
        lines += fold(f"  by {show_at(one.at)}  ", f"put {one.pack} on {one.station}{off}")
    return lines


def _head(status: StatusShape, paint: Paint) -> Iterator[str]:
    played = ", virtual: nothing real is switched" if status.virtual else ""
    yield from fold("", f"{status.site}, {show_at(status.now)}{played}")
    service = status.service
    wrote = "" if service.last_wrote is None else f"last wrote {show_at(service.last_wrote)}"
    if service.running:
        pid = f" (process {service.pid})" if service.pid is not None else ""
        yield from fold("", f"the service runs{pid}{', ' if wrote else ''}{wrote}")
    elif wrote:
        yield from _painted(paint, "tell", fold("", f"no service runs; one {wrote}"))
    else:
        yield from _painted(paint, "tell", ["no service has run here yet"])
    if not status.rules_loaded:
        words = "the rules have errors, so none is shown: see `carerules check`"
        yield from _painted(paint, "alarm", fold("", words))
    if status.stopped is not None:
        words = f"everything is stopped ({status.stopped}): `carerules release site` when looked at"
        yield from _painted(paint, "alarm", fold("", words))
    if status.attended_until is not None:
        yield f"somebody is there until {show_at(status.attended_until)}"


def _pack_lines(
    pack: PackShape, status: StatusShape, paint: Paint, *, whole: bool
) -> Iterator[str]:
    where = f"on {pack.station}" if pack.station else "on no station"
    yield from fold("", f"{pack.pack}: {pack.chemistry}, {counted(pack.cells, 'cell')}, {where}")
    for bar in (pack.barred, pack.retired):
        if bar is not None:
            mend = f"; look at it, then `carerules release {pack.pack}`"
            yield from _painted(paint, "alarm", _row("barred", f"{bar}{mend}"))
    yield from _row("charge", charge_words(pack))
    health, asks = glance_words(pack, whole=whole)
    if health:
        yield from _painted(paint, "tell" if asks else "seen", _row("health", health))
    if pack.doubt is not None:
        yield from _painted(paint, "tell", _row("doubt", pack.doubt))
    listed = {chore.job for chore in status.chores}
    for job in pack.jobs:  # what it waits for is said once, where it is for somebody to do
        said = job.model_copy(update={"mend": None}) if job.job in listed else job
        yield from _painted(paint, "decided", _row("doing", job_words(said)))
    for wait in pack.waits:
        yield from _row("waits", _wait_words(wait, status))
    if pack.next_use is not None:
        left = (pack.next_use.start - status.now).total_seconds()
        when = f"{show_at(pack.next_use.start)}, in {show_s(left)}"
        yield from _row("next use", f"{pack.next_use.use}, {when}")
    if pack.left_out:
        yield from _row("left out", f"{counted(pack.left_out, 'sample')} that came too late")


def charge_words(pack: PackShape) -> str:
    """`100 % ± 2 %, said to be full, Mon 30 Nov 18:00; read 25.10 V, 18 °C`: what was read lately
    may be of before a run, and is not called what it is now."""
    charge = pack.charge
    if charge.soc_percent is None or charge.since is None:
        words = f"unknown: {charge.unknown}"
    else:
        words = show_percent(charge.soc_percent, charge.spread_percent)
        since = "since" if charge.source == "counted" else "on"
        words += f", {charge.source} {since} {show_at(charge.since)}"
    seen = [] if pack.voltage_v is None else [f"{pack.voltage_v:.2f} V"]
    seen += [] if pack.temperature_c is None else [f"{pack.temperature_c:.0f} °C"]
    return f"{words}; read {', '.join(seen)}" if seen else words


def job_words(job: JobShape) -> str:
    """`drain to 80 % (heron-1, rule full-too-long): waiting, only during 22:00-06:00`."""
    why = f", {job.why}" if job.why else ""
    mend = f"; {job.mend}" if job.mend else ""
    moved = f"; {job.energy_wh:.0f} Wh moved" if job.energy_wh >= 0.5 else ""
    since = f" since {show_at(job.since)}" if job.phase != "ready" else ""
    return f"{job.line} ({job.job}, {wish(job.rule)}): {job.phase}{since}{why}{moved}{mend}"


def _wait_words(wait: WaitShape, status: StatusShape) -> str:
    ran = ""
    if wait.ran_s is not None and wait.wanted_s is not None:
        ran = f": {show_s(wait.ran_s)} of {show_s(wait.wanted_s)}"
    if wait.holds == "unknown" and wait.fires_at is None:
        ran += ", stands still: something is unknown now"
    return f"{wait.rule}{ran}{fires_words(wait, status)}"


def fires_words(wait: WaitShape, status: StatusShape) -> str:
    """`, fires Tue 01 Dec 18:00 if nothing changes`."""
    if wait.fires_at is None:
        return ""
    if wait.fires_at > status.now:
        return f", fires {show_at(wait.fires_at)}"
    return ", fires now" if status.service.running else ", fires at the next start"


def _station_lines(station: StationShape, status: StatusShape, paint: Paint) -> Iterator[str]:
    on_it = f"{station.pack} is on it" if station.pack else "free"
    yield from fold("", f"station {station.station}: {on_it}")
    if station.locked is not None:
        mend = f"; look at it, then `carerules release {station.station}`"
        yield from _painted(paint, "alarm", _row("locked", f"{station.locked}{mend}"))
    for plug in station.plugs:
        tone = {"off": "seen", "on": "done"}.get(plug.state, "alarm")
        yield from _painted(paint, tone, _row(plug.side, _plug_words(plug, status)))
        if plug.unguarded is not None:
            yield from _painted(paint, "tell", _row("guard", f"none: {plug.unguarded}"))


def _calendar_lines(one: CalendarCopyShape, paint: Paint) -> Iterator[str]:
    about = f"calendar {one.calendar}: "
    if one.good_at is None:
        yield from _painted(paint, "tell", fold(about, "not read yet, and there is no copy"))
    elif one.why is not None:
        words = f"{one.why}; its copy of {show_at(one.good_at)} holds"
        yield from _painted(paint, "tell", fold(about, words))
    else:
        yield from fold(about, f"last read {show_at(one.good_at)}")


def _plug_words(plug: PlugShape, status: StatusShape) -> str:
    words = {
        "off": "off, read back",
        "on": "on",
        "off unproved": "NOT proved off",
        "on unasked": "ON though nobody here asked for it",
    }[plug.state]
    if plug.state == "on" and not status.service.running:
        words = "was on when last heard, on"  # its own timer has long had the word
    if plug.on_since is not None:
        words += f" since {show_at(plug.on_since)}"
    if plug.power_w is not None and plug.state != "off":
        words += f", {plug.power_w:.0f} W"
    if not plug.reached:
        words += "; it cannot be reached"
    if plug.heard is None:
        return f"{plug.plug} {words}; it was never heard"
    age = (status.now - plug.heard).total_seconds()
    return f"{plug.plug} {words} ({show_s(age)} ago)"


def _counts(status: StatusShape) -> str:
    counts = [
        (status.entries_waiting, "entry not yet taken in", "entries not yet taken in"),
        (status.refused, "message or entry refused", "messages or entries refused"),
        (status.left_out, "sample left out as too late", "samples left out as too late"),
        (status.damaged_rows, "row of the journal does not read back and is left out",
         "rows of the journal do not read back and are left out"),
    ]  # fmt: skip
    return "; ".join(f"{number} {one if number == 1 else more}"
                     for number, one, more in counts if number)  # fmt: skip


def _row(label: str, text: str) -> list[str]:
    return fold(f"  {label:{_LABEL - 2}}", text)


def _painted(paint: Paint, tone: str, lines: Sequence[str]) -> list[str]:
    return [paint(tone, line) for line in lines]
