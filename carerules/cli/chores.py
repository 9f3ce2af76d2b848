"""`carerules chore`: what only a person can do, and their word that it is done, or not now.

Knows the words. Does not know what a chore leads to.
"""

from __future__ import annotations

from pathlib import Path

import click

from carerules.adapters import ChoreAnswer, Problem, quoted
from carerules.cli.common import json_option, refuse, site_option
from carerules.cli.entries import enter
from carerules.cli.reader import reader_at
from carerules.cli.reading import say
from carerules.cli.sites import site_at
from carerules.domain.moment import MINUTE, WEEK, show_duration
from carerules.domain.quantity import DURATION, read_quantity
from carerules.report import chores_of, todo_lines
from carerules.report.shapes import ChoreShape

LATER = "12 h"
"""Until the other end of the day; a longer word has to be said."""


@click.command("chore")
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="[NUMBER done|later [DURATION]]")
@site_option
@json_option
def chore_command(words: tuple[str, ...], site_path: Path, as_json: bool) -> None:
    """List what is for you to do; or say that it is done, or not now.

    What a job asks is answered with `carerules answer`; what one waits for is done when it finds it
    so. Of a chore that names `carerules record PACK inspected` (or `calibrated`), `done` enters
    that as well. A move of the kept plan that is done says that the pack hangs there now.

    Example: carerules chore 1 done; carerules chore 2 later 4h
    """
    with reader_at(site_path) as reader:
        view = reader.now()
        shape = chores_of(view.world, view.keeper)
    chores = shape.chores
    if not words:
        say(shape, todo_lines(shape), as_json=as_json)
        return
    number, word, *rest = (*words, "", "")[: max(2, len(words))]
    chore = _meant(chores, number)
    if word == "done" and not rest:
        if chore.job is not None:
            mend = "answer it" if chore.asks else f"or call it off: `carerules cancel {chore.job}`"
            refuse(Problem(f"a chore that job `{chore.job}` waits for", "it done where the job "
                           "looks, not here", mend).show())  # fmt: skip
        enter(site_at(site_path), ChoreAnswer(chore.key, chore.text))
        return
    if word != "later":
        refuse(Problem(quoted(" ".join(words[1:])) if words[1:] else "nothing after the number",
                       "`done`, or `later` and a duration",
                       "write for instance `carerules chore 1 later 4h`").show())  # fmt: skip
    minutes = _minutes(" ".join(rest) or LATER)
    enter(site_at(site_path), ChoreAnswer(chore.key, chore.text, minutes))


def _meant(chores: list[ChoreShape], number: str) -> ChoreShape:
    if not number.isdecimal() or len(number) > 4 or not 1 <= int(number) <= len(chores):
        wanted = f"a number from 1 to {len(chores)}" if chores else "nothing: there is no chore"
        refuse(Problem(quoted(number), wanted, "`carerules chore` lists them; the number comes"
                       " first, as in `carerules chore 1 done`").show())  # fmt: skip
    return chores[int(number) - 1]


def _minutes(text: str) -> int:
    read = read_quantity(text, DURATION)
    length = 0 if isinstance(read, str) else round(read.value)
    if not MINUTE <= length <= WEEK:
        refuse(Problem(quoted(text), f"a duration from 1 min to {show_duration(WEEK)}",
                       "write for instance `4h`").show())  # fmt: skip
    return length // MINUTE
