"""What the tests of the language share: a site's names, files to take in, a plan as text."""

from dataclasses import MISSING, Field, fields, is_dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path

from carerules.domain.diagnostic import Span
from carerules.domain.plan import Plan, Rule
from carerules.domain.quantity import Dimension
from carerules.domain.signal import catalogue
from carerules.lang import Loaded, Names, load

HERE = Path(__file__).parent
CATALOGUE = catalogue()
NAMES = Names(
    packs=frozenset({"heron", "egret", "grebe"}),
    chemistries=frozenset({"lipo", "lifepo4"}),
    tags=frozenset({"smart"}),
    roles=frozenset({"boat", "handset"}),
    channels=frozenset({"phone", "mail"}),
)


def fetch(name: str) -> str | None:
    path = HERE / "used" / f"{name}.care"
    return path.read_text(encoding="utf-8") if path.is_file() else None


def loaded(text: str, file: str = "case.care", names: Names = NAMES) -> Loaded:
    return load({file: text}, catalogue=CATALOGUE, names=names, fetch=fetch)


def plan_of(text: str) -> Plan:
    got = loaded(text)
    assert got.plan is not None, [found.show(text) for found in got.diagnostics]
    return got.plan


def rule_of(text: str) -> Rule:
    (rule,) = plan_of(text).rules
    return rule


def codes_of(text: str) -> list[str]:
    return [found.code for found in loaded(text).diagnostics]


def shown(value: object) -> str:
    """Every field of a part of a plan; a dimension by its unit, a place by its line."""
    if isinstance(value, Dimension):
        return value.unit or "count"
    if isinstance(value, Span):
        return f"line {value.line}"
    if isinstance(value, datetime):
        return f"{value:%a %d %b %H:%M}"
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return "[" + ", ".join(shown(part) for part in value) + "]"
    if isinstance(value, frozenset):
        return "{" + ", ".join(sorted(value)) + "}"
    if is_dataclass(value):
        inner = ", ".join(_field(value, field) for field in fields(value) if _told(value, field))
        return f"{type(value).__name__}({inner})"
    return repr(value)


def _told(value: object, field: Field[object]) -> bool:
    """A field that has its default says nothing."""
    return field.default is MISSING or getattr(value, field.name) != field.default


def _field(value: object, field: Field[object]) -> str:
    name = "" if field.default is MISSING else f"{field.name}="
    return name + shown(getattr(value, field.name))


def dump(got: Loaded) -> str:
    """Plan and scenarios, a field to a line: nothing of them is left out but defaults."""
    assert got.plan is not None
    lines: list[str] = []
    for part in (*got.plan.rules, *got.plan.nevers, *got.scenarios):
        lines.append(type(part).__name__.lower())
        for field in fields(part):
            value = getattr(part, field.name)
            if field.name in ("given", "lines", "packs"):  # of a scenario: one to a line
                lines += [f"    {field.name}: {shown(one)}" for one in value]
            elif _told(part, field):
                lines.append(f"    {field.name}: {shown(value)}")
    return "\n".join(lines) + "\n"
