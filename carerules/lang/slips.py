"""Slips of the pen and habits from elsewhere: how each is written here.

Knows words and what the grammar would take next. Does not know the parser or any meaning.
Two kinds: a *foreign sign* is a word of the grammar (so that reading goes on), and is only told;
a word that does not fit is replaced by a *guess*, or ends the reading of its statement.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Set
from dataclasses import dataclass, replace

from carerules.domain.diagnostic import Mend, Span
from carerules.lang.findings import Findings, nearest
from carerules.lang.limits import DIGITS_MAX, NAME_CHARS_MAX, TEXT_CHARS_MAX
from carerules.lang.syntax import Word

# ---- foreign signs -----------------------------------------------------------------------------

_SIGNS = {
    "=>": ">=", "=<": "<=", "==": "=", "<>": "!=", "≥": ">=", "≤": "<=", "≠": "!=",
    "&&": "and", "&": "and", "||": "or", "|": "or", "!": "not",
    "–": "-", "—": "-", "℃": "°C", "℉": "°F",
}  # fmt: skip

_NUMBER = re.compile(rf"[+-]?\d{{1,{DIGITS_MAX}}}(\.\d{{1,{DIGITS_MAX}}})?")


def written_here(word: Word, findings: Findings) -> Word:
    """The word as this language spells it; a foreign sign is told, once each."""
    if word.type == "FIGURE":
        return _number(word, findings)
    if word.type == "STRING":
        return _text(word, findings)
    if word.type == "NAME" and len(word.text) > NAME_CHARS_MAX:
        findings.add(
            "too-long", f"a name has at most {NAME_CHARS_MAX} characters, this has"
            f" {len(word.text)}", word.span, Mend("find a shorter name"),
        )  # fmt: skip
    sign = _SIGNS.get(word.text)
    if sign is None:
        return word
    findings.add(
        "foreign-sign", f"found `{word.text}`, which is written `{sign}` here",
        word.span, Mend(f"write `{sign}`", sign, safe=True),
    )  # fmt: skip
    return replace(word, text=sign)


def _number(word: Word, findings: Findings) -> Word:
    text = word.text.replace("−", "-")
    if _NUMBER.fullmatch(text):
        return replace(word, text=text)
    if re.fullmatch(r"[+-]?\d+([.,]\d+)?", text) is None:
        findings.add(
            "number", f"`{word.text[:40]}` has more than one point or comma", word.span,
            Mend("write digits and at most one point, such as `1250.5`"),
        )  # fmt: skip
    elif "," in text:
        point = text.replace(",", ".")
        findings.add(
            "foreign-sign", f"found `{word.text[:40]}`, and a decimal point is written `.` here",
            word.span, Mend(f"write `{point[:40]}`", point, safe=True),
        )  # fmt: skip
        return replace(word, text=point if _NUMBER.fullmatch(point) else "")
    else:
        findings.add(
            "number", f"a number has at most {DIGITS_MAX} digits on each side of the point",
            word.span, Mend("take a larger unit"),
        )  # fmt: skip
    return replace(word, text="")  # no number: whoever reads it knows that it is told


def _text(word: Word, findings: Findings) -> Word:
    inner = word.text[1:-1]
    if word.text[0] != '"' or word.text[-1] != '"':
        findings.add(
            "foreign-sign", 'a text stands between two straight `"`', word.span,
            Mend('write `"` before and after it', f'"{inner}"', safe=True),
        )  # fmt: skip
    if len(inner) > TEXT_CHARS_MAX:
        findings.add(
            "too-long", f"a text has at most {TEXT_CHARS_MAX} characters, this has {len(inner)}",
            word.span, Mend("say it in fewer words"),
        )  # fmt: skip
    return replace(word, text=inner[:TEXT_CHARS_MAX])  # no more than that is looked at


# ---- guesses -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Guess:
    """Words to feed in place of the one that does not fit."""

    words: tuple[Word, ...]


# What people write for a word of this language, and the terminal it most likely stands for.
_HABITS = {
    "if": "WHEN", "whenever": "WHEN", "then": "COLON", "do": "COLON", "discharge": "DRAIN",
    "empty": "DRAIN", "recharge": "CHARGE", "wait": "REST", "pause": "REST", "tell": "NOTIFY",
    "alert": "NOTIFY", "warn": "NOTIFY", "todo": "CHORE", "task": "CHORE", "isolate": "QUARANTINE",
    "until": "TO", "set": "LET", "define": "LET", "import": "USE", "include": "USE",
    "forbid": "NEVER", "above": "OP", "over": "OP", "below": "OP", "under": "OP", "equals": "OP",
    "and": "SEMI", ",": "SEMI", "past": "LAST", "battery": "PACK", "batteries": "PACKS",
    "max": "MOST", "reason": "BECAUSE",
}  # fmt: skip
_COMPARED = {"above": ">", "over": ">", "below": "<", "under": "<", "equals": "="}

_PLAIN_SIGNS = {"COLON": ":", "SEMI": ";", "COMMA": ",", "LPAR": "(", "RPAR": ")", "PERCENT": "%"}
_INSERTED = ("COLON", "TO", "MOST", "WHEN", "IS", "COMMA", "AND")
_BEGIN_CONDITION = frozenset({"SIGNAL", "LPAR", "NOT", "TIME", "COUNT"})


def spelling(terminal: str) -> str:
    """A terminal as the author writes it, for those that have one spelling."""
    return _PLAIN_SIGNS.get(terminal, terminal.lower())


def guess(
    word: Word,
    wanted: Set[str],
    before: Word | None,
    keywords: Set[str],
    fits: Callable[[tuple[str, ...]], bool],
    findings: Findings,
) -> Guess | None:
    """What was most likely meant by a word that does not fit; told to `findings` if found."""
    lower = word.text.lower()
    if lower.upper() in keywords & wanted and word.text != lower:
        findings.add(
            "letter-case", f"`{word.text}` is written in small letters here", word.span,
            Mend(f"write `{lower}`", lower, safe=True),
        )  # fmt: skip
        return Guess((replace(word, type=lower.upper(), text=lower),))
    if (habit := _HABITS.get(lower)) in wanted and habit is not None:
        said = _COMPARED.get(lower, spelling(habit))
        return _instead(word, habit, said, findings)
    near = nearest(word.text, (spelling(t) for t in keywords & wanted))
    if near is not None and word.type == "NAME" and fits((near.upper(),)):
        return _instead(word, near.upper(), near, findings)
    for missing in _INSERTED:
        if missing == "WHEN" and word.type not in _BEGIN_CONDITION:
            continue  # anything could go on after `when`
        if missing == "AND" and word.type == "NAME":
            continue  # a name could be anything misspelt
        if missing in wanted and fits((missing, word.type)):
            return _inserted(missing, spelling(missing), word, before, findings)
    if wanted == {"OP"} and fits(("OP", word.type)):
        return _inserted("OP", "=", word, before, findings)
    return None


def _instead(word: Word, terminal: str, said: str, findings: Findings) -> Guess:
    findings.add(
        "unknown-word", f"found `{word.text}`, wanted `{said}`", word.span,
        Mend(f"write `{said}`", said),
    )  # fmt: skip
    return Guess((replace(word, type=terminal, text=said),))


def _inserted(
    missing: str, said: str, word: Word, before: Word | None, findings: Findings
) -> Guess:
    at = word.span
    if word.type == "_NL" and before is not None:
        end = before.span
        at = Span(end.file, end.end_line, end.end_column, end.end_line, end.end_column + 1)
    shown = "the end of the line" if word.type == "_NL" else f"`{word.text}`"
    where = "at the end of the line" if word.type == "_NL" else "before it"
    findings.add(
        "missing-word", f"`{said}` is missing before {shown}", at, Mend(f"put `{said}` {where}")
    )
    return Guess((Word(missing, said, at), word))


# ---- words that fit nowhere ---------------------------------------------------------------------

# Known constructs that this version does not read yet, by the word that gives them away.
_LATER_WORDS = {
    "rises": "`rises above`", "falls": "`falls below`", "again": "`again every`",
    "hold": "`hold`", "switch": "`switch`", "number": "`number of packs where`",
    "slope": "`slope of`", "mean": "`mean of`", "min": "`min of`", "max": "`max of`",
    "at": "`at` with a clock time",
}  # fmt: skip


def later(word: Word, before: Word | None, wanted: Set[str]) -> str | None:
    """The construct of a later version that this word belongs to."""
    previous = before.text if before is not None else ""
    if before is not None and before.text == "at" and word.type == "CLOCK":
        return _LATER_WORDS["at"]
    if word.text == "of" and previous in ("slope", "mean", "min", "max", "number"):
        return _LATER_WORDS[previous]
    if before is not None and before.type == "BY" and word.type == "CLOCK":
        return "`by` with a clock time"
    if before is not None and before.type == "IN" and word.text == "at":
        return "`in at least M of last N samples`"
    if word.text == "to" and "URGENT" in wanted:
        return "`notify` with a channel"
    return _LATER_WORDS.get(word.text) if word.text in ("rises", "falls", "again", "hold",
                                                        "switch") else None  # fmt: skip


def unexpected(word: Word, wanted: Set[str], before: Word | None, findings: Findings) -> None:
    """Say that the word does not fit, and what would."""
    if (construct := later(word, before, wanted)) is not None:
        at = before.span if word.text == "of" and before is not None else word.span
        findings.add(
            "not-there-yet", f"{construct} is not there yet", at,
            Mend("leave it out; docs/language.md lists what is there"),
        )  # fmt: skip
        return
    if wanted <= {"_INDENT"} and before is not None:
        message = "after `:` the actions stand on lines that are indented further"
        if before.text != ":":
            message = "below the head of a rule `when` and the actions stand on indented lines"
        findings.add(
            "indentation", message, before.span,
            Mend("put four spaces before each line that belongs to the rule"),
        )  # fmt: skip
        return
    if word.type in ("_NL", "$END", "_DEDENT"):
        at, found = before.span if before is not None else word.span, "the end of the line"
        at = Span(at.file, at.end_line, at.end_column, at.end_line, at.end_column + 1)
    else:
        at, found = word.span, "a text" if word.type == "STRING" else f"`{word.text[:40]}`"
    findings.add(
        "unexpected", f"found {found}, wanted {_shown(wanted)}", at, _hint(word, before, wanted)
    )


def _hint(word: Word, before: Word | None, wanted: Set[str]) -> Mend | None:
    if wanted == {"PACKS"} and before is not None:
        return Mend(f"write `pack {before.text}` for one pack, `{before.text} packs` for a kind")
    if {"RULE", "LET", "NEVER"} <= wanted and word.type in ("ON", "OVER", "BECAUSE"):
        return Mend("a rule with a head has a name: `rule NAME on ... when ...`")
    if wanted == {"CLOCK"}:
        return Mend("write the time as `22:00`")
    if wanted == {"STRING"} and word.type == "NAME":
        return Mend(f'write `"{word.text}"`', f'"{word.text}"')
    if {"WHEN", "OVER"} <= wanted and word.type == "NAME" and before is not None:
        if before.text in ("on", "over", "because"):
            return Mend(f"put a name before `{before.text}`")
        return Mend(f"a name is one word, such as `{before.text}-{word.text}`")
    if before is not None and before.type == "IS":
        return Mend("leave `is` out to compare, and put `not` before the whole to turn it round")
    if word.text == "than":
        return Mend("`for 24 h` already means that long or longer")
    return None


_CLASSES: tuple[tuple[frozenset[str], str], ...] = (
    (frozenset({"LPAR", "NOT", "SIGNAL"}), "a condition such as `pack.soc >= 95 %`"),
    (frozenset({"LPAR", "NOT", "CHEMISTRY"}), "a filter such as `chemistry is lipo`"),
    (frozenset({"SIGNAL"}), "a value such as `pack.soc` or `95 %`"),
    (frozenset({"DRAIN", "REST", "NOTIFY"}), "an action such as `drain to 80 %`"),
    (frozenset({"LET", "RULE", "NEVER"}), "a statement: `use`, `let`, `group`, `rule`, `when`"
     " or `never`"),
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


def strange(sign: str, after: str, span: Span, findings: Findings) -> None:
    """A character that begins no word."""
    if sign in "\"'“„”«»‘’":
        findings.add(
            "unclosed-text", 'the text that begins here has no closing `"`', span,
            Mend('end it with `"` on the same line'),
        )  # fmt: skip
    elif sign == "." and after[:1].isdigit():
        findings.add("strange-sign", "a number begins with a digit", span,
                     Mend("put `0` before the point"))  # fmt: skip
    else:
        shown = sign if sign.isprintable() else f"U+{ord(sign):04X}"
        findings.add("strange-sign", f"`{shown}` is no sign of the language", span,
                     Mend("leave it out"))  # fmt: skip
