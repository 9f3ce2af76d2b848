"""The site's rule files on the page: read, checked as they are edited, compared, and taken.

Knows files and the checker. Does not know HTML. What is taken is written beside the old file first,
so that no moment has half a file; the one before it is kept.
"""

from __future__ import annotations

import os
import tempfile
import threading
from hashlib import sha256
from pathlib import Path

from carerules.adapters import Problem, quoted
from carerules.board.asked import Asker
from carerules.bounded import read_bounded
from carerules.config import SiteFile
from carerules.domain.diagnostic import Severity
from carerules.domain.frozen import guarded
from carerules.domain.spelling import counted
from carerules.lang.limits import FILE_BYTES_MAX
from carerules.report import CompareShape
from carerules.service.rules import read_rules, shown_path

TEXT_BYTES_MAX = 64 * 1024
"""The largest rule file that ships has 8 KiB; longer ones are edited on the machine itself."""
COMPARE_WITHIN_S = 300.0
"""A month of ten packs, twice, on a small machine."""
DAYS = 30


@guarded
class Finding:
    """One thing that is wrong: where in the text, and the mend; `line` 0: in another file."""

    line: int
    column: int
    error: bool
    text: str
    mend: str


@guarded
class RuleText:
    """One rule file: its number on the page, its name, its text, and what tells its state apart."""

    number: int
    name: str
    text: str
    mark: str


class RuleWork:
    """Works on the rule files that the site names, and on no other."""

    def __init__(self, site: SiteFile, asker: Asker) -> None:
        self._site, self._asker = site, asker
        self._checking = threading.Lock()

    @property
    def may_edit(self) -> bool:
        """Whether the site file allows it."""
        return self._site.board is not None and self._site.board.edit_rules

    def all(self) -> list[RuleText]:
        """Every file, as it stands on the disk now."""
        return [self._read(number, path) for number, path in enumerate(self._site.rules, 1)]

    def one(self, number: str) -> RuleText | None:
        """The file of that number; None: there is no such one."""
        files = self.all()
        fits = number.isascii() and number.isdecimal() and len(number) <= 3
        return files[int(number) - 1] if fits and 1 <= int(number) <= len(files) else None

    def _read(self, number: int, path: Path) -> RuleText:
        try:
            text = read_bounded(path, FILE_BYTES_MAX)[:FILE_BYTES_MAX].decode("utf-8", "replace")
        except OSError as error:
            text = f"# cannot be read: {(error.strerror or 'an error').lower()}\n"
        return RuleText(number, path.name, text, _mark(text))

    def check(self, file: RuleText, text: str) -> list[Finding]:
        """What the checker says of the site's rules with this text in place of the file's."""
        path = self._site.rules[file.number - 1]
        with self._checking:  # one at a time: a service may share this process
            loaded = read_rules(self._site, {path: text}).loaded
        shown = shown_path(path)
        return [
            Finding(
                found.span.line if found.span.file == shown else 0, found.span.column,
                found.severity is Severity.ERROR, found.message,
                found.mend.say if found.mend else "",
            )
            for found in loaded.diagnostics[:100]
        ]  # fmt: skip

    async def compare(self, file: RuleText, text: str) -> CompareShape | str:
        """What would have been otherwise in the last 30 days; or what is wrong, in one line."""
        with tempfile.TemporaryDirectory(prefix="carerules-") as folder:
            edited = Path(folder) / "edited.care"
            edited.write_text(text, "utf-8")
            words = ("compare", str(edited), "--instead-of", file.name, "--days", str(DAYS))
            return await self._asker.ask(CompareShape, *words, within_s=COMPARE_WITHIN_S)

    def take(self, file: RuleText, text: str, mark: str) -> Problem | None:
        """Write the text in the file's place. Refused where it has an error, where the file is not
        the one that was edited any more, or where the site file does not allow it."""
        if not self.may_edit:
            return Problem("no `edit_rules = true`", "it in `[board]` of the site file",
                           "add it, and start the board again")  # fmt: skip
        if file.mark != mark:
            return Problem(f"{quoted(file.name)}, changed since by somebody else",
                           "the file that was edited", "load the page again")  # fmt: skip
        errors = sum(one.error for one in self.check(file, text))
        if errors:
            return Problem(counted(errors, "error"), "rules without an error",
                           "mend them first")  # fmt: skip
        path = self._site.rules[file.number - 1]
        try:
            _written(path.with_name(f"{path.name}.before"), file.text, path)
            _written(path, text, path)
        except OSError as error:
            return Problem((error.strerror or "an error").lower(), "a file that can be written",
                           "look at the folder's owner and mode")  # fmt: skip
        return None


def plain_text(text: str) -> str:
    """What a browser sends of a text area, with the line ends that files have."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _mark(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:24]


def _written(path: Path, text: str, like: Path) -> None:
    """Whole or not at all, with the mode of `like`, and on the disk before it takes its place."""
    beside = path.with_name(f".{path.name}.new")
    mode = like.stat().st_mode & 0o777
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    beside.replace(path)
