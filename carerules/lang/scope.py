"""What the names in one file stand for, and how amounts are read there.

Knows lets, groups, events, signals and units. Does not know conditions or actions.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from carerules.domain.diagnostic import Mend
from carerules.domain.frozen import guarded
from carerules.domain.moment import Duration
from carerules.domain.quantity import (
    C_RATE,
    CHARGE_LEVEL,
    COUNT,
    CURRENT,
    DURATION,
    SPELLINGS,
    TEMPERATURE,
    UNITS,
    Dimension,
    Quantity,
    unit_named,
)
from carerules.domain.selector import Selector
from carerules.domain.signal import Catalogue
from carerules.lang.findings import Findings, nearest, try_name
from carerules.lang.syntax import AmountNode, NumberNode, ReferenceNode, Word


@guarded
class Names:
    """What a site knows; None: unknown, and nothing is complained of."""

    packs: frozenset[str] | None = None
    chemistries: frozenset[str] | None = None
    tags: frozenset[str] | None = None
    roles: frozenset[str] | None = None
    channels: frozenset[str] | None = None


@dataclass(slots=True)
class Scope:
    """The names of one file. A value of None stands for one whose own slip is already told.

    `lets` holds a bare number as a count. `used` gathers the lets and groups that were asked for.
    `taken_in`: the file is written for any site, and may speak of kinds that this one has not.
    `counting`: inside `number of packs where (...)`. `bare_lets`: what stands behind those `let`s
    that have no unit; `told_bare`: those of them that are told.
    """

    catalogue: Catalogue
    names: Names
    events: frozenset[str]
    findings: Findings
    lets: dict[str, Quantity | None] = field(default_factory=dict)
    groups: dict[str, Selector | None] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)
    bare_lets: dict[str, NumberNode] = field(default_factory=dict)
    told_bare: set[str] = field(default_factory=set)
    taken_in: bool = False
    counting: bool = False

    # ---- amounts -----------------------------------------------------------------------------

    def amount(self, node: AmountNode, wanted: Dimension, of: str) -> Quantity | None:
        """The amount in the wanted dimension; a bare number takes its base unit if that is obvious.

        `of` names what is measured, as the message says it. None: told to the findings.
        """
        got = self.free_amount(node)
        if got is None:
            return None
        if bare(node) and wanted not in (COUNT, DURATION, C_RATE) and not wanted.per_day:
            if wanted == CHARGE_LEVEL and 0 < got.value < 1 and of not in _POINTS:
                self._part_of_one(node, got.value, of)
                return None
            return Quantity(got.value, wanted)
        if got.dimension != wanted:
            self.mismatch(node, got, wanted, of)
            return None
        return got

    def free_amount(self, node: AmountNode) -> Quantity | None:
        """The amount as it stands; a bare number is a count."""
        if isinstance(node, NumberNode):
            return self._number(node)
        name = node.name.text
        if name in self.lets:
            self.used.add(name)
            return self.lets[name]
        self.unknown_name(node.name)
        return None

    def duration(self, node: AmountNode, of: str) -> Duration | None:
        """The amount as a time longer than none, in whole milliseconds."""
        got = self.amount(node, DURATION, of)
        if got is None:
            return None
        if got.value < 1:
            self.findings.add(
                "no-time", f"{of} lasts longer than no time, got `{written(node)}`", node.span,
                Mend("write a time above 0, such as `20 min`"),
            )  # fmt: skip
            return None
        return round(got.value)

    def mismatch(self, node: AmountNode, got: Quantity, wanted: Dimension, of: str) -> None:
        """Two dimensions that do not compare: both are shown."""
        is_what = {DURATION: "is a time", COUNT: "is a count"}.get(
            wanted, f"is measured in {wanted.unit}"
        )
        if isinstance(node, ReferenceNode):
            name = node.name.text
            if got.dimension == COUNT:
                self._bare_let(node, got, wanted, f"{of} {is_what}")
                return
            self.findings.add(
                "unit-mismatch", f"{of} {is_what}, and `{name}` is {got.show()}", node.span,
                Mend(f"give `let {name}` the unit that is meant, or name another"),
            )  # fmt: skip
            return
        unit = node.pieces[0][1]
        if unit is None:
            self.findings.add(
                "missing-unit", f"{of} {is_what}, and `{written(node)}` has no unit", node.span,
                _with_unit(written(node), wanted),
            )  # fmt: skip
            return
        mend = Mend(f"write it in {wanted.unit}")
        if of == "`pack.capacity`" and got.dimension == CHARGE_LEVEL:
            mend = Mend("write it in Ah, or ask for its share of the label: `pack.health`")
        if wanted == DURATION:
            mend = Mend("write a time, such as `20 min`")
        elif wanted == COUNT:
            mend = Mend("write the number alone", "")
        elif (wanted, got.dimension) == (TEMPERATURE, C_RATE):
            mend = Mend("write `°C`; `C` is a rate of charge", "°C", safe=True)
        elif (wanted, got.dimension) == (C_RATE, CURRENT):
            mend = Mend("it is the current over the capacity: 2 A into 4 Ah are `0.5 C`")
        self.findings.add("unit-mismatch", f"{of} {is_what}, got `{unit.text}`", unit.span, mend)

    def _part_of_one(self, node: AmountNode, part: float, of: str) -> None:
        """A share that may be meant as a part of one: a drain to 0.8 would be one to nothing."""
        percent = f"{rounded(100 * part):g} %"
        self.findings.add(
            "missing-unit", f"{of} is measured in %, and `{written(node)}` may be {percent} or"
            f" {written(node)} %", node.span,
            Mend(f"write `{percent}`, or `{written(node)} %` if so little is meant", percent),
        )  # fmt: skip

    def _bare_let(self, node: ReferenceNode, got: Quantity, wanted: Dimension, what: str) -> None:
        """A `let` without a unit where one is wanted: told where the number stands, and once."""
        name = node.name.text
        if (given := self.bare_lets.get(name)) is None:
            self.findings.add(
                "missing-unit", f"{what}, and `{name}` is the bare number {got.show()}", node.span,
                Mend(f"give `let {name}` the unit that is meant, or name another"),
            )  # fmt: skip
        elif name not in self.told_bare:
            self.told_bare.add(name)
            self.findings.add(
                "missing-unit", f"{what}, and `{name}` has no unit", given.span,
                _with_unit(written(given), wanted), (f"`{name}` is used here", node.span),
            )  # fmt: skip

    def _number(self, node: NumberNode) -> Quantity | None:
        total, dimension, smallest = 0.0, COUNT, float("inf")
        for number, written_unit in node.pieces:
            if not number.text:
                return None
            if written_unit is None:
                return Quantity(rounded(float(number.text)), COUNT)
            unit = unit_named(written_unit.text)
            if unit is None:
                self._unknown_unit(written_unit)
                return None
            if smallest < float("inf") and (dimension != DURATION or unit.dimension != DURATION
                          or unit.factor >= smallest):  # fmt: skip
                self.findings.add(
                    "unit-mismatch", f"`{number.text} {written_unit.text}` does not go on from"
                    " the number before it", number.span, _largest_first(node),
                )  # fmt: skip
                return None
            total += float(number.text) * unit.factor + unit.offset
            dimension, smallest = unit.dimension, unit.factor
        return Quantity(float(round(total)) if dimension == DURATION else rounded(total), dimension)

    # ---- names -------------------------------------------------------------------------------

    def event(self, word: Word) -> str | None:
        """An event that somebody can report, or that a rule marks."""
        if word.text in self.events:
            return word.text
        self.findings.add(
            "unknown-event", f"unknown event `{word.text}`", word.span,
            try_name(word.text, self.events) or Mend(f"let a rule `mark {word.text}`"),
        )  # fmt: skip
        return None

    def unknown_name(self, word: Word) -> None:
        """A name in the place of a value that no `let` of the file has."""
        if self.names.packs is not None and word.text in self.names.packs:
            self._pack_in_condition(word, word.text)
            return
        signal = next((f"{scope}.{word.text.lower()}" for scope in ("pack", "site", "pack.cell")
                       if f"{scope}.{word.text.lower()}" in self.catalogue), None)  # fmt: skip
        signal = signal or _SIGNAL_HABITS.get(f"pack.{word.text.lower()}")
        if word.text in ("load", "charger"):
            signal = f"station.{word.text}.on"
        mend = Mend(f"did you mean `{signal}`?", signal) if signal else None
        if word.text in _LEVELS:
            level = _LEVELS[word.text]
            mend = Mend(f"write `{level}`, or define it above: `let {word.text} = {level}`", level)
        if signal is None and (let := nearest(word.text, self.lets)) is not None:
            self.used.add(let)  # one slip, one message
            mend = try_name(word.text, self.lets)
        elif word.text in _COUNTED:
            mend = Mend("what is counted, and since when: `count charge since calibration`, or"
                        " `count charge in last 365 d`")  # fmt: skip
        self.findings.add(
            "unknown-name", f"unknown name `{word.text}`", word.span,
            mend or Mend(f"define it above: `let {word.text} = ...`"),
        )  # fmt: skip

    def unknown_signal(self, word: Word) -> None:
        """A dotted name that is no signal."""
        whose, _, what = word.text.partition(".")
        if whose not in ("pack", "station", "site") and f"pack.{what}" in self.catalogue:
            self._pack_in_condition(word, whose)
            return
        name = _SIGNAL_HABITS.get(word.text) or nearest(word.text, self.catalogue)
        mend = Mend("docs/language.md lists the signals; one of the site stands in the site file")
        if name is not None:
            row = self.catalogue[name]
            mend = Mend(
                f"did you mean `{name}`, the {row.meaning}?", name,
                safe=name.casefold() == word.text.casefold(),
            )  # fmt: skip
        self.findings.add("unknown-signal", f"unknown signal `{word.text}`", word.span, mend)

    def _pack_in_condition(self, word: Word, pack: str) -> None:
        self.findings.add(
            "misplaced", f"which packs a rule is about stands in its head, and not `{word.text}`"
            " in a condition", word.span,
            Mend(f"write it as `rule NAME on pack {pack} when pack.soc > 95 %: ...`"),
        )  # fmt: skip

    def _unknown_unit(self, word: Word) -> None:
        if "/" in word.text:
            self.findings.add(
                "unknown-unit", f"unknown rate `{word.text}`", word.span,
                Mend("a rate is a unit for each time, such as `mV/d` or `%/wk`"),
            )  # fmt: skip
            return
        if (days := _LONG_TIMES.get(word.text)) is not None:
            self.findings.add(
                "unknown-unit", f"`{word.text}` is no unit: not every one is of one length",
                word.span, Mend(f"write it in days: a {_CALLED[days]} is about `{days} d`"),
            )  # fmt: skip
            return
        units = [*UNITS, *SPELLINGS]
        said = _UNIT_HABITS.get(word.text) or nearest(word.text, units)
        said = SPELLINGS.get(said, said) if said is not None else None
        mend = Mend(f"did you mean `{said}`?", said) if said else Mend(
            "the units are " + ", ".join(UNITS)
        )  # fmt: skip
        self.findings.add("unknown-unit", f"unknown unit `{word.text}`", word.span, mend)


_POINTS = frozenset({"`pack.cell.imbalance`"})
"""Shares that are small by themselves."""
_LEVELS = {"full": "100 %", "half": "50 %"}
_SIGNAL_HABITS = {"pack.charge": "pack.soc", "pack.level": "pack.soc", "pack.percent": "pack.soc",
                  "pack.temp": "pack.temperature", "pack.volts": "pack.voltage"}  # fmt: skip
_LONG_TIMES = {"month": 30, "months": 30, "mo": 30, "year": 365, "years": 365, "y": 365, "yr": 365}
_CALLED = {30: "month", 365: "year"}
_COUNTED = frozenset({"cycle", "cycles", "charges", "drains", "uses"})
_UNIT_HABITS = {
    "m": "min", "F": "°F", "º": "°C", "ºC": "°C", "°": "°C", "ºF": "°F", "°c": "°C", "°f": "°F",
    "degrees": "°C", "degree": "°C", "deg": "°C", "volt": "V", "volts": "V", "amps": "A",
    "watt": "W", "watts": "W", "pct": "%",
    "Celsius": "°C", "celsius": "°C", "v": "V", "a": "A", "w": "W", "H": "h", "D": "d", "S": "s",
}  # fmt: skip


def _with_unit(text: str, wanted: Dimension) -> Mend:
    if wanted == DURATION:
        return Mend(f"write `{text} min`, `{text} h` or `{text} d`")
    return Mend(f"write `{text} {wanted.unit}`", f"{text} {wanted.unit}")


def _largest_first(node: NumberNode) -> Mend:
    """The same time with its largest unit first, where each unit stands there once."""
    units = [unit_named(unit.text) if unit else None for _, unit in node.pieces]
    times = [unit.factor for unit in units if unit is not None and unit.dimension == DURATION]
    if len(set(times)) < len(units):
        return Mend("only a time has several, the largest first: `1 h 30 min`")
    ordered = sorted(zip(times, node.pieces, strict=True), key=lambda pair: -pair[0])
    said = " ".join(f"{number.text} {unit.text}" for _, (number, unit) in ordered if unit)
    return Mend(f"write the largest first: `{said}`", said, at=node.span)


def bare(node: AmountNode) -> bool:
    """A number without a unit."""
    return isinstance(node, NumberNode) and node.pieces[0][1] is None


def written(node: AmountNode) -> str:
    """The amount as the author wrote it, in the usual spacing."""
    if isinstance(node, NumberNode):
        return " ".join(
            f"{number.text} {unit.text}" if unit is not None else number.text
            for number, unit in node.pieces
        )
    return node.name.text


def rounded(value: float) -> float:
    """Twelve digits: 3400 mV and 3.4 V are one number, whatever the arithmetic left behind."""
    return float(f"{value:.12g}") + 0.0
