"""Geometry of line against hand: the difference of every pair over the mean of both."""

from __future__ import annotations

from typing import Any, Final

from service.pages.look import Look

WIDTH: Final = 1400
LEFT, RIGHT, TOP, FLOOR = 96, 1120, 20, 430
HEIGHT: Final = 500
TICKS: Final = 8
LABEL_GAP: Final = 24.0


def agreement_chart(told: dict[str, Any], *, look: Look, decimals: int) -> dict[str, Any] | None:
    """What the template draws, from a comparison as `agreement_json` tells it; None without any
    pair."""
    pairs, bias = told["pairs"], told["bias"]
    if not pairs:
        return None
    means = [(p["line"] + p["hand"]) / 2 for p in pairs]
    gaps = [p["line"] - p["hand"] for p in pairs]
    lines = [("margin", told["margin"]), ("margin", -told["margin"])]
    if bias is not None:
        limits = bias["limits_of_agreement"]
        lines += [("limit", limits["lower"]), ("bias", bias["mean"]), ("limit", limits["upper"])]
    left, right = _padded(min(means), max(means), told["margin"])
    ends = [*gaps, *(value for _, value in lines)]
    low, high = _padded(min(ends), max(ends), told["margin"])

    def x(value: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * (value - left) / (right - left), 1)

    def y(value: float) -> float:
        return round(FLOOR - (FLOOR - TOP) * (value - low) / (high - low), 1)

    return {
        "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP,
        "floor": FLOOR, "zero": y(0.0),
        "dots": [{"x": x(m), "y": y(g), "sorted": p["sorted"]}
                 for m, g, p in zip(means, gaps, pairs, strict=True)],
        "band": None if bias is None else {
            "y": y(bias["high"]), "height": round(y(bias["low"]) - y(bias["high"]), 1)},
        "lines": _labelled([(kind, value, y(value)) for kind, value in lines]),
        "across": [{"x": x(v), "label": look.trimmed(v, decimals)} for v in _ticks(left, right)],
        "up": [{"y": y(v), "label": look.signed(v, decimals)} for v in _ticks(low, high)],
    }


def _padded(low: float, high: float, least: float) -> tuple[float, float]:
    """With room at both ends, where all lie together too."""
    room = 0.08 * (high - low) or least
    return low - room, high + room


def _labelled(lines: list[tuple[str, float, float]]) -> list[dict[str, Any]]:
    """Lines from the top down, their labels far enough apart to be read."""
    found: list[dict[str, Any]] = []
    for kind, value, at in sorted(lines, key=lambda line: line[2]):
        near = found[-1]["label_y"] + LABEL_GAP if found else at
        found.append({"kind": kind, "value": value, "y": at, "label_y": max(at, near)})
    return found


def _ticks(low: float, high: float) -> list[float]:
    """Round values between the ends."""
    power = 1e-6
    while (high - low) / power > 10 * TICKS:
        power *= 10
    step = next(power * k for k in (1, 2, 5, 10) if (high - low) / (power * k) <= TICKS)
    first = int(low // step) + 1
    return [k * step for k in range(first, int(high // step) + 1)]
