"""What on a broker speaks like a plug or a feed that a profile knows.

Knows profiles and what was overheard. Guesses no meaning: only what a profile reads is recognised.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping

from carerules.adapters.doors import Message, PlugDoor, read_plug
from carerules.adapters.feed import Feed, FeedProfile
from carerules.adapters.overhear import Overheard
from carerules.adapters.payload import UnreadableError, read_json
from carerules.adapters.profile import Metered, PlugProfile, Switched
from carerules.adapters.template import check_fillings, fill, holes
from carerules.adapters.topics import Topics, topics_of
from carerules.domain.event import PlugLink, PlugReport, Sample, SiteSample
from carerules.domain.frozen import guarded
from carerules.domain.moment import Moment
from carerules.domain.signal import catalogue

TRIES_MAX = 40_000
"""Topics times rows of profiles; a listener that heard 2 000 topics stays below it."""


@guarded
class Likeness:
    """One thing recognised: the profile, its variables as far as they show, and on which topics.

    `weight`: how much of the profile was heard; `cells`: how many voltages a pack told.
    """

    profile: str
    variables: Mapping[str, str]
    topics: frozenset[str]
    weight: int
    lacking: tuple[str, ...] = ()
    about: str = "plug"
    cells: int = 0


def plugs_among(heard: Mapping[str, Overheard], profiles: Iterable[PlugProfile]) -> list[Likeness]:
    """Plugs, each once, by the profile that most of it fits. At least two rows of it must fit."""
    found: list[Likeness] = []
    for profile in profiles:
        if profile.call is None:
            found += [one for one in _like(profile, heard) if one.weight > 1]
    return _best(found)


def feeds_among(
    heard: Mapping[str, Overheard], profiles: Iterable[FeedProfile], now: Moment
) -> list[Likeness]:
    """Feeds that name their own values, each topic by the profile that reads most of it."""
    found: list[Likeness] = []
    for profile in profiles:
        if all(row.pointer == "" for row in profile.value) and profile.cells is None:
            continue  # it would take any word on any topic
        for topic, one in heard.items():
            variables = _unfilled(profile.topic, topic)
            if variables is not None and not one.retained:
                found += _fed(profile, variables, topic, one, now)
    # Of what both a pack's and a room's profile read, the room's few words fit a room better.
    return _best(sorted(found, key=lambda one: one.about == "pack"))


OWN = "carerules/"
"""Where what carerules itself says lies: a pack's warmth at the hub is no thermometer of a room."""

STATES: Mapping[tuple[str, str], tuple[str, str]] = {
    ("sensor", "temperature"): ("hub-temperature", "temperature"),
    ("binary_sensor", "smoke"): ("hub-capitals", "smoke"),
}
"""Kind and class of an entity that a device describes to a hub: the feed that reads its state where
that is a bare word or number, and the signal that it may be."""


def states_among(heard: Mapping[str, Overheard]) -> list[Likeness]:
    """States that devices have described to a hub, in the convention of discovery, and that a
    site's signal could take in. Which room a thermometer hangs in no message tells."""
    found: dict[str, Likeness] = {}
    for topic, one in heard.items():
        if topic.endswith("/config"):
            for said in _described(topic, one.payload):
                profile, signal = STATES.get((said.kind, said.about), ("", ""))
                if profile and not check_fillings({"topic": ""}, {"topic": said.topic}, ""):
                    found[said.topic] = Likeness(
                        profile, {"topic": said.topic, "signal": signal},
                        frozenset((said.topic,)), 1, about="state",
                    )  # fmt: skip
    return [found[topic] for topic in sorted(found)]


@guarded
class _Described:
    """One entity: its kind and class, and where its state is said as it stands."""

    kind: str
    about: str
    topic: str


def _described(topic: str, payload: bytes) -> Iterator[_Described]:
    try:
        said = read_json(payload)
    except UnreadableError:
        return
    if not isinstance(said, Mapping) or str(said.get("~")).startswith(OWN):
        return
    many = said.get("cmps", said.get("components"))
    parts = topic.split("/")
    single = parts[-4] if len(parts) > 4 else parts[-3] if len(parts) > 2 else ""
    entities = [*many.values()] if isinstance(many, Mapping) else [{"p": single, **said}]
    base = said.get("~")
    for one in entities:
        if not isinstance(one, Mapping) or {"val_tpl", "value_template"} & one.keys():
            continue  # its state lies inside of something that only the hub takes apart
        kind, about, where, unit = (
            one.get(short, one.get(long))
            for short, long in (("p", "platform"), ("dev_cla", "device_class"),
                                ("stat_t", "state_topic"), ("unit_of_meas", "unit_of_measurement"))
        )  # fmt: skip
        if isinstance(kind, str) and isinstance(about, str) and isinstance(where, str):
            if isinstance(base, str) and where.startswith("~"):
                where = base + where[1:]
            if about != "temperature" or unit == "°C":
                yield _Described(kind, about, where)


def _best(found: list[Likeness]) -> list[Likeness]:
    taken: set[str] = set()
    best: list[Likeness] = []
    for one in sorted(found, key=lambda one: -one.weight):
        if not taken & one.topics:
            taken |= one.topics
            best.append(one)
    return sorted(best, key=lambda one: sorted(one.topics))


# ---- plugs -----------------------------------------------------------------------------------


def _like(profile: PlugProfile, heard: Mapping[str, Overheard]) -> Iterator[Likeness]:
    tries = 0
    for row in profile.state:
        for topic, one in heard.items():
            tries += 1
            variables = _unfilled(row.topic, topic)
            if variables is None or tries > TRIES_MAX or not _reads(row, variables, topic, one):
                continue
            yield _grown(profile, variables, topic, heard)


def _grown(
    profile: PlugProfile, variables: dict[str, str], topic: str, heard: Mapping[str, Overheard]
) -> Likeness:
    """What else of the profile is there, now that some of its variables are known."""
    topics, weight = {topic}, 1
    rows: list[Switched | Metered] = [*profile.power]
    if profile.availability is not None:
        rows.append(profile.availability.row())
    for row in rows:
        for other, one in heard.items():
            more = _unfilled(row.topic, other, variables)
            if more is not None and _reads(row, more, other, one):
                variables, weight = more, weight + 1
                topics.add(other)
                break
    lacking = tuple(name for name in profile.vars if name not in variables)
    return Likeness(profile.name, variables, frozenset(topics), weight, lacking)


def _reads(row: Switched | Metered, variables: dict[str, str], topic: str, one: Overheard) -> bool:
    """Whether the row finds its value in the message; whoever remembers it, it is its shape."""
    if row.pointer is not None and not holes(row.pointer) <= set(variables):
        return False
    if row.pointer is not None:
        row = row.model_copy(update={"pointer": fill(row.pointer, variables)})
    door = PlugDoor("it", power=[row]) if isinstance(row, Metered) else PlugDoor("it", link=[row])
    events = read_plug(door, Message(topic, one.payload), 0)
    return any(isinstance(event, PlugReport | PlugLink) for event in events)


# ---- feeds -----------------------------------------------------------------------------------


def _fed(
    profile: FeedProfile, variables: dict[str, str], topic: str, one: Overheard, now: Moment
) -> Iterator[Likeness]:
    lacking = tuple(name for name in profile.vars if name not in variables)
    if lacking:
        return
    pack = "it" if profile.about == "pack" else None
    feed = Feed("it", profile.name, variables, pack)
    topics = topics_of({}, {}, [feed], {profile.name: profile}, catalogue())
    if not isinstance(topics, Topics):
        return
    for event in topics.read(Message(topic, one.payload), now, 0):
        if isinstance(event, Sample | SiteSample):
            cells = len(event.cells) if isinstance(event, Sample) else 0
            weight = len(event.values) + bool(cells)
            yield Likeness(profile.name, variables, frozenset((topic,)), weight,
                           about=profile.about, cells=cells)  # fmt: skip


# ---- topics ----------------------------------------------------------------------------------


def _unfilled(
    template: str, topic: str, known: Mapping[str, str] | None = None
) -> dict[str, str] | None:
    """The variables with which the template is this topic; None: there are none."""
    known = known or {}
    given = {name: text for name, text in known.items() if name in holes(template)}
    pattern, at = "", 0
    seen: set[str] = set()
    for match in re.finditer(r"\{([a-z][a-z0-9_]*)\}", template):
        pattern += re.escape(template[at : match.start()])
        name, at = match[1], match.end()
        if name in given:
            pattern += re.escape(given[name])
        elif name in seen:
            pattern += f"(?P={name})"
        else:
            pattern += f"(?P<{name}>.+)" if name == "topic" else f"(?P<{name}>[^/]+)"
            seen.add(name)
    whole = re.fullmatch(pattern + re.escape(template[at:]), topic)
    if whole is None:
        return None
    found = {**known, **whole.groupdict()}
    fit = check_fillings(dict.fromkeys(found, ""), found, "")
    return found if fit is None else None
