"""What must hold between the keys of a site file.

Knows packs, stations, plugs and what they refer to. Does not know what is done with them. Reads the
file as TOML gave it, so that each check runs whatever else is wrong; a value of the wrong kind is
passed over here, because the tables have refused it already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TypeAlias

from carerules.adapters import Feed, FeedProfile, PlugProfile, Problem, Topics, topics_of
from carerules.adapters.channels import LOOPBACK
from carerules.config.asked import asked_mistakes
from carerules.config.board import board_mistakes
from carerules.config.calendar import calendar_mistakes
from carerules.config.channels import channel_mistakes
from carerules.config.hub import hub_mistakes
from carerules.config.known import REFERENCES, REFERENCES_MAX, Known, Raw, named, names, word, words
from carerules.config.problem import Key, found, nearest_name, quoted
from carerules.config.refusal import SECRETS, unknown_key
from carerules.config.schema import keys_at
from carerules.config.signals import UNITS_OF_SIGNALS, declared
from carerules.config.things import LEASE_S_MAX, LEASE_S_MIN, FeedTable, PlugTable
from carerules.config.values import measured
from carerules.domain.moment import SECOND
from carerules.domain.pack import Limits, Plug
from carerules.domain.quantity import (
    CHARGE_LEVEL,
    DURATION,
    TEMPERATURE,
    VOLTAGE,
    Dimension,
    show,
)
from carerules.domain.signal import catalogue

Mistake: TypeAlias = tuple[Key, str, str, str]
"""Key, found, wanted, mend."""

Check: TypeAlias = Callable[[Raw, Known], Iterator[Mistake]]


def mistakes(raw: Raw, known: Known) -> Iterator[Mistake]:
    """Everything wrong between the keys of the file, check by check."""
    for check in CHECKS:
        yield from check(raw, known)


def _references(raw: Raw, _known: Known) -> Iterator[Mistake]:
    for kind, key in REFERENCES.items():
        different = len(words(raw, kind, key))
        if different > REFERENCES_MAX:
            said = f"{different} different values of `{key}`"
            yield (kind,), said, f"at most {REFERENCES_MAX}", ""


# ---- the ways out ------------------------------------------------------------------------------


def _one_way(raw: Raw, known: Known) -> Iterator[Mistake]:
    real, played = "mqtt" in raw, "virtual" in raw
    if real and played:
        mend = "take one out; keep two site files to have both"
        yield ("virtual",), "both `mqtt` and `virtual`", "at most one of them", mend
    if not real and not played:
        for kind in ("plug", "feed"):
            if _needs_broker(raw, known, kind):
                said = f"a {kind}, but neither `mqtt` nor `virtual`"
                yield (kind,), said, f"a way to reach the {kind}", "add a table `[mqtt]`"


def _needs_broker(raw: Raw, known: Known, kind: str) -> bool:
    profiles = [known.plugs.get(word(table, "profile")) for _, table in named(raw, kind)]
    asked = [one for one in profiles if isinstance(one, PlugProfile) and one.call is not None]
    return len(names(raw, kind)) > (len(asked) if kind == "plug" else 0)


def _broker(raw: Raw, _known: Known) -> Iterator[Mistake]:
    mqtt = raw.get("mqtt")
    if not isinstance(mqtt, dict):
        return
    for key in ("ca_file", "cert_file", "key_file"):
        if key in mqtt and mqtt.get("tls") is not True:
            yield ("mqtt", key), "no `tls = true`", "TLS, for which it is", "add `tls = true`"
    for key, other in (("password_file", "user"), ("cert_file", "key_file"),
                       ("key_file", "cert_file")):  # fmt: skip
        if key in mqtt and other not in mqtt:
            yield ("mqtt", key), f"no `{other}`", f"`{other}` beside it", f"add `{other}`"
    host = mqtt.get("host", LOOPBACK[0])
    if "password_file" in mqtt and mqtt.get("tls") is not True and host not in LOOPBACK:
        said = f"a password for {found(host)} without TLS"
        wanted = "TLS, so that nobody on the way reads it"
        yield ("mqtt", "password_file"), said, wanted, "add `tls = true`"


# ---- stations ----------------------------------------------------------------------------------


def _sockets(raw: Raw, _known: Known) -> Iterator[Mistake]:
    serves: dict[str, str] = {}
    odd = False
    for station, table in named(raw, "station"):
        if "load" not in table and "charger" not in table:
            key = ("station", station)
            yield key, "neither `load` nor `charger`", "at least one", "add a `load` or a `charger`"
        for side in ("load", "charger"):
            socket = table.get(side)
            plug = socket.get("plug") if isinstance(socket, dict) else None
            if not isinstance(plug, str):
                odd = odd or socket is not None  # which plug is meant there, nobody knows
                continue
            here = f"{side} of station `{station}`"
            if plug in serves:
                said = f"{quoted(plug)}, which serves the {serves[plug]} already"
                mend = "name another plug in one of the two"
                yield ("station", station, side, "plug"), said, "a plug of its own", mend
            serves.setdefault(plug, here)
    # OFF goes to a plug by its station, and a start waits until every plug is read back off.
    if not odd:
        for plug in sorted(names(raw, "plug") - serves.keys()):
            mend = "name it in a `[station.NAME]`, or take it out"
            yield ("plug", plug), "a plug at no station", "the `load` or `charger` of one", mend


def _placed_twice(raw: Raw, _known: Known) -> Iterator[Mistake]:
    taken: dict[str, str] = {}
    for pack, table in named(raw, "pack"):
        place = table.get("place")
        if isinstance(place, str) and taken.setdefault(place, pack) != pack:
            said = f"{quoted(place)}, where pack `{taken[place]}` hangs"
            mend = "take `place` out of one of the two"
            yield ("pack", pack, "place"), said, "a station with no other pack", mend


# ---- plugs and feeds ---------------------------------------------------------------------------


def _profiles(raw: Raw, known: Known) -> Iterator[Mistake]:
    # Not from the schema, which is made where something is wrong and has to be told.
    for kind, profiles, own in (
        ("plug", known.plugs, PlugTable.model_fields.keys()),
        ("feed", known.feeds, FeedTable.model_fields.keys()),
    ):
        for name, table in named(raw, kind):
            given = {key: value for key, value in table.items() if key not in own}
            for key in sorted(given):
                # Without its profile nothing is known of a variable, but a secret is one anyway.
                if key.lower() in SECRETS:
                    yield (kind, name, key), *unknown_key((kind, name, key), frozenset())
            profile = profiles.get(word(table, "profile"))
            if isinstance(profile, tuple):
                yield (kind, name, "profile"), *profile
            elif profile is not None:
                yield from _variables((kind, name), given, profile)


def _variables(key: Key, given: Raw, profile: PlugProfile | FeedProfile) -> Iterator[Mistake]:
    missing, strange = set(profile.vars) - set(given), set(given) - set(profile.vars)
    for name in sorted(strange):
        if name.lower() not in SECRETS:
            yield (*key, name), *unknown_key((*key, name), keys_at(key) | set(profile.vars))
    # One that is misspelt is not missing as well.
    for name in sorted(missing - {nearest_name(one, missing) for one in strange}):
        wanted = f"{profile.vars[name]}; profile `{profile.name}` needs it"
        yield key, f"no `{name}`", wanted, f'add `{name} = "..."`'


def _wires(raw: Raw, known: Known) -> Iterator[Mistake]:
    """The wires' own word on each plug and feed that has all its variables."""
    signals = catalogue(declared(raw))
    for name, table in named(raw, "plug"):
        profile = known.plugs.get(word(table, "profile"))
        if isinstance(profile, PlugProfile):
            texts = _texts(table, profile)
            plug = Plug(name, profile.name, texts)
            if len(texts) == len(profile.vars):
                fit = topics_of({name: plug}, {profile.name: profile}, [], {}, signals)
                yield from _misfits(("plug", name), fit)
    for name, table in named(raw, "feed"):
        about = known.feeds.get(word(table, "profile"))
        if isinstance(about, FeedProfile):
            texts = _texts(table, about)
            if "pack" in table and not word(table, "pack"):
                continue  # of the wrong kind, which the tables have said
            feed = Feed(name, about.name, texts, word(table, "pack") or None)
            if len(texts) == len(about.vars):
                fit = topics_of({}, {}, [feed], {about.name: about}, signals)
                yield from _misfits(("feed", name), fit)


def _texts(table: Raw, profile: PlugProfile | FeedProfile) -> dict[str, str]:
    return {key: table[key] for key in profile.vars if isinstance(table.get(key), str)}


def _misfits(key: Key, fit: Topics | list[Problem]) -> Iterator[Mistake]:
    for problem in () if isinstance(fit, Topics) else fit:
        # The wires say `plugs.NAME.variable`, or a pointer into the profile.
        where = problem.where.rpartition(".")[2]
        inner = (where,) if where.isidentifier() and where != key[1] else ()
        yield (*key, *inner), problem.found, problem.wanted, problem.mend


def _timers(raw: Raw, known: Known) -> Iterator[Mistake]:
    for name, table in named(raw, "plug"):
        profile = known.plugs.get(word(table, "profile"))
        if not isinstance(profile, PlugProfile):
            continue
        key, own = ("plug", name), quoted(profile.name)
        if table.get("metered", True) is True and not profile.metered:
            said = f"profile {own}, which reads no power"
            yield (*key, "profile"), said, "one that does", "else add `metered = false`"
        timer = profile.on_for
        if timer is None:
            if table.get("unguarded") is not True:
                said = f"profile {own}, whose plugs have no timer of their own"
                wanted = "a timer that ends what nobody renews, or your word that you do without"
                mend = "take another plug, or add `unguarded = true`"
                yield (*key, "profile"), said, wanted, mend
            if "lease" in table:
                yield (*key, "lease"), "a lease", f"none, as {own} has no timer", "take it out"
            continue
        lease = measured(table.get("lease"), DURATION)
        low, high = max(timer.min_s, LEASE_S_MIN), min(max(LEASE_S_MAX, timer.min_s), timer.max_s)
        if lease is not None and not low * SECOND <= lease <= high * SECOND:
            yield (*key, "lease"), found(table["lease"]), f"{low} s to {high} s for {own}", ""


# ---- limits ------------------------------------------------------------------------------------

LIMITS: Mapping[str, tuple[str, Dimension, bool]] = {
    "cell_floor": ("cell_v_floor", VOLTAGE, True),
    "cell_ceiling": ("cell_v_ceiling", VOLTAGE, False),
    "cell_harm": ("cell_v_harm", VOLTAGE, True),
    "drain_coldest": ("drain_c_min", TEMPERATURE, True),
    "drain_warmest": ("drain_c_max", TEMPERATURE, False),
    "charge_coldest": ("charge_c_min", TEMPERATURE, True),
    "charge_warmest": ("charge_c_max", TEMPERATURE, False),
    "charge_floor": ("soc_floor", CHARGE_LEVEL, True),
    "rest_before_charge": ("rest_before_charge", DURATION, True),
}
"""Each key of `[pack.NAME.limits]`: the limit, its dimension, whether more is stricter."""

LIMITS_APART = (
    ("cell_harm", "cell_floor"),
    ("cell_floor", "cell_ceiling"),
    ("drain_coldest", "drain_warmest"),
    ("charge_coldest", "charge_warmest"),
)
"""The first of each pair lies below the second."""


def _limits(raw: Raw, known: Known) -> Iterator[Mistake]:
    for pack, table in named(raw, "pack"):
        limits, own = known.limits(word(table, "chemistry")), table.get("limits")
        if limits is None or not isinstance(own, dict):
            continue
        for key in LIMITS.keys() & own.keys():
            yield from _looser(("pack", pack, "limits", key), own[key], limits)
        yield from _crossed(("pack", pack, "limits"), own, limits)


def _looser(key: Key, value: object, limits: Limits) -> Iterator[Mistake]:
    attribute, dimension, more_is_stricter = LIMITS[key[-1]]
    wanted, number = float(getattr(limits, attribute)), measured(value, dimension)
    if number is None or number == wanted or (number > wanted) == more_is_stricter:
        return
    bound = f"{show(wanted, dimension)} or {'more' if more_is_stricter else 'less'}"
    said = f"{found(value)}, which is looser than the chemistry's"
    yield key, said, bound, "a site file can only tighten a limit"


def _crossed(key: Key, own: Raw, limits: Limits) -> Iterator[Mistake]:
    def in_force(name: str) -> float:
        attribute, dimension, _ = LIMITS[name]
        number = measured(own.get(name), dimension)
        return float(getattr(limits, attribute)) if number is None else number

    for low, high in LIMITS_APART:
        if in_force(low) >= in_force(high) and (low in own or high in own):
            dimension = LIMITS[low][1]
            said = f"`{show(in_force(low), dimension)}`"
            wanted = f"less than `{high}`, {show(in_force(high), dimension)}"
            yield (*key, low), said, wanted, f"lower `{low}`, or raise `{high}`"


def _chemistries(raw: Raw, known: Known) -> Iterator[Mistake]:
    one_name: dict[str, str] = {}
    for pack, table in named(raw, "pack"):
        own = word(table, "chemistry")
        chemistry = known.chemistries.get(own)
        key = ("pack", pack, "chemistry")
        if isinstance(chemistry, tuple):
            for wrong in chemistry:
                yield key, *wrong
        elif chemistry is not None and one_name.setdefault(chemistry.name, own) != own:
            said = f"{quoted(own)}, which calls itself {quoted(chemistry.name)}"
            wanted = f"a name of its own: {quoted(one_name[chemistry.name])} has this one"
            yield key, said, wanted, "rename one of them in its file"


# ---- signals -----------------------------------------------------------------------------------


def _signals(raw: Raw, _known: Known) -> Iterator[Mistake]:
    built_in = catalogue()
    for name, table in named(raw, "signal"):
        key = ("signal", name)
        if f"site.{name}" in built_in:
            said = f"`site.{name}`, which is built in"
            yield key, said, "a name that no signal has yet", "call it otherwise, or take it out"
        unit = UNITS_OF_SIGNALS.get(str(table.get("unit")))
        if unit is None:
            continue
        for bound in ("low", "high"):
            if isinstance(table.get(bound), str) and unit.read(table[bound]) is None:
                wanted = f"a text with a number and its unit, such as `{unit.example}`"
                yield (*key, bound), found(table[bound]), wanted, ""
        low, high = unit.bounds(table.get("low"), table.get("high"))
        if low >= high:
            said, wanted = (f"`{show(bound, unit.dimension)}`" for bound in (low, high))
            yield (*key, "low"), said, f"less than `high`, {wanted}", "lower `low`, or raise `high`"


CHECKS: tuple[Check, ...] = (
    _references,
    _one_way,
    _broker,
    _sockets,
    _placed_twice,
    _profiles,
    _wires,
    _timers,
    asked_mistakes,
    _chemistries,
    _limits,
    _signals,
    channel_mistakes,
    hub_mistakes,
    board_mistakes,
    calendar_mistakes,
)
