"""Words that fit nowhere: what is said of them, and what the author may have meant.

Knows words and what the grammar would take next. Does not know the parser or any meaning.
"""

from __future__ import annotations

from collections.abc import Iterable, Set

from carerules.domain.action import ACTIONS
from carerules.domain.diagnostic import Mend, Span
from carerules.lang.build import joined
from carerules.lang.findings import Findings, nearest
from carerules.lang.slips import spelling
from carerules.lang.syntax import Word

# Names that people give to what stands before `of` here.
_OF = {
    "maximum": "max", "highest": "max", "peak": "max", "minimum": "min", "lowest": "min",
    "average": "mean", "avg": "mean", "trend": "slope", "rate": "slope", "amount": "number",
}  # fmt: skip


def unexpected(
    word: Word, wanted: Set[str], before: Word | None, findings: Findings, *, story: bool
) -> None:
    """Say that the word does not fit, and what would. `story`: inside a scenario."""
    if word.type == "OF" and before is not None and before.type == "NAME":
        said = _OF.get(before.text) or nearest(before.text, ("max", "min", "mean", "slope"))
        if said is not None:  # it was taken for the name of a `let` until `of` came
            findings.add(
                "unknown-word", f"found `{before.text}`, wanted `{said}`", before.span,
                Mend(f"write `{said}`", said),
            )  # fmt: skip
            return
    if wanted <= {"_INDENT"} and before is not None:
        _not_indented(before, findings, story=story)
        return
    if word.type in ("_NL", "$END", "_DEDENT"):
        at, found = before.span if before is not None else word.span, "the end of the line"
        at = Span(at.file, at.end_line, at.end_column, at.end_line, at.end_column + 1)
    else:
        at, found = word.span, "a text" if word.type == "STRING" else f"`{word.text[:40]}`"
    findings.add(
        "unexpected", f"found {found}, wanted {_shown(wanted)}", at, _hint(word, before, wanted)
    )


def _not_indented(before: Word, findings: Findings, *, story: bool) -> None:
    whole, head, after_colon = "rule", "a rule `when` and the actions stand", "the actions stand"
    if story:
        whole, head, after_colon = "scenario", "a scenario its lines stand", "what happens stands"
    message = f"below the head of {head} on indented lines"
    if before.text == ":":
        message = f"after `:` {after_colon} on lines that are indented further"
    findings.add(
        "indentation", message, before.span,
        Mend(f"put four spaces before each line that belongs to the {whole}"),
    )  # fmt: skip


def _hint(word: Word, before: Word | None, wanted: Set[str]) -> Mend | None:
    if {"RULE", "LET", "NEVER"} <= wanted and word.type in ("ON", "OVER", "BECAUSE"):
        return Mend("a rule with a head has a name: `rule NAME on ... when ...`")
    if {"RULE", "LET", "NEVER"} <= wanted and word.type in ("EXPECT", "GIVEN", "AFTER"):
        return Mend('indent it below its `scenario "..."`')
    if "CLOCK" in wanted and word.type == "FIGURE":
        return Mend("write the time as `22:00`")
    if wanted == {"STRING"} and word.type == "NAME":
        return Mend(f'write `"{word.text}"`', f'"{word.text}"')
    if wanted == {"NAME"} and word.type == "STRING":
        return Mend(f"write `{word.text}`", word.text)
    if wanted == {"COLON"} and word.text == "=":
        return Mend("write `:` after a group's name")
    if word.text == "than":
        return Mend("`for 24 h` already means that long or longer")
    if (only := next((say for one, say in _ONLY if wanted == one), None)) is not None:
        return Mend(only)
    near = before and (_hint_after(before, word, wanted) or _hint_in_scenario(before, word, wanted))
    return near or next((Mend(say) for signs, say in _SHAPES if signs <= wanted), None)


def _hint_after(before: Word, word: Word, wanted: Set[str]) -> Mend | None:
    if wanted == {"PACKS"}:
        if before.type == "OF":
            return Mend("all packs are counted: write `number of packs where (...)`")
        return Mend(f"write `pack {before.text}` for one pack, `{before.text} packs` for a kind")
    if before.type == "RPAR" and "OP" in wanted and word.type == "COLON":
        return Mend("say for how many: `number of packs where (...) >= 3`")
    if before.text == ";" and word.type in ("_NL", "$END", "_DEDENT"):
        return Mend("leave `;` out: it stands between two actions")
    if before.text == "of" and word.type == "PACKS":
        return Mend("packs are counted by `number of packs where (...)`")
    if {"WHEN", "OVER"} <= wanted and word.type == "NAME":
        if before.text in ("on", "over", "because"):
            return Mend(f"put a name before `{before.text}`")
        one = f"{before.text}-{word.text}"
        return Mend(f"a name is one word, such as `{one}`", one, at=joined(before.span, word.span))
    if {"WHEN", "OVER"} <= wanted and word.text == ":":
        return Mend("leave the colon out: it stands behind `when ...`", "")
    if before.type == "IS":
        return Mend("leave `is` out to compare, and put `not` before the whole to turn it round")
    if before.type == "CLOCK" and word.text.startswith("-"):
        return Mend("a stretch of the day is written `during 22:00-06:00`")
    if before.type == "IN" and word.type == "FIGURE":
        return Mend("write `in last 24 h`, or `in at least 3 of last 5 samples`")
    if word.type == "TO" and "URGENT" in wanted:
        return Mend("only `notify` goes to a channel")
    return None


def _hint_in_scenario(before: Word, word: Word, wanted: Set[str]) -> Mend | None:
    if before.text == "at" and "SINCE" in wanted:
        return Mend("a pack with its charge is given by `given pack heron at 100 %`")
    if before.type == "EXPECT" and word.type in ("NO", "NOT"):
        return Mend("name the pack first: `expect heron no drain`")
    if before.type == "EXPECT" and word.text.isalpha():
        return Mend(f"name the pack before `{word.text}`")
    if {"EXPECT", "SOMEBODY"} <= wanted and word.text in _DONE:
        return Mend("write `expect` and the pack before what is expected: `expect heron drain`")
    if word.type == "TO" and before.type == "NAME" and "DRAIN" in wanted:
        return Mend("leave `to` out: `expect heron drain to 80 %`")
    if wanted == {"CLOCK"} and before.type == "NAME":
        return Mend("write the day and the time, such as `Fri 18:00`")
    if before.type == "CLOCK" and word.type == "NAME":
        turned = f"{word.text} {before.text}"
        return Mend("the day comes first, as in `Sat 18:00`", turned,
                    at=joined(before.span, word.span))  # fmt: skip
    if before.type == "COMMA" and word.type in ("_NL", "$END", "_DEDENT"):
        return Mend("leave the comma out: what stands on its own line needs none")
    if word.type == "REFUSED":
        return Mend("only `drain` and `charge` are refused")
    return None


_DONE = frozenset(row.name for row in ACTIONS.values())

_ONLY: tuple[tuple[Set[str], str], ...] = (
    ({"TO"}, "say how far: `drain to 80 %`, `charge to 100 %`"),
    ({"OVER"}, "say over how long, such as `over 30 d`"),
    ({"LPAR"}, "put the condition in parentheses"),
    ({"FOR"}, "what is switched on has an end: write `on for 1 h`"),
    ({"STATION"}, "write `on a station` or `on no station`"),
    ({"LOAD", "CHARGER"}, "the load or the charger of the pack's station is switched"),
)

# What is said where no slip is recognised: how such a thing looks.
_SHAPES: tuple[tuple[Set[str], str], ...] = (
    ({"LET", "RULE", "NEVER"}, "a rule looks like `when pack.soc >= 95 % for 24 h: drain to 80 %`"),
    ({"DRAIN", "REST", "NOTIFY"},
     "the actions are " + ", ".join(f"`{row.name}`" for row in ACTIONS.values())),
    ({"OP", "BETWEEN"}, "a condition looks like `pack.soc >= 95 %`, `time since use > 30 d` or"
     " `time until use < 24 h`"),
    ({"IN", "SINCE"}, "say since when: `count charge since calibration`, or `in last 30 d`"),
)  # fmt: skip

_CLASSES: tuple[tuple[frozenset[str], str], ...] = (
    (frozenset({"OP", "BETWEEN"}), "a comparison such as `>=`, `is`, `between` or `rises above`"),
    (frozenset({"EXPECT", "SOMEBODY"}), "what happens, or `expect` and what is expected"),
    (frozenset({"LPAR", "NOT", "SIGNAL"}), "a condition such as `pack.soc >= 95 %`"),
    (frozenset({"LPAR", "NOT", "CHEMISTRY"}), "a filter such as `chemistry is lipo`"),
    (frozenset({"SIGNAL", "FIGURE"}), "a value such as `pack.soc` or `95 %`"),
    (frozenset({"SIGNAL", "ON"}), "what becomes of it, such as `used` or `pack.soc = 40 %`"),
    (frozenset({"SIGNAL"}), "a signal such as `pack.soc`"),
    (frozenset({"TAGGED", "SINCE"}), "what a pack is, such as `at 100 %` or `since Fri 18:00`"),
    (frozenset({"DRAIN", "REST", "NOTIFY"}), "an action such as `drain to 80 %`"),
    (frozenset({"LET", "RULE", "NEVER"}), "a statement: `use`, `let`, `group`, `rule`, `when`,"
     " `never` or `scenario`"),
    (frozenset({"URGENT", "AGAIN"}), "an option of this action, `;` or the end of the line"),
    (frozenset({"GIVEN", "AFTER"}), "a line of the scenario: `given`, `at` or `after`"),
    (frozenset({"PACK", "PACKS"}), "packs, such as `lipo packs` or `pack heron`"),
    (frozenset({"NAME", "FIGURE"}), "a number with its unit, or the name of a `let`"),
)  # fmt: skip
_SINGLE = {
    "_NL": "the end of the line", "NAME": "a name", "FIGURE": "a number", "STRING": 'a text in `"`',
    "CLOCK": "a clock time", "OP": "a comparison such as `>=`", "DASH": "`-`", "SIGNAL": "a signal",
}  # fmt: skip
_SILENT = frozenset({"AMPS", "BARS", "BANG", "RATE", "DEGREES", "PERCENT", "_INDENT", "_DEDENT",
                     "$END"})  # fmt: skip


def _shown(wanted: Iterable[str]) -> str:
    """What would fit, in a few words."""
    names = frozenset(wanted) - _SILENT
    for sign, text in _CLASSES:
        if sign <= names:
            return text
    if not names:
        return "nothing more"
    plain = [f"`{spelling(n)}`" for n in sorted(names) if n not in _SINGLE]
    classes = [_SINGLE[n] for n in sorted(names) if n in _SINGLE]
    together = [*plain, *classes]
    if len(together) > 6:
        together = [*together[:5], "others"]
    return together[0] if len(together) == 1 else ", ".join(together[:-1]) + f" or {together[-1]}"


def strange(sign: str, rest: str, span: Span, findings: Findings) -> None:
    """A character that begins no word; `rest` is what stands behind it in its row."""
    if sign in "\"'“„”«»‘’":
        width = 1 + len(rest.rstrip())
        at = Span(span.file, span.line, span.column, span.line, span.column + width).end
        findings.add(
            "unclosed-text", 'the text that begins here has no closing `"`', span,
            Mend('end it with `"` on the same line', '"' if sign == '"' else None, at=at),
        )  # fmt: skip
    elif sign == "." and rest[:1].isdigit():
        findings.add("strange-sign", "a number begins with a digit", span,
                     Mend("put `0` before the point", "0", at=span.start))  # fmt: skip
    else:
        shown = sign if sign.isprintable() else f"U+{ord(sign):04X}"
        findings.add("strange-sign", f"`{shown}` is no sign of the language", span,
                     Mend("leave it out", None if sign in "()[]{}" else ""))  # fmt: skip
