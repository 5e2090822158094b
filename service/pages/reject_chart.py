"""Geometry of the reject chart: shares with their limits above, the trend below."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

from service.pages.look import Look

WIDTH: Final = 1400
LEFT, RIGHT, TOP, FLOOR = 84, 1386, 40, 330
TREND_TOP, TREND_FLOOR = 372, 508
HEIGHT: Final = 548
TICKS: Final = 6
LABEL_GAP: Final = 150


def chart_of(windows: Sequence[dict[str, Any]], *, look: Look) -> dict[str, Any] | None:
    """What the template draws, from windows as `rejects_json` lists them; None without any."""
    shown = [w for w in windows if w["n"]]
    if not shown:
        return None
    starts = [_ms(w["from"]) for w in shown]
    timed = all(s is not None for s in starts)
    ends = [_ms(w["until"]) for w in shown]
    first = min(s or 0 for s in starts) if timed else 0
    last = max(e or 0 for e in ends) if timed else len(shown)
    zoom = (RIGHT - LEFT) / max(last - first, 1)

    def x(k: int) -> float:
        middle = ((starts[k] or 0) + (ends[k] or 0)) / 2 - first if timed else k + .5
        return round(LEFT + middle * zoom, 1)

    top = min(1.0, 1.1 * max(0.02, *(w["share"] for w in shown),
                             *(w["act"][1] for w in shown if w.get("act"))))

    def y(share: float) -> float:
        return float(round(FLOOR - (FLOOR - TOP) * min(share / top, 1.0), 1))

    reach = 1.1 * max(1.0, *(abs(w["trend"]) for w in shown if w.get("trend") is not None),
                      *(w["trend_act"] for w in shown if w.get("trend_act")), 1.0)

    def t(value: float) -> float:
        middle = (TREND_TOP + TREND_FLOOR) / 2
        return float(round(middle - (TREND_FLOOR - TREND_TOP) / 2 * value / reach, 1))

    lots: list[dict[str, Any]] = []
    for k, w in enumerate(shown):
        if not lots or lots[-1]["lot"] != w["lot"]:
            lots.append({"lot": w["lot"], "x": x(k), "label": not lots or x(k) - lots[-1]["x"]
                         > LABEL_GAP, "centre": [], "low": [], "high": [], "trend": [],
                         "trend_low": [], "trend_high": []})
        lot = lots[-1]
        if w.get("act"):
            lot["centre"].append((x(k), y(w["centre"])))
            lot["low"].append((x(k), y(w["act"][0])))
            lot["high"].append((x(k), y(w["act"][1])))
        if w.get("trend") is not None:
            lot["trend"].append((x(k), t(w["trend"])))
            lot["trend_high"].append((x(k), t(w["trend_act"])))
            lot["trend_low"].append((x(k), t(-w["trend_act"])))
    step = _step(top)
    return {
        "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP,
        "floor": FLOOR, "trend_top": TREND_TOP, "trend_floor": TREND_FLOOR, "zero": t(0.0),
        "marks": [{"x": x(k), "y": y(w["share"]), "status": w["status"]}
                  for k, w in enumerate(shown)],
        "lots": lots,
        "shares": [{"y": y(k * step), "label": look.percent(k * step, 0 if step >= .01 else 1)}
                   for k in range(int(top / step) + 1)],
        "times": _times(first, last, zoom) if timed else [],
    }


def _ms(text: str | None) -> int | None:
    return None if text is None else round(datetime.fromisoformat(text).timestamp() * 1000)


def _step(top: float) -> float:
    return next((s for s in (.005, .01, .02, .05, .1, .2) if top / s <= TICKS), .25)


def _times(first: int, last: int, zoom: float) -> list[dict[str, Any]]:
    minutes = (last - first) / 60_000
    every = next((m for m in (1, 5, 10, 15, 30, 60, 120, 240, 720, 1440, 2880)
                  if minutes / m <= 12), 7200) * 60_000
    found = []
    at = -(-first // every) * every
    while at < last:
        when = datetime.fromtimestamp(at / 1000, UTC)
        found.append({"x": round(LEFT + (at - first) * zoom, 1),
                      "label": f"{when:%H:%M}" if every < 86_400_000 else f"{when:%m-%d}"})
        at += every
    return found
