"""Families of metrics as OpenMetrics text: a pure function of values.

Knows the format. Does not know what is measured.
Source: OpenMetrics 1.0 (github.com/prometheus/OpenMetrics, specification/OpenMetrics.md).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field
from math import isfinite, isnan
from typing import Literal, TypeAlias

from carerules.domain.frozen import guarded

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

POINTS_MAX = 20_000
"""Of one exposition. The largest site that a file may describe (500 packs, 1 000 plugs) says some
14 000; no label here is ever made of what a stranger sends, so that nothing else can add to it."""

Kind: TypeAlias = Literal["gauge", "counter", "stateset", "info"]
Labels: TypeAlias = Mapping[str, str]

_NAME = re.compile(r"[a-zA-Z][a-zA-Z0-9_]*")
_SUFFIXES = ("_total", "_created", "_info", "_count", "_sum", "_bucket", "_gcount", "_gsum")


@guarded
class Point:
    """One value. Of a stateset, `state` says which of its states this is."""

    value: float
    labels: Labels = field(default_factory=dict)
    state: str | None = None


@guarded
class Family:
    """Metrics of one name. `unit` must end the name; a counter's name has no `_total` here.

    `began`: since when a counter counts (Unix seconds).
    """

    name: str
    kind: Kind
    help: str
    points: tuple[Point, ...] = ()
    unit: str = ""
    began: float | None = None

    def __post_init__(self) -> None:
        assert _NAME.fullmatch(self.name), self.name
        assert not self.name.endswith(_SUFFIXES), self.name
        assert not self.unit or self.name.endswith(f"_{self.unit}"), self.name
        assert not self.unit or self.kind not in ("stateset", "info"), self.name
        assert (self.kind == "counter") or self.began is None, self.name


def exposition(families: Iterable[Family]) -> str:
    """The text of a whole exposition, to its end mark. Each name must come once."""
    lines: list[str] = []
    names: set[str] = set()
    for one in families:
        assert one.name not in names, one.name
        names.add(one.name)
        lines += _metadata(one)
        lines += _samples(one)
    assert len(lines) <= POINTS_MAX, len(lines)
    return "\n".join([*lines, "# EOF", ""])


def _metadata(family: Family) -> Iterator[str]:
    yield f"# TYPE {family.name} {family.kind}"
    if family.unit:
        yield f"# UNIT {family.name} {family.unit}"
    yield f"# HELP {family.name} {_escaped(family.help)}"


def _samples(family: Family) -> Iterator[str]:
    suffix = {"counter": "_total", "info": "_info"}.get(family.kind, "")
    for point in family.points:
        labels = dict(point.labels)
        if point.state is not None:
            assert family.kind == "stateset", family.name
            labels[family.name] = point.state
        shown = _labels(labels)
        yield f"{family.name}{suffix}{shown} {_number(point.value)}"
        if family.began is not None:
            yield f"{family.name}_created{shown} {_number(family.began)}"


def _labels(labels: Labels) -> str:
    if not labels:
        return ""
    pairs = []
    for name, value in labels.items():
        # A name that begins with `_` is kept for the standard itself.
        assert _NAME.fullmatch(name), name
        pairs.append(f'{name}="{_escaped(value)}"')
    return "{" + ",".join(pairs) + "}"


def _escaped(text: str) -> str:
    """The text with backslash, quote and line feed escaped. What is no character at all (half of a
    surrogate pair) and a carriage return, which no line may hold, show as a mark."""
    whole = text.replace("\r", "\ufffd").encode("utf-8", "replace").decode()
    return whole.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _number(value: float) -> str:
    if not isfinite(value):
        return "NaN" if isnan(value) else ("+Inf" if value > 0 else "-Inf")
    whole = float(value).is_integer() and abs(value) < 1e15
    return str(int(value)) if whole else repr(float(value))
