"""Slips of the pen and habits from elsewhere: how each is written here.

Knows words and what the grammar would take next. Does not know the parser or any meaning.
Two kinds: a *foreign sign* is a word of the grammar (so that reading goes on), and is only told;
a word that does not fit is replaced by a *guess*, or ends the reading of its statement.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Set
from dataclasses import replace

from carerules.domain.diagnostic import Mend, Span
from carerules.domain.frozen import guarded
from carerules.lang.findings import Findings, nearest
from carerules.lang.limits import DIGITS_MAX, NAME_CHARS_MAX, TEXT_CHARS_MAX
from carerules.lang.syntax import Word
from carerules.lang.words import keywords

# ---- foreign signs -----------------------------------------------------------------------------

_SIGNS = {
    "=>": ">=", "=<": "<=", "==": "=", "<>": "!=", "≥": ">=", "≤": "<=", "≠": "!=",
    "&&": "and", "&": "and", "||": "or", "|": "or", "!": "not",
    "–": "-", "—": "-", "℃": "°C", "℉": "°F",
}  # fmt: skip

_NUMBER = re.compile(rf"[+-]?\d{{1,{DIGITS_MAX}}}(\.\d{{1,{DIGITS_MAX}}})?")


def written_here(word: Word, findings: Findings, *, glued: tuple[bool, bool]) -> Word:
    """The word as this language spells it; a foreign sign is told, once each.

    `glued`: no blank stands before it, or behind it, so that a word in its place needs one.
    """
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
    left, right = (" " if side and sign.isalpha() else "" for side in glued)
    findings.add(
        "foreign-sign", f"found `{word.text}`, which is written `{sign}` here",
        word.span, Mend(f"write `{sign}`", f"{left}{sign}{right}", safe=True),
    )  # fmt: skip
    return word._replace(text=sign)


def _number(word: Word, findings: Findings) -> Word:
    text = word.text.replace("−", "-")
    if _NUMBER.fullmatch(text):
        return word._replace(text=text)
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
        return word._replace(text=point if _NUMBER.fullmatch(point) else "")
    else:
        findings.add(
            "number", f"a number has at most {DIGITS_MAX} digits on each side of the point",
            word.span, Mend("take a larger unit"),
        )  # fmt: skip
    return word._replace(text="")  # no number: whoever reads it knows that it is told


def no_number(word: Word, findings: Findings) -> Word:
    """In place of a number that is missing before a word: one whose lack is told."""
    findings.add(
        "missing-word", f"a number is missing before `{word.text}`", word.span,
        Mend("write the number with its unit, or the name of a `let`"),
    )  # fmt: skip
    start = Span(word.span.file, word.span.line, word.span.column, word.span.line, word.span.column)
    return Word("FIGURE", "", start)


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
    return word._replace(text=inner[:TEXT_CHARS_MAX])  # no more than that is looked at


# ---- guesses -----------------------------------------------------------------------------------


@guarded
class Guess:
    """Words to feed in place of the one that does not fit; `unsure`: the place where another may
    have been meant."""

    words: tuple[Word, ...]
    unsure: Span | None = None


# What people write for a word of this language, and the terminal it most likely stands for.
_HABITS: dict[str, tuple[str, ...]] = {word: tuple(meant.split()) for word, meant in {
    "if": "WHEN", "whenever": "WHEN", "then": "COLON", "do": "COLON", "discharge": "DRAIN",
    "empty": "DRAIN", "recharge": "CHARGE", "wait": "REST", "pause": "REST", "tell": "NOTIFY",
    "alert": "NOTIFY", "warn": "NOTIFY", "todo": "CHORE", "task": "CHORE", "isolate": "QUARANTINE",
    "until": "TO", "set": "LET", "define": "LET", "import": "USE", "include": "USE",
    "forbid": "NEVER", "above": "OP", "over": "OP ABOVE", "below": "OP", "under": "OP BELOW",
    "equals": "OP", "and": "SEMI COMMA", ",": "SEMI COLON", "=": "IS", ";": "COMMA", "past": "LAST",
    "battery": "PACK", "batteries": "PACKS", "max": "MOST", "reason": "BECAUSE", "turn": "SWITCH",
    "climbs": "RISES", "exceeds": "RISES", "drops": "FALLS", "sinks": "FALLS", "each": "EVERY",
    "test": "SCENARIO", "story": "SCENARIO", "suppose": "GIVEN", "on": "AT", "at": "ON",
    "not": "NO", "after": "FOR IN", "someone": "SOMEBODY", "none": "NOTHING", "from": "SINCE",
}.items()}  # fmt: skip
_COMPARED = {"above": ">", "over": ">", "below": "<", "under": "<", "equals": "="}

_PLAIN_SIGNS = {"COLON": ":", "SEMI": ";", "COMMA": ",", "LPAR": "(", "RPAR": ")", "PERCENT": "%"}
_INSERTED = ("COLON", "TO", "MOST", "WHEN", "IS", "OF", "WHERE", "ABOVE", "BELOW", "SAMPLES",
             "AGAIN", "EVERY", "LAST", "AT", "EXPECT", "COMMA", "AND")  # fmt: skip
_BEGIN_CONDITION = frozenset({
    "SIGNAL", "LPAR", "NOT", "TIME", "COUNT", "MAX", "MIN", "MEAN", "SLOPE", "NUMBER",
})  # fmt: skip


def spelling(terminal: str) -> str:
    """A terminal as the author writes it, for those that have one spelling."""
    return _PLAIN_SIGNS.get(terminal, terminal.lower())


def guess(
    word: Word,
    wanted: Set[str],
    before: Word | None,
    fits: Callable[[tuple[str, ...]], bool],
    findings: Findings,
    *,
    astray: bool = False,
) -> Guess | None:
    """What was most likely meant by a word that does not fit; told to `findings` if found.

    `astray`: it may not fit for the guess just before, so none is built on that.
    """
    lower = word.text.lower()
    if lower.upper() in keywords() & wanted and word.text != lower:
        findings.add(
            "letter-case", f"`{word.text}` is written in small letters here", word.span,
            Mend(f"write `{lower}`", lower, safe=True),
        )  # fmt: skip
        return Guess((word._replace(type=lower.upper(), text=lower),))
    if astray:
        return None
    habit = next((meant for meant in _HABITS.get(lower, ()) if meant in wanted), None)
    if habit is not None:
        said = _COMPARED[lower] if habit == "OP" else spelling(habit)
        return _instead(word, habit, said, findings)
    if word.type == "COLON" and wanted == {"_NL"}:
        findings.add("unexpected", "found `:`, wanted the end of the line", word.span,
                     Mend("leave it out", "", safe=True))  # fmt: skip
        return Guess(())
    near = nearest(word.text, (spelling(t) for t in keywords() & wanted))
    if near is not None and word.type == "NAME" and _alike(lower, near) and fits((near.upper(),)):
        return replace(_instead(word, near.upper(), near, findings), unsure=word.span)
    for missing in _INSERTED:
        if _guesswork(missing, word, before, wanted):
            continue
        if missing in wanted and fits((missing, word.type)):
            return _inserted(missing, spelling(missing), word, before, findings)
    if wanted == {"OP"} and fits(("OP", word.type)):
        return _inserted("OP", "=", word, before, findings)
    return None


def _alike(written: str, near: str) -> bool:
    """Whether fingers may have slipped: they seldom miss the beginning, `heron` is no `when`."""
    turned = sorted(written) == sorted(near)
    return written[0] == near[0] or turned or written == near[1:] or written[1:] == near


def _guesswork(missing: str, word: Word, before: Word | None, wanted: Set[str]) -> bool:
    """Whether to put this in would be more than a guess at one slip."""
    match missing:
        case "WHEN":
            return word.type not in _BEGIN_CONDITION  # anything could go on after `when`
        case "AND":  # a name may be anything misspelt, `min` a unit, `-06` the end of a time
            return word.type in ("NAME", "MIN") or word.text.startswith("-")
        case "OF":
            return _unit_place(word, before)
        case "COLON":  # `at 18:00 Sat` has its words in another order
            return word.type == "NAME" and before is not None and before.type == "CLOCK"
        case "LAST":
            return "AT" in wanted  # `in 3 of last 5 samples` lacks more than that
        case "AT":
            return "CELLS" not in wanted  # only in what is given of a pack
        case "COMMA":
            # `expect heron switch fan on` has another slip; a pack's signal needs its pack
            other = "LOAD" in wanted or word.text.startswith("pack.") or word.text == "a"
            return other or _unit_place(word, before)
        case "EXPECT":
            return word.type in ("NAME", "SIGNAL")  # which begin a change, too
        case _:
            return False


def _unit_place(word: Word, before: Word | None) -> bool:
    """Whether the word stands where a unit does, and is one that there is not."""
    return word.type == "NAME" and before is not None and before.type == "FIGURE"


def _instead(word: Word, terminal: str, said: str, findings: Findings) -> Guess:
    findings.add(
        "unknown-word", f"found `{word.text}`, wanted `{said}`", word.span,
        Mend(f"write `{said}`", said),
    )  # fmt: skip
    return Guess((word._replace(type=terminal, text=said),))


def _inserted(
    missing: str, said: str, word: Word, before: Word | None, findings: Findings
) -> Guess:
    at = word.span
    if word.type == "_NL" and before is not None:
        end = before.span
        at = Span(end.file, end.end_line, end.end_column, end.end_line, end.end_column + 1)
    shown = "the end of the line" if word.type == "_NL" else f"`{word.text}`"
    where = "at the end of the line" if word.type == "_NL" else "before it"
    if before is not None and (word.type == "_NL" or missing in ("COLON", "COMMA", "RPAR")):
        text, there = said if missing in _PLAIN_SIGNS else f" {said}", before.span.end
    else:
        text, there = f"{said} ", word.span.start
    findings.add(
        "missing-word", f"`{said}` is missing before {shown}", at,
        Mend(f"put `{said}` {where}", text, at=there),
    )  # fmt: skip
    return Guess((Word(missing, said, at), word), unsure=word.span)
