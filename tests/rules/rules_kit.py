"""What the tests of the ready-made rules share: loading by name, and playing scenarios."""

from collections.abc import Iterator
from functools import cache

from carerules.battery import shipped_chemistries
from carerules.domain.plan import Plan
from carerules.domain.signal import catalogue
from carerules.lang import Loaded, load
from carerules.shipped import shipped
from carerules.sim.verdict import Verdict, play

CATALOGUE = catalogue()
CHEMISTRIES = shipped_chemistries()
NAMES = sorted(
    one.name.removesuffix(".care")
    for one in shipped("rules").iterdir()
    if one.name.endswith(".care")
)


def fetch(name: str) -> str | None:
    """The text of a ready-made file."""
    file = shipped("rules") / f"{name}.care"
    return file.read_text(encoding="utf-8") if file.is_file() else None


def text_of(name: str) -> str:
    """The text of a ready-made file that is there."""
    text = fetch(name)
    assert text is not None, name
    return text


def read(text: str, file: str = "case.care") -> Loaded:
    """A file as `carerules test` loads it: by itself, for any site."""
    return load({file: text}, catalogue=CATALOGUE, fetch=fetch)


@cache
def loaded(name: str) -> Loaded:
    """A ready-made file by its name."""
    return read(text_of(name), f"{name}.care")


def plan_of(got: Loaded) -> Plan:
    """The plan of a file that must have loaded."""
    assert got.plan is not None, [found.code for found in got.diagnostics]
    return got.plan


def verdicts(got: Loaded) -> Iterator[Verdict]:
    """Each scenario, played."""
    plan = plan_of(got)
    for scenario in got.scenarios:
        yield play(scenario, plan, CATALOGUE, CHEMISTRIES)


def failed(verdict: Verdict) -> list[str]:
    """What did not come out, and what happened instead, for a message."""
    lines = [verdict.problem] if verdict.problem else []
    for check in verdict.checks:
        if not check.ok:
            lines += [f"{check.line.time:%a %H:%M} {check.words}", *check.instead]
    return lines
