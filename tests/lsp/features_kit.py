"""A site, two rule files and a cursor, for asking features without any server."""

from __future__ import annotations

from collections.abc import Mapping

from carerules.config import SiteFile, read_site_text
from carerules.lang.memo import Memo
from carerules.lsp.features import Edit, Sight, Together, look
from carerules.lsp.text import Document, Position

SITE = """\
name = "boat shed"
zone = "Europe/Lisbon"
rules = []
[pack.heron]
chemistry = "lipo"
cells = 6
capacity = "16 Ah"
tags = ["smart"]
role = "boat"
[pack.egret]
chemistry = "lipo"
cells = 4
capacity = "8 Ah"
role = "handset"
[signal.meter]
unit = "Wh"
meaning = "what the shed has used"
low = "0 Wh"
high = "1000 Wh"
max_age = "1 h"
"""

RULES = {
    "main.care": """use "shared.care" with top = 97 %
let low = 40 %
group boats: packs where role is boat
rule keep on boats packs over full-too-long
    when pack.soc >= top-level for 12 h:
        drain to low
let top-level = 90 %
""",
    "shared.care": """let top = 95 %
rule full-too-long when pack.soc >= top for 24 h: drain to 80 %
scenario "left full"
    given pack heron at 100 % since Fri 18:00
    at Sat 18:00: expect heron drain to 80 % by full-too-long
""",
}


MAIN = RULES["main.care"]


def site() -> SiteFile:
    got = read_site_text(SITE, "site.toml")
    assert isinstance(got, SiteFile), [one.show() for one in got]
    return got


def seen(
    text: str, others: Mapping[str, str] | None = None, *, with_site: bool = True,
    fixed: frozenset[str] = frozenset(),
) -> Sight:  # fmt: skip
    others = others or {}
    together = Together(
        {}, fetch=others.get, uri_of=lambda name: f"file:///{name}", fixed=fixed,
        setting=site() if with_site else None, site_text=SITE, files=("lipo", *others),
    )  # fmt: skip
    return look("main.care", Document(text), together, Memo())


def cursor(text: str) -> tuple[str, int]:
    """The text without its `|`, and where that stood."""
    place = text.index("|")
    return text[:place] + text[place + 1 :], place


def applied(document: Document, edits: list[Edit]) -> str:
    text = document.text
    for edit in reversed(edits):
        start, end = document.offset(edit.range.start), document.offset(edit.range.end)
        text = text[:start] + edit.text + text[end:]
    return text


def put(sight: Sight, offset: int) -> Position:
    return sight.document.position(offset)
