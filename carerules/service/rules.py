"""A site's rules: from the files it names to a checked plan, ready to run.

Knows where rule files lie. Does not know what is in them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from carerules.config import SiteFile
from carerules.domain.diagnostic import Diagnostic, Span
from carerules.domain.signal import catalogue
from carerules.lang import Loaded, Names, load, read_text
from carerules.loop import Setup, make_setup
from carerules.shipped import shipped

RULE_BYTES_MAX = 1 << 20
"""SAFETY 13: a rule file is at most 1 MiB; one byte more is read, to see that there is more."""


@dataclass(frozen=True, slots=True)
class SiteRules:
    """The rules as loaded, and what they were loaded from."""

    loaded: Loaded
    setup: Setup | None

    @property
    def fingerprint(self) -> str:
        """Of the texts: what the journal keeps them under."""
        words = repr(sorted(self.loaded.sources.items()))
        return sha256(words.encode()).hexdigest()[:16]


def read_rules(site: SiteFile) -> SiteRules:
    """Read and check every rule file that the site names; `setup` is None when one has an error."""
    files = {_shown(path): path for path in site.rules}
    loaded = load_files(files, site)
    if loaded.plan is None:
        return SiteRules(loaded, None)
    signals = catalogue(site.signals)
    return SiteRules(loaded, make_setup(site.site, site.chemistries, signals, loaded.plan))


def load_files(files: Mapping[str, Path], site: SiteFile | None) -> Loaded:
    """Check rule files, by themselves or as part of a site."""
    texts: dict[str, str] = {}
    broken: list[Diagnostic] = []
    for name, path in files.items():
        match _read(path, name):
            case str() as text:
                texts[name] = text
            case Diagnostic() as diagnostic:
                broken.append(diagnostic)
    folders = {path.parent for path in files.values()}
    signals = catalogue(site.signals if site else ())
    loaded = load(
        texts, catalogue=signals, names=_names(site), fetch=lambda name: _fetch(name, folders)
    )
    if not broken:
        return loaded
    return Loaded(None, (*broken, *loaded.diagnostics), loaded.sources)


def _names(site: SiteFile | None) -> Names:
    if site is None:
        return Names()
    packs = site.site.packs.values()
    return Names(
        packs=frozenset(site.site.packs),
        chemistries=frozenset(site.chemistries) | _shipped_chemistries(),
        tags=frozenset(tag for pack in packs for tag in pack.tags),
        roles=frozenset(pack.role for pack in packs if pack.role),
    )


def _shipped_chemistries() -> frozenset[str]:
    folder = shipped("battery/chemistries")
    return frozenset(
        one.name.removesuffix(".toml") for one in folder.iterdir() if one.name.endswith(".toml")
    )


def _read(path: Path, name: str) -> str | Diagnostic:
    try:
        with path.open("rb") as stream:
            raw = stream.read(RULE_BYTES_MAX + 1)
    except OSError as error:
        why = (error.strerror or "it cannot be read").lower()
        return Diagnostic("no-file", f"`{name}` cannot be read: {why}", Span(name, 1, 1, 1, 1))
    return read_text(raw, name)


def ships(name: str) -> bool:
    """Whether a `use` of this name means a file that ships, and not one beside the rule file."""
    return "/" not in name and "\\" not in name and not name.endswith(".care")


def _fetch(name: str, folders: set[Path]) -> str | None:
    """The text of a file that a rule file takes in: shipped by its bare name, or beside it."""
    if ships(name):
        try:
            inside = shipped("rules") / f"{name}.care"
            return inside.read_text("utf-8") if inside.is_file() else None
        except (OSError, UnicodeDecodeError):
            return None
    for folder in sorted(folders):
        text = _read(folder / name, name)
        if isinstance(text, str):
            return text
    return None


def _shown(path: Path) -> str:
    """The path as a person would write it from where they stand."""
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except ValueError:
        return str(path)
