"""A first site file and its rules, out of five answers.

Knows what a beginner has to say, and the words of both files. Writes nothing anywhere.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

from carerules.adapters import Problem, quoted
from carerules.config.problem import Problem as SiteProblem
from carerules.config.read import read_site_text
from carerules.config.site import SiteFile
from carerules.domain.frozen import guarded
from carerules.domain.spelling import alike
from carerules.shipped import shipped

Hands = Literal["plug", "people", "play"]
"""Who drains: a plug with a load on it, people by the to-do list, or nobody, for it is a game."""

NICKEL = frozenset({"nimh", "nimh-low-self-discharge"})  # their rules go by the role of a handset
CELLS_MAX = 60
_PACK = re.compile(
    r"(?P<name>.+?),?\s+(?P<chemistry>[A-Za-z0-9-]+),?\s+(?P<cells>\d{1,3})\s*"
    r"(?:[sS](?:\d{1,3}[pP])?)?,?\s+"
    r"(?P<number>\d+(?:\.\d+)?)\s*(?P<milli>[mM]?)[aA][hH]"
)


class PackAnswer(NamedTuple):
    """One pack, as somebody typed it."""

    name: str
    chemistry: str
    cells: int
    capacity: str


@guarded
class PlugAnswer:
    """The plug of the first station: its profile, its variables, and the load on it (W)."""

    profile: str
    variables: Mapping[str, str]
    load_w: float
    broker: str = ""
    timed: bool = True


@guarded
class Answers:
    """All five."""

    name: str
    zone: str
    packs: Sequence[PackAnswer]
    hands: Hands
    plug: PlugAnswer | None = None
    webhook: str = ""
    start: str = ""


def read_pack(text: str, chemistries: Sequence[str]) -> PackAnswer | Problem:
    """A pack out of a line such as `heron lipo 6S 16 Ah`, as people type it.

    Its name and its figures are judged by the site file's own reader (`unfit`).
    """
    found = _PACK.fullmatch(text.strip())
    if found is None:
        return Problem(quoted(text), "name, chemistry, cells in series and capacity",
                       _missing(text.strip()) or "as in `heron lipo 6S 16 Ah`")  # fmt: skip
    chemistry, cells = found["chemistry"].lower(), int(found["cells"])
    if chemistry not in chemistries:
        close = alike(chemistry, chemistries)
        mend = f"did you mean `{close[0]}`?" if close else f"there are {', '.join(chemistries)}"
        return Problem(quoted(chemistry), "a chemistry", mend)
    if not 1 <= cells <= CELLS_MAX:
        return Problem(f"`{cells}S`", f"1 to {CELLS_MAX} cells in series", "see the label")
    if float(found["number"]) <= 0:
        return Problem(f"`{found['number']}`", "a capacity above 0", "see the label")
    unit = "mAh" if found["milli"] else "Ah"
    return PackAnswer(found["name"], chemistry, cells, f"{found['number']} {unit}")


def _missing(text: str) -> str:
    """What most likely keeps a line from being a pack; empty: too little of one is there."""
    if re.search(r"\d,\d", text):
        return "write a point for the comma"
    if re.search(r"\d\s*[vV]\b", text):
        return "say how many cells in series, such as `4S`, not the voltage"
    if re.search(r"\d\s*[wW][hH]\b", text):
        return "give the capacity in Ah or mAh: Wh divided by the voltage on the label"
    if re.fullmatch(r"\S.*\s\d{1,3}\s*[sS]\w*,?\s+\d+(?:\.\d+)?", text):
        return "write `Ah` or `mAh` behind the capacity"
    if re.fullmatch(r"\S+\s+[A-Za-z][\w-]*\s+\d{1,3}\s+\d.*", text):
        return "write `S` behind the cells, and `Ah` or `mAh` behind the capacity"
    return ""


def unfit(answers: Answers, *tables: str) -> Problem | None:
    """What the reader of site files would say of what these answers put into those tables."""
    read = read_site_text(_site(answers), "site.toml")
    for problem in () if isinstance(read, SiteFile) else read:
        if problem.key[:1] and problem.key[0] in tables:
            return Problem(problem.found, problem.wanted, problem.mend or _mend(problem))
    return None


def _mend(problem: SiteProblem) -> str:
    name = re.fullmatch(r"`([A-Za-z][A-Za-z0-9_ -]*)`", problem.found)
    if name is not None and " " in name[1]:
        return f"write it in one, such as `{'-'.join(name[1].split())}`"
    return "answer it otherwise"


def draft(answers: Answers) -> dict[str, str]:
    """The files by their names: `site.toml` and `care.care`."""
    return {"site.toml": _site(answers), "care.care": _rules(answers)}


def _site(answers: Answers) -> str:
    lines = [
        "# Read the makers' instructions first. Every key: docs/site-file.md.",
        "",
        f"name = {_quoted(answers.name)}",
        f"zone = {_quoted(answers.zone)}",
        'rules = ["care.care"]',
    ]
    for pack in answers.packs:
        lines += [
            "", f"[pack.{_key(pack.name)}]", f"chemistry = {_quoted(pack.chemistry)}",
            f"cells = {pack.cells}", f"capacity = {_quoted(pack.capacity)}",
        ]  # fmt: skip
        if pack.chemistry in NICKEL:
            lines.append('role = "handset"  # rules/nimh-handset.care goes by it')
        if answers.hands != "people" and pack is answers.packs[0]:
            lines.append('place = "bench"')
    if answers.hands == "play":
        lines += _station("bench-load", 60.0)
        lines += ["", "[plug.bench-load]", 'profile = "generic-json"', 'topic = "bench/load"']
        lines += ["", "# Everything is played, nothing real is switched. Take this table away when",
                  "# you name real plugs.", "[virtual]", f"start = {answers.start}",
                  "speed = 600", "crew = true"]  # fmt: skip
        lines += ["", f"[virtual.pack.{answers.packs[0].name}]", 'soc = "100 %"']
    elif answers.plug is not None:
        plug = answers.plug
        lines += _station("bench-load", plug.load_w)
        lines += ["", "# Prove its timer before the first night, with nothing on it:",
                  "# `carerules doctor site.toml --prove bench-load`.",
                  "[plug.bench-load]", f"profile = {_quoted(plug.profile)}"]  # fmt: skip
        lines += [f"{key} = {_quoted(value)}" for key, value in plug.variables.items()]
        if not plug.timed:
            lines += ["# It has no timer of its own: on only while somebody is there.",
                      "unguarded = true"]  # fmt: skip
        if plug.broker:
            host, _, port = plug.broker.partition(":")
            lines += [
                "",
                "[mqtt]",
                f"host = {_quoted(host)}",
                *([f"port = {port}"] if port else []),
            ]
        lines += _feed(answers.packs[0].name)
    if answers.webhook:
        lines += ["", "[channel.phone]", 'kind = "webhook"', f"url = {_quoted(answers.webhook)}"]
    return "\n".join([*lines, ""])


def _feed(pack: str) -> list[str]:
    """What a beginner has to add: a load is not switched for a pack that nobody sees."""
    return [
        "", "# Nothing is switched before the pack's own voltage is heard. Name what tells it",
        "# (docs/plugs.md), or allow drains by the plug's meter alone, within stricter",
        "# bounds: `blind = true` under [station.bench].",
        f"# [feed.{pack}]", '# profile = "generic-json"', f'# topic = "packs/{pack}"',
        f"# pack = {_quoted(pack)}",
    ]  # fmt: skip


def _station(plug: str, load_w: float) -> list[str]:
    return ["", "[station.bench]", f'load = {{ plug = "{plug}", power = "{load_w:g} W" }}']


def _rules(answers: Answers) -> str:
    ready = {one.name.removesuffix(".care") for one in shipped("rules").iterdir()}
    chemistries = dict.fromkeys(pack.chemistry for pack in answers.packs)
    named = [name for name in chemistries if name in ready]
    such = f', e.g. with\n# `use "{named[0]}" with storage = 50 %`' if named else ""
    lines = [
        "# What is to be done with these packs. Common practice, no source; the maker's",
        f"# instructions come first. Change what does not suit{such}.",
        "",
    ]
    lines += [f'use "{name}"' for name in named]
    if NICKEL & chemistries.keys():
        lines.append('use "nimh-handset"')
    lines.append('use "inspection"')
    for name in chemistries:
        if name not in ready and name not in NICKEL:
            lines += ["", f"rule {name}-full on packs where chemistry is {name}",
                      '    because "a pack left full loses capacity"',
                      "    when pack.soc >= 95 % for 24 h and time until use > 2 d:",
                      "        drain to 80 %"]  # fmt: skip
    return "\n".join([*lines, ""])


def _key(name: str) -> str:
    """As it stands in a table's head: in quotes where its reader will refuse it anyway."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _quoted(words: str) -> str:
    # A TOML basic string is a JSON string (TOML 1.0), but for DEL, which nobody types.
    return json.dumps(words, ensure_ascii=False)
