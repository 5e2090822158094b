"""The page of line against hand: every measure in a row, and one of them pair by pair."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from grading.quantities import MEASURES
from service.agreement import MARGINS, Agreement, Asked, agreements
from service.api.agreement import actions, agreement_json, checked, last_day
from service.api.culls import stretch_of
from service.api.lines import known_line
from service.context import Context, context
from service.lots import MINUTE
from service.pages.agreement_chart import agreement_chart
from service.pages.look import Look, moment
from service.pages.rejects import asked_time
from service.pages.render import page, reader
from service.problems import Problem
from service.rows import utc

DECIMALS: Final = {"diameter": 2, "hue": 2, "mass": 1, "blush": 3, "sugar": 2, "firmness": 2}
NUMBERS: Final = {"margin": (0.0, 100_000.0), "cut": (0.0, 100_000.0), "upper": (0.0, 100_000.0),
                  "error_ratio": (0.01, 100.0)}
"""What a form may ask for besides the measure and the times, with its least and its most."""


class _NoNumber(Exception):
    """A field that holds no number, or one that means nothing there."""


async def agreement_page(request: Request) -> Response:
    """Line against hand, asked for as over the API."""
    ctx = context(request)
    line = known_line(ctx, request.path_params["line_id"])
    look = reader(request)
    said = {name: request.query_params.get(name, "").strip()[:80]
            for name in ("measure", "from", "until", *NUMBERS)}
    wrong, told_in, status = "", look.words.lang, 200
    view: dict[str, Any] | None = None
    try:
        asked = _asked(ctx, said)
        found = await asyncio.to_thread(agreements, ctx, line=line, asked=asked)
        view = _view(found, asked, look)
    except _NoNumber as error:
        wrong = look.words("agree.wrong", field=look.words(f"agree.{error}"))
        status = 422
    except Problem as problem:
        wrong, told_in, status = problem.detail, "en", problem.status
    return page(request, "agreement.html", {
        "line": line.row.id, "view": view, "wrong": wrong, "told_in": told_in,
        "asked": {**said, "from": said["from"][:16], "until": said["until"][:16],
                  "measure": _measure(said)},
        "measures": list(MARGINS),
    }, look=look, status=status)


def pairs_address(ctx: Context, *, line: str | None, drawn_ms: Sequence[int]) -> str | None:
    """Where the pairs of these pulls are compared; None without a registered line."""
    if line is None or ctx.lines.get(line) is None or not drawn_ms:
        return None
    first, last = min(drawn_ms) // MINUTE.size, max(drawn_ms) // MINUTE.size + 1
    ends = (moment(k * MINUTE.size)[:16] for k in (first, last))
    return "/lines/{}/agreement?from={}&until={}".format(quote(line, safe=""), *ends)


def _measure(said: dict[str, str]) -> str:
    return said["measure"] if said["measure"] in MARGINS else "diameter"


def _asked(ctx: Context, said: dict[str, str]) -> Asked:
    """The form as the API takes it. Raises Problem, _NoNumber."""
    stretch = stretch_of(asked_time("from", said["from"]), asked_time("until", said["until"]))
    numbers = {name: _number(name, said[name]) for name in NUMBERS}
    return checked(Asked(
        measure=_measure(said), stretch=stretch or last_day(ctx), margin=numbers["margin"],
        error_ratio=numbers["error_ratio"] or 1.0, cut=numbers["cut"], upper=numbers["upper"]))


def _number(name: str, text: str) -> float | None:
    """A number with a point or a comma; None where none was asked for."""
    if not text:
        return None
    plain, (least, most) = text.replace(",", "."), NUMBERS[name]
    if not re.fullmatch(r"[0-9]{1,6}(\.[0-9]{1,6})?", plain) or not (
            max(least, 1e-6) <= float(plain) <= most):
        raise _NoNumber(name)
    return float(plain)


def _view(found: dict[str, Agreement], asked: Asked, look: Look) -> dict[str, Any]:
    """Rows of all measures and the one asked for, from what the API tells of them."""
    rows = [_row(agreement_json(one)) for one in found.values()]
    chosen = next(row for row in rows if row["measure"] == asked.measure)
    return {
        "rows": rows, "chosen": chosen,
        "from": utc(asked.stretch.from_ms), "until": utc(asked.stretch.until_ms),
        "chart": agreement_chart(chosen, look=look, decimals=chosen["decimals"]),
        "do": [_do(word, said, look, chosen["decimals"])
               for word, said in actions(found[asked.measure])],
    }


def _row(told: dict[str, Any]) -> dict[str, Any]:
    name = told["measure"]
    state = "none" if not told["n"] else "few" if told["bias"] is None else told["decision"]
    unit = MEASURES[name].unit.replace("deg", "°")
    return {**told, "unit": unit, "decimals": DECIMALS[name], "state": state}


def _do(word: str, said: dict[str, Any], look: Look, decimals: int) -> str:
    words = look.words
    return words(
        f"agree.do.{word}", needed=said.get("needed"),
        kinds=words("agree.and").join(words(f"agree.kind.{k}") for k in said.get("kinds", ())),
        lanes=", ".join(map(str, said.get("lanes", ()))),
        expected=look.signed(said.get("expected") or 0.0, decimals))
