"""Reference objects of known value (spheres, colour tiles) run through a lane.

Two or more known values give the lane's offset and scale; one gives only an offset at that value.
What matters is the error at the cuts, so the line is carried there with its interval. A reading
never corrects a scale by itself: that is a decision with a name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from grading.drift.student import t_quantile
from grading.monitor.charts import Individuals, individuals

Judgement = Literal["pass", "fail", "not enough"]


@dataclass(frozen=True, slots=True)
class Predicted:
    """Error (reading less true value) expected at `at`, with its interval; judged on its own."""

    at: float
    error: float
    low: float
    high: float
    judgement: Judgement


@dataclass(frozen=True, slots=True)
class LaneCheck:
    """One lane's reference readings, in the unit of the measure.

    n readings of `values` different objects. offset: mean error; scale: reading per unit of true
    value, None from one object. predicted: the error at each cut. low, high: interval of the
    offset. judgement: the worst of the cuts; words: the same in a sentence.
    """

    lane: int
    n: int
    values: int
    offset: float
    low: float
    high: float
    se: float
    scale: float | None
    predicted: tuple[Predicted, ...]
    judgement: Judgement
    words: str


def _judge(low: float, high: float, tolerance: float) -> Judgement:
    """Pass or fail only when the whole interval says so."""
    if -tolerance <= low and high <= tolerance:
        return "pass"
    return "fail" if low > tolerance or high < -tolerance else "not enough"


_ORDER: dict[Judgement, int] = {"pass": 0, "not enough": 1, "fail": 2}


def check_lane(
    *, lane: int, known: Any, reading: Any, cuts: Any, tolerance: float, unit: str,
    repeat_sd: float, known_u: float = 0.0, confidence: float = 0.95,
) -> LaneCheck:
    """Offset and scale of one lane from its readings of reference objects.

    known, reading: (n,) certified values and readings, n at least 1. cuts: the class limits that
    the lane decides on. tolerance: largest error accepted at a cut. repeat_sd: sd of repeated
    readings of one object, from the lane's own history. known_u: standard uncertainty of the
    certified values; it does not average out. With 4 or more readings more than the line needs
    (6, or 5 of one object) the scatter seen replaces repeat_sd where it is larger.

    Carried linearly beyond the objects: trust it within about a tenth of their span outside.
    """
    x, r = np.asarray(known, np.float64), np.asarray(reading, np.float64)
    if not len(x) or len(x) != len(r):
        raise ValueError("a check needs as many readings as known values, at least one")
    error = r - x
    n, values = len(x), len(np.unique(x))
    middle, offset = float(x.mean()), float(error.mean())
    slope, s_xx = 0.0, math.inf
    if values > 1:
        s_xx = float(((x - middle) ** 2).sum())
        slope = float(((x - middle) * error).sum()) / s_xx
    left = error - offset - slope * (x - middle)
    df = n - min(values, 2)
    sd, t = repeat_sd, t_quantile(level=confidence, df=29)
    if df >= 4:
        seen = math.sqrt(float(left @ left) / df)
        if seen > repeat_sd:
            sd, t = seen, t_quantile(level=confidence, df=df)

    def half(at: float) -> float:
        return t * math.sqrt(sd * sd * (1.0 / n + (at - middle) ** 2 / s_xx) + known_u**2)

    predicted = []
    for cut in cuts:
        e, h = offset + slope * (cut - middle), half(cut)
        predicted.append(Predicted(float(cut), e, e - h, e + h, _judge(e - h, e + h, tolerance)))
    wide = half(middle)
    judged = [p.judgement for p in predicted] or [_judge(offset - wide, offset + wide, tolerance)]
    judgement = max(judged, key=_ORDER.__getitem__)
    found = LaneCheck(
        lane, n, values, offset, offset - wide, offset + wide, wide / t,
        1.0 + slope if values > 1 else None, tuple(predicted), judgement, "")
    return _with_words(found, tolerance, unit)


def _with_words(found: LaneCheck, tolerance: float, unit: str) -> LaneCheck:
    worst = max(found.predicted, key=lambda p: (_ORDER[p.judgement], abs(p.error)), default=None)
    where = "" if worst is None else f" at {worst.at:g} {unit}"
    e, low, high = ((found.offset, found.low, found.high) if worst is None
                    else (worst.error, worst.low, worst.high))
    verdict = {
        "pass": f"passes: within ±{tolerance:g} {unit}",
        "fail": f"fails: more than ±{tolerance:g} {unit}",
        "not enough": f"not enough readings to tell whether within ±{tolerance:g} {unit}",
    }[found.judgement]
    only = "" if found.scale is not None else " (one object: offset only, scale unknown)"
    words = (f"Lane {found.lane} {verdict}; reads {e:+.2f} {unit} ({low:+.2f} to {high:+.2f})"
             f"{where}{only}.")
    return LaneCheck(found.lane, found.n, found.values, found.offset, found.low, found.high,
                     found.se, found.scale, found.predicted, found.judgement, words)


@dataclass(frozen=True, slots=True)
class CheckChart:
    """A lane's check errors in time: individuals chart, and whether its recent mean is too far.

    outside: indexes beyond the chart's limits, which come from the `baseline` first errors.
    recent: mean of the last k errors; over: it is beyond tolerance - known_u.
    """

    chart: Individuals
    outside: tuple[int, ...]
    recent: float
    over: bool


def check_chart(
    *, errors: Any, tolerance: float, known_u: float = 0.0, recent: int = 3, baseline: int = 25
) -> CheckChart:
    """Errors (reading less known) of one lane and object, at least 2, in time order.

    recent: how many of the last are averaged against the tolerance less `known_u`, the expanded
    uncertainty of the object.
    """
    e = np.asarray(errors, np.float64)
    chart = individuals(values=e[:baseline])
    outside = np.flatnonzero((e < chart.values.low) | (e > chart.values.high))
    mean = float(e[-recent:].mean())
    return CheckChart(chart, tuple(outside.tolist()), mean, abs(mean) > tolerance - known_u)
