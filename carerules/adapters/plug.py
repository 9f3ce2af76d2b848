"""Commands to messages: which topic and payload a plug's profile makes of a command.

Knows profiles. Does not know brokers, or whether the command is a good one.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import assert_never

from carerules.adapters.address import read_host
from carerules.adapters.problem import Problem, quoted
from carerules.adapters.profile import TIMER_HOLE, Answer, PlugProfile, Said
from carerules.adapters.template import check_fillings, fill, holes
from carerules.domain.decision import AskPlug, Command, SwitchOff, SwitchOn
from carerules.domain.frozen import guarded
from carerules.domain.pack import Plug

ON_EXPIRY_S = 10
"""A broker that could not deliver an ON within it throws it away: a late ON is never obeyed."""

OFF_EXPIRY_S = 30
"""OFF is said again each 5 s for as long as it is not proven, so an old one need not be kept."""


@guarded
class Wire:
    """A message on its way to a plug, never retained; the broker drops it after `expiry_s`.

    `answer`: what must stand in the answer, where the plug gives one.
    """

    topic: str
    payload: str
    expiry_s: int
    answer: tuple[Answer, ...] = ()


@guarded
class Unsaid:
    """The profile has no words for the command; nothing is sent."""

    why: str


def say(command: Command, plug: Plug, profile: PlugProfile) -> Wire | Unsaid:
    """The message for a command. An ON without its timer is never made of one with a lease."""
    match command:
        case SwitchOn(lease_s=lease_s):
            return _say_on(lease_s, plug, profile)
        case SwitchOff():
            return _wire(profile.off, plug, OFF_EXPIRY_S)
        case AskPlug():
            if profile.ask is None:
                return Unsaid(f"profile `{profile.name}` cannot be asked")
            return _wire(profile.ask, plug, ON_EXPIRY_S)
        case _:
            assert_never(command)


def _say_on(lease_s: int | None, plug: Plug, profile: PlugProfile) -> Wire | Unsaid:
    if lease_s is None:
        if profile.on is None:
            return Unsaid(f"profile `{profile.name}` switches on only with its timer")
        return _wire(profile.on, plug, ON_EXPIRY_S)
    timed = profile.on_for
    if timed is None:
        return Unsaid(f"profile `{profile.name}` has no timer")
    if not timed.min_s <= lease_s <= timed.max_s:
        return Unsaid(
            f"{lease_s} s does not fit the timer of profile `{profile.name}`, "
            f"{timed.min_s} to {timed.max_s} s"
        )
    return _wire(timed, plug, ON_EXPIRY_S, {TIMER_HOLE: str(timed.count(lease_s))})


def command_topics(plug: Plug, profile: PlugProfile) -> frozenset[str]:
    """Every topic on which this plug can be switched on or off."""
    said = [message for message in (profile.off, profile.on, profile.on_for) if message is not None]
    return frozenset(fill(message.topic, plug.variables) for message in said)


def fits(plug: Plug, profile: PlugProfile) -> Problem | None:
    """Whether the site file gives a plug what its profile needs; what is missing, if not."""
    problem = check_fillings(profile.vars, plug.variables, profile.name)
    if problem is not None:
        return problem
    if profile.call is not None and profile.call.way != "plugin":
        host = read_host(fill(profile.call.address, plug.variables))
        if isinstance(host, Problem):
            own = sorted(holes(profile.call.address))
            return replace(host, where=own[0] if len(own) == 1 else "")
    for message in (profile.off, profile.on, profile.on_for, profile.ask):
        if message is None or not message.payload.startswith("{"):
            continue
        fillings = {**plug.variables, TIMER_HOLE: "1"}
        if not _is_json(fill(message.payload, fillings)):
            for name in sorted(plug.variables):
                if _is_json(fill(message.payload, {**fillings, name: "1"})):
                    mend = f"write digits: `{name}` is a number to this plug"
                    return Problem(quoted(plug.variables[name]), "digits only", mend, where=name)
            return Problem(quoted(fill(message.payload, fillings)), "JSON with these variables",
                           "look at the variables: a number wants digits only")  # fmt: skip
    return None


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


def _wire(said: Said, plug: Plug, expiry_s: int, also: dict[str, str] | None = None) -> Wire:
    fillings = {**plug.variables, **(also or {})}
    return Wire(
        fill(said.topic, fillings), fill(said.payload, fillings), expiry_s, tuple(said.answer)
    )
