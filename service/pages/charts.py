"""Geometry of the pages' charts; the templates draw it as inline SVG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from grading.quantities import MEASURES
from service.pages.look import Look, eighths

WIDTH: Final = 720
HEIGHT: Final = 260
LEFT, RIGHT, TOP, FLOOR = 14, 706, 58, 220
MOST_BARS: Final = 80
FACTORS: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
LABEL_GAP: Final = 54
"""Two labels on one line need this much between their middles."""


@dataclass(frozen=True, slots=True)
class Bar:
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A labelled place on the axis; `line` is the row of its label."""

    x: float
    label: str
    line: int = 0


@dataclass(frozen=True, slots=True)
class Chart:
    """A histogram ready to draw. bin_text: width of one bar with its unit."""

    bars: tuple[Bar, ...]
    cuts: tuple[Mark, ...]
    ticks: tuple[Mark, ...]
    bin_text: str
    most: int

    @property
    def path(self) -> str:
        """Every bar as one shape."""
        return "".join(box(x=b.x, y=b.y, width=b.width, height=b.height) for b in self.bars)


def box(*, x: float, y: float, width: float, height: float) -> str:
    """A rectangle as part of an SVG path: a hundred in one element are drawn and sent at once."""
    return f"M{x} {y}h{width}v{height}h-{width}z"


def rebin(*, counts: list[int], first: int, factor: int) -> list[int]:
    """Counts of `factor` neighbouring bins added up, on the grid that begins at bin 0."""
    padded = [0] * (first % factor) + counts
    return [sum(padded[i:i + factor]) for i in range(0, len(padded), factor)]


def _step(span: float) -> float:
    """A round tick distance that gives four to ten ticks."""
    power: float = 10.0 ** len(str(int(span))) / 100 if span >= 1 else 0.01
    return next((power * k for k in (1, 2, 5, 10, 20, 50, 100) if span / (power * k) <= 8), span)


def _labels(places: list[tuple[float, str]]) -> tuple[Mark, ...]:
    """Labels on three rows, so that near ones do not cover each other; too many lose words."""
    ends = [-1e9, -1e9, -1e9]
    found = []
    for x, text in places:
        line = next((i for i, end in enumerate(ends) if x - end >= LABEL_GAP), None)
        if line is None:
            found.append(Mark(x, "", 0))
            continue
        ends[line] = x
        found.append(Mark(x, text, line))
    return tuple(found)


def histogram(*, name: str, found: dict[str, Any], look: Look) -> Chart | None:
    """The chart of one entry of `summary.histograms`, or None where nothing was measured."""
    counts: list[int] = found["counts"]
    if not counts:
        return None
    measure = MEASURES[name]
    low = measure.value(quanta=measure.low_q)
    first = round((found["start"] - low) / found["bin"])
    factor = next((f for f in FACTORS if len(counts) / f <= MOST_BARS), FACTORS[-1])
    joined = rebin(counts=counts, first=first, factor=factor)
    width = found["bin"] * factor
    start = low + (first - first % factor) * found["bin"]
    end = start + width * len(joined)
    pad = (end - start) * 0.04
    near = min(found["cuts"], key=lambda c: max(start - c, c - end, 0), default=start)
    left, right = min(start, near) - pad, max(end, near) + pad
    zoom = (RIGHT - LEFT) / (right - left)

    def place(value: float) -> float:
        return float(round(LEFT + (value - left) * zoom, 2))

    most = max(joined)
    bars = tuple(
        Bar(place(start + i * width), round(FLOOR - (FLOOR - TOP) * c / most, 2),
            round(max(width * zoom - 1, 1), 2), round((FLOOR - TOP) * c / most, 2))
        for i, c in enumerate(joined) if c)
    scale = look.scale(name)
    inches = name == "diameter" and look.units == "in"
    cuts = _labels([
        (place(c), eighths(mm=c)[0] if inches and eighths(mm=c)[1]
         else look.trimmed(c * scale.factor, 2))
        for c in sorted(found["cuts"]) if left <= c <= right])
    return Chart(bars, cuts, _ticks(left, right, look, name, inches),
                 f"{look.trimmed(width * scale.factor, 2)} {scale.unit}",
                 most)


def _ticks(left: float, right: float, look: Look, name: str, inches: bool) -> tuple[Mark, ...]:
    scale = look.scale(name)
    factor = 1 / 25.4 if inches else scale.factor
    low, high = left * factor, right * factor
    step = 0.25 if inches else _step(high - low)
    zoom = (RIGHT - LEFT) / (high - low)
    found = []
    k = int(low // step) + 1
    while k * step < high:
        value = k * step
        label = (eighths(mm=value * 25.4)[0] if inches
                 else look.number(value, 0 if step >= 1 else 2 if step < 0.1 else 1))
        found.append(Mark(round(LEFT + (value - low) * zoom, 2), label))
        k += 1
    return tuple(found)


def near_cuts(*, found: dict[str, Any], within: float = 1.0) -> list[tuple[float, int]]:
    """(cut, fruit within that many units of it), counted in whole bins by their middles."""
    result = []
    for cut in found["cuts"]:
        n = sum(c for i, c in enumerate(found["counts"])
                if abs(found["start"] + (i + 0.5) * found["bin"] - cut) <= within)
        if n:
            result.append((cut, n))
    return result


@dataclass(frozen=True, slots=True)
class Range:
    """A share with its interval and limit on a bar of 1000 units."""

    share: float
    low: float
    high: float
    limit: float | None


def against_limit(*, entry: dict[str, Any]) -> Range | None:
    """The bar of a requirement, or None where it has no share with an interval."""
    if any(entry.get(k) is None for k in ("share", "low", "high")):
        return None
    limit = entry.get("limit")
    if limit is not None and not 0 <= limit <= 1:
        return None
    top = min(1.0, 1.15 * max(entry["high"], limit or 0, 0.01))
    low, high = max(entry["low"], 0), min(entry["high"], top)

    def place(value: float) -> float:
        return float(round(1000 * value / top, 1))

    return Range(place(entry["share"]), place(low), place(high),
                 None if limit is None else place(limit))
