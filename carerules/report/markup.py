"""Markup that cannot be broken by what is put into it: elements, their attributes, escaped text.

Knows escaping. Does not know what is said.
"""

from __future__ import annotations

from html import escape

_EMPTY = frozenset({"br", "hr", "img", "meta", "path", "polyline", "polygon", "line", "rect"})


class Markup(str):
    """Text that is markup already; any other text is escaped where it is put in."""

    __slots__ = ()


def tag(name: str, /, *children: str | None, **attributes: str | float | None) -> Markup:
    """An element. A child that is `Markup` goes in as it is, other text escaped, None not at all.

    In an attribute's name `_` stands for `-`, but for one at the end, which is dropped; None: no
    such attribute. A number is written with at most two decimals.
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_value(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    inside = "".join(text(child) for child in children if child is not None)
    if name in _EMPTY and not inside:
        return Markup(f"<{name}{written}/>")
    return Markup(f"<{name}{written}>{inside}</{name}>")


def text(words: str) -> Markup:
    """The words, harmless."""
    return words if isinstance(words, Markup) else Markup(escape(words))


def joined(*parts: str) -> Markup:
    """One after the other."""
    return Markup("".join(text(part) for part in parts))


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else f"{value:.2f}".rstrip("0").rstrip(".")
