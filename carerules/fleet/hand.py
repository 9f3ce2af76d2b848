"""One piece of work, done wherever it is handed to: plain data in, plain data out.

Knows what kinds of work there are. Does not know how it got here. What crosses between machines is
this module's name and the data; no function that is made of anybody's text.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from time import thread_time
from typing import Any, Literal, TypedDict

from carerules.adapters import Problem
from carerules.adapters.tapefile import TapeFileError
from carerules.fleet.folder import TapeShape, read_list
from carerules.fleet.replaying import ReplayAsked, replay_bunch
from carerules.fleet.reporting import report_bunch, report_rules
from carerules.fleet.which import version


class Work(TypedDict):
    """One bunch of one site, or (`bunch` None) what is asked of the site as a whole.

    `digest`: of the list that who asks has read; another one here is another fleet.
    `begins`, `ends`: moments.
    """

    version: str
    kind: Literal["replay", "report", "rules"]
    folder: str
    site: str
    bunch: int | None
    begins: int
    ends: int
    replay: ReplayAsked | None


class Done(TypedDict):
    """What came of it, or why nothing did (one line); CPU seconds of the thread that did it."""

    told: Any
    refused: str | None
    cpu_s: float


def do(work: Work) -> Done:
    """Do it. What is wrong with files or versions is said, not raised."""
    if work["version"] != version():
        return _refused(f"found carerules {version()} where bunches are gone through, wanted "
                        f"{work['version']} as here; mend: install the same on both")  # fmt: skip
    begun = thread_time()
    folder = Path(work["folder"])
    listed = _list_of(folder, _stamp(folder))
    if isinstance(listed, Problem):
        return _refused(listed.show())
    if (listed.begins, listed.ends) != (work["begins"], work["ends"]):
        return _refused(f"found another tape in `{folder}` there than here; mend: let all machines "
                        "see the same folder")  # fmt: skip
    try:
        told = _told(work, folder, listed)
    except TapeFileError as error:
        bunch = "" if work["bunch"] is None else f", bunch {work['bunch']}"
        return _refused(f"found a file in `{folder}`{bunch} that is not whole: {error}; "
                        "mend: write it again with `carerules export --tape`")  # fmt: skip
    return Done(told=told, refused=None, cpu_s=thread_time() - begun)


def _told(work: Work, folder: Path, listed: TapeShape) -> object:
    at = work["bunch"]
    if at is None:
        return report_rules(folder)
    bunch = listed.bunches[at]
    if work["kind"] == "report":
        return report_bunch(folder, listed, bunch, work["site"])
    asked = work["replay"]
    assert asked is not None
    return replay_bunch(folder, listed, bunch, asked)


def _refused(why: str) -> Done:
    return Done(told=None, refused=why, cpu_s=0.0)


def _stamp(folder: Path) -> tuple[int, int]:
    try:
        told = (folder / "tape.json").stat()
    except OSError:
        return 0, 0
    return told.st_mtime_ns, told.st_size


@lru_cache(maxsize=8)
def _list_of(folder: Path, _stamp: tuple[int, int]) -> TapeShape | Problem:
    """A site's list is read once for all its bunches, and again when it is another."""
    return read_list(folder)
