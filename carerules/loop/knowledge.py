"""What is known of a pack: facts taken in, each in its place in time.

Knows estimates, and what happened to a pack. Does not know jobs or plugs, nor how rules are looked
at; it says when. Each pack keeps its own place in event time (`seen`).
"""

from __future__ import annotations

from collections.abc import Mapping

from carerules.battery import CHARGED_FULL, SAID_FULL, take_energy, take_event, take_sample
from carerules.domain.decision import LeftOut, Marked, PackBarred
from carerules.domain.event import PERHAPS_BARRED, Happened, Sample
from carerules.domain.frozen import changed
from carerules.domain.moment import SECOND, Duration, Moment
from carerules.domain.quantity import Known
from carerules.loop.looking import catch_up, look, look_if_new, look_once, with_own_circuit
from carerules.loop.turn import Turn
from carerules.loop.world import PackState, Recent, chemistry_of, put

LATENESS: Duration = 30 * SECOND
"""A sample this late is put in its place; a later one is left out, and counted."""
FROM_PLUG = "plug "
"""How the source begins of what a plug's power has shown."""
RECENT_MAX = 64
"""Two samples a second over the lateness, and a little over."""
HAPPENED_MAX = 512
"""Happenings of one kind remembered a pack: daily charges of a year and a half."""
COUNTED = ("charge", "drain", "full")
"""What of our own doing the estimate has followed as it flowed."""


def take_in(turn: Turn, event: Sample | Happened) -> None:
    """A fact about a pack: in its place if it is at most a little late, left out if it is more."""
    name, state = event.pack, turn.pack(event.pack)
    if _heard_before(state, event):
        return
    if event.at < event.heard:
        # The rules have been looked at since. What was decided is not decided twice.
        turn.fired_before = frozenset(rule.key for rule in state.rules if not rule.armed)
    if event.at >= state.seen:
        _apply(turn, event)
    elif state.seen - event.at <= LATENESS:
        _put_in_place(turn, event)
    else:
        late = state.seen - event.at
        turn.set_pack(name, left_out=state.left_out + 1)
        turn.decide(LeftOut(name, late, event.source))
        turn.fired_before = frozenset()
        return
    if event.at < event.heard:
        look(turn, name, event.heard)
        turn.fired_before = frozenset()
    _note_harm(turn, event)


def _heard_before(state: PackState, event: Sample | Happened) -> bool:
    """Whether this very fact was taken in lately: said twice, it changes nothing."""
    for one in state.recent:
        if one.event.at == event.at and changed(one.event, heard=event.heard) == event:
            return True
    return False


def _apply(turn: Turn, event: Sample | Happened) -> None:
    name = event.pack
    if turn.pack(name).due < event.at:
        catch_up(turn, name, event.at)
    state = turn.pack(name)
    recent = Recent(
        event,
        state.estimate,
        state.rules,
        state.nevers,
        state.counting,
        state.happened,
        state.due,
        state.seen,
    )
    horizon = event.heard - LATENESS
    kept = [one for one in state.recent if one.event.at >= horizon][-RECENT_MAX + 1 :]
    pack = turn.rated(name)
    chemistry = chemistry_of(turn.world, pack)
    if isinstance(event, Sample):
        after = take_sample(state.estimate, pack, chemistry, event)
    else:
        # Only the plug's own power tells of a taper: a person's word is a word.
        who = CHARGED_FULL if event.source.startswith(FROM_PLUG) else SAID_FULL
        after = take_event(state.estimate, pack, chemistry, event.what, event.at, who)
    if pack.discharges_after is not None:
        after = with_own_circuit(turn, name, after)
    turn.set_pack(name, seen=event.at, recent=(*kept, recent), estimate=after)
    if isinstance(event, Sample):
        look_if_new(turn, name, event.at)
        return
    _remember(turn, name, event.what, event.at)


def _put_in_place(turn: Turn, event: Sample | Happened) -> None:
    """Go back to before the later ones, take this one in, and then them again."""
    name, state = event.pack, turn.pack(event.pack)
    later = [one for one in state.recent if one.event.at > event.at]
    if not later:
        _apply(turn, event)
        return
    first = later[0]
    turn.set_pack(
        name, estimate=first.estimate, rules=first.rules, nevers=first.nevers,
        counting=first.counting, happened=first.happened,
        due=first.due, deadline=first.due, seen=first.seen, looked_at=None,
        recent=tuple(one for one in state.recent if one.event.at <= event.at),
    )  # fmt: skip
    for one in (event, *(one.event for one in later)):
        _apply(turn, one)


def take_mark(turn: Turn, name: str, what: str, source: str) -> None:
    """Something that we did ourselves, or a rule marked.

    A `charge` or `drain` of ours was counted as it flowed; from a person the same word says that
    the pack is full, and is all that is known. A rule that marks `full` has read nothing: only the
    plug's own power tells of a taper.
    """
    now = turn.world.now
    if what not in COUNTED or (what == "full" and source.startswith(FROM_PLUG)):
        take_in(turn, Happened(now, now, name, what, source))
        return
    catch_up(turn, name, now)
    _remember(turn, name, what, now)


def mark(turn: Turn, name: str, what: str, source: str) -> None:
    """Something happened to the pack by our own hand: it is decided, and taken in."""
    turn.decide(Marked(name, what))
    take_mark(turn, name, what, source)


def counted_charge(turn: Turn, name: str, since: Moment) -> bool:
    """Whether a charge of the pack was counted since then."""
    charges = turn.pack(name).happened.get("charge", ())
    return bool(charges) and charges[-1] >= since


def _remember(turn: Turn, name: str, what: str, at: Moment) -> None:
    """Put what happened behind what has happened before, and look at the rules that see it."""
    happened = turn.pack(name).happened
    times = (*happened.get(what, ()), at)[-HAPPENED_MAX:]
    turn.set_pack(name, happened=put(happened, what, times))
    look_once(turn, name, at)


def take_metered(
    turn: Turn, name: str, at: Moment, power_w: float | None, usual_w: float = 0.0
) -> None:
    """Energy that the station's plug meters (W, positive into the pack), and the rules that see it.
    None, and `usual_w`, as in `take_energy`."""
    pack, state = turn.rated(name), turn.pack(name)
    chemistry = chemistry_of(turn.world, pack)
    after = take_energy(state.estimate, pack, chemistry, at, power_w, usual_w)
    turn.set_pack(name, estimate=with_own_circuit(turn, name, after))
    # Going back to put a late fact in its place would lose what flowed since, or that it ended.
    if power_w or usual_w or state.estimate.track.cell_w or state.estimate.track.out_w:
        turn.set_pack(name, recent=())
    catch_up(turn, name, at)
    if turn.world.setup.bound[name].reads_station:
        look_once(turn, name, at)
    else:
        look_if_new(turn, name, at)


HARMS: Mapping[str, str] = {
    "swelling": "swollen",
    PERHAPS_BARRED: "new in the site file as a barred pack left it, and perhaps that one",
}
"""What bars a pack as it is entered, and the words for it."""


def _note_harm(turn: Turn, event: Sample | Happened) -> None:
    """A swollen pack, or one seen below the voltage that harms it, waits for a person."""
    name = event.pack
    state = turn.pack(name)
    if state.barred:
        return
    why = ""
    if isinstance(event, Happened):
        why = HARMS.get(event.what, "")
    else:
        lowest = state.estimate.readings.get("pack.cell.min")
        harm = turn.rated(name).limits.cell_v_harm
        if isinstance(lowest, Known) and lowest.at == event.at and lowest.value < harm:
            why = f"seen at {lowest.value:.2f} V a cell, below {harm:.2f} V"
    if why:
        bar(turn, name, why, retired=False)


def bar(turn: Turn, name: str, why: str, *, retired: bool) -> None:
    """No energy into or out of this pack until a person has released it."""
    if retired:
        turn.set_pack(name, retired=f"retired: {why}")
    else:
        turn.set_pack(name, barred=f"quarantined: {why}")
    turn.decide(PackBarred(name, retired, why))
