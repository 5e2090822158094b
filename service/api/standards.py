"""Pack standards and cultivar profiles over HTTP."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response

from grading.errors import StandardError
from grading.standard import PackStandard
from service.context import context
from service.problems import Problem

router = APIRouter(prefix="/v1", tags=["standards"])


def brief(standard: PackStandard) -> dict[str, Any]:
    """A standard in one line."""
    return {
        "name": standard.name, "id": standard.id, "edition": standard.edition,
        "title": standard.title, "body": standard.body, "produce": list(standard.produce),
        "verified": standard.verified, "digest": standard.digest(),
        "in_force_from": standard.in_force_from.isoformat(),
        "bases": [t.basis for t in standard.sizing if not t.overlap],
        "grades": [{"id": g.id, "title": g.title} for g in standard.grade],
    }


@router.get("/standards", summary="List pack standards")
async def list_standards(request: Request) -> dict[str, Any]:
    return {"standards": [brief(s) for s in context(request).library.standards()]}


@router.get("/standards/schema", summary="JSON Schema of a standard file")
async def schema() -> dict[str, Any]:
    return PackStandard.model_json_schema(by_alias=True)


@router.get("/standards/{name}", summary="Read a pack standard")
async def read_standard(name: str, request: Request, response: Response) -> dict[str, Any]:
    """The standard in full, with the evidence behind each number. `name`: id or id@edition."""
    try:
        standard = context(request).library.standard(name)
    except StandardError as error:
        raise Problem(status=404, code="unknown_standard", detail=str(error)) from error
    response.headers["ETag"] = f'"{standard.digest()}"'
    return {
        **brief(standard), "evidence": standard.evidence(),
        "content": standard.model_dump(mode="json", by_alias=True, exclude_none=True),
    }


@router.get("/cultivars", summary="List cultivar profiles")
async def list_cultivars(request: Request) -> dict[str, Any]:
    return {"cultivars": [
        {"digest": p.digest(), **p.model_dump(mode="json", by_alias=True)}
        for p in context(request).library.profiles()
    ]}
