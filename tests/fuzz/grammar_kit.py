"""Random rule files that follow the grammar, word for word: `care.lark` itself is walked.

Most of what comes out reads; little of it means anything. That is the point: it gets past the
parser and into everything behind it.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

from lark import Lark
from lark.grammar import Terminal
from lark.lexer import PatternStr

import carerules.lang
from carerules.domain.quantity import SPELLINGS, UNITS
from carerules.domain.signal import catalogue

GRAMMAR = (Path(carerules.lang.__file__).parent / "care.lark").read_text(encoding="utf-8")
LARK = Lark(GRAMMAR, parser="lalr", maybe_placeholders=False)

# What may stand for words that are no keyword: mostly known names, so that meaning is tried too.
WORDS: dict[str, list[str]] = {
    "NAME": ["heron", "egret", "lipo", "lifepo4", "smart", "boat", "phone", "full", "storage",
             "use",
             "charge", "calibration", "swelling", "sat", "sun", "monday", "tomorrow", "x", "é",
             *(unit for unit in (*UNITS, *SPELLINGS) if unit.isalpha())],
    "SIGNAL": [*catalogue(), "pack.sock", "site.gate", "a.b.c"],
    "FIGURE": ["0", "1", "3", "5", "24", "80", "95", "100", "3.7", "0.5", "-5", "1e", "999999999",
               "1.000000001", "9999999999"],
    "STRING": ['"lipo"', '"a {pack}"', '"{pack.soc} now"', '"{nothing}"', '"{"', '""', '"smart"',
               "“so”"],
    "CLOCK": ["06:00", "22:00", "00:00", "24:00", "23:59", "25:61"],
    "OP": [">", ">=", "<", "<=", "=", "!=", "=>", "≥"],
    "RATE": ["mV/d", "%/h", "°C/min", "V/s"],
    "DEGREES": ["°C", "°F", "°", "℃"],
    "AMPS": ["&&", "&"], "BARS": ["||", "|"], "DASH": ["-", "–"],
}  # fmt: skip
LAYOUT = {"_NL", "_INDENT", "_DEDENT"}
PATTERNS = {one.name: one.pattern for one in LARK.terminals}
RULES: dict[str, list[list[tuple[str, bool]]]] = {}
for _rule in LARK.rules:
    _symbols = [(symbol.name, isinstance(symbol, Terminal)) for symbol in _rule.expansion]
    RULES.setdefault(_rule.origin.name, []).append(_symbols)


def _least_depths() -> dict[str, int]:
    depths: dict[str, int] = {}
    while len(depths) < len(RULES):
        for name, expansions in RULES.items():
            known = [1 + max([0, *(0 if last else depths[sub] for sub, last in one)])
                     for one in expansions
                     if all(last or sub in depths for sub, last in one)]  # fmt: skip
            if known and min(known) < depths.get(name, 99):
                depths[name] = min(known)
    return depths


LEAST = _least_depths()


def statement(chance: Random, depth: int) -> str:
    """One statement of the language, laid out."""
    words: list[str] = []
    _walk("start", chance, depth, words)
    lines, indent = [[]], 0  # type: list[list[str]], int
    for word in words:
        if word == "_NL":
            lines.append([])
        elif word == "_INDENT":
            indent += 1
        elif word == "_DEDENT":
            indent -= 1
        else:
            if not lines[-1]:
                lines[-1].append("    " * indent)
            lines[-1].append(word)
    return "\n".join(line[0] + " ".join(line[1:]) for line in lines if line) + "\n"


def _walk(name: str, chance: Random, depth: int, words: list[str]) -> None:
    expansions = RULES[name]
    if depth <= 0:
        costs = [max([0, *(LEAST[sub] for sub, last in one if not last)]) for one in expansions]
        expansions = [
            one for one, cost in zip(expansions, costs, strict=True) if cost == min(costs)
        ]
    for symbol, last in chance.choice(expansions):
        if not last:
            _walk(symbol, chance, depth - 1, words)
        elif symbol in LAYOUT:
            words.append(symbol)
        elif symbol in WORDS:
            words.append(chance.choice(WORDS[symbol]))
        else:
            pattern = PATTERNS[symbol]
            assert isinstance(pattern, PatternStr), f"say in WORDS what may stand for {symbol}"
            words.append(pattern.value)


def rule_file(number: int) -> str:
    """A file of a few statements, some of them with a slip in it."""
    chance = Random(number)
    text = "".join(statement(chance, chance.randint(4, 14)) for _ in range(chance.randint(1, 5)))
    for _ in range(chance.choice([0, 0, 0, 1, 2])):
        place = chance.randrange(len(text))
        text = (
            text[:place]
            + chance.choice(["", " ", "\n", ":", "(", '"', "#", "9"])
            + text[place + chance.randint(0, 2) :]
        )
    return text


# ---- files that mean something ---------------------------------------------------------------

TRUTHS = [
    "pack.soc >= 95", "pack.soc < 30 %", "pack.temperature > 40 °C", "pack.cell.spread > 30 mV",
    "pack.temperature between 5 °C and 20 °C", "time until use > 2 d", "time since use > 30 d",
    "count charge in last 7 d >= 3", "count charge since calibration >= 20", "pack.rested > 20 min",
    "slope of pack.cell.spread over 30 d > 1 mV/d", "slope of pack.soc over 1 h < 0 %/h",
    "max of pack.temperature over 1 h > 40 °C", "mean of pack.temperature over 1 min < 30 °C",
    "min of pack.soc over 7 d > 60", "pack.soc rises above 90 %",
    "pack.temperature falls below 4 °C",
    "during 22:00-06:00", "on sat, sun", "at 07:00", "site.smoke is on", "site.temperature > 30 °C",
    "number of packs where (pack.soc > 90) >= 2", "pack.cell.max > pack.cell.min",
    "pack.temperature > 40 °C in at least 3 of last 5 samples", "station.load.power > 50 W",
]  # fmt: skip
DOINGS = [
    'notify "{pack} is at {pack.soc}"', 'notify "hot" urgent', "drain to 40",
    "drain to 55 at most 60 W",
    "charge to 90", "rest 30 min", "mark calibration", 'chore "look at {pack}"', "quarantine",
    'ask "go on?" within 1 h', "hold 2 h", 'retire because "old"', "charge to 80 by use",
]  # fmt: skip
TIMES = ["1 s", "90 s", "10 min", "20 min", "1 h", "24 h", "7 d"]


def _truth(chance: Random, depth: int) -> str:
    kind = chance.choice(["one", "one", "for", "last", "and", "or", "not"]) if depth else "one"
    if kind == "one":
        return chance.choice(TRUTHS)
    inner = f"({_truth(chance, depth - 1)})"
    if kind == "not":
        return f"not {inner}"
    if kind in ("for", "last"):
        return f"{inner} {'for' if kind == 'for' else 'in last'} {chance.choice(TIMES)}"
    return f"{inner} {kind} ({_truth(chance, depth - 1)})"


def sound_file(number: int) -> str:
    """A few rules and interlocks whose words fit together; most load, and can be run."""
    chance = Random(number)
    text = ""
    for place in range(chance.randint(1, 4)):
        if chance.random() < 0.3:
            text += f"never {chance.choice(['charge', 'drain'])} when {_truth(chance, 2)}\n"
            continue
        doings = [chance.choice(DOINGS) for _ in range(chance.randint(1, 3))]
        if chance.random() < 0.2:
            doings.append(f"{chance.choice(['rearm', 'stop'])} when {_truth(chance, 1)}")
        text += f"rule r{place}\n    when {_truth(chance, 3)}:\n"
        text += "".join(f"        {doing}\n" for doing in doings)
    return text
