"""When the world must be told the time next, kept up at the price of what changes.

Knows which packs and plugs a step has changed. Does not know what they wait for. It says what
`next_due` says, which goes through every pack: for thousands of them that costs more than a step.
"""

from __future__ import annotations

from heapq import heapify, heappush, heapreplace

from carerules.domain.moment import NEVER, Moment
from carerules.loop.step import due_of, due_of_site
from carerules.loop.world import World
from carerules.safety import due as plug_due


class Dues:
    """Kept beside a world by whoever steps it; a world that it has not followed is gone through.

    A pack stands in the heap at a moment no later than it is due: each sample puts off when its
    readings are stale, and a pack is looked up again only when its old moment has come up.
    """

    def __init__(self) -> None:
        self._world: World | None = None
        self._heap: list[tuple[Moment, str]] = []
        self._stands: dict[str, Moment] = {}
        self._stirred: set[str] = set()

    def follow(self, before: World, after: World) -> None:
        """The step from a world to the next one."""
        # Jobs stand still at a start and at the end: then all are due at other moments.
        turns = before.starting_since != after.starting_since or before.ended != after.ended
        if turns or before is not self._world:
            self._world = None
            return
        self._world = after
        packs, plugs = after.touched
        for name in packs:
            due = due_of(after, after.packs[name])
            if due < self._stands[name]:
                self._stands[name] = due
                heappush(self._heap, (due, name))
        if plugs:
            self._stirred.update(plugs)

    def next(self, world: World) -> Moment:
        """When this world must be told the time at the latest, though nothing else is heard."""
        if world is not self._world:
            self._go_through(world)
        due = self._first_pack(world)
        if self._stirred:
            dues = {plug: plug_due(world.plugs[plug], world.now) for plug in self._stirred}
            self._stirred = {plug for plug, its_due in dues.items() if its_due != NEVER}
            due = min(due, *dues.values())
        return min(due, due_of_site(world))

    def _first_pack(self, world: World) -> Moment:
        heap, stands = self._heap, self._stands
        while heap:
            at, name = heap[0]
            due = due_of(world, world.packs[name])
            if due <= at:
                return due
            stands[name] = due
            heapreplace(heap, (due, name))
        return NEVER

    def _go_through(self, world: World) -> None:
        self._world = world
        self._stands = {name: due_of(world, state) for name, state in world.packs.items()}
        self._heap = [(due, name) for name, due in self._stands.items()]
        heapify(self._heap)
        self._stirred = set(world.plugs)
