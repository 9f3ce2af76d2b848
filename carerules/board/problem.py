"""What is wrong with a request, for a program: one line of JSON.

Knows the form. Does not know what is asked. Source: RFC 9457 (Problem Details for HTTP APIs).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus

from starlette.responses import Response

PROBLEM_TYPE = "application/problem+json"
DETAIL_CHARS_MAX = 500
"""A line of ours with the author's words in it, which are cut short at 60 characters each."""


def problem(status: int, detail: str, headers: Mapping[str, str] | None = None) -> Response:
    """The answer that says what was found, what was wanted, the mend. `type` is `about:blank`, so
    that the title is the status's own."""
    body = {
        "type": "about:blank", "title": HTTPStatus(status).phrase, "status": status,
        "detail": detail[:DETAIL_CHARS_MAX],
    }  # fmt: skip
    text = json.dumps(body, ensure_ascii=False).encode("utf-8", "replace")
    return Response(text, status, headers, PROBLEM_TYPE)
