"""What guards each plug, and what code of others reaches it: what `carerules doctor` says of plugs.

Knows a site's plugs, what they answered, and their proofs. Does not know how they are asked, and
switches nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from carerules.adapters import Problem
from carerules.config import SiteFile
from carerules.domain.event import PlugReport
from carerules.domain.moment import DAY
from carerules.domain.spelling import counted
from carerules.loop import World
from carerules.report import unguarded
from carerules.service.finding import Finding, State


@dataclass(slots=True)
class Heard:
    """What was heard while it was listened: whether the broker lets us in, and each plug's word.
    `refused`: why the broker could not even be asked."""

    up: bool = False
    refused: str | None = None
    lost: dict[str, str] = field(default_factory=dict)
    refusals: list[str] = field(default_factory=list)
    reports: dict[str, PlugReport] = field(default_factory=dict)
    away: set[str] = field(default_factory=set)


def plugins(site: SiteFile) -> Iterator[Finding]:
    """Each plug-in that the site's plugs name, with its version; a virtual site loads none."""
    wanted: dict[str, list[str]] = {}
    for name, plug in site.called.items():
        if plug.plugin:
            wanted.setdefault(plug.plugin, []).append(name)
    if not wanted:
        return
    # Few sites have any, and looking through what is installed takes a while.
    from carerules.adapters.pluginline import installed  # noqa: PLC0415

    for plugin, served in wanted.items():
        found = installed(plugin)
        if isinstance(found, Problem):
            said = f"found {found.found}, wanted {found.wanted}"
            yield Finding(f"plug-in {plugin}", "wrong", said, found.mend)
        else:
            said = (f"version {found.version} of the package {found.package}, for "
                    f"{', '.join(served)}: code of others, with the service's rights")  # fmt: skip
            yield Finding(f"plug-in {plugin}", "in order", said)


def plugs(site: SiteFile, world: World, heard: Heard) -> Iterator[Finding]:
    """Each plug: whether it answers, what opens it, and whether that was ever timed."""
    for name, plug in site.site.plugs.items():
        about = f"plug {name}"
        if heard.up or name in site.called:
            yield _answer(about, name, heard)
        timer = "no timer of its own" if plug.lease_s is None else f"opens itself {plug.lease_s} s "
        timer += "" if plug.lease_s is None else "after our last word"
        meter = "metered" if plug.metered else "no meter"
        shown = "" if plug.timer_shown or plug.lease_s is None else ", its timer is not shown"
        state: State = "in order" if plug.metered else "look"
        yield Finding(
            about,
            state,
            f"profile {plug.profile}: {timer}, {meter}{shown}",
            "" if plug.metered else "an OFF cannot be proved without: take one with",
        )
        lacks = unguarded(site.site, world.plugs[name], world.now)
        if lacks:
            what, _, mend = lacks.partition(": ")
            yield Finding(about, "look", f"UNGUARDED: {what}", mend)
            continue
        proof = world.plugs[name].proof
        if proof is not None:
            days = (world.now - proof.at) // DAY
            yield Finding(
                about,
                "in order",
                f"proved {counted(days, 'day')} ago, on {counted(proof.runs, 'time')} since",
            )


def _answer(about: str, name: str, heard: Heard) -> Finding:
    report = heard.reports.get(name)
    if report is None or name in heard.away:
        why = f": {heard.lost[name]}" if name in heard.lost else ""
        mend = "see that it has power and the network"
        return Finding(about, "wrong", f"does not answer{why}", mend)
    said = {True: "on", False: "off", None: "silent about its relay"}[report.on]
    power = "" if report.power_w is None else f", {report.power_w:.1f} W"
    if report.on and not report.timer_s:
        return Finding(
            about,
            "look",
            f"answers: on{power}, and shows no timer that runs",
            "if no job has it on: `carerules stop`",
        )
    return Finding(about, "in order", f"answers: {said}{power}")
