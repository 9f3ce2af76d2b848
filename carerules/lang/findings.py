"""The list of what was found wrong, as it grows.

Knows diagnostics and their codes' weight. Does not know what is looked for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from carerules.domain.diagnostic import Diagnostic, Mend, Severity, Span
from carerules.domain.spelling import alike
from carerules.lang.codes import CODES
from carerules.lang.limits import FINDINGS_MAX, NAME_CHARS_MAX

SAME_MAX = 2  # often enough to see that it is no slip of the pen; a third would hide other slips
PLACES_MAX = 6  # places of the same that are noted: they fit below it on one screen


class Findings:
    """Collects diagnostics; raises none."""

    def __init__(self) -> None:
        self.all: list[Diagnostic] = []

    def add(
        self,
        code: str,
        message: str,
        span: Span,
        mend: Mend | None = None,
        *notes: tuple[str, Span | None],
    ) -> None:
        """One more; whether it is an error or a warning stands in the table of codes."""
        severity = Severity.WARNING if CODES[code].warning else Severity.ERROR
        found = Diagnostic(code, message, span, mend, severity, notes)
        if CODES[code].folds and self._folded(found):
            return
        self.all.append(found)

    def _folded(self, found: Diagnostic) -> bool:
        """Whether the same has been told often enough: then only its place is noted."""
        same = [at for at, one in enumerate(self.all) if one.message == found.message]
        if len(same) < SAME_MAX:
            return False
        last = self.all[same[-1]]
        if len(last.notes) < PLACES_MAX:
            self.all[same[-1]] = replace(last, notes=(*last.notes, ("and here", found.span)))
        return True

    @property
    def errors(self) -> int:
        """How many keep the rules from being loaded."""
        return sum(found.severity is Severity.ERROR for found in self.all)

    @property
    def full(self) -> bool:
        """Enough to show: looking further is wasted."""
        return len(self.all) > FINDINGS_MAX


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name that the word most likely stands for; other capitals only come first."""
    if len(word) > NAME_CHARS_MAX:
        return None
    names = sorted(known)
    folded = word.casefold()
    for name in names:
        if name.casefold() == folded:
            return name
    close = alike(word, names)
    return close[0] if close else None


def try_name(word: str, known: Iterable[str]) -> Mend | None:
    """`did you mean ...?` with the nearest known name; only other capitals are put right safely."""
    name = nearest(word, known)
    if name is None:
        return None
    return Mend(f"did you mean `{name}`?", name, safe=name.casefold() == word.casefold())
