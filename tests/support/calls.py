"""One request to a service that may refuse, break off or be gone."""

from __future__ import annotations

import http.client
import json
from dataclasses import dataclass
from typing import Any

PROBLEM = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Answer:
    """status: 0 when no whole answer came. media, retry_after: headers; body: decoded JSON."""

    status: int
    media: str = ""
    retry_after: str | None = None
    body: Any = None

    @property
    def told_plainly(self) -> bool:
        """Whether it is a problem document that names what happened."""
        return self.media == PROBLEM and self.body["status"] == self.status


def call(port: int, method: str, path: str, body: Any = None, *, timeout_s: float = 30) -> Answer:
    """The answer; status 0 when the connection broke."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout_s)
    try:
        payload = None if body is None else json.dumps(body)
        connection.request(method, path, payload, {"Content-Type": "application/json"})
        answer = connection.getresponse()
        raw = answer.read()
    except (OSError, http.client.HTTPException):
        return Answer(0)
    finally:
        connection.close()
    return Answer(answer.status, answer.headers.get("content-type", "").split(";")[0],
                  answer.headers.get("retry-after"), json.loads(raw) if raw else None)
