"""A site's rules: from the files it names to a checked plan, ready to run.

Knows how a site names its rule files. Does not know what is in them.
"""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType

from carerules.config import SiteFile
from carerules.domain.frozen import guarded
from carerules.domain.signal import catalogue
from carerules.lang import Loaded
from carerules.loop import Setup, make_setup
from carerules.rulefiles import load_files


@guarded
class SiteRules:
    """The rules as loaded, and what they were loaded from."""

    loaded: Loaded
    setup: Setup | None

    @property
    def fingerprint(self) -> str:
        """Of the texts: what the journal keeps them under."""
        words = repr(sorted(self.loaded.sources.items()))
        return sha256(words.encode()).hexdigest()[:16]


def read_rules(site: SiteFile, edited: Mapping[Path, str] = MappingProxyType({})) -> SiteRules:
    """Read and check every rule file that the site names; `setup` is None when one has an error.
    `edited` has texts that are not saved, in place of those of their files."""
    files = {shown_path(path): path for path in site.rules}
    instead = {shown_path(path): text for path, text in edited.items()}
    loaded = load_files(files, site.names, site.signals, instead)
    if loaded.plan is None:
        return SiteRules(loaded, None)
    signals = catalogue(site.signals)
    return SiteRules(loaded, make_setup(site.site, site.chemistries, signals, loaded.plan))


def shown_path(path: Path) -> str:
    """The path as a person would write it from where they stand."""
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except ValueError:
        return str(path)
