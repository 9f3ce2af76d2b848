"""The interface for programs described: OpenAPI 3.1, made of the table of addresses and the shapes.

Knows the description's form. Does not know how anything is answered. Source: OpenAPI Specification
3.1.1 (spec.openapis.org).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import Any, TypeAlias

from pydantic import BaseModel, Field, TypeAdapter
from pydantic.json_schema import models_json_schema

from carerules.board.api import BASE
from carerules.board.api.doors import DOORS, Door
from carerules.board.api.words import ENTRY, Asked, Named
from carerules.board.problem import PROBLEM_TYPE

Flat: TypeAlias = dict[str, Any]

_REF = "#/components/schemas/{model}"


class ProblemShape(BaseModel):
    """What is wrong, in one line (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str = Field(description="What was found, what was wanted, the mend.")


_ANYWHERE: Mapping[int, str] = {
    400: "The query or body is not what the address takes.",
    401: "No token was shown, and this board has one.",
    404: "There is no such address.",
    405: "The address does not take this method.",
    414: "The address is too long.",
    421: "The name that was asked for is not one of this board's.",
    503: "The journal cannot be read or written, or the stop did not come to a good end.",
}


def document() -> Flat:
    """The whole description."""
    answered: list[type[BaseModel]] = [ProblemShape, *(door.shape for door in DOORS)]
    _, schemas = models_json_schema([(one, "serialization") for one in answered], ref_template=_REF)
    body = TypeAdapter(ENTRY._type).json_schema(ref_template=_REF)
    known = {**schemas["$defs"], **body.pop("$defs")}
    known["Entry"] = body
    return {
        "openapi": "3.1.1",
        "info": {
            "title": "carerules", "version": BASE.rpartition("/")[2],
            "summary": "Look at a site of lithium packs, and enter what only people know.",
            "description": "Served by the board of a site. The shapes are those that `--json` "
            "prints: docs/json.md. Within one `shape` number no field is taken away or given "
            "another meaning; new ones may come.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "security": [{"token": []}],
        "paths": {
            f"{BASE}/openapi.json": {"get": _described()},
            **{f"{BASE}{door.path}": {door.method.lower(): _operation(door)} for door in DOORS},
        },
        "components": {
            "schemas": {name: known[name] for name in sorted(known)},
            "responses": {f"Wrong{status}": _wrong(why) for status, why in _ANYWHERE.items()},
            "securitySchemes": {"token": {
                "type": "http", "scheme": "bearer",
                "description": "The token of the site file's `token_file`; a board without one "
                "asks for none.",
            }},
        },
    }  # fmt: skip


@cache
def document_text() -> str:
    """The description as it is served and kept; made when somebody asks for it first."""
    return json.dumps(document(), indent=1, ensure_ascii=False) + "\n"


def _described() -> Flat:
    return {
        "operationId": "openapi", "summary": "This description.",
        "responses": {
            "200": {"description": "OpenAPI 3.1.",
                    "content": {"application/json": {"schema": {"type": "object"}}}},
            **_anywhere(),
        },
    }  # fmt: skip


def _operation(door: Door) -> Flat:
    name = door.path.strip("/").partition("/")[0]
    made: Flat = {"operationId": name, "summary": door.summary}
    parameters = [*_in_path(door), *_in_query(door.query)]
    if parameters:
        made["parameters"] = parameters
    ok: Flat = {"description": "As asked.", "content": _json(door.shape.__name__)}
    made["responses"] = {"200": ok}
    if door.method == "POST":
        made["requestBody"] = {"required": True, "content": _json("Entry")}
        ok["description"] = "The service has taken it in."
        made["responses"]["202"] = {
            "description": "It is kept; no service has answered yet.",
            "content": _json(door.shape.__name__),
        }
    made["responses"] |= _anywhere()
    made["responses"] |= {str(status): _wrong(why) for status, why in door.wrong.items()}
    return made


def _in_path(door: Door) -> list[Flat]:
    if "{pack}" not in door.path:
        return []
    schema = TypeAdapter(Named).json_schema()
    return [{"name": "pack", "in": "path", "required": True, "schema": schema,
             "description": "A pack of the site file."}]  # fmt: skip


def _in_query(query: type[Asked]) -> list[Flat]:
    schema = query.model_json_schema(ref_template=_REF)
    made = []
    for name, one in schema.get("properties", {}).items():
        one.pop("title", None)
        words = one.pop("description", "")
        # What may be left out is left out; null cannot be written in an address.
        kinds = [kind for kind in one.pop("anyOf", []) if kind.get("type") != "null"]
        one.update(*kinds)
        if one.get("default", 0) is None:
            del one["default"]
        made.append({
            "name": name, "in": "query", "required": name in schema.get("required", ()),
            "schema": one, **({"description": words} if words else {}),
        })  # fmt: skip
    return made


def _anywhere() -> Flat:
    return {str(status): {"$ref": f"#/components/responses/Wrong{status}"} for status in _ANYWHERE}


def _wrong(why: str) -> Flat:
    schema = {"$ref": _REF.format(model=ProblemShape.__name__)}
    return {"description": why, "content": {PROBLEM_TYPE: {"schema": schema}}}


def _json(model: str) -> Flat:
    return {"application/json": {"schema": {"$ref": _REF.format(model=model)}}}
