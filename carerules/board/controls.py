"""The buttons and fields of the page, read at the door: a form in, an entry out, or what is wrong.

Knows the fields' names. Does not know what an entry leads to: it takes the way of every entry.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TypeAlias
from urllib.parse import parse_qsl

from carerules.adapters import (
    Answer,
    Cancel,
    ChoreAnswer,
    Entry,
    PlanDrop,
    Problem,
    Want,
    parse_attend,
    parse_place,
    parse_record,
    parse_release,
    quoted,
)
from carerules.domain.pack import Site
from carerules.domain.spelling import printable

FORM_BYTES_MAX = 4_096
"""Two hundred cells of five signs each, with their names, are half of it."""
FIELDS_MAX = 220
KEY_CHARS_MAX = 200
TEXT_CHARS_MAX = 500
LATER_MINUTES = 12 * 60
"""`not now`: until the other end of the day."""

Form: TypeAlias = Mapping[str, Sequence[str]]
"""Each field's values, in the order of the page."""


def read_form(body: bytes) -> Form | Problem:
    """The fields of a form as a browser sends them."""
    try:
        pairs = parse_qsl(
            body.decode("ascii"), keep_blank_values=True, strict_parsing=bool(body),
            errors="strict", max_num_fields=FIELDS_MAX,
        )  # fmt: skip
    except ValueError:
        return Problem("no form", "the fields of a form of this page", "load the page again")
    fields: dict[str, list[str]] = {}
    for name, value in pairs:
        fields.setdefault(name, []).append(value)
    return fields


def entry_of(form: Form, site: Site, now: datetime) -> Entry | Problem:
    """The entry that a form makes; `now` is the wall time, aware."""
    kind = first(form, "do")
    reader = _KINDS.get(kind)
    if reader is None:
        return Problem(quoted(kind), "a button of this page", "load the page again")
    return reader(form, site, now)


def first(form: Form, name: str) -> str:
    """The field's value; empty: it is not there."""
    values = form.get(name, ())
    return values[0].strip() if values else ""


def _record(form: Form, site: Site, now: datetime) -> Entry | Problem:
    """Something that happened, or one value: `what` is the word, `value` its number."""
    what = first(form, "what")
    values = [_pointed(value) for value in form.get("value", ()) if value.strip()]
    if what == "bars":
        values = [f"{first(form, 'lit')}", "of", f"{first(form, 'of')}"]
    if what == "temperature" and values:
        values.append(first(form, "unit") or "°C")
    words = [what, *" ".join(values).split()]
    return parse_record(first(form, "pack"), words, None, site, now)


def _pointed(value: str) -> str:
    """The number with a decimal point: many keypads offer a comma only, and a field holds one
    number, so that here a comma can mean nothing else."""
    return re.sub(r"(?<=[0-9]),(?=[0-9])", ".", value.strip(), count=1)


def _place(form: Form, site: Site, _now: datetime) -> Entry | Problem:
    return parse_place(first(form, "pack"), first(form, "station") or None, site)


def _attend(form: Form, _site: Site, now: datetime) -> Entry | Problem:
    return parse_attend(first(form, "minutes"), now)


def _release(form: Form, site: Site, _now: datetime) -> Entry | Problem:
    if first(form, "looked") != "yes":
        return Problem("no word that somebody has looked", "the box ticked",
                       "look at it first, then tick the box")  # fmt: skip
    return parse_release(first(form, "what"), site)


def _want(form: Form, site: Site, now: datetime) -> Entry | Problem:
    pack, goal = first(form, "pack"), first(form, "goal")
    if pack not in site.packs:
        return Problem(quoted(pack), "a pack of the site file", "load the page again")
    if goal not in ("storage", "ready"):
        return Problem(quoted(goal), "`storage` or `ready`", "press one of the two")
    return Want(pack, "storage" if goal == "storage" else "ready", now)


def _cancel(form: Form, _site: Site, _now: datetime) -> Entry | Problem:
    job = first(form, "job")
    return Cancel(job) if _is_job(job) else _no_job(job)


def _answer(form: Form, _site: Site, _now: datetime) -> Entry | Problem:
    job, word = first(form, "job"), first(form, "answer")
    if word not in ("yes", "no"):
        return Problem(quoted(word), "`yes` or `no`", "press one of the two")
    return Answer(job, word == "yes") if _is_job(job) else _no_job(job)


def _chore(form: Form, _site: Site, _now: datetime) -> Entry | Problem:
    """Which chore it was stands in the form; one that is there no more hears nothing."""
    key, text, word = first(form, "key"), first(form, "text"), first(form, "answer")
    if not 0 < len(key) <= KEY_CHARS_MAX or not key.isprintable():
        return Problem("no chore", "a chore of this page", "load the page again")
    if word not in ("done", "later"):
        return Problem(quoted(word), "`done` or `later`", "press one of the two")
    later = None if word == "done" else LATER_MINUTES
    return ChoreAnswer(key, printable(text)[:TEXT_CHARS_MAX], later)


def _is_job(job: str) -> bool:
    """A job is named by its pack and a number; whether there is such a one the service knows."""
    return re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,39}-[0-9]{1,12}", job) is not None


def _no_job(job: str) -> Problem:
    return Problem(quoted(job), "a job under way", "load the page again")


_KINDS: Mapping[str, Callable[[Form, Site, datetime], Entry | Problem]] = {
    "record": _record,
    "place": _place,
    "attend": _attend,
    "release": _release,
    "want": _want,
    "cancel": _cancel,
    "answer": _answer,
    "chore": _chore,
    "plan-drop": lambda _form, _site, _now: PlanDrop(),
}
