"""A site file proposed from what was overheard at a broker, as text.

Knows site files and what was recognised. Invents nothing: what only stands on a label, or only a
person knows, is a line that begins with `#?`, with an example to be replaced.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from carerules.adapters import MqttAddress
from carerules.adapters.overhear import Listened
from carerules.adapters.recognise import Likeness
from carerules.config.problem import quoted
from carerules.config.read import read_site_text
from carerules.config.site import SiteFile
from carerules.config.values import NAME_CHARS_MAX
from carerules.domain.frozen import guarded
from carerules.domain.spelling import counted
from carerules.lang import KEYWORDS

OTHERS_MAX = 40
"""Lines of what was heard and not recognised: a screen of them; more is told as a number."""
ASK = "#? "


@guarded
class Known:
    """What whoever asks knows of every pack: None, or as a site file has it."""

    chemistry: str | None = None
    capacity: str | None = None
    cells: int | None = None


@guarded
class Proposal:
    """The text; `whole`: it was read as a site file without a problem. How many lines ask."""

    text: str
    whole: bool
    asks: int


def propose(
    address: MqttAddress, listened: Listened, seconds: float, plugs: Sequence[Likeness],
    feeds: Sequence[Likeness], known: Known,
) -> Proposal:  # fmt: skip
    """The proposal. That it is whole is not claimed but tried."""
    names = _Names()
    body = [
        'name = "my packs"',
        'zone = "UTC"  # yours, as `Continent/City`',
        "",
        *_broker(address),
        *(line for one in feeds for line in _feed(one, names, known)),
        *(line for one in plugs for line in _plug(one, names)),
    ]
    taken = {topic for one in (*plugs, *feeds) for topic in one.topics}
    body += _others(listened, taken)
    text = "\n".join(body) + "\n"
    whole = isinstance(read_site_text(text, "proposed"), SiteFile)
    asks = sum(line.startswith(ASK) for line in body)
    head = _head(address, listened, seconds, whole=whole, asks=asks)
    return Proposal("\n".join([*head, ""]) + text, whole, asks)


def _head(
    address: MqttAddress, listened: Listened, seconds: float, *, whole: bool, asks: int
) -> list[str]:
    beyond = f"; {listened.beyond} messages were beyond its limits" if listened.beyond else ""
    head = [
        f"# Proposed by `carerules discover`: {counted(len(listened.topics), 'topic')} of "
        f"{address.show()},",
        f"# heard for {seconds:g} s{beyond}. Nothing of it is in force: read it, then save it.",
    ]
    if whole:
        head.append("# Whole: `carerules check` takes it as it stands.")
    else:
        head.append("# Not whole yet: `carerules check` will ask for more.")
    if asks:
        head += [
            f"# {asks} lines begin with `#?`: each an example of what only you know, or a label.",
            "# Take the mark away where you have put it right.",
        ]
    return head


def _broker(address: MqttAddress) -> Iterator[str]:
    yield "[mqtt]"
    yield f"host = {_text(address.host)}"
    yield f"port = {address.port}"
    if address.tls:
        yield "tls = true"
    if address.username is not None:
        yield f"user = {_text(address.username)}"
        yield f'{ASK}password_file = "mqtt-password"'
    yield ""


# ---- packs and feeds -------------------------------------------------------------------------


def _feed(one: Likeness, names: _Names, known: Known) -> Iterator[str]:
    name = names.of(one, "feed")
    topics = ", ".join(quoted(topic) for topic in sorted(one.topics))
    if one.about in ("site", "state"):
        # A device has described it to a hub: whether it is this room's, only a person knows.
        mark, how = ("", "heard") if one.about == "site" else (ASK, "described to a hub, said")
        yield f"# {how} on {topics}"
        yield from (f"{mark}{line}" for line in _table(f"feed.{name}", one))
        yield ""
        return
    cells = one.cells or known.cells
    wanted = {
        "chemistry": None if known.chemistry is None else _text(known.chemistry),
        "cells": None if cells is None else str(cells),
        "capacity": None if known.capacity is None else _text(known.capacity),
    }
    examples = {"chemistry": '"lipo"', "cells": "6", "capacity": '"16 Ah"'}
    whole = all(value is not None for value in wanted.values())
    mark = "" if whole else ASK
    yield f"# heard on {topics}" + (f": it tells {counted(one.cells, 'cell')}" if one.cells else "")
    yield f"{mark}[pack.{name}]"
    for key, value in wanted.items():
        said = value if value is not None else f"{examples[key]}  # what stands on the label"
        yield f"{mark}{key} = {said}"
    yield ""
    yield from (f"{mark}{line}" for line in _table(f"feed.{name}", one))
    yield f"{mark}pack = {_text(name)}"
    yield ""


def _table(key: str, one: Likeness) -> Iterator[str]:
    yield f"[{key}]"
    yield f"profile = {_text(one.profile)}"
    for variable, text in one.variables.items():
        yield f"{variable} = {_text(text)}"


# ---- plugs -----------------------------------------------------------------------------------


def _plug(one: Likeness, names: _Names) -> Iterator[str]:
    """A plug has its place at a station, as a load's or a charger's: what hangs on it shows in no
    message, and the wrong one of the two would move energy the wrong way."""
    name = names.of(one, "plug")
    yield f"# heard on {', '.join(quoted(topic) for topic in sorted(one.topics))}"
    for line in _table(f"plug.{name}", one):
        yield f"{ASK}{line}"
    for variable in one.lacking:
        yield f'{ASK}{variable} = "..."  # docs/plugs.md says what it is'
    yield f"{ASK}[station.{name}]"
    yield f'{ASK}load = {{ plug = {_text(name)}, power = "60 W" }}  # or `charger`'
    yield ""


# ---- the rest --------------------------------------------------------------------------------


def _others(listened: Listened, taken: set[str]) -> Iterator[str]:
    """What was heard and is not recognised: for whoever writes a profile for it."""
    rest = [topic for topic in sorted(listened.topics) if topic not in taken]
    if not rest:
        return
    also = f"# Also heard, on {counted(len(rest), 'topic')}"
    yield f"{also} (docs/plugs.md shows how to write a profile):"
    for topic in rest[:OTHERS_MAX]:
        one = listened.topics[topic]
        said = quoted(one.payload[:200].decode("utf-8", "replace"))
        remembered = ", remembered by the broker" if one.retained else ""
        yield f"#   {quoted(topic)}: {said}{remembered}"
    if len(rest) > OTHERS_MAX:
        yield f"#   and {len(rest) - OTHERS_MAX} more"


class _Names:
    """Names that a rule can use, each once: out of the last level of a topic."""

    def __init__(self) -> None:
        self._taken: dict[str, set[str]] = {}

    def of(self, one: Likeness, kind: str) -> str:
        """A name for this one."""
        topic = one.variables.get("topic") or next(iter(sorted(one.topics)))
        last = topic.rstrip("/").rpartition("/")[2]
        plain = "".join(c if c.isascii() and (c.isalnum() or c in "_-") else "-" for c in last)
        plain = plain.strip("-_")[: NAME_CHARS_MAX - 4]
        if not plain or not plain[0].isalpha() or plain in KEYWORDS:
            plain = f"{kind}-{plain}".rstrip("-")
        taken = self._taken.setdefault(kind, set())
        name, number = plain, 1
        while name in taken:
            number += 1
            name = f"{plain}-{number}"
        taken.add(name)
        return name


def _text(text: str) -> str:
    """A TOML text. What comes from topics has passed the check of a profile's variables."""
    return json.dumps(text)
