"""Line against hand over HTTP."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Query, Request

from grading.drift.fits import Fit
from grading.drift.words import percent
from grading.errors import Finding
from grading.quantities import MEASURES
from service.agreement import MARGINS, Agreement, Asked, CutEffect, agreement
from service.api.culls import From, Moment, stretch_of
from service.api.lines import LineId, known_line
from service.context import Context, context
from service.evidence import Stretch
from service.problems import Problem
from service.rows import utc
from service.summary import NOTICE

router = APIRouter(prefix="/v1/lines", tags=["lines"])

DAY_MS: Final = 86_400_000
Value = Annotated[float | None, Query(gt=0, le=100_000, allow_inf_nan=False)]


@router.get("/{line_id}/agreement", summary="Line against hand, fruit by fruit")
async def read_agreement(
    line_id: LineId, request: Request,
    measure: Literal[*sorted(MARGINS)] = "diameter",  # type: ignore[valid-type]  # from a table
    start: From = None, until: Moment = None, margin: Value = None, cut: Value = None,
    upper: Value = None,
    error_ratio: Annotated[float, Query(ge=0.01, le=100, allow_inf_nan=False)] = 1.0,
) -> dict[str, Any]:
    """The line's readings less the hand's of the same fruit: bias with its interval, limits of
    agreement, slopes, whether they agree within a margin, and what the bias does at each cut of
    the standards, in boxes marked "and up" and in closed classes. Without times the pulls of the
    last day. error_ratio: error variance of the line divided by that of the hand (Deming)."""
    ctx = context(request)
    line = known_line(ctx, line_id)
    asked = checked(Asked(
        measure=measure, stretch=stretch_of(start, until) or last_day(ctx), margin=margin,
        error_ratio=error_ratio, cut=cut, upper=upper))
    found = await asyncio.to_thread(agreement, ctx, line=line, asked=asked)
    return {"line": line_id, "from": utc(asked.stretch.from_ms),
            "until": utc(asked.stretch.until_ms), **agreement_json(found), "notice": NOTICE}


def last_day(ctx: Context) -> Stretch:
    """The stretch of pulls that is looked at where none is named."""
    now = ctx.clock.now_ms()
    return Stretch(now - DAY_MS, now + 1)


def checked(asked: Asked) -> Asked:
    """What was asked, if it can be answered. Raises Problem."""
    if asked.upper is not None and (asked.cut is None or asked.upper <= asked.cut):
        raise Problem(status=422, code="class", detail="The class must have a cut below its upper "
                      "end.", findings=[Finding("/query/upper", "class", "No fruit fit in.", "")])
    return asked


def agreement_json(found: Agreement) -> dict[str, Any]:
    """The comparison on the wire."""
    bias, unit = found.bias, MEASURES[found.measure].unit
    told = None if bias is None else {
        "mean": bias.bias, "sd": bias.sd, "se": bias.se, "low": bias.low, "high": bias.high,
        "t": bias.t if abs(bias.t) < 1e9 else None, "p": bias.p, "level": bias.level,
        "limits_of_agreement": {
            "lower": bias.lower, "lower_low": bias.lower_low, "lower_high": bias.lower_high,
            "upper": bias.upper, "upper_low": bias.upper_low, "upper_high": bias.upper_high},
        "slope_on_size": bias.slope, "slope_p": bias.slope_p}
    lin = found.concordance
    return {
        "measure": found.measure, "unit": unit, "n": len(found.pairs), "pulls": list(found.pulls),
        "bias": told, "decision": found.decision,
        "verdict": {"disagrees": "measurement", "agrees": "agrees"}.get(
            found.decision, "not separable"),
        "margin": found.margin, "least": found.least, "pairs_needed": found.needed,
        "deming": _fit(found.deming), "passing_bablok": _fit(found.passing_bablok),
        "concordance": None if lin is None else dict(zip(("value", "low", "high"), lin,
                                                         strict=True)),
        "lanes": [asdict(lane) for lane in found.lanes],
        "selection": None if found.selection is None else asdict(found.selection),
        "at_cuts": [_cut(c) for c in found.cuts],
        "pairs": [{"line": p.line, "hand": p.hand, "lane": p.lane, "lot": p.lot,
                   "sorted": p.sorted} for p in found.pairs],
        "says": says(found), "next_actions": next_actions(found),
    }


def _fit(fit: Fit | None) -> dict[str, Any] | None:
    return None if fit is None else {**asdict(fit), "scale_off": fit.scale_off,
                                     "offset_off": fit.offset_off}


def _cut(found: CutEffect) -> dict[str, Any]:
    at = found.at
    return {
        "cut": at.cut, "upper": found.upper, "too_high": at.too_high, "too_low": at.too_low,
        "too_high_low": at.too_high_low, "too_high_high": at.too_high_high,
        "fruit": found.fruit, "fruit_too_high": round(found.fruit * at.too_high),
        "undersize_and_up": at.undersize_up, "undersize_closed": at.undersize,
        "oversize_closed": at.oversize, "tolerance": found.tolerance,
        "and_up_over_tolerance": _over(at.undersize_up, found.tolerance),
        "closed_over_tolerance": _over(at.undersize, found.tolerance)}


def _over(share: float | None, tolerance: float | None) -> bool | None:
    return None if share is None or tolerance is None else share > tolerance


def says(found: Agreement) -> str:
    """The comparison in a sentence or two."""
    bias, unit = found.bias, MEASURES[found.measure].unit
    if bias is None:
        return (f"{len(found.pairs)} fruit were measured both ways: too few to say anything. "
                f"Post {found.needed} paired fruit.")
    text = (f"{bias.n} fruit measured both ways: line less hand {bias.bias:+.2f} {unit} "
            f"({bias.low:+.2f} to {bias.high:+.2f}), single fruit {bias.lower:+.1f} to "
            f"{bias.upper:+.1f}.")
    if found.decision == "agrees":
        return f"{text} Line and hand agree within ±{found.margin:g} {unit}."
    if found.decision == "undecided":
        return f"{text} Not shown to agree, nor to differ: post {found.needed} paired fruit."
    text += " The measurement is off."
    worst = max(found.cuts, key=lambda c: abs(c.at.too_high - c.at.too_low), default=None)
    if worst is not None and found.measure == "diameter":
        at = worst.at
        text += (f" At {at.cut:g} {unit} {percent(at.too_high or at.too_low)} of the fruit land "
                 f"one class too {'high' if at.too_high else 'low'}; boxes marked from there up "
                 f"hold {percent(at.undersize_up)} undersize")
        if at.undersize is not None:
            text += f", a class closed at {worst.upper:g} {unit} {percent(at.undersize)}"
        if worst.tolerance is not None:
            text += f" (tolerance {percent(worst.tolerance)})"
        text += "."
    return text


ACTIONS: Final = {
    "post": "Post {needed} paired fruit, drawn before the sorter.",
    "kind": "Ask whether both are the same diameter: the line gives the {kinds} diameter; the "
            "rules mean the greatest.",
    "kind_unknown": "Ask whether both are the same diameter: nobody said which one the line gives; "
                    "the rules mean the greatest.",
    "lanes": "Run reference objects through lane {lanes}.",
    "unsorted": "Pull before the sorter: fruit chosen by their reading lean one way.",
    "unsorted_by": "Pull before the sorter: fruit chosen by their reading lean one way. "
                   "{expected} of the difference comes of that alone.",
    "recalibrate": "Recalibrate by name, then list the boxes since the last good check.",
}


def actions(found: Agreement) -> list[tuple[str, dict[str, Any]]]:
    """What a person should do now, as the words of ACTIONS and what they name; nothing is done by
    itself."""
    if found.decision == "agrees":
        return []
    if found.decision == "undecided":
        return [("post", {"needed": found.needed})]
    named: list[tuple[str, dict[str, Any]]] = []
    if found.measure == "diameter":
        named.append(("kind" if found.diameters else "kind_unknown", {"kinds": found.diameters}))
    off = [lane.lane for lane in found.lanes if lane.lane and lane.se is not None
           and abs(lane.mean) > max(2 * lane.se, found.least)]
    if off:
        named.append(("lanes", {"lanes": off}))
    if found.selection is not None:
        lean = found.selection.expected
        named.append(("unsorted" if lean is None else "unsorted_by", {"expected": lean}))
    return [*named, ("recalibrate", {})]


def next_actions(found: Agreement) -> list[str]:
    """What a person should do now, in sentences."""
    return [ACTIONS[word].format(
        needed=said.get("needed"), kinds=" and ".join(said.get("kinds", ())),
        lanes=", ".join(map(str, said.get("lanes", ()))),
        expected=format(said.get("expected") or 0.0, "+.2f")) for word, said in actions(found)]
