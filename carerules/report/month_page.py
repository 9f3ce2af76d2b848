"""A stretch of time as one page that needs nothing else: on a screen, on paper, in a mail.

Knows the shape and words. Does not know how anything in it was found out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from carerules.domain.pack import FULL_PERCENT
from carerules.domain.spelling import counted
from carerules.report.drawings import capacity_chart, charge_chart, key_of, level_bar
from carerules.report.health import health_words
from carerules.report.markup import Markup, joined, tag
from carerules.report.month_shapes import MonthShape, PackMonthShape
from carerules.report.page import show_s
from carerules.report.shapes import BandShape

CAUTION = (
    "carerules is not a protective device. A pack that is swollen, hot, wet, dented or that was "
    "drained too far is not used any more; the maker's instructions and local codes come first. "
    "Costs of lying are bands over published cells, which differ severalfold: no promise."
)


def month_page(month: MonthShape) -> str:
    """The whole page."""
    title = f"{month.site}: {_span(month)}"
    body = joined(
        tag("h1", month.site),
        tag("p", _span(month), class_="span"),
        tag("p", "A virtual site: packs, plugs and room are played.", class_="virtual")
        if month.virtual else Markup(""),
        _since(month), _first(month), _table(month),
        *(_pack(month, pack) for pack in month.packs),
        _rules(month), _steps_in(month),
        tag("p", CAUTION, class_="caution"),
    )  # fmt: skip
    head = joined(
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title), tag("style", Markup(_STYLE)),
    )  # fmt: skip
    page = tag("html", tag("head", head), tag("body", tag("main", body)), lang="en")
    return f"<!doctype html>\n{page}\n"


def _span(month: MonthShape) -> str:
    return f"{month.begins:%d %b %Y} to {month.ends:%d %b %Y, %H:%M}"


def _since(month: MonthShape) -> Markup:
    if month.since is None:
        return tag("p", "Nothing is journalled in this time.", class_="notice")
    if (month.since - month.begins).total_seconds() < 86_400:
        return Markup("")
    return tag("p", f"The journal has nothing before {month.since:%d %b %H:%M}.", class_="notice")


def _first(month: MonthShape) -> Markup:
    """What somebody has to do, first of all."""
    if not month.retire:
        return tag("p", "No pack is to be retired.", class_="fine")
    rows = [
        tag("li", tag("strong", one.pack), f": {one.why}", class_="now" if one.now else None)
        for one in month.retire
    ]
    return joined(tag("h2", "To retire or to watch"), tag("ul", *rows, class_="retire"))


def _table(month: MonthShape) -> Markup:
    heads = ("pack", "full", "unknown", "cycles", "charges", "uses", "by our loads and chargers",
             "cost of lying", "saved against lying full")  # fmt: skip
    rows = [
        (
            pack.pack, _time(_full_s(pack)), _time(pack.unknown_s), f"{pack.cycles:.2f}",
            str(pack.charges), str(pack.uses), _energy(pack.energy_wh),
            "–" if pack.lying is None else _band(pack.lying.lost_percent),
            "–" if pack.lying is None else _band(pack.lying.saved_to_full_percent),
        )
        for pack in month.packs
    ]  # fmt: skip
    note = (
        f"Full: above {FULL_PERCENT:.0f} %. Cycles: falls of charge in whole capacities. Cost and "
        "saving: percent of capacity, the least and the most that published cells say."
    )
    return joined(tag("h2", "Packs"), _rows_of(heads, rows), tag("p", note, class_="note"))


def _full_s(pack: PackMonthShape) -> float:
    return sum(level.time_s for level in pack.levels if level.from_percent >= FULL_PERCENT)


def _pack(month: MonthShape, pack: PackMonthShape) -> Markup:
    health = tag("dl", *(joined(tag("dt", label), tag("dd", words))
                         for label, words in health_words(pack.health)))  # fmt: skip
    drawn = [level_bar(pack.levels, pack.unknown_s)]
    if any(point.soc_percent is not None for point in pack.path):
        drawn.append(charge_chart(pack.path, pack.marks, month.begins, month.ends, pack.pack))
        drawn.append(tag("p", key_of([mark.kind for mark in pack.marks]), class_="keys"))
    if pack.capacities:
        drawn.append(capacity_chart(pack.capacities, pack.capacity_ah, pack.pack))
    cells = counted(pack.cells, "cell")
    words = f"{pack.chemistry}, {cells} in series, {pack.capacity_ah:g} Ah on the label"
    return tag("section", tag("h3", pack.pack), tag("p", words, class_="note"), *drawn, health)


def _rules(month: MonthShape) -> Markup:
    rows = [
        (one.rule, str(one.fired), str(one.done), str(one.ended_else),
         _energy(one.energy_wh))
        for one in month.rules
    ]  # fmt: skip
    if not rows:
        return Markup("")
    heads = ("rule", "fired", "jobs done", "ended else", "energy")
    return joined(tag("h2", "What the rules did"), _rows_of(heads, rows))


def _steps_in(month: MonthShape) -> Markup:
    said = (
        f"{counted(month.chores, 'chore')}, {counted(month.notices, 'notice')}, "
        f"{month.urgent} of them urgent."
    )
    if not month.interlocks:
        return joined(tag("h2", "What stepped in"), tag("p", f"No interlock. {said}"))
    rows = [(one.interlock, one.pack, one.station, str(one.times)) for one in month.interlocks]
    heads = ("interlock", "pack", "station", "times")
    return joined(tag("h2", "What stepped in"), _rows_of(heads, rows), tag("p", said))


def _rows_of(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Markup:
    head = tag("tr", *(tag("th", words, scope="col") for words in heads))
    body = [
        tag("tr", tag("th", row[0], scope="row"), *(tag("td", words) for words in row[1:]))
        for row in rows
    ]
    return tag("div", tag("table", tag("thead", head), tag("tbody", *body)), class_="wide")


def _time(seconds: float) -> str:
    return show_s(seconds) if seconds else "–"


def _energy(wh: float) -> str:
    return f"{wh:.0f} Wh" if wh else "–"


def _band(band: BandShape) -> str:
    return f"{band.low:.3f} to {band.high:.3f}"


def month_lines(month: MonthShape) -> list[str]:
    """The same in short, for a terminal of 80 columns."""
    lines = [f"{month.site}, {_span(month)}" + (" (VIRTUAL)" if month.virtual else ""), ""]
    lines.append(f"{'pack':26} {'full':>12} {'unknown':>12} {'cycles':>7} {'energy':>9}")
    for pack in month.packs:
        lines.append(
            f"{pack.pack[:26]:26} {_time(_full_s(pack)):>12} {_time(pack.unknown_s):>12}"
            f" {pack.cycles:7.2f} {_energy(pack.energy_wh):>9}"
        )
    lines += ["", *(f"{one.pack}: {one.why}" for one in month.retire)]
    if not month.retire:
        lines.append("no pack is to be retired")
    return [line.replace("–", "-") for line in lines]


_STYLE = """
:root{color-scheme:light;--ink:#16232b;--soft:#5a6b75;--rule:#c9d3d8;--course:#0b5a7a}
*{box-sizing:border-box}
body{margin:0;background:#fff;color:var(--ink);font:15px/1.45 system-ui,sans-serif}
main{max-width:60rem;margin:0 auto;padding:1.5rem}
h1{margin:0;font-size:1.7rem}h2{margin:2rem 0 .5rem;font-size:1.2rem}h3{margin:0;font-size:1.05rem}
.span{margin:.1rem 0 1rem;color:var(--soft)}
.note,.caution,.keys{color:var(--soft);font-size:.85rem}
.virtual,.notice{border-left:4px solid var(--rule);padding:.3rem .7rem}
.retire .now{font-weight:600}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.85rem}
th,td{padding:.3rem .5rem;border-bottom:1px solid var(--rule);text-align:right;vertical-align:top}
thead th{vertical-align:bottom;font-weight:600}th:first-child{text-align:left}
section{margin:1.6rem 0;break-inside:avoid}
svg{display:block;width:100%;height:auto;margin:.5rem 0}
svg text{font:10px system-ui,sans-serif;fill:var(--soft)}
.left{text-anchor:end}.mid{text-anchor:middle}
.grid{stroke:var(--rule);stroke-width:.7}
.band{fill:var(--course);opacity:.16}
.course{fill:none;stroke:var(--course);stroke-width:1.6;stroke-linejoin:round}
.reach{stroke:var(--course);stroke-width:1.4;fill:none}
.began{fill:var(--course)}.ended{fill:none;stroke:var(--course)}
.failed{fill:none;stroke:#8d1f14;stroke-width:1.8}
.barred{fill:none;stroke:#8d1f14;stroke-width:1.4}
.sign{display:inline-block;width:1em;height:1em;margin:0;vertical-align:-.1em}
.key{margin-right:1.2em;white-space:nowrap}
.level-0{fill:#e9eef1}.level-1{fill:#cfe0e8}.level-2{fill:#a9c9d8}.level-3{fill:#75a9c0}
.level-4{fill:#2f7796}.level-5{fill:#0d3f56}
.unknown{fill:#fff;stroke:var(--rule);stroke-dasharray:3 3}
svg .in-level-0,svg .in-level-1,svg .in-level-2,svg .in-level-3{fill:#16232b}
svg .in-level-4,svg .in-level-5{fill:#fff}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem 1rem;margin:.5rem 0;font-size:.9rem}
dt{color:var(--soft)}dd{margin:0}
@media print{main{max-width:none;padding:0}body{font-size:11px}
svg *{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
"""
