"""The last good copy of a calendar, kept beside the journal: its bytes, and how it was had.

Knows two files a calendar. Does not know what stands in it. Written whole or not at all; a
copy that cannot be kept or does not read back is as none.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path

from carerules.adapters.calendaraddress import NO_TAGS, CalendarAddress, Tags
from carerules.bounded import read_bounded
from carerules.calendar import CALENDAR_BYTES_MAX
from carerules.domain.frozen import guarded

FOLDER = "calendars"
NOTE_BYTES_MAX = 8_192
WHY_CHARS_MAX = 200  # the note must stay within its size, whatever a server says


@guarded
class Copy:
    """A copy: its bytes, when it was last known to be current (wall time, ms since the Unix epoch),
    what its server called it, and why no newer one is to be had (empty: it is the newest)."""

    data: bytes
    good_ms: int
    tags: Tags = NO_TAGS
    why: str = ""


@guarded
class CopyShelf:
    """Where one calendar's copy lies. Another address is another calendar: its copy is none."""

    folder: Path
    name: str
    origin: str

    def load(self) -> Copy | None:
        """The copy, if there is a good one of this address."""
        try:
            note = json.loads(read_bounded(self._note, NOTE_BYTES_MAX))
            data = read_bounded(self._data, CALENDAR_BYTES_MAX)
            sound = (
                note["origin"] == self.origin
                and note["sha256"] == sha256(data).hexdigest()
                and len(data) <= CALENDAR_BYTES_MAX
            )
            tags = Tags(str(note["etag"]), str(note["modified"]))
            copy = Copy(data, int(note["good_ms"]), tags, str(note.get("why", "")))
        except (OSError, ValueError, KeyError, TypeError):
            return None
        return copy if sound else None

    def told(self) -> tuple[int, str] | None:
        """Of the copy, without reading it: the moment when it was last known to be current, and why
        no newer one is to be had. None: there is none."""
        try:
            note = json.loads(read_bounded(self._note, NOTE_BYTES_MAX))
            found = int(note["good_ms"]), str(note.get("why", ""))
            return found if note["origin"] == self.origin and self._data.is_file() else None
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def keep(self, copy: Copy, *, data_too: bool = True) -> str:
        """Keep it, for its owner only; why that failed, or nothing. The bytes go first: a note that
        does not fit them is no copy."""
        note = {
            "origin": self.origin, "sha256": sha256(copy.data).hexdigest(),
            "good_ms": copy.good_ms, "why": copy.why[:WHY_CHARS_MAX], **asdict(copy.tags),
        }  # fmt: skip
        try:
            self._data.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            if data_too:
                _write(self._data, copy.data)
            _write(self._note, json.dumps(note).encode())
        except OSError as error:
            return f"its copy cannot be kept: {(error.strerror or 'unknown fault').lower()}"
        return ""

    @property
    def _data(self) -> Path:
        return self.folder / FOLDER / f"{self.name}.ics"

    @property
    def _note(self) -> Path:
        return self.folder / FOLDER / f"{self.name}.json"


def origin_of(address: CalendarAddress) -> str:
    """A fingerprint of where it comes from; shows nothing of a URL that is a secret."""
    text = repr((str(address.file), address.url, str(address.url_file), address.user))
    return sha256(text.encode()).hexdigest()[:16]


def _write(file: Path, data: bytes) -> None:
    new = file.with_name(f"{file.name}.new")
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(new, file)
    except OSError:
        with suppress(OSError):
            new.unlink()
        raise
