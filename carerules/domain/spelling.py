"""What a mistyped word may stand for, how a number is said, and what may be shown.

Knows letters. Does not know what is named.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

CHARS_MAX = 64
"""No name is longer; the search takes as long as the word is."""
ALIKE_LEAST = 0.6
"""Share of letters in the same order, below which it is another word (difflib's ratio)."""


def alike(word: str, known: Iterable[str], count: int = 1, least: float = ALIKE_LEAST) -> list[str]:
    """The nearest known names, at most `count` of them, nearest first; none: nothing is like it.

    `least`: how much it must be alike, 0..1.
    """
    # Here, for most runs never see a mistake, and a service keeps what it has loaded.
    from difflib import get_close_matches  # noqa: PLC0415

    return get_close_matches(word[:CHARS_MAX], list(known), n=count, cutoff=least)


def printable(text: str) -> str:
    """The text with each character that could play with a terminal shown as a dot."""
    return "".join(sign if sign.isprintable() else "·" for sign in text)


ALIKE_MAX = 3
"""So many things to be done that differ by a name only are told one by one: a line each is still
read."""


def renamed(text: str, name: str, other: str = "", count: int = 0) -> str:
    """The text with `other` in the place of a name that stands there by itself: everywhere, or the
    first `count` times."""
    return re.sub(rf"(?<![\w-]){re.escape(name)}(?![\w-])", lambda _: other, text, count=count)


def counted(number: int, one: str, more: str = "") -> str:
    """`1 pack`, `2 packs`; `more`: the plural where it is not `one` with an s."""
    return f"{number} {one if number == 1 else more or one + 's'}"


_LOGIN = re.compile(r"([^\s/:@\"'=]*:)(?!//)[^\s\"']*@")
_SECRET = re.compile(
    r"(?i)(\b[\w.-]*(?:pass?w|passphrase|secret|token|api[_-]?key|kennwort|mot_de_passe)[\w-]*"
    r"(?<!_file)\s*[=:]\s*).+"
)


def without_secrets(text: str) -> str:
    """The text without what is likely to be a password: in an address, `USER:...@HOST`, and behind
    a key that is called so. What is said of a mistake ends in logs and in letters for help."""
    said = _LOGIN.sub(r"\1…@", text) if "@" in text else text
    return _SECRET.sub(r"\1…", said) if "=" in said or ":" in said else said
