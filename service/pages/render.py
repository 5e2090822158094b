"""Templates, static files and the reader's choices; everything is served from this machine."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from service.context import Context, context
from service.pages.charts import FLOOR, HEIGHT, LEFT, RIGHT, TOP, WIDTH, against_limit
from service.pages.look import Look, moment, moment_words
from service.pages.words import DEFAULT, WORDS, wanted_language
from service.priority import let_fruit_pass
from service.problems import Problem
from service.summary import NOTICE

HERE: Final = Path(__file__).parent
MEDIA: Final = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
                ".svg": "image/svg+xml"}
UNITS: Final = ("mm", "in")
YEAR_S: Final = 365 * 24 * 3600


@dataclass(frozen=True, slots=True)
class Asset:
    """One static file. version: start of its SHA-256, part of its address on our pages."""

    body: bytes
    media: str
    version: str


def _load_assets() -> dict[str, Asset]:
    found = {}
    for path in sorted((HERE / "static").iterdir()):
        if path.suffix in MEDIA:
            body = path.read_bytes()
            version = hashlib.sha256(body).hexdigest()[:12]
            found[path.name] = Asset(body, MEDIA[path.suffix], version)
    return found


ASSETS: Final = _load_assets()


def _asset(name: str) -> str:
    """The address of a static file; it changes with the content, so it may be kept for ever."""
    return f"/static/{name}?v={ASSETS[name].version}"


def _environment() -> Environment:
    env = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True)
    env.globals.update(
        asset=_asset, moment=moment, moment_words=moment_words, against_limit=against_limit,
        languages=sorted(WORDS), notice=NOTICE,
        plot={"width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP,
              "floor": FLOOR})
    return env


ENVIRONMENT: Final = _environment()


def compile_pages() -> None:
    """Compile every page now: with the first look at a board, it would hold up fruit for a sixth of
    a second."""
    for name in ENVIRONMENT.list_templates():
        ENVIRONMENT.get_template(name)


def reader(request: Request) -> Look:
    """Language and units: from the address, else as chosen before, else as the browser says."""
    asked = request.query_params
    kept = request.cookies
    lang = next((v for v in (asked.get("lang"), kept.get("drupe_lang")) if v in WORDS), None)
    units = next((v for v in (asked.get("units"), kept.get("drupe_units")) if v in UNITS), "mm")
    if lang is None:
        lang = wanted_language(accept=request.headers.get("accept-language", DEFAULT))
    return Look(WORDS[lang], units or "mm")


def page(
    request: Request, template: str, values: Mapping[str, Any], *, look: Look, status: int = 200
) -> Response:
    """A page. A choice made in the address is kept in a cookie that holds nothing else."""
    ctx = context(request)
    html = ENVIRONMENT.get_template(template).render(
        look=look, t=look.words, path=request.url.path, house=ctx.settings.house,
        calling=ctx.alarms.calling(), **values)
    response = HTMLResponse(html, status, {
        "Cache-Control": "no-cache", "Content-Language": look.words.lang,
        "Vary": "Accept-Language, Cookie"})
    for name, value in (("lang", look.words.lang), ("units", look.units)):
        if request.query_params.get(name) == value:
            response.set_cookie(f"drupe_{name}", value, max_age=YEAR_S, samesite="lax",
                                httponly=True)
    return response


def part(ctx: Context, template: str, values: Mapping[str, Any], *, look: Look) -> str:
    """A piece of a page, as its events send it, and the count of alarms in the header."""
    found = []
    for name in (template, "calling.html"):
        for piece in ENVIRONMENT.get_template(name).generate(
                look=look, t=look.words, calling=ctx.alarms.calling(), **values):
            found.append(piece)
            let_fruit_pass()
    return "".join(found)


def problem_page(request: Request, problem: Problem) -> Response:
    """A problem as a page with a way back, for readers who ask for HTML; else as it is."""
    if "text/html" not in request.headers.get("accept", ""):
        return problem.response()
    look = reader(request)
    response = page(request, "problem.html", {
        "problem": problem, "title": look.words.of(f"problem.{problem.code}", problem.body()[
            "title"])}, look=look, status=problem.status)
    if problem.retry_after_s is not None:
        response.headers["Retry-After"] = str(problem.retry_after_s)
    return response


async def static(request: Request) -> Response:
    """One static file; for ever under its versioned address, briefly under the bare one."""
    asset = ASSETS.get(request.path_params["name"])
    if asset is None:
        return problem_page(request, Problem(
            status=404, code="unknown_file", detail="There is no such file."))
    versioned = request.query_params.get("v") == asset.version
    headers = {
        "ETag": f'"{asset.version}"',
        "Cache-Control": f"public, max-age={YEAR_S}, immutable" if versioned
        else "public, max-age=300",
    }
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    return Response(asset.body, 200, headers, media_type=asset.media)
