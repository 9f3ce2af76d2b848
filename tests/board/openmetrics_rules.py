"""What OpenMetrics 1.0 asks of a text, line by line: a reading of the standard of our own.

Source of each rule: specification/OpenMetrics.md of OpenMetrics 1.0; the section stands before the
colon of its words. `base units` is no rule of it but common practice, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

KINDS = (
    "gauge",
    "counter",
    "stateset",
    "info",
    "unknown",
    "histogram",
    "summary",
    "gaugehistogram",
)
SUFFIXES = {"counter": ("_total", "_created"), "info": ("_info",)}
LIKE_SAMPLES = ("_total", "_created", "_info", "_count", "_sum", "_bucket")
UNITS = ("seconds", "bytes", "joules", "grams", "meters", "ratio", "volts", "amperes", "celsius",
         "watts")  # fmt: skip
WORDS = ("TYPE", "UNIT", "HELP")

NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"  # ABNF: metricname
LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\.)*"'  # ABNF: label, escaped-string
NUMBER = r"[+-]?(?:\d+|\d+\.\d*(?:e[+-]?\d+)?|\d*\.\d+(?:e[+-]?\d+)?|\d+e[+-]?\d+|inf|infinity|nan)"
SAMPLE = re.compile(
    rf"({NAME})(\{{(?:{LABEL}(?:,{LABEL})*)?\}})? ({NUMBER})(?: {NUMBER})?", re.IGNORECASE
)
PAIR = re.compile(r'([a-zA-Z_][a-zA-Z0-9_]*)="((?:[^"\\]|\\.)*)"')


def faults(text: str) -> list[str]:
    """Every rule that the text breaks."""
    return list(_Reading().read(text))


@dataclass
class _Reading:
    name: str = ""
    kind: str = "unknown"
    order: int = -1
    words: dict[str, set[str]] = field(default_factory=dict)
    points: set[str] = field(default_factory=set)
    sets: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def read(self, text: str) -> Iterator[str]:
        if "\r" in text or text.startswith("\ufeff"):
            yield "Overall Structure: no carriage return, no byte order mark"
        if not text.endswith("# EOF\n"):
            yield "Overall Structure: it must end with EOF and a line feed"
        lines = text.split("\n")[:-2]
        if "# EOF" in lines:
            yield "Overall Structure: EOF comes once"
        for line in lines:
            if not line:
                yield "MetricFamily: no explicit separator"
            elif line.startswith("#"):
                yield from self.described(line)
            else:
                yield from self.sampled(line)
        for (name, labels), states in self.sets.items():
            if states.count("1") != 1 or set(states) - {"0", "1"}:
                yield f"StateSet: one of an enum is true: {name}{labels} {states}"
        for name, words in self.words.items():
            if name.endswith(tuple(f"_{unit}" for unit in UNITS)) and "UNIT" not in words:
                yield f"MetricFamily metadata: a known unit should be provided: {name}"
            if name.endswith(LIKE_SAMPLES):
                yield f"Suffixes: no name that looks like a sample's: {name}"

    def described(self, line: str) -> Iterator[str]:
        match = re.fullmatch(rf"# (TYPE|UNIT|HELP) ({NAME})(?: (.*))?", line)
        if match is None:
            yield f"MetricFamily metadata: nothing else begins with #: {line}"
            return
        word, name, rest = match[1], match[2], match[3] or ""
        if name != self.name:
            if name in self.words:
                yield f"MetricFamily: names come once, and are not interleaved: {name}"
            self.name, self.kind, self.order = name, "unknown", -1
            self.words[name] = set()
        if word in self.words[name]:
            yield f"MetricFamily metadata: one of each: {line}"
        self.words[name].add(word)
        place = WORDS.index(word)
        if place < self.order:
            yield f"MetricFamily metadata: the order is TYPE, UNIT, HELP: {line}"
        self.order = place
        if word == "TYPE":
            self.kind = rest
            if rest not in KINDS:
                yield f"ABNF: no type: {line}"
        elif word == "UNIT":
            if not name.endswith(f"_{rest}"):
                yield f"Unit: it must be a suffix of the name: {line}"
            if self.kind in ("info", "stateset"):
                yield f"StateSet, Info: no unit: {line}"
            if rest not in UNITS:
                yield f"common practice: base units: {line}"
        elif not rest:
            yield f"Help: it should not be empty: {line}"

    def sampled(self, line: str) -> Iterator[str]:
        match = SAMPLE.fullmatch(line)
        if match is None:
            yield f"ABNF: no sample: {line}"
            return
        name, labels, number = match[1], match[2] or "", match[3]
        if name not in [self.name + suffix for suffix in SUFFIXES.get(self.kind, ("",))]:
            yield f"MetricFamily: a {self.kind} of {self.name} has no sample {name}"
        if f"{name}{labels}" in self.points:
            yield f"Metric: labels are unique: {line}"
        self.points.add(f"{name}{labels}")
        pairs = PAIR.findall(labels)
        keys = [key for key, _ in pairs]
        if len(set(keys)) != len(keys) or any(key.startswith("_") for key in keys):
            yield f"Label: unique, and none begins with _: {line}"
        if any(re.search(r"(?<!\\)(?:\\\\)*\\[^\\n\"]", value) for _, value in pairs):
            yield f"Escaping: no escape that is not defined: {line}"
        total = self.kind == "counter" and name.endswith("_total")
        if total and (number.lower() == "nan" or float(number) < 0):
            yield f"Counter: a total is a number from 0 on: {line}"
        if self.kind == "info" and float(number) != 1:
            yield f"Info: its value is 1: {line}"
        if self.kind == "stateset":
            if self.name not in keys:
                yield f"StateSet: the state stands in a label of the family's name: {line}"
            others = str(sorted(pair for pair in pairs if pair[0] != self.name))
            self.sets.setdefault((self.name, others), []).append(number)
