"""One thing that `carerules doctor` looked at, and what came of it.

Knows its shape. Does not know what is looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeAlias

from carerules.domain.frozen import guarded

State: TypeAlias = Literal["in order", "look", "wrong"]


@guarded
class Finding:
    """One thing that was looked at. `mend` is empty where there is nothing to do."""

    about: str
    state: State
    text: str
    mend: str = ""


def anything_wrong(findings: Sequence[Finding]) -> bool:
    """Whether something must be mended before the site can do its work."""
    return any(finding.state == "wrong" for finding in findings)
