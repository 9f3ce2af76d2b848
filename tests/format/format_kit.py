"""What the tests of the layout share: formatted or told why not, and a meaning without places."""

from dataclasses import fields, is_dataclass
from pathlib import Path

from carerules.domain.diagnostic import Span
from carerules.domain.signal import catalogue
from carerules.lang import load
from carerules.lang.format import format_text

ROOT = Path(__file__).parents[2]


def laid_out(text: str, name: str = "case.care") -> str:
    got = format_text(text, name)
    assert isinstance(got, str), [found.show(text) for found in got]
    return got


def meaning(text: str) -> list[object]:
    """Rules, nevers and scenarios in order, without where they stand; and each rule's key."""
    got = load({"case.care": text}, catalogue=catalogue())
    plan = got.plan
    assert plan is not None, [found.show(text) for found in got.diagnostics]
    return [
        [(_placeless(rule), rule.key) for rule in plan.rules],
        [_placeless(never) for never in plan.nevers],
        [_placeless(scenario) for scenario in got.scenarios],
    ]


def _placeless(part: object) -> object:
    if isinstance(part, Span):
        return "somewhere"
    if isinstance(part, tuple):
        return [_placeless(one) for one in part]
    if is_dataclass(part) and not isinstance(part, type):
        return [type(part).__name__] + [
            _placeless(getattr(part, field.name)) for field in fields(part)
            if not (field.name == "name" and str(getattr(part, field.name)).startswith("case:"))
        ]  # fmt: skip
    return part
