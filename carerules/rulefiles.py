"""Rule files on the disk: from their paths to what they come to, with all that they take in.

Knows where rule files lie: shipped, or beside the file that names them. Does not know sites, whose
names and signals are handed in, nor what the rules are for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType

from carerules.bounded import read_bounded
from carerules.domain.diagnostic import Diagnostic, Mend, Span
from carerules.domain.signal import Signal, catalogue
from carerules.lang import Loaded, Names, load, read_text
from carerules.lang.limits import FILE_BYTES_MAX
from carerules.shipped import shipped

FILES_OFFERED_MAX = 200
"""Rule files of a folder that are offered behind `use`."""

ANY_SITE = Names()
NOTHING: Mapping[str, str] = MappingProxyType({})


def load_files(
    files: Mapping[str, Path], names: Names = ANY_SITE, signals: Iterable[Signal] = (),
    instead: Mapping[str, str] = NOTHING,
) -> Loaded:  # fmt: skip
    """Check rule files, each under the name that is shown of it.

    `names` and `signals` (beside the built-in ones) are those of a site. A file that cannot be
    read is a finding like any other. `instead` has texts that are not saved yet, by the name shown.
    """
    texts: dict[str, str] = {}
    broken: list[Diagnostic] = []
    for name, path in files.items():
        edited = instead.get(name)
        match _read(path, name) if edited is None else read_text(edited.encode(), name):
            case str() as text:
                texts[name] = text
            case Diagnostic() as diagnostic:
                broken.append(diagnostic)
    folders = {path.parent for path in files.values()}
    loaded = load(
        texts, catalogue=catalogue(signals), names=names,
        fetch=lambda name: _fetch(name, folders), offered=lambda: _offered(folders),
    )  # fmt: skip
    if not broken:
        return loaded
    return Loaded(None, (*broken, *loaded.diagnostics), loaded.sources)


def ships(name: str) -> bool:
    """Whether a `use` of this name means a file that ships, and not one beside the rule file."""
    return "/" not in name and "\\" not in name and not name.endswith(".care")


@cache
def shipped_names() -> frozenset[str]:
    """The rule files that ship, by the names that `use` takes."""
    return frozenset(
        one.name.removesuffix(".care") for one in shipped("rules").iterdir()
        if one.name.endswith(".care")
    )  # fmt: skip


def beside(folder: Path) -> Iterator[str]:
    """The rule files of a folder, by the names that `use` takes; at most so many, sorted.

    A folder that cannot be read has none.
    """
    try:
        yield from sorted(one.name for one in folder.glob("*.care"))[:FILES_OFFERED_MAX]
    except OSError:
        return


def _read(path: Path, name: str) -> str | Diagnostic:
    try:
        raw = read_bounded(path, FILE_BYTES_MAX)  # one byte more shows that it is more (SAFETY 13)
    except OSError as error:
        why = (error.strerror or "it cannot be read").lower()
        mend = Mend("name a file in it") if isinstance(error, IsADirectoryError) else None
        at = Span(name, 1, 1, 1, 1)
        return Diagnostic("no-file", f"`{name}` cannot be read: {why}", at, mend=mend)
    return read_text(raw, name)


def _fetch(name: str, folders: set[Path]) -> str | None:
    """The text of a file that a rule file takes in: shipped by its bare name, or beside it."""
    if ships(name):
        try:
            inside = shipped("rules") / f"{name}.care"
            return inside.read_text("utf-8") if inside.is_file() else None
        except (OSError, UnicodeDecodeError):
            return None
    if not name.endswith(".care"):
        # What is wrong in a file is shown with its line: a rule file that somebody passes on must
        # not have another file of this machine shown.
        return None
    for folder in sorted(folders):
        text = _read(folder / name, name)
        if isinstance(text, str):
            return text
    return None


def _offered(folders: set[Path]) -> Iterator[str]:
    """What a `use` may name."""
    yield from shipped_names()
    for folder in sorted(folders):
        yield from beside(folder)
