"""Rule files and sites as an editor has them: what is open in it, else what lies on the disk.

Knows folders, addresses of files and the site near a document. Does not know the protocol.
"""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote, urlsplit

from carerules.bounded import read_bounded
from carerules.config import SiteFile, read_site
from carerules.domain.diagnostic import Diagnostic
from carerules.domain.frozen import guarded
from carerules.lang import read_text
from carerules.lang.limits import FILE_BYTES_MAX
from carerules.lang.memo import Memo
from carerules.lsp.features import SITE_FILE, Sight, Together, look
from carerules.lsp.text import Document
from carerules.rulefiles import beside, shipped_names, ships
from carerules.shipped import shipped

SITE_NEAR = "site.toml"
FOLDERS_UP_MAX = 4
"""Folders above a rule file in which its site is looked for: a checkout is no deeper."""
TABLES_MAX = 16
"""TOML files of a folder that may be the document's site: a folder with more keeps them apart."""
DRAFT = "draft.care"
"""The name of a document that was never saved."""


def path_of(uri: str) -> Path | None:
    """Where a document lies; None: nowhere on this disk, as one that was never saved."""
    try:
        parts = urlsplit(uri)
        if parts.scheme != "file" or parts.netloc not in ("", "localhost"):
            return None
        return Path(unquote(parts.path)).resolve()
    except (ValueError, OSError, RuntimeError):
        return None


@dataclass(frozen=True)
class Shelf:
    """All open documents at one instant."""

    documents: Mapping[str, Document]

    def at(self, path: Path) -> tuple[str, Document] | None:
        """The open document that lies there, and its address."""
        return next(
            ((uri, one) for uri, one in self.documents.items() if path_of(uri) == path), None
        )

    def text_at(self, path: Path) -> str | None:
        """The text of a file: as it is open, else as it is saved; None: it cannot be read."""
        found = self.at(path)
        return _saved(path) if found is None else found[1].text


def _saved(path: Path) -> str | None:
    try:
        text = read_text(read_bounded(path, FILE_BYTES_MAX), path.name)
    except (OSError, ValueError):
        return None
    return None if isinstance(text, Diagnostic) else text


@dataclass(slots=True)
class _Site:
    """A site file as it was read; `site` None: it has problems, of which `problem` is the first."""

    stamp: tuple[int, int]
    text: str
    site: SiteFile | None
    problem: str = ""


@guarded
class _Around:
    """A document's path, the site file that counts for it, and the rule files of that site, if the
    document is one of them."""

    path: Path | None
    site_path: Path | None
    read: _Site | None
    rules: list[Path]

    @property
    def folders(self) -> list[Path]:
        """Where a `use` looks: beside the rule files that are checked together."""
        own = [] if self.path is None else [self.path]
        return sorted({one.parent for one in self.rules or own})


@dataclass(slots=True)
class Library:
    """Looks at documents. One thread at a time, but for the shelf, which is a value.

    `site`: the site file that was named; None: the one near each document counts.
    """

    site: Path | None = None
    _sites: dict[Path, _Site] = field(default_factory=dict)
    _memos: dict[str, Memo] = field(default_factory=dict)
    _seen: dict[str, Sight] = field(default_factory=dict)

    def look(self, uri: str, shelf: Shelf) -> Sight:
        """The document checked with the files around it; the last answer if nothing changed."""
        document = shelf.documents[uri]
        seen = self._seen.get(uri)
        if seen is not None and seen.document is document:
            return seen
        together, file = self._together(uri, shelf)
        memo = self._memos.setdefault(uri, Memo())
        sight = look(file, document, together, memo)
        self._seen[uri] = sight
        return sight

    def keep(self, uri: str, sight: Sight) -> None:
        """Remember a better answer for the same document."""
        seen = self._seen.get(uri)
        if seen is not None and seen.document is sight.document:
            self._seen[uri] = sight

    def forget_about(self, changed: AbstractSet[str]) -> set[str]:
        """Look anew next time at what was checked together with another of these; which that is."""
        stale = {
            uri for uri, sight in self._seen.items()
            if any(sight.together.uri_of(file) in changed - {uri} for file in sight.files)
        }  # fmt: skip
        for uri in stale:
            self._seen.pop(uri)
        return stale

    def closed(self, uri: str) -> None:
        """Nothing of the document is wanted any more."""
        self._seen.pop(uri, None)
        self._memos.pop(uri, None)

    def forget_sites(self) -> None:
        """Read the site files anew: something was saved."""
        self._sites.clear()
        self._seen.clear()

    def problem(self) -> str:
        """What is wrong with the site file that was named; empty: nothing, or none was."""
        return "" if self.site is None else self._read(self.site).problem

    # ---- around a document ---------------------------------------------------------------------

    def _around(self, uri: str) -> _Around:
        path = path_of(uri)
        site_path = self.site or (None if path is None else self._near(path))
        read = None if site_path is None else self._read(site_path)
        rules = [] if read is None or read.site is None else [p.resolve() for p in read.site.rules]
        if path is None or path not in rules:
            rules = []
        return _Around(path, site_path, read, rules)

    def _together(self, uri: str, shelf: Shelf) -> tuple[Together, str]:
        around = self._around(uri)
        path, read, folders = around.path, around.read, around.folders
        paths = {_name(one, around.rules): one for one in around.rules}
        file = next((name for name, one in paths.items() if one == path), "")
        file = file or (path.name if path is not None else DRAFT)
        # In the order of the site file, with the document in its place: rules are in that order.
        tops = {name: shelf.text_at(one) or "" for name, one in paths.items()}

        def fetch(name: str) -> str | None:
            path = _where(name, folders)
            return None if path is None else shelf.text_at(path)

        def uri_of(name: str) -> str | None:
            if name == file:
                return uri
            own = around.site_path if name == SITE_FILE else paths.get(name)
            where = own or _where(name, folders)
            there = None if where is None else shelf.at(where)
            if there is not None:
                return there[0]
            return None if where is None else where.as_uri()

        site, text = (None, "") if read is None else (read.site, read.text)
        together = Together(tops, fetch, uri_of, shipped_names(), site, text, _offered(path))
        return together, file

    def _near(self, path: Path) -> Path | None:
        """The site file in the folder of a document or a few above: one that names the document
        among its rules, else the one with the usual name."""
        for folder in [*path.parents][:FOLDERS_UP_MAX]:
            usual = folder / SITE_NEAR
            found = [usual, *(one for one in _tables(folder) if one != usual)]
            for site in found:
                # Not each table is a site, and reading one takes time: only what names the file.
                if path.name in (_saved(site) or "") and self._names(site, path):
                    return site
            if usual.is_file():
                return usual
        return None

    def _names(self, site_path: Path, path: Path) -> bool:
        site = self._read(site_path).site
        return site is not None and path in [one.resolve() for one in site.rules]

    def _read(self, path: Path) -> _Site:
        path = path.resolve()
        try:
            stat = path.stat()
            stamp = stat.st_mtime_ns, stat.st_size
        except (OSError, ValueError):
            stamp = 0, 0
        kept = self._sites.get(path)
        if kept is None or kept.stamp != stamp:
            kept = self._sites[path] = _read_now(path, stamp)
        return kept


def _tables(folder: Path) -> list[Path]:
    """The TOML files of a folder, in order; not without end."""
    try:
        return sorted(folder.glob("*.toml"))[:TABLES_MAX]
    except OSError:
        return []


def _read_now(path: Path, stamp: tuple[int, int]) -> _Site:
    text = _saved(path) or ""
    site = read_site(path)
    if isinstance(site, SiteFile):
        return _Site(stamp, text, site)
    return _Site(stamp, text, None, site[0].show().partition("\n")[0])


def _name(path: Path, among: list[Path]) -> str:
    """The name of a rule file in messages: short, unless two files have the same."""
    return path.name if sum(one.name == path.name for one in among) == 1 else str(path)


def _where(name: str, folders: list[Path]) -> Path | None:
    """Where a file lies that a `use` names; None: nowhere."""
    try:
        if ships(name):
            inside = shipped("rules") / f"{name}.care"
            return inside.resolve() if isinstance(inside, Path) else None
        if not name.endswith(".care"):
            return None  # as `rulefiles` has it
        places = [(folder / name).resolve() for folder in folders]
        return next((one for one in places if one.is_file()), None)
    except (OSError, ValueError, RuntimeError):
        return None


def _offered(path: Path | None) -> tuple[str, ...]:
    """What a `use` could name: files that ship, and those beside the document."""
    some = () if path is None else beside(path.parent)
    return (*sorted(shipped_names()), *(name for name in some if path and name != path.name))
