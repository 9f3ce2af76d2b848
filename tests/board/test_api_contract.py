"""The interface held to its own description by schemathesis: what it generates from the schema is
answered as the schema says, in this process and without a network.

Source: OpenAPI Specification 3.1.1, JSON Schema 2020-12, RFC 9110 (405 and `Allow`).
"""

from __future__ import annotations

import os
from typing import Any

import pytest
import schemathesis
from board_kit import DOOR, FROM_HERE, TOKEN, AskedHere
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator
from reading_kit import Story, draining_heron
from schemathesis.config import SchemathesisConfig
from schemathesis.core.failures import FailureGroup
from schemathesis.generation import GenerationMode
from starlette.responses import Response

from carerules.board import Access, JournalSource, Pages, app_of
from carerules.board.api.openapi import document
from carerules.board.halt import Halt
from carerules.service.off import OffReport
from carerules.service.stopping import StopReport

EXAMPLES = int(os.environ.get("CARERULES_API_EXAMPLES", "12"))
"""Of each operation and mode: some seconds in all; as many as wanted by hand."""
FROM = [(name.encode(), value.encode()) for name, value in FROM_HERE.items()]

CONFIG = SchemathesisConfig.from_dict({"checks": {"negative_data_rejection": {
    # Beside its own list: an address that is too long (RFC 9110, 15.5.15) is refused as such.
    "expected-statuses": ["400", "401", "404", "405", "409", "414", "415"],
}}})  # fmt: skip

QUIET = settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    story = draining_heron(tmp_path_factory.mktemp("contract"))
    story.close()  # no service runs: nobody has to be waited for
    return story


def app(story: Story) -> Any:
    made = Pages(story.site, JournalSource(story.site), Access(DOOR, TOKEN))
    made.asked = AskedHere(story.path)  # type: ignore[assignment]
    made.halt = Halt(lambda: StopReport("taken in", None, OffReport(("A-load",), ())))
    board = app_of(made)

    async def asked_here(scope: Any, receive: Any, send: Any) -> None:
        """Every request comes from the board's own address: that is the gate's part, not the
        description's (test_api.py)."""
        kept = [(name, value) for name, value in scope["headers"]
                if name not in (b"host", b"origin", b"sec-fetch-site")]  # fmt: skip
        headers = [*kept, (b"host", b"127.0.0.1:8455"), *FROM]
        await board({**scope, "headers": headers}, receive, send)

    return asked_here


class Shown:
    """The token as a program shows it."""

    def get(self, case: Any, context: Any) -> str:
        return TOKEN

    def set(self, case: Any, data: str, context: Any) -> None:
        case.headers = {**(case.headers or {}), "Authorization": f"Bearer {data}"}


OPERATIONS = [(method, path) for path, item in document()["paths"].items() for method in item]


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=str)
@pytest.mark.parametrize(("method", "path"), OPERATIONS, ids=str)
def test_each_operation_keeps_to_its_description(
    story: Story, method: str, path: str, mode: GenerationMode
) -> None:
    schema = schemathesis.openapi.from_dict(document(), config=CONFIG)
    schema.app = app(story)
    schema.auth()(Shown)
    operation = schema[path][method.upper()]
    strategy = operation.as_strategy(generation_mode=mode)
    seen: list[int] = []

    @QUIET
    @given(strategy)
    def checked(case: Any) -> None:
        response = case.call()
        seen.append(response.status_code)
        case.validate_response(response)

    checked()
    assert seen


def test_the_description_is_sound() -> None:
    schemas = document()["components"]["schemas"]
    for name, schema in schemas.items():
        Draft202012Validator.check_schema(schema)
        if schema.get("type") == "object" and name != "ProblemShape":
            assert schema["additionalProperties"] is False, name


@pytest.mark.parametrize("planted", ["a field too many", "a status", "a type"])
def test_a_fault_planted_in_an_answer_is_found(
    story: Story, planted: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = {
        "a field too many": (200, b'{"shape": 1, "site": "x", "uses": [], "more": 1}', "json"),
        "a status": (418, b"{}", "json"),
        "a type": (200, b'{"shape": 1, "site": "x", "uses": []}', "xml"),
    }
    status, body, kind = answers[planted]

    async def wrong(*_: Any) -> Response:
        return Response(body, status, media_type=f"application/{kind}")

    monkeypatch.setattr("carerules.board.api.routes._behind", lambda *_: wrong)
    schema = schemathesis.openapi.from_dict(document(), config=CONFIG)
    schema.app = app(story)
    schema.auth()(Shown)
    case = schema["/api/1/uses"]["GET"].Case()
    with pytest.raises(FailureGroup):
        case.call_and_validate(headers={"authorization": f"Bearer {TOKEN}"})
