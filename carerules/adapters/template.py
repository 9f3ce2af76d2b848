"""Topics and payloads with holes: `{topic}/set`.

Knows how a hole is written and what may fill it. Does not know topics of any device.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from carerules.adapters.problem import Problem, quoted

TOPIC_BYTES_MAX = 256  # MQTT allows 65535; every device that we met stays below 100
FILLING_CHARS_MAX = 120

# JSON's own braces are never followed by a bare word and a brace, so they need no escape.
_HOLE = re.compile(r"\{([a-z][a-z0-9_]*)\}")
# No quote, brace, backslash, wildcard or control character: a filling cannot break out of a JSON
# string or make a subscription wider.
_FILLING = re.compile(r"[A-Za-z0-9_.:@/ -]+")
# What a browser puts before an address, and what some put in between.
_URL_HEAD = re.compile(r"^\s*[a-z]+://(?:[^@/]*@)?")


def holes(template: str) -> frozenset[str]:
    """The names of the holes."""
    return frozenset(_HOLE.findall(template))


def fill(template: str, fillings: Mapping[str, str]) -> str:
    """The template filled; every hole must have its filling, checked by `check_fillings`."""
    return _HOLE.sub(lambda match: fillings[match[1]], template)


def check_fillings(
    wanted: Mapping[str, str], given: Mapping[str, str], profile: str
) -> Problem | None:
    """Whether the site file gives exactly the variables that a profile asks for, fit for use.

    `wanted` maps each name to its meaning, as the profile says it.
    """
    for name, meaning in wanted.items():
        if name not in given:
            return Problem(f"no `{name}`", f"`{name}`: {meaning}",
                           f"add it; profile `{profile}` needs it", where=name)  # fmt: skip
        text = given[name]
        if not _FILLING.fullmatch(text) or len(text) > FILLING_CHARS_MAX or "//" in text:
            bare = _URL_HEAD.sub("", text).strip("/ ")
            mend = f"write {quoted(bare)}" if bare and bare != text.strip("/ ") else (
                "write it as the device is set, no wildcards")  # fmt: skip
            return Problem(quoted(text), "letters, digits and _ . : @ / - only", mend, where=name)
        if text != text.strip("/ "):
            return Problem(quoted(text), "no slash or space at either end",
                           f"write {quoted(text.strip('/ '))}", where=name)  # fmt: skip
    extra = sorted(set(given) - set(wanted))
    if extra:
        known = ", ".join(f"`{name}`" for name in wanted)
        return Problem(quoted(extra[0]), f"{known or 'no variables'} only",
                       "leave it out, or look at its spelling", where=extra[0])  # fmt: skip
    return None


def topic_fault(topic: str) -> str | None:
    """Why the text is no topic template; None: it is one."""
    if not topic or len(topic.encode("utf-8", "replace")) > TOPIC_BYTES_MAX:
        return f"a topic of 1 to {TOPIC_BYTES_MAX} bytes"
    if "+" in topic or "#" in topic or "\0" in topic or not topic.isprintable():
        return "a topic without wildcards"
    if topic.startswith("$"):
        return "a topic that does not begin with `$`, which belongs to the broker"
    return None
