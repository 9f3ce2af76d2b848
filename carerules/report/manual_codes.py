"""What a code of a finding means: why it is told, a file that provokes it, and the file mended.

Knows the table of codes and how a finding is shown. Does not know how one is found.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from textwrap import wrap

from carerules.domain.signal import catalogue
from carerules.domain.spelling import alike
from carerules.lang import CODES, Code, Names, load
from carerules.lang.format import NOT_LAID_OUT, format_text
from carerules.lang.prove import PROOF_CODES, prove
from carerules.report.page import WIDTH

FILE = "example.care"

ALL_CODES: Mapping[str, Code] = {**CODES, **PROOF_CODES, NOT_LAID_OUT.name: NOT_LAID_OUT}
"""Every code that a rule file can come back with, from whichever command."""

EXAMPLE_SITE = Names(
    packs=frozenset({"heron", "egret", "grebe"}),
    chemistries=frozenset({"lipo", "li-ion"}),
    tags=frozenset({"smart"}),
    roles=frozenset({"boat", "handset"}),
    channels=frozenset({"phone"}),
)
"""The site that the examples speak of."""


@cache
def told(code: Code) -> str:
    """What is said of the code's wrong example, with its carets; empty where none is short."""
    if not code.wrong:
        return ""
    signals = catalogue()
    got = load({FILE: code.wrong}, catalogue=signals, names=EXAMPLE_SITE)
    found = got.diagnostics
    if got.plan is not None and code.name in PROOF_CODES:
        found = (*found, *prove(got.plan, signals).diagnostics())
    return "\n".join(one.show(code.wrong) for one in found)


def mended(code: Code) -> str:
    """The code's right example, laid out."""
    out = format_text(code.right, FILE)
    return out.rstrip("\n") if isinstance(out, str) else code.right


def nearest_codes(word: str) -> list[str]:
    """At most three codes that may be meant: by their spelling, else by a word of their titles."""
    close = alike(word.lower(), ALL_CODES, 3, 0.5)
    if close or len(word) < 3:
        return close
    return [name for name, code in ALL_CODES.items() if word.lower() in code.title][:3]


def weight(code: Code) -> str:
    """`error` or `warning`."""
    return "warning" if code.warning else "error"


# ---- on a terminal -----------------------------------------------------------------------------


def code_lines(code: Code) -> list[str]:
    """The page of a code, at most 80 columns wide."""
    lines = [f"{code.name}: {code.title} ({weight(code)})", "", *wrap(code.why, WIDTH)]
    if code.wrong:
        lines += ["", "wrong:", "", *_indented(code.wrong.replace("\t", "<tab>"))]
        lines += ["", "what is told:", "", *_folded(told(code))]
    if code.right:
        lines += ["", "mended:", "", *_indented(mended(code))]
    return lines


def _indented(text: str) -> list[str]:
    return [f"  {row}" for row in text.split("\n")]


def _folded(text: str) -> list[str]:
    """The lines of a finding; an excerpt and its carets are never wider than a terminal."""
    rows: list[str] = []
    for row in text.split("\n"):
        rows += [row] if len(row) <= WIDTH else wrap(row, WIDTH, subsequent_indent="    ")
    return rows


def all_codes_lines() -> list[str]:
    """Every code with its title, one to a line."""
    width = max(map(len, ALL_CODES))
    return [
        f"{name:<{width}}  {code.title}{' (warning)' if code.warning else ''}"
        for name, code in ALL_CODES.items()
    ]


def code_shape(code: Code) -> dict[str, str]:
    """A code as JSON has it."""
    return {
        "code": code.name, "title": code.title, "severity": weight(code), "why": code.why,
        "wrong": code.wrong, "told": told(code), "right": code.right,
    }  # fmt: skip
