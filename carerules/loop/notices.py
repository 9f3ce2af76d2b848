"""What is to be told to whom, and when: the outbox moves on, pure.

Knows incidents, letters and channels' names. Does not know how a letter travels or is kept. The
same words again are no news; words that keep changing are told less and less often; an incident
that somebody has acknowledged is quiet; an urgent one that nobody has goes on to more channels.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from carerules.domain.decision import Notice, Outcome, PackBarred, StationLocked
from carerules.domain.moment import DAY, HOUR, MINUTE, SECOND, Duration, Moment, show_duration
from carerules.domain.notice import Incident, Letter, Outbox, Way
from carerules.domain.spelling import ALIKE_MAX, counted, renamed

QUIET: Duration = HOUR
"""The same words within this of when they were last heard are no news."""
QUIET_ACKNOWLEDGED: Duration = 12 * HOUR
"""Who acknowledged something in the evening is not woken for the very same words at night."""
SPACING_MIN: Duration = MINUTE
SPACING_MAX: Duration = HOUR
"""Words that change all the time are told after 1, 2, 4, ... min, at last once an hour; urgent ones
once a minute at most."""
RETRY_MIN: Duration = 10 * SECOND
RETRY_MAX: Duration = 15 * MINUTE
"""A letter that did not arrive is tried again after 10 s, 20 s, 40 s, ... at last each 15 min."""
GIVE_UP: Duration = 3 * DAY
"""A letter that is older than a long weekend tells nobody anything that the next look does not."""
TEST_AFTER: Duration = 20 * HOUR
"""A quiet channel is tested before its last proof is 24 h old (`safety.NOTICE_PROVEN_WITHIN`), with
four hours in which a failed test can be tried again."""
SNOOZE_MAX: Duration = 7 * DAY
NAMED_MAX = 12
"""So many packs are named in one notice: more are no longer read on a telephone."""
LETTERS_WAITING_MAX = 200
"""Ten for each of twenty channels; past it the oldest that is not urgent goes."""
LETTERS_KEPT = 1_000
INCIDENTS_KEPT = 500
TEST = "test"
"""The key of letters that only test a channel."""
TEST_TEXT = "a test of this channel: notices reach you, nothing is to be done"


def notices_of(outcomes: Iterable[Outcome]) -> list[Notice]:
    """What people are told of the outcomes of one event. A pack that was barred and a station that
    was locked are told too, where nothing urgent is said of them anyway; the same to be done with
    many packs is one notice."""
    outcomes = tuple(outcomes)
    said = [one for one in outcomes if isinstance(one, Notice)]
    told = list(said)
    for outcome in outcomes:
        match outcome:
            case PackBarred(pack, retired, why):
                text = f"{pack}: {'retired' if retired else 'quarantined'}, {why}"
                told.append(Notice(f"barred {pack}", text, pack, urgent=not retired))
            case StationLocked(station, why) if not any(one.urgent for one in said):
                told.append(Notice(f"locked {station}", f"station {station} is locked: {why}",
                                   urgent=True))  # fmt: skip
            case _:
                pass
    return _together(told)


def _together(told: Sequence[Notice]) -> list[Notice]:
    """Chores that differ by their pack's name only, and are more than a few, in one notice that
    names the packs: on a first day they were thirty, and the one that matters among them."""
    alike: dict[str, list[Notice]] = {}
    for one in told:
        if one.key.startswith("chore ") and one.pack:
            alike.setdefault(renamed(one.text, one.pack), []).append(one)
    joined: dict[str, Notice | None] = {}
    for first, *more in alike.values():
        if len(more) < ALIKE_MAX:
            continue
        names = [first.pack, *(one.pack for one in more)]
        left = len(names) - NAMED_MAX
        who = f"{', '.join(names[:NAMED_MAX])} and {left} more" if left > 0 else (
            f"{', '.join(names[:-1])} and {names[-1]}")  # fmt: skip
        # A key of its own: when the first pack's is done, the others' is not taken back.
        key = f"{first.key} and {counted(len(more), 'other')}"
        joined |= {one.key: None for one in more}
        joined[first.key] = Notice(key, renamed(first.text, first.pack, who, count=1))
    found = (joined.get(one.key, one) for one in told)
    return [one for one in found if one is not None]


# ---- hearing ---------------------------------------------------------------------------------


def hear(outbox: Outbox, notice: Notice, at: Moment) -> Outbox:
    """A notice was decided at `at`: news, or the same words again."""
    known = outbox.incidents.get(notice.key)
    if known is None:
        number = max((one.number for one in outbox.incidents.values()), default=0) + 1
        return _put(outbox, Incident(
            number, notice.key, notice.text, notice.pack, notice.urgent, notice.to, heard=at,
            urgent_since=at if notice.urgent else None,
        ))  # fmt: skip
    raised = notice.urgent and not known.urgent
    if notice.text == known.text and not raised and not known.over and _known(known, notice, at):
        return _put(outbox, replace(known, heard=at))
    anew = known.over or at - known.heard > QUIET or known.acknowledged is not None
    since = known.urgent_since
    if notice.urgent and (anew or since is None):
        since = at
    return _put(outbox, replace(
        known, text=notice.text, pack=notice.pack, to=notice.to, heard=at, waits=True,
        urgent=notice.urgent, urgent_since=since if notice.urgent else None, acknowledged=None,
        over=False, joined=() if anew else known.joined,
        # Becoming urgent waits for nothing.
        told=None if raised else known.told, times=0 if raised else known.times,
    ))  # fmt: skip


def _known(known: Incident, notice: Notice, at: Moment) -> bool:
    """Whether the same words are no news: said lately, and not said again on purpose."""
    if known.acknowledged is not None and at - known.acknowledged <= QUIET_ACKNOWLEDGED:
        return True
    return not notice.again and at - known.heard <= QUIET


def ended(outbox: Outbox, key: str) -> Outbox:
    """What was told of has ended by itself: nobody needs to hear of it any more."""
    known = outbox.incidents.get(key)
    if known is None or known.over:
        return outbox
    outbox = _put(outbox, replace(known, over=True, waits=False))
    return _drop(outbox, known.number, "it has ended")


# ---- people's words --------------------------------------------------------------------------


def named(outbox: Outbox, word: str) -> Incident | None:
    """The incident that a person means, by its key or its number."""
    if word in outbox.incidents:
        return outbox.incidents[word]
    return next((one for one in outbox.incidents.values() if str(one.number) == word), None)


def acknowledge(outbox: Outbox, key: str, at: Moment) -> Outbox:
    """Somebody has seen it: nothing more about it until it says something else."""
    known = outbox.incidents.get(key)
    if known is None:
        return outbox
    outbox = _put(outbox, replace(known, acknowledged=at, waits=False))
    return _drop(outbox, known.number, "acknowledged")


def snooze(outbox: Outbox, key: str, until: Moment) -> Outbox:
    """Nothing about it until then; what waits is told afterwards."""
    known = outbox.incidents.get(key)
    if known is None:
        return outbox
    held = any(one.incident == known.number and one.waits for one in outbox.letters.values())
    outbox = _put(outbox, replace(known, snoozed_until=until, waits=known.waits or held))
    return _drop(outbox, known.number, "snoozed")


# ---- letters ---------------------------------------------------------------------------------


def write(outbox: Outbox, ways: Sequence[Way], now: Moment) -> Outbox:
    """Letters for all that is news by now, for those who must hear because nobody answered, and for
    channels whose proof grows old."""
    for known in list(outbox.incidents.values()):
        if known.over or known.acknowledged is not None or now < known.snoozed_until:
            continue
        if known.waits and now >= _tell_at(known, now):
            outbox = _tell(outbox, known, ways, now)
        outbox = _go_on(outbox, outbox.incidents[known.key], ways, now)
    for way in ways:
        quiet = now - outbox.proven.get(way.name, now - TEST_AFTER) >= TEST_AFTER
        if way.daily_test and quiet and not _waiting(outbox, way.name):
            outbox = test(outbox, way.name, now)
    return _pruned(outbox)


def test(outbox: Outbox, channel: str, now: Moment) -> Outbox:
    """A letter that only tests the channel."""
    return _letter(outbox, Letter(0, 0, TEST, channel, TEST_TEXT, urgent=False, made=now, due=now))


def _waiting(outbox: Outbox, channel: str) -> bool:
    return any(one.waits and one.channel == channel for one in outbox.letters.values())


def _tell_at(known: Incident, now: Moment) -> Moment:
    if known.told is None:
        return now
    spacing = SPACING_MIN
    if not known.urgent:
        spacing = min(SPACING_MAX, SPACING_MIN << min(16, max(0, known.times - 1)))
    return known.told + spacing


def _tell(outbox: Outbox, known: Incident, ways: Sequence[Way], now: Moment) -> Outbox:
    outbox = _drop(outbox, known.number, "newer words")
    for name in _first(known, ways):
        outbox = _letter(outbox, _about(known, name, known.text, now))
    lately = known.told is not None and now - known.told <= DAY
    return _put(outbox, replace(
        known, waits=False, told=now, times=known.times + 1 if lately else 1
    ))  # fmt: skip


def _first(known: Incident, ways: Sequence[Way]) -> list[str]:
    """The channels that hear of it at once: the one that it is addressed to, else all; and those
    that it has already gone on to."""
    if known.to:
        at_once = [way.name for way in ways if way.name == known.to]
    else:
        at_once = [way.name for way in ways if way.after is None]
    return list(dict.fromkeys((*at_once, *known.joined)))


def _go_on(outbox: Outbox, known: Incident, ways: Sequence[Way], now: Moment) -> Outbox:
    """More channels for an urgent incident that nobody has acknowledged."""
    since = known.urgent_since
    for way in ways:
        if since is None or way.after is None or now - since < way.after:
            continue
        if way.name in known.joined or way.name == known.to:
            continue
        text = f"nobody has answered for {show_duration(way.after)}: {known.text}"
        outbox = _letter(outbox, _about(known, way.name, text, now))
        known = replace(known, joined=(*known.joined, way.name))
        outbox = _put(outbox, known)
    return outbox


def _about(known: Incident, channel: str, text: str, now: Moment) -> Letter:
    return Letter(0, known.number, known.key, channel, text, known.urgent, made=now, due=now)


def due_letters(outbox: Outbox, now: Moment, busy: Collection[str] = ()) -> list[Letter]:
    """What goes now: one letter for each channel that is not busy, urgent ones first."""
    chosen: dict[str, Letter] = {}
    waiting = [one for one in outbox.letters.values() if one.waits and one.due <= now]
    for one in sorted(waiting, key=lambda letter: (not letter.urgent, letter.due, letter.number)):
        if one.channel not in busy:
            chosen.setdefault(one.channel, one)
    return list(chosen.values())


def sent(outbox: Outbox, number: int, at: Moment) -> Outbox:
    """A letter has arrived: its channel works."""
    letter = outbox.letters.get(number)
    if letter is None:
        return outbox
    outbox = _letter(outbox, replace(letter, done=at, tries=letter.tries + 1, error=""))
    return replace(outbox, proven={**outbox.proven, letter.channel: at})


def failed(outbox: Outbox, number: int, at: Moment, why: str) -> Outbox:
    """A letter has not arrived: again later, less and less often, and in the end not at all."""
    letter = outbox.letters.get(number)
    if letter is None or not letter.waits:
        return outbox
    tries = letter.tries + 1
    due = at + min(RETRY_MAX, RETRY_MIN << min(16, tries - 1))
    dropped = "given up" if due - letter.made > GIVE_UP else ""
    return _letter(outbox, replace(letter, tries=tries, due=due, error=why, dropped=dropped))


# ---- keeping ---------------------------------------------------------------------------------


def _put(outbox: Outbox, incident: Incident) -> Outbox:
    return replace(outbox, incidents={**outbox.incidents, incident.key: incident})


def _letter(outbox: Outbox, letter: Letter) -> Outbox:
    if not letter.number:
        letter = replace(letter, number=max(outbox.letters, default=0) + 1)
    return replace(outbox, letters={**outbox.letters, letter.number: letter})


def _drop(outbox: Outbox, incident: int, why: str) -> Outbox:
    letters = {
        number: replace(one, dropped=why) if one.incident == incident and one.waits else one
        for number, one in outbox.letters.items()
    }
    return replace(outbox, letters=letters)


def _pruned(outbox: Outbox) -> Outbox:
    """Within bounds: what was delivered long ago is forgotten, what waits too long in too great a
    number is dropped, the oldest that is not urgent first."""
    letters = dict(outbox.letters)
    waiting = [one for one in letters.values() if one.waits]
    excess = max(0, len(waiting) - LETTERS_WAITING_MAX)
    for one in sorted(waiting, key=lambda letter: (letter.urgent, letter.number))[:excess]:
        letters[one.number] = replace(one, dropped="too many wait")
    finished = [number for number, one in letters.items() if not one.waits]
    newest = max(letters, default=0)  # stays, or its number would be given again
    for number in finished[: max(0, len(letters) - LETTERS_KEPT)]:
        if number != newest:
            del letters[number]
    incidents = dict(outbox.incidents)
    if len(incidents) > INCIDENTS_KEPT:
        by_age = sorted(incidents.values(), key=lambda one: one.heard)
        for old in by_age[: len(incidents) - INCIDENTS_KEPT]:
            del incidents[old.key]
    if (
        len(letters) == len(outbox.letters)
        and not excess
        and len(incidents) == len(outbox.incidents)
    ):
        return outbox
    return replace(outbox, letters=letters, incidents=incidents)
