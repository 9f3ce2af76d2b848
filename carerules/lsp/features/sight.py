"""What is known of one document at one version, for every feature to answer from.

Knows the document, the files checked with it, and the site. Does not know where a text came from.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from carerules.config import SiteFile
from carerules.domain.diagnostic import Diagnostic
from carerules.domain.signal import Catalogue, catalogue
from carerules.lang import Fetch, Loaded, Names, load
from carerules.lang.memo import Memo
from carerules.lang.names import Mention, Outline, outline
from carerules.lang.prove import Work, prove
from carerules.lsp.text import Document, Encoding

QUICK_MEETS = 1_000
"""Meetings of boxes that are proved at each key: some milliseconds. What needs more waits."""


@dataclass(frozen=True)
class Together:
    """The files that are checked together, by the names that they have in findings.

    `tops` are those that are given; others are taken in. `fetch` gives the text
    of one by its name, `uri_of` says where it lies.
    `fixed`: those that ship and are nobody's to change. `setting`: the site, where one is known,
    and `site_text` the text of its file. `files`: what a `use` could name.
    """

    tops: Mapping[str, str]
    fetch: Fetch = lambda _: None
    uri_of: Callable[[str], str | None] = lambda _: None
    fixed: frozenset[str] = frozenset()
    setting: SiteFile | None = None
    site_text: str = ""
    files: tuple[str, ...] = ()

    @cached_property
    def signals(self) -> Catalogue:
        """The signals that rules may ask for."""
        return catalogue(self.setting.signals if self.setting else ())

    @cached_property
    def names(self) -> Names:
        """The names that rules may use."""
        return self.setting.names if self.setting else Names()


@dataclass(frozen=True)
class Sight:
    """One document seen with the files around it. `proofs` None: they are still to come."""

    file: str
    document: Document
    together: Together
    loaded: Loaded
    proofs: tuple[Diagnostic, ...] | None
    memo: Memo

    @cached_property
    def outlines(self) -> Mapping[str, Outline]:
        """The statements and names of every file."""
        return {file: outline(text, file, self.memo) for file, text in self.loaded.sources.items()}

    @property
    def files(self) -> tuple[str, ...]:
        """Every file that was read, and those that a `use` names and that were not there."""
        named = (one.name for outline in self.outlines.values() for one in outline.names
                 if one.kind == "file")  # fmt: skip
        return tuple(dict.fromkeys((*self.loaded.sources, *named)))

    @property
    def outline(self) -> Outline:
        """The statements and names of the document itself."""
        return self.outlines[self.file]

    def document_of(self, file: str) -> Document:
        """Any of the files as a document, in the counting of this one."""
        if file == self.file:
            return self.document
        return Document(self.loaded.sources.get(file, ""), self.document.encoding)

    def mention_at(self, offset: int) -> Mention | None:
        """The name at an offset, its last edge included."""
        for one in self.outline.names:
            start, end = self.document.offsets_of(one.span)
            if start <= offset <= end:
                return one
        return None


def look(file: str, document: Document, together: Together, memo: Memo) -> Sight:
    """Check the document as one of the files, with as much of the proofs as is quick."""
    tops = {**together.tops, file: document.text}
    loaded = load(
        tops, catalogue=together.signals, names=together.names, fetch=together.fetch,
        offered=lambda: together.files, memo=memo,
    )  # fmt: skip
    sight = Sight(file, document, together, loaded, (), memo)
    return sight if loaded.plan is None else _proved(sight, QUICK_MEETS)


def prove_all(sight: Sight, work: Work | None = None) -> Sight:
    """The same with all of the proofs. `work` given up: with what had been proved until then."""
    return sight if sight.proofs is not None else _proved(sight, None, work)


def _proved(sight: Sight, meets: int | None, work: Work | None = None) -> Sight:
    plan, site = sight.loaded.plan, sight.together.setting
    assert plan is not None
    packs = None if site is None else tuple(site.site.packs.values())
    signals, cells = sight.together.signals, {} if site is None else site.cells
    if meets is None:
        found: tuple[Diagnostic, ...] | None = prove(
            plan, signals, packs, cells, work=work
        ).diagnostics()
    else:
        quick = prove(plan, signals, packs, cells, meets=meets)
        found = None if quick.cut_short else quick.diagnostics()
    return Sight(sight.file, sight.document, sight.together, sight.loaded, found, sight.memo)


def alone(text: str, file: str = "draft.care", encoding: Encoding = "utf-16") -> Sight:
    """A text by itself, with no site and no other file."""
    return look(file, Document(text, encoding), Together({}), Memo())
