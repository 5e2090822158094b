"""OpenAPI for what the framework does not see: the raw record route and the one error shape."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI

from service.api.records import record_schema
from service.problems import MEDIA
from service.sources import NAME

PROBLEM: dict[str, Any] = {
    "type": "object",
    "description": "Problem details (RFC 9457); `errors` says what is wrong where.",
    "required": ["type", "title", "status", "detail", "errors"],
    "properties": {
        "type": {"type": "string"}, "title": {"type": "string"}, "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {"type": "array", "items": {
            "type": "object", "required": ["pointer", "code", "message"],
            "properties": {k: {"type": "string"} for k in ("pointer", "code", "message")}}},
    },
}

OUTCOMES: dict[str, Any] = {
    "type": "object",
    "required": ["lot", "source", "run", "received", "stored", "duplicates", "conflicts",
                 "lot_closed", "refused", "outcomes"],
    "properties": {
        **{k: {"type": "string"} for k in ("lot", "source", "run")},
        **{k: {"type": "integer"} for k in (
            "received", "stored", "duplicates", "conflicts", "lot_closed", "refused")},
        "commit": {"type": ["integer", "null"]},
        "clock": {"type": "object", "description": "Fruit with an odd time: ahead, doubtful, late",
                  "additionalProperties": {"type": "integer"}},
        "skipped": {"type": "array", "items": {"type": "integer"}, "minItems": 2, "maxItems": 2,
                    "description": "Numbers left out since the fruit before, first and last"},
        "outcomes": {"type": "array", "items": {
            "type": "object", "required": ["seq", "outcome"],
            "properties": {
                "seq": {"type": ["integer", "null"]},
                "outcome": {"enum": ["stored", "duplicate", "conflict", "lot_closed", "refused"]},
                **{k: {"type": "string"} for k in (
                    "size", "maturity", "grade", "pack", "decisive", "lot")},
                "errors": {"type": "array", "items": {"type": "object"}},
            }}},
    },
}


def _problems(*statuses: int) -> dict[str, Any]:
    return {str(s): {
        "description": "Problem details",
        "content": {MEDIA: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    } for s in statuses}


def _records() -> dict[str, Any]:
    one = {"$ref": "#/components/schemas/FruitRecord"}
    text = {"schema": {"type": "string"}}
    good = {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Outcomes"}}}}
    return {"post": {
        "tags": ["records"],
        "summary": "Send fruit records",
        "description": (
            "One object, an array, NDJSON, CSV or Parquet. Every record gets its own outcome, in "
            "order; the answer leaves after the commit. The key of a fruit is source, run and "
            "seq, for ever: the same record again gets its first answer, another record under a "
            "taken key is refused."),
        "operationId": "post_records",
        "parameters": [*({
            "name": name, "in": "query", "required": name != "lot", "description": said,
            "schema": {"type": "string", "pattern": NAME},
        } for name, said in (
            ("source", "Who sends"), ("run", "Its counting run"),
            ("lot", "Where the fruit go; without it, to the lot that the source's line packs"),
        )), {
            "name": "Authorization", "in": "header", "required": False,
            "description": "Bearer and the source's key, if the source is registered",
            "schema": {"type": "string"},
        }],
        "requestBody": {"required": True, "content": {
            "application/json": {"schema": {"oneOf": [one, {"type": "array", "items": one}]}},
            "application/x-ndjson": text, "text/csv": text,
            "application/vnd.apache.parquet": {"schema": {"type": "string", "format": "binary"}},
        }},
        "responses": {
            "200": {"description": "All of them were stored before", **good},
            "201": {"description": "Stored", **good},
            **_problems(400, 401, 403, 404, 409, 413, 415, 422, 503, 507),
        },
    }}


def describe(app: FastAPI) -> None:
    """Complete the app's OpenAPI document."""
    made = app.openapi

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is not None:
            return app.openapi_schema
        document = made()
        schemas = document.setdefault("components", {}).setdefault("schemas", {})
        schemas.update(record_schema(), Problem=PROBLEM, Outcomes=OUTCOMES)
        for name in ("HTTPValidationError", "ValidationError"):
            schemas.pop(name, None)
        for path in document["paths"].values():
            for operation in path.values():
                responses = operation["responses"]
                if "422" in responses:
                    responses.update(_problems(400, 404, 409, 422, 503, 507))
        document["paths"]["/v1/records"] = _records()
        return document

    app.openapi = openapi  # type: ignore[method-assign]  # the way FastAPI documents
