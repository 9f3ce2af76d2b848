"""Random rule files, made from the kinds of a plan, and written down as untidily as may be.

Each comment is one of a kind, so that a test can see that it survived, and how often.
"""

import re

from hypothesis import strategies as st

from carerules.domain.action import DayWindow
from carerules.domain.condition import (
    And,
    Between,
    Compare,
    Condition,
    CountIn,
    CountSince,
    Crosses,
    During,
    For,
    InLast,
    InSamples,
    Not,
    NumberOfPacks,
    OnDays,
    Or,
    OverWindow,
    SignalValue,
    TimeSince,
    TimeUntilUse,
)
from carerules.domain.moment import DAY, HOUR, MINUTE
from carerules.domain.quantity import COUNT, DURATION, SWITCH, Quantity
from carerules.domain.signal import catalogue
from carerules.domain.wording import wording

_CATALOGUE = catalogue()


def _signal(name: str) -> SignalValue:
    return SignalValue(name, _CATALOGUE[name].dimension)


def _of(name: str, value: float) -> Quantity:
    return Quantity(value, _CATALOGUE[name].dimension)


LEAVES: list[Condition] = [
    Compare(_signal("pack.soc"), ">=", _of("pack.soc", 95)),
    Between(_signal("pack.temperature"), _of("pack.temperature", -5.5),
            _of("pack.temperature", 45)),
    Compare(_signal("pack.cell.spread"), ">", _of("pack.cell.spread", 0.03)),
    Compare(_signal("pack.resistance"), "<", _of("pack.resistance", 12)),
    Compare(SignalValue("site.smoke", SWITCH), "=", Quantity(1.0, SWITCH)),
    Compare(TimeSince("inspection"), "<", Quantity(float(90 * DAY), DURATION)),
    Compare(TimeUntilUse(), "!=", Quantity(float(2 * DAY + 5 * HOUR), DURATION)),
    Compare(CountSince("charge", "calibration"), ">=", Quantity(20.0, COUNT)),
    Compare(CountIn("drain", 7 * DAY), "=", Quantity(3.0, COUNT)),
    Compare(_signal("pack.cell.max"), ">", _signal("pack.cell.min")),
    During(DayWindow(22 * 60, 6 * 60 + 5)),
    During(DayWindow(8 * 60, 8 * 60 + 1)),
    OnDays((0, 5, 6)),
    Crosses(_signal("pack.power"), _of("pack.power", 60), up=True),
    InSamples(Compare(_signal("pack.current"), ">", _of("pack.current", 2)), 3, 5),
    Compare(OverWindow("slope", _signal("pack.voltage"), 30 * DAY), ">",
            Quantity(0.001, _CATALOGUE["pack.voltage"].dimension.rate())),
    Compare(OverWindow("mean", _signal("site.temperature"), 2 * HOUR), ">",
            _of("site.temperature", 25)),
    Compare(NumberOfPacks(Compare(_signal("pack.health"), "<", _of("pack.health", 80))), ">",
            Quantity(3.0, COUNT)),
]  # fmt: skip


@st.composite
def conditions(draw: st.DrawFn) -> str:
    """A condition, worded. Each leaf at most once, so that no two parts contradict one another."""
    parts = draw(st.lists(st.sampled_from(LEAVES), min_size=1, max_size=6, unique=True))
    while True:
        at = draw(st.integers(0, len(parts) - 1))
        match draw(st.sampled_from(["not", "for", "in last", "and", "or", "and", "or"])):
            case "not" if not isinstance(parts[at], Not):
                parts[at] = Not(parts[at])
            case "for":
                parts[at] = For(parts[at], draw(st.integers(1, 120)) * MINUTE)
            case "in last":
                parts[at] = InLast(parts[at], draw(st.integers(1, 120)) * MINUTE)
            case ("and" | "or") as kind if at + 1 < len(parts):
                join = And if kind == "and" else Or
                flat = [p for part in parts[at : at + 2]
                        for p in (part.parts if isinstance(part, join) else (part,))]  # fmt: skip
                parts[at : at + 2] = [join(tuple(flat))]
            case _:
                pass
        if len(parts) == 1:
            return wording(parts[0])


SELECTORS = [
    "packs", "pack heron", "lipo packs", "packs where role is boat",
    'smart packs where (cells = 4 or capacity > 2.5 Ah) and not tagged "old; (worn"',
]  # fmt: skip
ACTIONS = [
    "drain to 8 %", "drain to 20 % at most 60 W during 22:00-06:00", "charge to 100 % by use",
    'rest 30 min', 'ask "charge {pack}?" within 1 h 30 min', 'notify "see: # (no note); {pack}"',
    'notify "smoke" urgent', 'chore "look at {pack}"', "mark inspection", "quarantine", "retire",
    'retire because "old"', "hold 2 h", "switch load on for 30 min", "switch charger off",
    "charge to 100 % by 07:00 at most 0.5 C", 'notify "worn" to phone',
]  # fmt: skip


SCENES = [
    "given pack heron is lipo cells 6 capacity 16 Ah at 100 % since Fri 18:00",
    "given use on Mon 09:00 of heron", "given site.smoke is off, somebody present",
    "at Sat 17:59: expect nothing", "at Sun 08:00: heron used, heron pack.soc = 70 %",
    "after 7 d: expect nothing of heron",
]  # fmt: skip


# ---- untidy ------------------------------------------------------------------------------------

_BLANKS = st.sampled_from([" ", " ", "  ", "   ", "\u00a0"])
_UNITS = "%|V|mV|A|Ah|W|mΩ|°C|h|min|d|s"
_SPELLED = {"°C": "degC", "mΩ": "mohm", "min": "minutes", " h": " hours", " d": " days"}


class Untidy:
    """Writes the lines of a program with blanks, comments and empty rows that mean nothing."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.notes = 0

    def chance(self, of: int) -> bool:
        return self.draw(st.integers(1, of)) == 1

    def note(self) -> str:
        self.notes += 1
        return f'#{self.draw(st.sampled_from(["", " ", "  "]))}note {self.notes} " ({{;:'

    def loose(self, text: str, margin: str) -> str:
        """The words of one line, further apart or closer together; texts in quotes stay."""
        pieces = re.split(r'("[^"]*")', text)
        out, deep = "", 0
        for piece in pieces:
            if piece.startswith('"'):
                out += piece
                continue
            for word in re.split(r"( )", self._spelled(piece)):
                deep += word.count("(") - word.count(")")
                if word != " ":
                    out += word
                elif deep > 0 and self.chance(4):
                    out += f" {self.note()}\n{margin}   " if self.chance(3) else f"\n{margin} "
                else:
                    out += self.draw(_BLANKS)
        return out

    def _spelled(self, text: str) -> str:
        if self.chance(2):
            text = re.sub(r" (>=|<=|!=|[<>=]) ", r"\1", text)
        if self.chance(2):
            text = re.sub(rf"(\d) ({_UNITS})(?!\w)", r"\1\2", text)
        if self.chance(2):
            text = re.sub(r"(?<=[ >=<])(\d+)(?= ?(%|°C|mΩ|W|V|Ah))", r"0\1.0", text)
        if self.chance(2):
            for plain, other in _SPELLED.items():
                text = re.sub(rf"(?<=\d){plain}\b|(?<=\d ){plain.strip()}\b", other, text)
        return text

    def between(self, margin: str) -> str:
        """Empty rows and comments between two lines."""
        rows = ""
        for _ in range(self.draw(st.sampled_from([0, 0, 0, 1, 2, 4]))):
            rows += f"{margin}{self.note()}\n" if self.chance(2) else self.draw(_BLANKS) + "\n"
        return rows

    def line(self, text: str, margin: str) -> str:
        """One line with its end, and what follows it."""
        row = margin + self.loose(text, margin)
        if self.chance(4):
            row += self.draw(st.sampled_from(["", " ", "      "]))
            column = len(row.split("\n")[-1])
            row += self.note()
            if self.chance(3):
                row += "\n" + " " * column + self.note()
        return row + self.draw(st.sampled_from(["", "", " "])) + "\n"


@st.composite
def programs(draw: st.DrawFn) -> tuple[str, int]:
    """A file that has no error, and how many comments are in it."""
    untidy = Untidy(draw)
    out = untidy.between("")
    for number in range(draw(st.integers(1, 5))):
        kind = draw(st.sampled_from(["let", "never", "group", "bare", "rule", "rule", "rule"]))
        name = draw(st.sampled_from(["a", "full-too-long", "x" * 24])) + f"-{number}"
        if kind == "let":
            out += untidy.line(f"let {name} = {draw(st.integers(1, 99))} %", "")
        elif kind == "group":
            out += untidy.line(f"group {name}: {draw(st.sampled_from(SELECTORS[2:]))}", "")
        elif kind == "never":
            on = draw(st.sampled_from(["", f"on {SELECTORS[3]} "]))
            out += untidy.line(f"never drain {on}when {draw(conditions())}", "")
        else:
            out += _rule(draw, untidy, "" if kind == "bare" else name)
        out += untidy.between(draw(st.sampled_from(["", "", "  "])))
    if draw(st.integers(1, 4)) == 1:
        margin = " " * draw(st.sampled_from([1, 2, 4]))
        out += untidy.line('scenario "a: (week; # x"', "")
        for scene in SCENES:
            out += untidy.between(margin) + untidy.line(scene, margin)
        out += untidy.line("after 8 d:", margin)
        out += untidy.line("heron charged, expect nothing", margin * 2)
    if draw(st.booleans()):
        out = out.replace("\n", "\r\n")
    return out, untidy.notes


def _rule(draw: st.DrawFn, untidy: Untidy, name: str) -> str:
    step = " " * draw(st.sampled_from([1, 2, 4, 7]))
    when = f"when {draw(conditions())}:"
    actions = draw(st.lists(st.sampled_from(ACTIONS), min_size=1, max_size=4))
    if draw(st.booleans()):
        actions.append(f"stop when {draw(conditions())}")
    clauses = draw(st.permutations([
        f"on {draw(st.sampled_from(SELECTORS))}", 'because "it: ages; (soon) # ever"'
    ]))[: draw(st.integers(0, 2))] if name else []  # fmt: skip
    shape = draw(st.sampled_from(["one row", "head in a row", "block"]))
    head = " ".join(["rule", name, *clauses]) if name else ""
    if shape == "one row":
        text = f"{head} {when} {' ; '.join(actions)}".strip()
        return untidy.line(text, "")
    if shape == "head in a row" or not name:
        return untidy.line(f"{head} {when}".strip(), "") + _body(draw, untidy, actions, step)
    out = untidy.line(" ".join(["rule", name, *clauses[1:]]), "") + untidy.between(step)
    for clause in clauses[:1]:
        out += untidy.line(clause, step) + untidy.between(step)
    if draw(st.booleans()):
        return out + untidy.line(f"{when} {'; '.join(actions)}", step)
    return out + untidy.line(when, step) + _body(draw, untidy, actions, step * 2)


def _body(draw: st.DrawFn, untidy: Untidy, actions: list[str], margin: str) -> str:
    out = ""
    while actions:
        count = draw(st.integers(1, len(actions)))
        out += untidy.between(margin) + untidy.line("; ".join(actions[:count]), margin)
        actions = actions[count:]
    return out
