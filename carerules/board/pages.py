"""The page as HTML, and its parts that are sent again when they change.

Knows templates. Everything that is put into one is escaped; nothing of what is said is markup.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from carerules.board.halt import HaltState
from carerules.board.packrow import Row
from carerules.board.past import HOURS, Past, Why
from carerules.board.rulework import DAYS, Finding, RuleText
from carerules.board.view import Board
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack, Site
from carerules.report import CompareShape


@guarded
class Said:
    """What became of what a person pressed; shown once."""

    text: str
    refused: bool = False


def board_page(board: Board, said: Said | None, halt: HaltState) -> str:
    """The whole board."""
    return _show("board.html", parts=board_parts(board, halt), board=board, said=said)


def board_parts(board: Board, halt: HaltState) -> dict[str, Markup]:
    """The board's parts, each with the id of its place."""
    parts = {"head": _show("head.html", board=board, halt=halt)}
    parts["chores"] = _show("chores.html", board=board)
    parts["plan"] = _show("plan_short.html", plan=board.plan)
    parts |= {row_id(row): _show("row.html", row=row, alone=False) for row in board.rows}
    parts["stations"] = _show("stations.html", board=board)
    return parts


def pack_page(
    board: Board, row: Row, pack: Pack, site: Site, said: Said | None, halt: HaltState,
    *, enter: bool = False,
) -> str:  # fmt: skip
    """One pack's page: its row, and the fields to enter what only a person knows. `enter`: they are
    what was asked for."""
    return _show(
        "pack.html", parts=pack_parts(board, row, halt), board=board, row=row, pack=pack,
        stations=list(site.stations), said=said, enter=enter,
    )  # fmt: skip


def pack_parts(board: Board, row: Row, halt: HaltState) -> dict[str, Markup]:
    """The parts of a pack's page that change."""
    return {
        "head": _show("head.html", board=board, halt=halt),
        row_id(row): _show("row.html", row=row, alone=True),
    }


def plan_page(board: Board, said: Said | None, halt: HaltState) -> str:
    """The kept plan, whole."""
    return _show("plan.html", parts=plan_parts(board, halt), board=board, said=said)


def plan_parts(board: Board, halt: HaltState) -> dict[str, Markup]:
    """The parts of the plan's page that change."""
    drawn: tuple[Markup, ...] = ()
    if board.plan is not None:
        # Escaped where it was made, by the house's own markup.
        drawn = (Markup(board.plan.wide), Markup(board.plan.narrow))
    return {
        "head": _show("head.html", board=board, halt=halt),
        "plan": _show("plan_whole.html", plan=board.plan, drawn=drawn),
    }


def row_id(row: Row) -> str:
    """The id of a pack's place; no other place has one that begins so."""
    return f"pack-{row.name}"


def past_page(board: Board, past: Past | str, name: str, hours: int) -> str:
    """A stretch of a pack's past, or what is wrong."""
    return _show("past.html", board=board, past=past, name=name, hours=hours, offered=HOURS)


def why_page(board: Board, why: Why | str, name: str) -> str:
    """Why each rule held or not at one moment, or what is wrong."""
    return _show("why.html", board=board, why=why, name=name)


def rules_page(board: Board, files: list[RuleText], said: Said | None, *, may_edit: bool) -> str:
    """Every rule file, to read."""
    return _show("rules.html", board=board, files=files, said=said, may_edit=may_edit)


def edit_page(
    board: Board, file: RuleText, text: str, findings: list[Finding],
    compared: CompareShape | str | None, said: Said | None,
) -> str:  # fmt: skip
    """One rule file, to edit."""
    return _show(
        "edit.html", board=board, file=file, text=text, findings=findings, compared=compared,
        said=said, days=DAYS, clean=not any(one.error for one in findings),
    )  # fmt: skip


def findings_part(findings: list[Finding]) -> str:
    """What the checker says, to be put in its place."""
    return _show("findings.html", findings=findings)


def door_page(said: Said | None) -> str:
    """Where the token is asked for."""
    return _show("door.html", said=said)


def trouble_page(title: str, why: str) -> str:
    """What is wrong with a request, for a person."""
    return _show("trouble.html", title=title, why=why)


def _show(template: str, **values: Any) -> Markup:
    # A part that was escaped here once is taken into the page as it is; no template says `safe`.
    return Markup(unbroken(_environment().get_template(template).render(values)))


_APART = re.compile(r"(<(pre|textarea|code|title)\b.*?</\2>|<[^>]*>)", re.DOTALL)
_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|°[CF]|m?Ah|[mk]?Wh?|m?V|m?A|m?Ω|mΩ|ms|s|min|h|d|C)(?![\w°]))|(?<=±) (?=\d)"
)


def unbroken(html: str) -> str:
    """The page with each number kept beside its unit. Only in what is shown: a field that is sent
    back, and the text of a rule, stay as they are."""
    parts = _APART.split(html)
    # Split at two groups: text, tag, the tag's name or None, text, ...
    for number in range(0, len(parts), 3):
        parts[number] = _UNIT.sub("\N{NO-BREAK SPACE}", parts[number])
        if number + 2 < len(parts):
            parts[number + 2] = ""
    return "".join(parts)


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("carerules.board"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )  # fmt: skip
    made.globals["glyph"] = GLYPHS
    return made


GLYPHS: Mapping[str, str] = {
    "look": "▲", "work": "◆", "wait": "◔", "rest": "·",
    "alarm": "▲", "done": "◆", "decided": "◇", "tell": "◔", "seen": "·",
}  # fmt: skip
"""A mark beside each state's words, for the eye that sees no colour."""
