"""Bytes of a message as JSON, within limits, and the values in it.

Knows JSON and RFC 6901 pointers. Does not know plugs or packs. Nothing that a sender can put into
a message raises anything but `UnreadableError`, or costs more than its length.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Final, NoReturn, TypeAlias

from carerules.adapters.problem import quoted

PAYLOAD_BYTES_MAX = 16 * 1024  # a hundred times a chatty plug's state
DEPTH_MAX = 16  # deeper than any device's report; far below the parser's own stack

Json: TypeAlias = "Mapping[str, Json] | list[Json] | str | int | float | bool | None"


class UnreadableError(Exception):
    """The message cannot be used; the text says why, naming the key where there is one."""


class Missing:
    """Nothing is at the pointer: not the same as null."""


MISSING: Final = Missing()


def read_text(payload: bytes) -> str:
    """The payload as plain text, for topics that carry a bare word. Raises `UnreadableError`."""
    if len(payload) > PAYLOAD_BYTES_MAX:
        raise UnreadableError(f"{len(payload)} bytes, the limit is {PAYLOAD_BYTES_MAX}")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise UnreadableError("no UTF-8 text") from None


# Possessive, and content with a string that never ends: one pass over any text whatever.
_STRINGS = re.compile(r'"(?:[^"\\]|\\.)*+"?', re.DOTALL)


def read_json(payload: bytes) -> Json:
    """The payload as JSON: no NaN, no infinity, no key twice, at most 16 deep. Raises
    `UnreadableError`."""
    text = read_text(payload)
    if text.count("[") + text.count("{") > DEPTH_MAX and _depth(text) > DEPTH_MAX:
        raise UnreadableError(f"nested deeper than {DEPTH_MAX}")
    try:
        read: Json = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        # ValueError takes in numbers of thousands of digits, which Python will not convert.
        raise UnreadableError("no JSON") from None
    return read


def _depth(text: str) -> int:
    depth = deepest = 0
    for mark in re.findall(r"[\[\]{}]", _STRINGS.sub("", text)):
        depth += 1 if mark in "[{" else -1
        deepest = max(deepest, depth)
    return deepest


def _once(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    read = dict(pairs)
    if len(read) < len(pairs):
        # Which of the two is meant? A contradiction is doubt.
        raise UnreadableError("a key comes twice")
    return read


def _no_constant(word: str) -> NoReturn:
    raise UnreadableError(f"{word} is no number")


class Body:
    """A payload that several pointers look into: read as JSON once, when first asked."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._document: Json | Missing = MISSING

    @property
    def text(self) -> str:
        """The payload as one bare word."""
        return read_text(self._payload).strip()

    @property
    def whole(self) -> Json | Missing:
        """The payload as JSON, or, where it is none, as one bare word."""
        try:
            return self.at("")
        except UnreadableError:
            return self.text or MISSING

    def at(self, pointer: str) -> Json | Missing:
        """What the pointer points at in it."""
        if isinstance(self._document, Missing):
            self._document = read_json(self._payload)
        return at_pointer(self._document, pointer)


# ---- pointers --------------------------------------------------------------------------------

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")


def is_pointer(text: str) -> bool:
    """Whether the text is an RFC 6901 pointer: empty, or `/key/0/key`, with `~0` and `~1`."""
    return _POINTER.fullmatch(text) is not None


def at_pointer(document: Json, pointer: str) -> Json | Missing:
    """What the pointer points at; `MISSING` where there is nothing. Source: RFC 6901."""
    found: Json = document
    for written in pointer.split("/")[1:]:
        key = written.replace("~1", "/").replace("~0", "~")
        if isinstance(found, Mapping):
            if key not in found:
                return MISSING
            found = found[key]
        elif isinstance(found, list):
            # An index has no leading zero, and `-` (past the end) is never there.
            if not re.fullmatch(r"0|[1-9][0-9]{0,5}", key) or int(key) >= len(found):
                return MISSING
            found = found[int(key)]
        else:
            return MISSING
    return found


def number(found: Json, key: str, low: float, high: float, scale: float = 1.0) -> float:
    """A finite number, times `scale`, within [low, high] of that unit; no bool, no text, no null.
    Raises `UnreadableError`."""
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        raise UnreadableError(f"`{key}`: found {shown(found)}, wanted a number")
    try:
        value = float(found) * scale
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise UnreadableError(f"`{key}`: found {shown(found)}, wanted a finite number")
    if not low <= value <= high:
        raise UnreadableError(f"`{key}`: found {value:.6g}, wanted {low:.6g} to {high:.6g}")
    return value


def shown(found: Json) -> str:
    """A value as its sender wrote it, short."""
    if isinstance(found, Mapping):
        return "an object"
    if isinstance(found, list):
        return "a list"
    if isinstance(found, int) and not isinstance(found, bool) and found.bit_length() > 64:
        return "an enormous number"
    return quoted(json.dumps(found))
