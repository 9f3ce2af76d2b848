"""The reference manual as Markdown pages, made from the tables that the program itself runs on.

Knows pages. Does not know the commands: whoever asks for the pages brings a row for each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

from carerules.domain.frozen import guarded
from carerules.domain.moment import show_duration
from carerules.domain.quantity import (
    CAPACITY,
    CHARGE_LEVEL,
    COUNT,
    CURRENT,
    DURATION,
    POWER,
    RESISTANCE,
    SWITCH,
    TEMPERATURE,
    VOLTAGE,
    show,
)
from carerules.domain.signal import Signal, catalogue
from carerules.lang.format import format_text
from carerules.lang.reference import Entry, reference
from carerules.report.manual_codes import ALL_CODES, mended, told, weight


@guarded
class OptionRow:
    """An option or argument of a command, as it is typed, and what it does."""

    form: str
    meaning: str


@guarded
class CommandRow:
    """A command: its words, how it is called, what its help says, its options."""

    name: str
    usage: str
    text: str
    options: tuple[OptionRow, ...] = ()


@guarded
class _Page:
    """A page: its kinds of rows, each with a heading of its own where there are several."""

    file: str
    title: str
    about: str
    kinds: Mapping[Kind, str]


Kind = Literal[
    "statement", "head", "selector", "filter", "condition", "value", "unit", "event", "action",
    "ending", "scenario", "change", "expectation", "keyword",
]  # fmt: skip

_PAGES = (
    _Page("statements.md", "Statements", "What a rule file is made of.",
          {"statement": "Statements", "head": "The head of a rule", "ending": "The end of a rule"}),
    _Page("packs.md", "Which packs", "Whom a rule is for.",
          {"selector": "Selectors", "filter": "Filters"}),
    _Page("conditions.md", "Conditions", "When a rule fires. The tightest stand first.",
          {"condition": "Conditions"}),
    _Page("values.md", "Values and units", "What is compared, and in what it is measured.",
          {"value": "Values", "unit": "Units", "event": "Events"}),
    _Page("actions.md", "Actions", "What is done, line after line.", {"action": "Actions"}),
    _Page("scenarios.md", "Scenarios", "Tests of the rules, written beside them.",
          {"scenario": "Lines", "change": "What happens", "expectation": "What is expected"}),
    _Page("words.md", "Words", "Every word of the language, and where it belongs. None of them is"
          " the name of a rule, a `let`, a group or anything else.", {"keyword": "Words"}),
)  # fmt: skip
"""Every kind of row has its page."""

MADE_BY = "python -m carerules.cli.manual docs/reference"
_HEAD = f"<!-- Made from the program by `{MADE_BY}`; a change here is lost. -->\n"


def manual_pages(commands: Sequence[CommandRow]) -> dict[str, str]:
    """Every page of the reference, by the name of its file."""
    rows = reference()
    pages = {page.file: _page(page, rows) for page in _PAGES}
    pages["signals.md"] = _signals_page()
    pages["diagnostics.md"] = _codes_page()
    pages["layout.md"] = _layout_page()
    pages["commands.md"] = _commands_page(commands)
    return {"index.md": _index_page(rows, commands), **pages}


# ---- constructs --------------------------------------------------------------------------------


def _page(page: _Page, rows: Sequence[Entry]) -> str:
    parts = [f"# {page.title}\n", f"{page.about}\n"]
    level = "###" if len(page.kinds) > 1 else "##"
    for kind, heading in page.kinds.items():
        mine = [row for row in rows if row.kind == kind]
        if len(page.kinds) > 1:
            parts.append(f"## {heading}\n")
        if kind == "keyword":
            parts.append(_words_table(mine, rows))
        elif kind in ("event", "unit"):
            parts.append(_table((kind, "meaning", "example"), [
                (_code(row.form), row.meaning, _code(tidy(row.example).rstrip("\n")))
                for row in mine
            ]))  # fmt: skip
        else:
            for row in mine:
                parts += [f"{level} {_code(row.form)}\n", f"{_sentence(row.meaning)}\n"]
                parts.append(_care(row.example))
    return _joined(parts)


def _words_table(words: Sequence[Entry], rows: Sequence[Entry]) -> str:
    """Each word with the form that it is one of, and that form's page."""
    table: list[tuple[str, str, str]] = []
    for word in words:
        home = next(row for row in rows if f"`{row.form}`" in word.meaning and row is not word
                    and row.example == word.example)  # fmt: skip
        page = next(page for page in _PAGES if home.kind in page.kinds)
        table.append((_code(word.form), word.meaning, f"[{page.title.lower()}]({page.file})"))
    return _table(("word", "meaning", "page"), table)


def tidy(example: str) -> str:
    """An example laid out, as `carerules format` does it."""
    out = format_text(example, "example.care")
    assert isinstance(out, str), example
    return out


def _care(text: str) -> str:
    return f"```care\n{tidy(text)}```\n"


# ---- signals -----------------------------------------------------------------------------------


# What people ask for; a signal that is not named takes the figure of its dimension.
_ASKED = {
    "pack.voltage": 16, "pack.cell.spread": 0.03, "pack.cell.imbalance": 5, "site.temperature": 30,
    CHARGE_LEVEL: 80, VOLTAGE: 4, CURRENT: 2, POWER: 60, CAPACITY: 10, RESISTANCE: 12,
    TEMPERATURE: 40,
}  # fmt: skip


def signal_example(signal: Signal) -> str:
    """A rule that asks for the signal."""
    if signal.dimension == SWITCH:
        asked = f"{signal.name} is on"
    elif signal.dimension == DURATION:
        asked = f"{signal.name} > 2 d"
    else:
        figure = _ASKED.get(signal.name, _ASKED.get(signal.dimension, signal.high / 4))
        asked = f"{signal.name} > {show(figure, signal.dimension)}"
    return f'when {asked}: notify "{{pack}}: {{{signal.name}}}"\n'


def _signals_page() -> str:
    parts = [
        "# Signals\n",
        "What a rule may ask about. A *measured* signal is unknown when it is older than its time;"
        " a *kept* one holds until something changes it. A site may declare more, named"
        " `site.NAME`.\n",
    ]
    for signal in catalogue().values():
        unit = {DURATION: "time", COUNT: "count"}.get(signal.dimension, signal.dimension.unit)
        comes = "reported by a feed, a plug or a person" if signal.raw else (
            "worked out, where nothing reports it"
        )  # fmt: skip
        parts += [
            f"## {_code(signal.name)}\n",
            f"{_sentence(signal.meaning)}\n",
            f"- unit: {unit}\n- plausible: {_plausible(signal)}\n- {_age(signal)}\n- {comes}\n",
        ]
        parts.append(_care(signal_example(signal)))
    return _joined(parts)


def _plausible(signal: Signal) -> str:
    if signal.dimension == SWITCH:
        return "on or off"
    if signal.dimension == DURATION:
        return "any time"
    low, high = (show(value, signal.dimension) for value in (signal.low, signal.high))
    return f"{low} to {high}"


def _age(signal: Signal) -> str:
    if signal.max_age is None:
        return "kept"
    return f"measured: unknown after {show_duration(signal.max_age)}"


# ---- codes -------------------------------------------------------------------------------------


def _codes_page() -> str:
    parts = [
        "# Findings\n",
        "What may be wrong with a rule file: one section for each code. An error keeps the rules"
        " from being loaded; a warning does not. `carerules reference CODE` shows a section on a"
        " terminal. The examples speak of a site with the packs heron, egret and grebe, the"
        " chemistries lipo and li-ion, a tag smart, the roles boat and handset, and a channel"
        " phone.\n",
        _table(("code", "what it says"), [
            (f"[`{name}`](#{name})", code.title + (" (warning)" if code.warning else ""))
            for name, code in ALL_CODES.items()
        ]),
    ]  # fmt: skip
    for name, code in ALL_CODES.items():
        parts += [f"## {name}\n", f"{_sentence(code.title)} ({weight(code)})\n", f"{code.why}\n"]
        if code.wrong:
            parts.append(f"```text\n{code.wrong}\n```\n")
            parts.append(f"```text\n{told(code)}\n```\n")
        if code.right:
            parts.append("Mended:\n")
            parts.append(f"```care\n{mended(code)}\n```\n")
    return _joined(parts)


# ---- layout ------------------------------------------------------------------------------------

LOOSE = """\
let full=95.0%    # left so, it ages
let shelf = 45 percent # for weeks
rule away on packs where role is boat and not tagged "spare" over full-too-long because "it ages"
  when (pack.soc>60 and pack.temperature>77degF) for 12hours and time until use>1wk: # far off
    ask "drain {pack}?" within 2h; drain to shelf during 6:00 - 22:00
rule full-too-long when pack.soc>=full for 24h: drain to 80
"""

_LAYOUT = (
    'a word, number or unit has one spelling: `95 %`, `24 h`, `°C`, `06:00`, `0.5`; texts in `"`'
    " stay as they are",
    "one blank stands around a comparison and between words; blocks are indented by four",
    "what stood on one line and fits 100 columns stays there; a longer rule gets a line for its"
    " reason, its condition and each action",
    "a reason has a line of its own once the rule has several; so has each action below a"
    " condition",
    "a wide condition goes on below, inside its parentheses, at an `and` or `or`",
    "`let`s and `group`s that follow one another stand in columns, and so do comments beside them",
    "comments stay; one on a line of its own is indented like the line below it, or like the block"
    " that it stood in",
    "of empty rows at most one stays inside a statement and between statements of a kind, else two",
)


def _layout_page() -> str:
    return _joined([
        "# Layout\n",
        "What `carerules format` makes of a rule file. Laying out its result again changes nothing,"
        " and the meaning stays: the result is read again and compared before it is written.\n",
        "".join(f"- {rule}\n" for rule in _LAYOUT),
        f"From this:\n\n```text\n{LOOSE}```\n",
        f"it makes this:\n\n{_care(LOOSE)}",
        "A rule without a name is called by its line, so that it may be called otherwise"
        " afterwards; what is known of it goes by its meaning, and stays.\n",
    ])  # fmt: skip


# ---- commands ----------------------------------------------------------------------------------


def _commands_page(commands: Sequence[CommandRow]) -> str:
    parts = [
        "# Commands\n",
        "Each takes `--help`. Exit status: 0 done, 1 tried and not come to a good end, 2"
        " refused.\n",
    ]
    for row in commands:
        parts += [f"## {_code(f'carerules {row.name}')}\n", f"```text\n{row.usage}\n```\n"]
        parts.append(f"{row.text}\n")
        if row.options:
            table = [(_code(option.form), option.meaning) for option in row.options]
            parts.append(_table(("option", "meaning"), table))
    return _joined(parts)


# ---- the first page ----------------------------------------------------------------------------


def _index_page(rows: Sequence[Entry], commands: Sequence[CommandRow]) -> str:
    def line(file: str, title: str, about: str, count: int) -> str:
        return f"- [{title}]({file}), {count}: {about}"

    lines = [
        line(page.file, page.title.lower(), page.about.split(". ")[0].rstrip("."),
             sum(row.kind in page.kinds for row in rows))
        for page in _PAGES
    ]  # fmt: skip
    lines.insert(4, line("signals.md", "signals", "What a rule may ask about", len(catalogue())))
    lines.append(line("diagnostics.md", "diagnostics", "What may be wrong with a rule file",
                      len(ALL_CODES)))  # fmt: skip
    lines.append(line("layout.md", "layout", "What `carerules format` makes of a file",
                      len(_LAYOUT)))  # fmt: skip
    lines.append(line("commands.md", "commands", "What is typed", len(commands)))
    return _joined([
        "# Reference\n",
        "Every form of the care language, every signal, code and command. To learn the language,"
        " read [the language page](../language.md) first.\n",
        "\n".join(lines) + "\n",
        "carerules is not a protective device: a pack needs its own cut-offs, a fuse, a fire-proof"
        " place and a person. The maker's instructions come first.\n",
    ])  # fmt: skip


# ---- Markdown ----------------------------------------------------------------------------------


def _joined(parts: Sequence[str]) -> str:
    return _HEAD + "\n" + "\n".join(parts)


def _code(text: str) -> str:
    return f"`{text}`"


def _sentence(text: str) -> str:
    """A row's words as a sentence of their own."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}."


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    def written(cells: Sequence[str]) -> str:
        return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"

    return "\n".join([written(head), written(["---"] * len(head)), *map(written, rows)]) + "\n"
