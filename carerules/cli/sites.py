"""The site that a command is about, and its journal.

Knows where they are looked for, and how each is refused. Does not know what is done with them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import click
from click.core import ParameterSource

from carerules.adapters import JournalPlace, KeptJournal, OutboxFile, is_there, open_journal
from carerules.cli.common import SITE_HERE, refuse
from carerules.config import SiteFile, read_site
from carerules.domain.notice import Outbox
from carerules.domain.ports import JournalError


def site_at(path: Path) -> SiteFile:
    """The site file, read and checked; or all its problems, and exit 2."""
    must_be_named(path)
    read = read_site(path)
    if not isinstance(read, SiteFile):
        refuse(*(problem.show() for problem in read))
    return read


def must_be_named(path: Path) -> None:
    """Where nobody named a site and none lies here, the mend is to name one."""
    context = click.get_current_context(silent=True)
    source = context.get_parameter_source("site_path") if context is not None else None
    if source is ParameterSource.DEFAULT and path == Path(SITE_HERE) and not path.exists():
        words = context.params.values() if context is not None else ()
        meant = next((word for word in words if isinstance(word, str) and _is_site(word)), "FILE")
        refuse(
            f"found no `{SITE_HERE}` in this folder, and no other named, wanted a site file\n"
            f"  mend: name yours with `--site {meant}`, or once for all commands with "
            f"`export CARERULES_SITE={meant}`; `carerules new FOLDER` makes one"
        )


def _is_site(word: str) -> bool:
    """What stands in a pack's place, since `run` and others take it there."""
    return word.endswith(".toml") and word.isprintable() and "`" not in word


def site_to_stop(path: Path) -> tuple[SiteFile, list[str]]:
    """The site file for who says nothing but OFF, and what is wrong with the files that it names:
    neither a rule file that is not there nor one password must keep a person from the other plugs.
    What is wrong with itself: exit 2."""
    must_be_named(path)
    read = read_site(path)
    if isinstance(read, SiteFile):
        return read, []
    anyhow = read_site(path, to_stop=True)
    wrong = [problem.show() for problem in read]
    if not isinstance(anyhow, SiteFile):
        refuse(*wrong)
    return anyhow, wrong


def journal_path(site: SiteFile) -> JournalPlace:
    """Where the site's journal lies."""
    return site.journal


def make_state(site: SiteFile) -> None:
    """Make the folder of what else is kept, as a journal in a file does. Raises `JournalError`."""
    try:
        site.state.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(f"`{site.state}`: {(error.strerror or 'unknown fault').lower()}",
                           "give the service's user the folder") from error  # fmt: skip


def outbox_of(site: SiteFile) -> Outbox:
    """What people were told, and what became of it; empty where nothing is journalled yet."""
    path = journal_path(site)
    try:
        if not is_there(path):
            return Outbox()
        with closing(OutboxFile(path)) as file:
            return file.load()
    except JournalError as error:
        refuse(str(error))


@contextmanager
def journal_of(site: SiteFile) -> Iterator[KeptJournal]:
    """The site's journal, open to be read; a fault of it in one line, and exit 2."""
    try:
        journal = open_journal(journal_path(site), owner=False)
    except JournalError as error:
        refuse(str(error))
    try:
        yield journal
    except JournalError as error:
        refuse(str(error))
    finally:
        journal.close()
