"""What a site file may refer to outside itself: chemistries, and profiles of plugs and feeds.

Knows where each comes from: shipped, or beside the site file. Does not know what the site does
with it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeAlias

from carerules.adapters import (
    FeedProfile,
    PlugProfile,
    Problem,
    load_feed_profile,
    load_plug_profile,
)
from carerules.battery import Chemistry, read_chemistry, shipped_chemistries
from carerules.bounded import read_bounded
from carerules.config.otherwords import CHEMISTRIES
from carerules.config.problem import found, nearest, quoted
from carerules.domain.frozen import guarded
from carerules.domain.pack import Limits

CHEMISTRY_BYTES_MAX = 1 << 18  # more than the reader of chemistries takes, so that it says so

REFERENCES = {"pack": "chemistry", "plug": "profile", "feed": "profile"}
REFERENCES_MAX = 100  # different ones of a kind; each may be a file to read, and ten are many

Wrong: TypeAlias = tuple[str, str, str]
"""Found, wanted, mend."""

Raw: TypeAlias = Mapping[str, Any]
"""A table as TOML gave it."""


@guarded
class Known:
    """Everything that the site file refers to outside itself, by the words that it uses.

    What could not be had is there too, as what is wrong with it.
    """

    chemistries: Mapping[str, Chemistry | tuple[Wrong, ...]]
    plugs: Mapping[str, PlugProfile | Wrong]
    feeds: Mapping[str, FeedProfile | Wrong]

    def limits(self, named: str) -> Limits | None:
        """The limits of the chemistry that a pack names; None where there is no such one."""
        chemistry = self.chemistries.get(named)
        return chemistry.limits if isinstance(chemistry, Chemistry) else None


def named(raw: Raw, kind: str) -> Iterator[tuple[str, Raw]]:
    """The tables `[kind.NAME]` that are tables indeed."""
    tables = raw.get(kind)
    if isinstance(tables, dict):
        yield from ((name, table) for name, table in tables.items() if isinstance(table, dict))


def word(table: Raw, key: str) -> str:
    """The text under a key; empty, which names nothing, where there is none."""
    value = table.get(key)
    return value if isinstance(value, str) else ""


def names(raw: Raw, kind: str) -> frozenset[str]:
    """The names that the file declares, whatever stands under them."""
    tables = raw.get(kind)
    return frozenset(tables) if isinstance(tables, dict) else frozenset()


def known_to(raw: Raw, folder: Path | None) -> Known:
    """What a site file in `folder` refers to. None: there is no disk behind it."""
    shipped = shipped_chemistries()
    chemistries, plugs, feeds = (
        words(raw, kind, key)[:REFERENCES_MAX] for kind, key in REFERENCES.items()
    )
    return Known(
        {text: _chemistry(text, shipped, folder) for text in chemistries},
        {text: _plug_profile(text, folder) for text in plugs},
        {text: _feed_profile(text, folder) for text in feeds},
    )


def words(raw: Raw, kind: str, key: str) -> list[str]:
    """What stands under the key of these tables, each once."""
    return list(dict.fromkeys(text for _, table in named(raw, kind) if (text := word(table, key))))


# ---- chemistries -------------------------------------------------------------------------------


def _chemistry(
    word: str, shipped: Mapping[str, Chemistry], folder: Path | None
) -> Chemistry | tuple[Wrong, ...]:
    if word in shipped:
        return shipped[word]
    if not word.endswith(".toml"):
        wanted = "a chemistry, or the path of a chemistry file, which ends in `.toml`"
        return ((found(word), wanted, nearest(word, shipped, CHEMISTRIES)),)
    text = _text(word, folder)
    if isinstance(text, tuple):
        return (text,)
    read = read_chemistry(text, word)
    if not isinstance(read, Chemistry):
        return tuple(_retold(sentence, word) for sentence in read)
    if read.name in shipped:
        said = f"a chemistry of the name {quoted(read.name)} in {quoted(word)}"
        return ((said, "a name that no shipped chemistry has", "rename it in the file"),)
    return read


def _text(word: str, folder: Path | None) -> str | Wrong:
    said, wanted = f"no file {quoted(word)}", "a chemistry file"
    mend = "its path begins at the site file's folder"
    if folder is None or "\0" in word:
        return said, wanted, mend
    try:
        return read_bounded(folder / word, CHEMISTRY_BYTES_MAX).decode("utf-8-sig")
    except FileNotFoundError:
        return said, wanted, mend
    except OSError as error:
        why = (error.strerror or "").lower()
        return quoted(word), "a chemistry file that can be read", why
    except UnicodeDecodeError:
        return f"bytes that are not UTF-8 in {quoted(word)}", wanted, "save the file as UTF-8"


_SENTENCE = re.compile(r"(.*?), wanted (.*?)(?:; (.*))?", re.DOTALL)


def _retold(sentence: str, file: str) -> Wrong:
    """A sentence of the chemistry reader, taken apart: `FILE: found ..., wanted ...; MEND`."""
    text = sentence.removeprefix(f"{file}: ")
    match = _SENTENCE.fullmatch(text)
    said, wanted, mend = match.groups() if match else (text, "a chemistry file", "")
    return f"in {quoted(file)}: {said.replace('found ', '', 1)}", wanted, mend or ""


# ---- profiles ----------------------------------------------------------------------------------


def _plug_profile(word: str, folder: Path | None) -> PlugProfile | Wrong:
    read = load_plug_profile(word, _beside(folder, "plugs"))
    return read if isinstance(read, PlugProfile) else _in_its_file(read)


def _feed_profile(word: str, folder: Path | None) -> FeedProfile | Wrong:
    read = load_feed_profile(word, _beside(folder, "feeds"))
    return read if isinstance(read, FeedProfile) else _in_its_file(read)


def _in_its_file(problem: Problem) -> Wrong:
    """What is wrong with a profile, with its file and key: the site file's line is another."""
    where = f"in `{problem.where}`: " if problem.where else ""
    return where + problem.found, problem.wanted, problem.mend


def _beside(folder: Path | None, kind: str) -> tuple[Path, ...]:
    """A site's own profiles lie beside its file, in the same folders as those that ship."""
    return () if folder is None else (folder / "integrations" / kind,)
