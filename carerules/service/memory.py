"""From the journal to the world and back: what a service knows when it starts.

Knows snapshots, facts and activations. Does not know how a file is kept. The journal's facts are
the truth; a snapshot only saves going through them again. Where there is no snapshot, or one of
another version, or a rule that the snapshot did not know, the facts are gone through from the
beginning. A rule that then holds fires, unless the journal says that this very run of it has.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from typing import Any, Protocol

from carerules.battery import Estimate
from carerules.domain.decision import Fired, JobBegan, JobEnded, Outcome, PackBarred
from carerules.domain.event import Event, PlanKept, Released, Tick
from carerules.domain.frozen import guarded
from carerules.domain.keptplan import KeptPlan
from carerules.domain.moment import Moment
from carerules.domain.pack import Site
from carerules.engine import Bound, fresh_counts, fresh_states
from carerules.loop import (
    PackState,
    Setup,
    World,
    by_name,
    hanging,
    learn,
    new_world,
    step,
    stranger,
)
from carerules.service import image


class WorldStore(Protocol):
    """What of the journal is needed here; pairs carry the number of the event."""

    def events(self, after_seq: int = 0) -> Iterator[tuple[int, Event]]:
        """The events after a number, in order."""

    def outcomes(self, after_seq: int = 0) -> Iterator[tuple[int, Outcome]]:
        """What was decided on the events after a number, in order."""

    def snapshots(self) -> Sequence[tuple[int, str]]:
        """Snapshots and the number of the event each was taken after, newest first."""


_BY_NAME = ("packs", "stations", "plugs")
_WHOLE = (
    "now", "room", "uses", "chores", "attended_until", "stopped", "starting_since", "ended",
    "jobs_made", "refused", "counts", "notice_proven_at", "kept",
)  # fmt: skip


def dump_world(world: World) -> str:
    """The world as text, without what a person wrote (site, rules) and what is of use for seconds
    only (the samples that a late one could still be put among)."""
    packs = {name: replace(state, recent=(), looked_at=None) for name, state in world.packs.items()}
    parts = {name: getattr(world, name) for name in (*_WHOLE, *_BY_NAME)} | {"packs": packs}
    return image.dump({"shape": image.shape(), "offset": world.local.offset, **parts})


def load_world(text: str, setup: Setup) -> World | None:
    """The world of a snapshot, on this site and these rules; None: it is of another version.

    What the site no longer has is gone, what is new to it begins fresh, and a rule of the same
    meaning keeps what it remembers. Rules that the snapshot did not know are muted.
    """
    parts = _parts(text)
    return None if parts is None else _world_of(parts, setup)


def _parts(text: str) -> dict[str, Any] | None:
    """What stands in a snapshot; None: it is of another version."""
    try:
        parts: dict[str, Any] = image.load(text)
        return parts if parts["shape"] == image.shape() else None
    except (image.ImageError, KeyError, TypeError):
        return None


def _world_of(parts: Mapping[str, Any], setup: Setup) -> World | None:
    try:
        new = new_world(setup, parts["now"])
        packs = {
            name: _rebound(parts["packs"].get(name, fresh), fresh, setup.bound[name], setup.site)
            for name, fresh in new.packs.items()
        }
        chores = {
            key: one for key, one in parts["chores"].items() if one.pack in packs or not one.pack
        }
        known = {(n, rule.key) for n, state in parts["packs"].items() for rule in state.rules}
        return replace(
            new,
            packs=by_name(packs),
            hangs=hanging(packs),
            stations=by_name({n: parts["stations"].get(n, one) for n, one in new.stations.items()}),
            plugs=by_name({n: parts["plugs"].get(n, one) for n, one in new.plugs.items()}),
            local=replace(new.local, offset=parts["offset"]),
            muted=frozenset(
                (name, rule.key)
                for name, state in packs.items()
                for rule in state.rules
                if (name, rule.key) not in known
            ),
            **{name: parts[name] for name in _WHOLE}
            | {"kept": _still_ours(parts["kept"], setup), "chores": chores},
        )
    except (image.ImageError, KeyError, TypeError, AttributeError):
        return None


def _still_ours(kept: KeptPlan | None, setup: Setup) -> KeptPlan | None:
    """The kept plan; where the site no longer has all that it names, one that names nothing and is
    over: the first event then takes its chores off the list, and jobs have their own words back."""
    if kept is None or not stranger(setup, PlanKept(kept.made, kept)):
        return kept
    return replace(kept, ends=kept.made, runs=(), moves=(), left_out=(), supposed=(), jobs=(),
                   uses=(), locked=())  # fmt: skip


def _rebound(state: PackState, fresh: PackState, bound: Bound, site: Site) -> PackState:
    station = state.station if state.station in site.stations else None
    if state.label != fresh.label:
        # The site file speaks of another pack now: what was learned of the one before is not its.
        return replace(fresh, station=station, placed_at=state.placed_at,
                       estimate=_as_unseen(fresh.estimate, state.estimate),
                       barred=state.barred, retired=state.retired)  # fmt: skip
    memories = dict(zip(state.never_keys, state.nevers, strict=True))
    jobs = state.jobs
    if memories.keys() - set(fresh.never_keys):
        # A `never` is gone: what had begun under it has no rule any more, and ends at the start.
        jobs = tuple(replace(job, key="") if job.started else job for job in jobs)
    return replace(
        state, rules=fresh_states(bound, state.rules), jobs=jobs, station=station,
        nevers=tuple(memories.get(one.never.key, one.when.fresh) for one in bound.nevers),
        never_keys=fresh.never_keys, counting=fresh_counts(bound, state.counting),
    )  # fmt: skip


def _as_unseen(fresh: Estimate, before: Estimate) -> Estimate:
    """Should it be the same pack after all: what has left it since somebody read it has left it."""
    track = fresh.track
    points = min(100.0, before.track.drawn * before.track.capacity_ah / track.capacity_ah)
    track = track._replace(drawn=points, flowed=before.track.flowed)
    return replace(fresh, track=track)


def restore(store: WorldStore, setup: Setup, now: Moment) -> World:
    """The world as the journal has it; `now` counts where nothing was ever journalled."""
    for seq, text in store.snapshots():
        parts = _parts(text)
        world = None if parts is None else _world_of(parts, setup)
        if parts is not None and world is not None:
            back = world.packs.keys() - parts["packs"].keys()
            world = _replayed(store, world, seq)
            if not (world.muted or back):
                return world
            return _unmuted(world, _learned(store, setup, now), back)
    return _settled(store, _learned(store, setup, now))


def _replayed(store: WorldStore, world: World, after: int) -> World:
    """The world after the events that follow; what was decided on them was done then.

    Under other rules other jobs are begun on them. Those that people have heard of keep their names
    for ever: a late yes must not answer another question.
    """
    begun = sum(isinstance(one, JobBegan) for _, one in store.outcomes(after_seq=after))
    jobs_made = world.jobs_made + begun
    for _, event in store.events(after_seq=after):
        if event.heard >= world.now and not stranger(world.setup, event):
            world, _ = step(world, event)
    if world.jobs_made >= jobs_made:
        return world
    return replace(world, jobs_made=jobs_made)


def _learned(store: WorldStore, setup: Setup, now: Moment) -> World:
    """What is known from all facts, with these rules looking on and nothing done."""
    decided = _Decided(store.outcomes())
    world: World | None = None
    for seq, event in store.events():
        if world is None:
            world = new_world(setup, event.heard)
        if event.heard >= world.now and not stranger(setup, event):
            world = learn(world, event, decided(seq))
    return new_world(setup, now) if world is None else world


class _Decided:
    """The outcomes of one event after the other, read as they are asked for."""

    def __init__(self, outcomes: Iterable[tuple[int, Outcome]]) -> None:
        self._rest = iter(outcomes)
        self._next = next(self._rest, None)

    def __call__(self, seq: int) -> list[Outcome]:
        found: list[Outcome] = []
        while self._next is not None and self._next[0] <= seq:
            if self._next[0] == seq:
                found.append(self._next[1])
            self._next = next(self._rest, None)
        return found


def _unmuted(world: World, learned: World, back: Set[str]) -> World:
    """New rules get what they would remember had they been there from the beginning; so do packs
    that are `back` in the site file: what bars one does not end because its table was away."""
    learned = learn(learned, Tick(max(world.now, learned.now)), ())
    packs = {}
    for name, known in world.packs.items():
        state = learned.packs[name] if name in back else known
        by_key = {rule.key: rule for rule in learned.packs[name].rules}
        rules = tuple(
            by_key[rule.key] if (name, rule.key) in world.muted else rule for rule in state.rules
        )
        # `due` in the past: everything is looked at anew at the first occasion.
        packs[name] = replace(state, rules=rules, due=world.now)
    return replace(world, packs=by_name(packs), hangs=hanging(packs), muted=frozenset())


@guarded
class Gone:
    """Packs that are barred in the journal and named in the site file no more: `why`, by name. And
    `newcomers`: packs of the site file of which the journal knows nothing yet. One of these may be
    one of those, called otherwise: it has lost its name then, and not its harm.
    """

    why: Mapping[str, str]
    newcomers: tuple[str, ...]

    def said(self) -> Iterator[str]:
        """A sentence for each pack that is gone."""
        held = ", ".join(self.newcomers)
        for name, why in self.why.items():
            says = f"{name} stands in it no more, and must not be charged ({why})"
            if held:
                yield (f"{says}; it may be {held} now, so nothing is switched on for that: "
                       "`carerules release PACK` only if it is another pack")  # fmt: skip
            else:
                yield (f"{says}; if it has another name now, enter that harm again: "
                       "`carerules record PACK swelling`")  # fmt: skip


def gone_from(store: WorldStore, site: Site) -> Gone:
    """What the journal has against packs that the site file names no more, by the newest snapshot
    and what followed. A pack is a newcomer once: what holds it names it in the journal."""
    barred: dict[str, str] = {}
    known: set[str] = set()
    since = 0
    for seq, text in store.snapshots():
        if (parts := _parts(text)) is not None:
            barred = {name: one.barred or one.retired for name, one in parts["packs"].items()}
            known, since = set(barred), seq
            break
    decided = _Decided(store.outcomes(after_seq=since))
    for seq, event in store.events(after_seq=since):
        known.add(event.what if isinstance(event, Released) else getattr(event, "pack", None) or "")
        if isinstance(event, Released):
            barred.pop(event.what, None)
        barred |= {one.pack: one.why for one in decided(seq) if isinstance(one, PackBarred)}
    why = {name: barred[name] for name in sorted(barred) if barred[name] and name not in site.packs}
    return Gone(why, tuple(sorted(site.packs.keys() - known)) if why else ())


def _settled(store: WorldStore, world: World) -> World:
    """Rules whose job has not ended fire anew: it is begun again from its first line, and asks anew
    for what it waits for."""
    job_of: dict[str, tuple[str, str]] = {}
    chores = dict(world.chores)
    last: tuple[str, str] | None = None
    jobs_made = 0
    for _, outcome in store.outcomes():
        match outcome:
            case Fired(_, key, pack):
                last = (pack, key)
            case JobBegan(job):
                jobs_made += 1
                chores.pop(job, None)
                if last is not None:
                    job_of[job] = last
            case JobEnded(job):
                job_of.pop(job, None)
    unfinished = set(job_of.values())
    packs = {}
    for name, state in world.packs.items():
        rules = tuple(
            rule._replace(armed=rule.armed or (name, rule.key) in unfinished)
            for rule in state.rules
        )
        packs[name] = replace(state, rules=rules)
    return replace(world, packs=by_name(packs), chores=chores, jobs_made=jobs_made)
