"""Forms that the pages post: their fields, and that they come from one of our own pages."""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qsl, urlsplit

from starlette.requests import Request

from service.api.records import read_body
from service.problems import Problem

FORM_BYTES: Final = 1024 * 1024
FORM_FIELDS: Final = 6_000


async def form_values(request: Request, *, api: str = "/v1/lots/{lot_id}/pulls"
                      ) -> dict[str, str]:
    """The fields of a form-encoded body; of a repeated field the last one. api: where programs
    post instead."""
    media = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if media != "application/x-www-form-urlencoded":
        raise Problem(status=415, code="media_type", detail=(
            f"This address takes the form of the page. Post JSON to {api}."))
    body = await read_body(request, FORM_BYTES)
    try:
        return dict(parse_qsl(body.decode(), keep_blank_values=True, errors="strict",
                              max_num_fields=FORM_FIELDS))
    except ValueError:
        raise Problem(status=400, code="form", detail="The form cannot be read.") from None


def own_form(request: Request) -> None:
    """Refuse a form that another site's page sends through the reader's browser."""
    headers = request.headers
    origin = headers.get("origin", "")
    foreign = headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none") or (
        bool(origin) and urlsplit(origin).netloc != headers.get("host", ""))
    if foreign:
        raise Problem(status=403, code="foreign_form", detail=(
            "The form was sent from another site. Open the form here and fill it in again."))
