"""A form off a request, read no further than it may be long.

Knows bodies and their bounds. Does not know what a field means (`controls`).
"""

from __future__ import annotations

from starlette.requests import Request

from carerules.adapters import Problem
from carerules.board.controls import FORM_BYTES_MAX, Form, first, read_form
from carerules.board.rulework import TEXT_BYTES_MAX, plain_text
from carerules.domain.frozen import guarded


@guarded
class Edited:
    """A rule file as it was sent: what is to `do` with the text, and the mark of the file that was
    edited."""

    do: str
    text: str
    mark: str


async def form_of(request: Request, bytes_max: int = FORM_BYTES_MAX) -> Form | Problem:
    """The form of a request."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        return Problem("no form", "a form of this page", "press a button of the page")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > bytes_max:
            return Problem("a longer form", f"at most {bytes_max} bytes", "enter less at once")
    return read_form(bytes(body))


async def edited_of(request: Request) -> Edited | Problem:
    """The rule file of a request."""
    form = await form_of(request, 3 * TEXT_BYTES_MAX + FORM_BYTES_MAX)  # each sign may be escaped
    if isinstance(form, Problem):
        return form
    text = plain_text((form.get("text") or ("",))[0])
    if len(text.encode("utf-8", "replace")) > TEXT_BYTES_MAX or "\0" in text:
        return Problem("a longer text", f"at most {TEXT_BYTES_MAX} bytes",
                       "edit it on the machine itself")  # fmt: skip
    return Edited(first(form, "do"), text, first(form, "mark"))
