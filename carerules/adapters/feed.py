"""What a sensor, a pack's own electronics or a hub sends, as a file; and the feeds of a site.

Knows the shape of a feed profile. Does not know any device. docs/plugs.md explains each key.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, StrictFloat, StrictInt, model_validator

from carerules.adapters import shelf
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import Factor, Pointer, Topic, Word
from carerules.adapters.shelf import MisfitError, Strict
from carerules.adapters.template import holes
from carerules.domain.frozen import guarded
from carerules.domain.quantity import UNITS, unit_named

VALUES_MAX = 32
CELLS_MAX = 256  # far above any pack that a person carries

BARE_UNITS = ("on/off", "count")
"""Written without a unit in a message: JSON true or false, and plain numbers."""

Spread = Annotated[StrictFloat | StrictInt, Field(ge=0, allow_inf_nan=False)]


class FeedValue(Strict):
    """One value: written number * scale is in `unit`; `spread` (1 sigma) likewise in `unit`.

    A switch (`unit = "on/off"`) is JSON true or false, or the words `on` and `off` that stand for
    them. An empty pointer is the whole message, which then may be a bare word or number. `text`:
    the number stands as text.
    """

    pointer: Pointer
    signal: str
    unit: str
    scale: Factor | Annotated[StrictFloat | StrictInt, Field(lt=0)] = 1.0
    spread: Spread = 0.0
    text: bool = False
    on: Word | None = None
    off: Word | None = None

    @model_validator(mode="after")
    def _known_unit(self) -> FeedValue:
        if self.unit not in BARE_UNITS and unit_named(self.unit) is None:
            known = ", ".join(f"`{symbol}`" for symbol in UNITS)
            raise MisfitError(
                quoted(self.unit), f"one of {known}, `on/off`, `count`", "choose one of these"
            )
        words = (self.on, self.off)
        if words != (None, None) and (self.unit != "on/off" or None in words or self.text):
            raise MisfitError(
                f"`on` {quoted(str(self.on))}, `off` {quoted(str(self.off))}",
                "both words, of a value whose unit is `on/off`", "add the other, or take it out",
            )  # fmt: skip
        if self.on is not None and self.on == self.off:
            raise MisfitError(f"{quoted(str(self.on))} for both", "two words", "mend one of them")
        return self


class FeedCells(Strict):
    """The list of the cells' voltages; `scale` makes them V."""

    pointer: Pointer
    scale: Factor = 1.0
    spread: Spread = 0.005


class FeedProfile(Strict):
    """One kind of feed: values of a pack, or of the site.

    `at` points at the sender's own time (epoch seconds, or ISO 8601 with its offset), where it has
    one. A message older than `max_age_s` by that time is refused. `retained`: also what the broker
    remembers is taken, which needs `at`, or signals that are kept: else nobody knows how old it is.
    """

    name: str
    title: str
    about: Literal["pack", "site"]
    vars: dict[str, str]
    topic: Topic
    value: Annotated[list[FeedValue], Field(default_factory=list, max_length=VALUES_MAX)]
    cells: FeedCells | None = None
    at: Pointer | None = None
    max_age_s: Annotated[int, Field(ge=1, le=86_400)] = 600
    retained: bool = False
    notes: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def _whole(self) -> FeedProfile:
        if not self.value and self.cells is None:
            raise MisfitError("no values", "at least one `[[value]]` or `[cells]`", "add one")
        if self.about == "site" and self.cells is not None:
            raise MisfitError("`[cells]`", "values of the site only", "set `about` to `pack`")
        for row in self.value:
            if not row.signal.startswith((f"{self.about}.", "{")):
                raise MisfitError(quoted(row.signal), f"a signal of the {self.about}",
                             f"begin it with `{self.about}.`")  # fmt: skip
        for text in (self.topic, *(row.signal for row in self.value)):
            strange = sorted(holes(text) - set(self.vars))
            if strange:
                hole = "{" + strange[0] + "}"
                raise MisfitError(f"`{hole}`", "a name from `[vars]`", f"add `{strange[0]}` there")
        return self


@guarded
class Feed:
    """One feed of a site. `pack` is whose values it brings; None: the site's."""

    name: str
    profile: str
    variables: Mapping[str, str] = field(default_factory=dict)
    pack: str | None = None


def load_feed_profile(name: str, folders: Sequence[Path] = ()) -> FeedProfile | Problem:
    """A feed profile by its name: from the user's folders, else one that ships."""
    return shelf.load(name, FeedProfile, "feeds", folders)


def feed_profiles(folders: Sequence[Path] = ()) -> Mapping[str, FeedProfile | Problem]:
    """All feed profiles there are, by name, each read or with what is wrong in it."""
    return shelf.load_all(FeedProfile, "feeds", folders)
