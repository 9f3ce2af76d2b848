"""What a kind of plug understands and says, as a file: which topic, which payload, which pointer.

Knows the shape of a plug profile. Does not know any plug by name. docs/plugs.md explains each key.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from pydantic import (
    AfterValidator,
    Field,
    StrictBool,
    StrictFloat,
    StrictInt,
    StrictStr,
    model_validator,
)

from carerules.adapters import shelf
from carerules.adapters.payload import is_pointer
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.shelf import MisfitError, Strict
from carerules.adapters.template import holes, topic_fault

ROWS_MAX = 8  # a plug says its state on three topics at most, of those that we met
LEASE_S_MAX = 24 * 3_600  # a timer longer than a day is none
TIMER_HOLE = "n"


def _topic(text: str) -> str:
    fault = topic_fault(text)
    if fault:
        raise MisfitError(quoted(text), fault, "write the topic as the device is set")
    return text


def _pointer(text: str) -> str:
    if not is_pointer(text):
        raise MisfitError(quoted(text), "a JSON pointer", "begin with `/`, such as `/status/on`")
    return text


Topic: TypeAlias = Annotated[str, AfterValidator(_topic)]
Pointer: TypeAlias = Annotated[str, AfterValidator(_pointer)]
Word: TypeAlias = StrictBool | StrictInt | StrictStr
Factor: TypeAlias = Annotated[StrictFloat | StrictInt, Field(gt=0, allow_inf_nan=False)]


class Switched(Strict):
    """A yes or no in a message: without a pointer the whole payload is the word."""

    topic: Topic
    on: Word
    off: Word
    pointer: Pointer | None = None
    optional: bool = False

    @model_validator(mode="after")
    def _apart(self) -> Switched:
        if type(self.on) is type(self.off) and self.on == self.off:
            raise MisfitError(
                f"{quoted(self.on)} for both", "two different words", "mend one of them"
            )
        if self.pointer is None and not (isinstance(self.on, str) and isinstance(self.off, str)):
            raise MisfitError("no `pointer`", "text for `on` and `off`", "put them in quotes")
        return self


class Metered(Strict):
    """A number in a message. `scale` makes it W, or s for the timer."""

    topic: Topic
    pointer: Pointer
    scale: Factor = 1.0
    optional: bool = False


class Timer(Metered):
    """What the plug says is left of its timer. `absent`: what null or a missing key means."""

    absent: Literal["unarmed", "unsaid"] = "unsaid"


class Answer(Strict):
    """What must stand in the answer to a request; without `word`, anything."""

    pointer: Pointer
    word: Word | None = None


class Said(Strict):
    """A message to the plug. `answer`: what shows that it was taken, where each has an answer."""

    topic: Topic
    payload: Annotated[str, Field(max_length=1_024)]
    answer: Annotated[list[Answer], Field(max_length=ROWS_MAX)] = Field(default_factory=list)


class SaidFor(Said):
    """The message that switches on for a time: `{n}` is ceil(seconds * scale + offset).

    `scope`: `command` where the time belongs to this one command; `sticky` where the plug keeps it
    for every later ON, also one from a button.
    """

    min_s: Annotated[int, Field(ge=1, le=LEASE_S_MAX)]
    max_s: Annotated[int, Field(ge=1, le=LEASE_S_MAX)]
    scale: Factor = 1.0
    offset: Annotated[StrictFloat | StrictInt, Field(allow_inf_nan=False)] = 0
    scope: Literal["command", "sticky"] = "command"

    @model_validator(mode="after")
    def _timed(self) -> SaidFor:
        if TIMER_HOLE not in holes(self.payload):
            raise MisfitError("no `{n}` in `payload`", "the place of the time",
                         "without it the plug would stay on; write `{n}`")  # fmt: skip
        if self.min_s > self.max_s:
            raise MisfitError(f"min_s {self.min_s} above max_s {self.max_s}", "min_s below max_s",
                         "change one of them")  # fmt: skip
        return self

    def count(self, seconds: int) -> int:
        """The number that stands for so many seconds; never a shorter time."""
        return math.ceil(seconds * self.scale + self.offset)


class Availability(Strict):
    """Where the plug, or its will at the broker, says that it is there."""

    topic: Topic
    up: Word
    down: Word
    pointer: Pointer | None = None

    def row(self) -> Switched:
        """The same as a yes or no."""
        return Switched(topic=self.topic, on=self.up, off=self.down, pointer=self.pointer)


class PowerOn(Strict):
    """How the plug is asked what its relay does after a loss of mains, and the word for "off"."""

    ask: Said
    topic: Topic
    pointer: Pointer
    off: Word


class Call(Strict):
    """A plug that answers each request, instead of speaking over the broker.

    `http`: a POST to the path `topic`; `lan`: a request of the library python-kasa; `plugin`: what
    the plug-in takes that the site file names. `user` is the name to log in with where that file
    says none.
    """

    way: Literal["http", "lan", "plugin"]
    address: Annotated[str, Field(min_length=1, max_length=120)]
    user: str | None = None


Rows: TypeAlias = Annotated[list[Switched], Field(max_length=ROWS_MAX)]
Meters: TypeAlias = Annotated[list[Metered], Field(max_length=ROWS_MAX)]
Timers: TypeAlias = Annotated[list[Timer], Field(max_length=ROWS_MAX)]


class PlugProfile(Strict):
    """One kind of plug. Without `on_for` it has no timer of its own; without `power`, no meter."""

    name: str
    title: str
    vars: dict[str, str]
    state: Annotated[Rows, Field(min_length=1)]
    off: Said
    on: Said | None = None
    on_for: SaidFor | None = None
    ask: Said | None = None
    power: Meters = Field(default_factory=list)
    timer: Timers = Field(default_factory=list)
    availability: Availability | None = None
    power_on: PowerOn | None = None
    call: Call | None = None
    notes: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def _whole(self) -> PlugProfile:
        if self.on is None and self.on_for is None:
            raise MisfitError("neither `on` nor `on_for`", "a way to switch on", "add `[on_for]`")
        if self.call is not None:
            self._answers()
        elif any(said.answer for said in self._said()):
            raise MisfitError("`answer`", "`[call]` beside it", "over a broker none is awaited")
        for key, text, own in self._templates():
            strange = sorted(holes(text) - set(self.vars) - own)
            if strange:
                hole = "{" + strange[0] + "}"
                raise MisfitError(f"`{hole}` in `{key}`", "a name from `[vars]`",
                             f"add `{strange[0]}` there, or mend the spelling")  # fmt: skip
        return self

    def _said(self) -> list[Said]:
        return [said for said in (self.off, self.on, self.on_for, self.ask) if said is not None]

    def _answers(self) -> None:
        if self.availability is not None:
            raise MisfitError("`availability` beside `call`", "one of them",
                         "leave it out: such a plug is there when it answers")  # fmt: skip
        if self.ask is None:
            raise MisfitError("no `ask`", "a question how it is",
                              "add `[ask]`: such a plug says nothing by itself")  # fmt: skip
        heard: list[Switched | Metered] = [*self.state, *self.power, *self.timer]
        if any(row.topic != self.ask.topic for row in heard):
            raise MisfitError("a topic that `ask` does not have", f"{quoted(self.ask.topic)}",
                         "what it says is read in the answer to `ask` only")  # fmt: skip
        if not all(said.answer for said in self._said() if said is not self.ask):
            raise MisfitError("a command without `answer`", "what shows that it was taken",
                         "add `answer`")  # fmt: skip

    def _templates(self) -> list[tuple[str, str, set[str]]]:
        said: list[tuple[str, Said | None]] = [
            ("off", self.off), ("on", self.on), ("on_for", self.on_for), ("ask", self.ask),
        ]  # fmt: skip
        found: list[tuple[str, str, set[str]]] = []
        for key, message in said:
            if message is not None:
                found.append((f"{key}.topic", message.topic, set()))
                timed = {TIMER_HOLE} if key == "on_for" else set[str]()
                found.append((f"{key}.payload", message.payload, timed))
        heard: Sequence[Switched | Metered] = (*self.state, *self.power, *self.timer)
        found += [("topic", row.topic, set()) for row in heard]
        found += [("pointer", row.pointer, set()) for row in heard if row.pointer is not None]
        if self.power_on is not None:
            found += [
                ("power_on.ask.topic", self.power_on.ask.topic, set()),
                ("power_on.ask.payload", self.power_on.ask.payload, set()),
                ("power_on.topic", self.power_on.topic, set()),
                ("power_on.pointer", self.power_on.pointer, set()),
            ]
        if self.call is not None:
            found.append(("call.address", self.call.address, set()))
        if self.availability is not None:
            found.append(("availability.topic", self.availability.topic, set()))
        return found

    @property
    def metered(self) -> bool:
        """Whether it reports power, without which an OFF cannot be proved."""
        return bool(self.power)

    def lease_for(self, wanted_s: int) -> int | None:
        """The shortest time (s) of the plug's timer not below `wanted_s`; None: it has no timer.

        Longer than wanted only where the plug knows nothing shorter.
        """
        if self.on_for is None:
            return None
        return min(max(wanted_s, self.on_for.min_s), self.on_for.max_s)


def load_plug_profile(name: str, folders: Sequence[Path] = ()) -> PlugProfile | Problem:
    """A plug profile by its name: from the user's folders, else one that ships."""
    return shelf.load(name, PlugProfile, "plugs", folders)


def plug_profiles(folders: Sequence[Path] = ()) -> Mapping[str, PlugProfile | Problem]:
    """All plug profiles there are, by name, each read or with what is wrong in it."""
    return shelf.load_all(PlugProfile, "plugs", folders)
