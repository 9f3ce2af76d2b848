"""What is wrong with something that a person wrote: a profile, an entry, a password file.

Knows how to say it. Does not know what it is about. A problem is a value: returned, never raised.
"""

from __future__ import annotations

from carerules.domain.frozen import guarded
from carerules.domain.spelling import printable, without_secrets

SAID_CHARS_MAX = 60  # a quoted word of this length still leaves room for the sentence on one line


@guarded
class Problem:
    """One mistake: where (a file, a key, or nothing), what was found, what was wanted, the mend."""

    found: str
    wanted: str
    mend: str
    where: str = ""

    def show(self) -> str:
        """`my.toml: on_for.scale: found `0`, wanted a number above 0; mend: ...` on one line."""
        place = f"{self.where}: " if self.where else ""
        return f"{place}found {self.found}, wanted {self.wanted}; mend: {self.mend}"


def quoted(words: object) -> str:
    """Somebody's own words in backticks: one printable line, cut short, and without a password."""
    said = without_secrets(str(words).lower() if isinstance(words, bool) else str(words))
    text = printable(said[:SAID_CHARS_MAX]).replace("`", "·")
    return f"`{text}{'…' if len(said) > SAID_CHARS_MAX else ''}`"
