"""The one error shape: problem details (RFC 9457) with `errors: [{pointer, code, message}]`."""

from __future__ import annotations

from collections.abc import Iterable
from http import HTTPStatus
from typing import Any

import msgspec
from starlette.responses import Response

from grading.errors import Finding

MEDIA = "application/problem+json"


class Problem(Exception):
    """An answer that is not the one asked for. `retry_after_s` becomes the header."""

    def __init__(
        self,
        *,
        status: int,
        code: str,
        detail: str,
        findings: Iterable[Finding] = (),
        retry_after_s: int | None = None,
        extra: dict[str, Any] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status, self.code, self.detail = status, code, detail
        self.findings = tuple(findings)
        self.retry_after_s = retry_after_s
        self.extra = extra or {}

    def body(self) -> dict[str, Any]:
        return {
            "type": f"urn:drupe:problem:{self.code}",
            "title": HTTPStatus(self.status).phrase,
            "status": self.status,
            "detail": self.detail,
            "errors": [finding_json(f) for f in self.findings],
            **self.extra,
        }

    def response(self) -> Response:
        headers = {}
        if self.retry_after_s is not None:
            headers["Retry-After"] = str(self.retry_after_s)
        return Response(msgspec.json.encode(self.body()), self.status, headers, media_type=MEDIA)


def finding_json(finding: Finding) -> dict[str, str]:
    """One finding on the wire; the remedy is part of the message."""
    return {"pointer": finding.pointer, "code": finding.code,
            "message": f"{finding.message} {finding.remedy}".strip()}


def at(finding: Finding, prefix: str) -> Finding:
    """The finding seen from further out."""
    return Finding(prefix + finding.pointer, finding.code, finding.message, finding.remedy)
