"""The documents that the interfaces to other programs publish, as the code has them.

``python -m tests.published_interfaces`` writes `dashboard/out/board.schema.json` and
`dashboard/api/openapi.json`; tests compare them.
"""

from __future__ import annotations

import inspect
import json
from typing import Any

import msgspec
import polars as pl

from analysis.tables import TABLES
from dashboard.api.routes import DOCUMENT
from dashboard.out.state import SCHEMA, BoardState

_PROBLEM = {
    "type": "object",
    "required": ["problem"],
    "properties": {"problem": {"type": "string", "description": "What is wrong, in a sentence."}},
}


def openapi() -> str:
    """Return the OpenAPI 3.1 document of the HTTP interface as JSON."""
    _, components = msgspec.json.schema_components([BoardState], ref_template="#/components/schemas/{name}")
    components = undented(components)
    tables = {
        f"table_{name}": _object({column: _column_schema(dtype) for column, dtype in schema.items()})
        for name, schema in TABLES.items()
    }
    told = {
        "openapi": "3.1.0",
        "info": {
            "title": "underair, read-only interface",
            "version": "1",
            "description": (
                "underair does not replace the set's own alarms, entry control, radio or training. "
                "Times are RFC 3339 in UTC. Units are in the names; the page of columns says what each "
                "column means. A missing value is null."
            ),
        },
        "security": [{"token": []}],
        "paths": {
            "/api/v1/openapi.json": {"get": _get("This document.", {"type": "object"}, open_=True)},
            "/api/v1/board": {
                "get": _get(
                    "The live board, one state for each incident. 503 when it does not show the present.",
                    _object({"states": {"type": "array", "items": _reference("BoardState")}}),
                    ("503",),
                    "watch or desk",
                )
            },
            "/api/v1/incidents": {
                "get": _get(
                    "All incidents that a desk mentioned.",
                    _object({"incidents": {"type": "array", "items": _reference("incident")}}),
                    (),
                    "review",
                )
            },
            "/api/v1/incidents/{key}/{table}": {
                "parameters": [
                    {"name": "key", "in": "path", "required": True, "schema": {"type": "string"}},
                    {
                        "name": "table",
                        "in": "path",
                        "required": True,
                        "schema": {"type": "string", "enum": list(TABLES)},
                    },
                ],
                "get": _get(
                    "One table of an incident's results.",
                    {
                        "oneOf": [
                            _object(
                                {
                                    "table": {"const": name},
                                    "rows": {"type": "array", "items": _reference(f"table_{name}")},
                                }
                            )
                            for name in TABLES
                        ]
                    },
                    ("404",),
                    "review",
                ),
            },
        },
        "components": {
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "From `underair account token`; not needed where nobody signs in.",
                }
            },
            "schemas": {
                **components,
                **tables,
                "problem": _PROBLEM,
                "incident": _object(
                    {
                        "key": {"type": "string"},
                        "incident_id": {"type": "string"},
                        "first": {"type": "string", "format": "date-time"},
                        "last": {"type": "string", "format": "date-time"},
                    }
                ),
            },
        },
    }
    return json.dumps(told, indent=1, ensure_ascii=False) + "\n"


def _get(
    what: str, schema: dict[str, Any], refusals: tuple[str, ...] = (), roles: str = "", *, open_: bool = False
) -> dict[str, Any]:
    answers: dict[str, Any] = {
        "200": {"description": what, "content": {"application/json": {"schema": schema}}}
    }
    problem = {"application/json": {"schema": _reference("problem")}}
    for status in (*refusals, *(() if open_ else ("401", "403"))):
        answers[status] = {"description": "Refused, with the reason.", "content": problem}
    told: dict[str, Any] = {"summary": what, "responses": answers}
    if roles:
        told["description"] = f"For the role {roles}."
    if open_:
        told["security"] = []
    return told


def _object(properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "required": list(properties),
        "properties": properties,
        "additionalProperties": False,
    }


def _reference(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _column_schema(dtype: pl.DataType) -> dict[str, Any]:
    if isinstance(dtype, pl.List):
        return {"type": ["array", "null"], "items": {"type": "string"}}
    if isinstance(dtype, pl.Datetime):
        return {"type": ["string", "null"], "format": "date-time"}
    if dtype == pl.Boolean:
        return {"type": ["boolean", "null"]}
    if dtype.is_integer():
        return {"type": ["integer", "null"]}
    if dtype.is_float():
        return {"type": ["number", "null"]}
    return {"type": ["string", "null"]}


def undented(schema: Any) -> Any:
    """Return a JSON Schema whose descriptions have no indentation: to Python 3.12 a docstring keeps it."""
    if isinstance(schema, list):
        return [undented(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    return {
        name: inspect.cleandoc(told) if name == "description" and isinstance(told, str) else undented(told)
        for name, told in schema.items()
    }


def board_schema() -> str:
    """Return the JSON Schema (2020-12) of a state."""
    told = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "State of the live board of one incident",
        **undented(msgspec.json.schema(BoardState)),
    }
    return json.dumps(told, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    SCHEMA.write_text(board_schema(), encoding="utf-8")
    DOCUMENT.write_text(openapi(), encoding="utf-8")
