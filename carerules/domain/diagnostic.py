"""What is wrong with a text that somebody wrote, said so that they can mend it.

Knows places in a text. Does not know any grammar. A diagnostic is a value: collected, never raised.
"""

from __future__ import annotations

from enum import Enum

from carerules.domain.frozen import frozen, guarded
from carerules.domain.spelling import printable


@frozen  # each word of a text has one
class Span:
    """A stretch of a file: 1-based line and column (in characters), end exclusive."""

    file: str
    line: int
    column: int
    end_line: int
    end_column: int

    @property
    def start(self) -> Span:
        """Where it begins: nothing wide, to put something in."""
        return Span(self.file, self.line, self.column, self.line, self.column)

    @property
    def end(self) -> Span:
        """Where it ends: nothing wide, to put something in."""
        return Span(self.file, self.end_line, self.end_column, self.end_line, self.end_column)

    def show(self) -> str:
        """`rules/storage.care:4:10`."""
        return f"{self.file}:{self.line}:{self.column}"


class Severity(Enum):
    """An error keeps the rules from being loaded; a warning does not."""

    ERROR = "error"
    WARNING = "warning"


@guarded
class Mend:
    """A change that would put it right: what to say, and the text to put in place of the span.

    `safe` means that nothing but the slip changes: an editor may take it without asking.
    `at` is where the replacement goes if not in place of the words that are told; a span of no
    width puts it in. Without a replacement a person must choose what to write.
    """

    say: str
    replacement: str | None = None
    safe: bool = False
    at: Span | None = None


@guarded
class Diagnostic:
    """One mistake. `message` is one standalone sentence: lower case, one line, no full stop."""

    code: str
    message: str
    span: Span
    mend: Mend | None = None
    severity: Severity = Severity.ERROR
    notes: tuple[tuple[str, Span | None], ...] = ()

    @property
    def edit(self) -> tuple[Span, str] | None:
        """The mend as a change of the text: what to replace, and by what."""
        if self.mend is None or self.mend.replacement is None:
            return None
        return self.mend.at or self.span, self.mend.replacement

    def show(self, source: str | None = None) -> str:
        """The message with its line and a caret under the words, as `carerules check` prints it."""
        lines = [f"{self.span.show()}: {self.severity.value} {self.code}: {self.message}"]
        if source is not None:
            lines += _excerpt(source, self.span)
        for note, span in self.notes:
            lines.append(f"  note: {note}" + (f" ({span.show()})" if span else ""))
        if self.mend is not None:
            lines.append(f"  mend: {self.mend.say}")
        return "\n".join(lines)


EXCERPT_WIDTH_MAX = 76  # with its indent of two it fits a terminal of 80


def _excerpt(source: str, span: Span) -> list[str]:
    rows = source.split("\n")
    if not 1 <= span.line <= len(rows):
        return []
    # Only printable characters: a control code in a rule file must not reach the terminal.
    row = printable(rows[span.line - 1].rstrip("\r"))
    start = min(span.column - 1, len(row))
    stop = span.end_column - 1 if span.end_line == span.line else len(row)
    width = max(1, min(stop, len(row)) - start)
    if len(row) > EXCERPT_WIDTH_MAX:
        first = max(0, min(start - 20, len(row) - EXCERPT_WIDTH_MAX))
        row = row[first : first + EXCERPT_WIDTH_MAX]
        start -= first
        width = max(1, min(width, EXCERPT_WIDTH_MAX - start))
    return [f"  {row}", f"  {' ' * start}{'^' * width}"]
