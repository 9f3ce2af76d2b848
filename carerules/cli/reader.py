"""A site's journal opened for looking only, and the names and times that people type for it.

Knows where it lies. Does not know what is looked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from carerules.adapters import Problem, is_there, quoted, read_past
from carerules.cli.common import refuse
from carerules.cli.sites import journal_of, journal_path, site_at
from carerules.domain.moment import Moment
from carerules.domain.ports import JournalError
from carerules.domain.spelling import alike
from carerules.loop import World
from carerules.service.reading import Reader, reader_of


@contextmanager
def reader_at(site_path: Path) -> Iterator[Reader]:
    """The reader of the site; a site that never ran has no journal, and none is made."""
    site = site_at(site_path)
    path = journal_path(site)
    try:
        known = is_there(path)
    except JournalError as error:
        refuse(str(error))
    if not known:
        yield reader_of(site, path, None)
        return
    with journal_of(site) as journal:
        yield reader_of(site, path, journal)


def misnamed(name: str, known: Iterable[str], wanted: str) -> Problem | None:
    """What to say of a name that is not among the known ones, with the nearest that is."""
    names = sorted(known)
    if name in names:
        return None
    if name.endswith(".toml"):
        return Problem(quoted(name), wanted, f"a site file stands behind `--site`: `--site {name}`")
    close = alike(name, names)
    if close:
        return Problem(quoted(name), wanted, f"did you mean {quoted(close[0])}?")
    shown = ", ".join(map(quoted, names[:12])) + (" and more" if len(names) > 12 else "")
    there = f"there {'is' if len(names) == 1 else 'are'} {shown}" if names else "there is none"
    return Problem(quoted(name), wanted, there)


def must_be_one_of(name: str, known: Iterable[str], wanted: str) -> None:
    """Refuse a name that is unknown: one line, exit 2."""
    problem = misnamed(name, known, wanted)
    if problem is not None:
        refuse(problem.show())


def past_moment(text: str, world: World) -> Moment:
    """A time that somebody typed, at most the world's now; or what is wrong with it, and exit 2."""
    read = read_past(text, world.local.read(world.now))
    if isinstance(read, Problem):
        refuse(read.show())
    return world.local.moment(read)
