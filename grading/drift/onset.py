"""When did it begin? The most likely start of a step or of a ramp, with an interval.

Both are fitted by maximum likelihood at every possible start (Hinkley, Biometrika 57:1 (1970)).
The interval holds each start whose log-likelihood ratio to the best is small enough. For a step
the limit is -2 ln(1 - sqrt(level)), 7.35 at 95 %: Hansen, Econometrica 68:575 (2000), exact for
small steps in long series and on the safe side for large ones. For a ramp the start moves the
curve smoothly and the limit is chi-square's, 3.84 at 95 % (Feder, Annals of Statistics 3:49
(1975)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from grading.drift.student import normal_quantile
from grading.monitor.special import normal_tail
from grading.quantities import Floats, Integers

Shape = Literal["step", "ramp"]
LEAST: Final = 4
"""Windows needed to look for a start at all."""


@dataclass(frozen=True, slots=True)
class Onset:
    """A start found in a series of windows, counted from 0.

    window: first window after the change; low, high: the interval, inclusive. before: level up to
    it. size: the step, or for a ramp what it has reached in the last window; slope: per window, 0
    for a step. gain: twice the log-likelihood gained over "no change"; chance: the chance, at
    most, of so large a gain in a steady series.
    """

    shape: Shape
    window: int
    low: int
    high: int
    level: float
    before: float
    size: float
    size_se: float
    slope: float
    gain: float
    chance: float


@dataclass(frozen=True, slots=True)
class Span:
    """An onset in fruit and time: half-open [first, last) of the fruit that may be the first one.

    from_seq, to_seq: seq numbers; from_ms, to_ms: Unix milliseconds; best_seq, best_ms: likeliest.
    """

    from_seq: int
    to_seq: int
    best_seq: int
    from_ms: int
    to_ms: int
    best_ms: int


def _fits(
    t: Integers, y: Floats, w: Floats, shape: Shape
) -> tuple[Floats, Floats, Floats, Floats]:
    """For every start t[1:]: gain in chi-square, level before, size or slope, its variance."""
    starts = t[1:, None]
    after = (t[None, :] >= starts).astype(np.float64)
    g = after if shape == "step" else after * (t[None, :] - starts + 1)
    total = w.sum()
    g_mean = (g * w).sum(axis=1) / total
    y_mean = float((y * w).sum() / total)
    centred = g - g_mean[:, None]
    s_gg = (w * centred * centred).sum(axis=1)
    s_gy = (w * centred * (y - y_mean)).sum(axis=1)
    slope = s_gy / s_gg
    return s_gy * slope, y_mean - slope * g_mean, slope, 1.0 / s_gg


def find_onset(
    *, values: Any, se: Any, shape: Shape | None = None, level: float = 0.95
) -> Onset | None:
    """The likeliest start of a step or ramp in a series, whichever fits better if not said.

    values, se: (W,) in time order, at least 4 usable; NaN windows are skipped but counted. se: the
    standard errors of the values, scatter between windows included. None: too few windows.
    `chance` says whether there is a change at all: each possible start costs one look (Bonferroni).
    """
    y, s = np.asarray(values, np.float64), np.asarray(se, np.float64)
    kept = np.flatnonzero(np.isfinite(y) & np.isfinite(s) & (s > 0.0))
    if len(kept) < LEAST:
        return None
    y, w = y[kept], 1.0 / s[kept] ** 2
    shapes: tuple[Shape, ...] = ("step", "ramp") if shape is None else (shape,)
    fits = {name: _fits(kept, y, w, name) for name in shapes}
    name = max(shapes, key=lambda k: float(fits[k][0].max()))
    gain, before, size, variance = fits[name]
    best = int(gain.argmax())
    top = float(gain[best])
    limit = (-2.0 * math.log(1.0 - math.sqrt(level)) if name == "step"
             else normal_quantile(level=level) ** 2)
    inside = np.flatnonzero(gain >= top - limit)
    reach = 1.0 if name == "step" else float(kept[-1] - kept[best + 1] + 1)
    looks = len(gain) * len(shapes)
    # A start lies between two kept windows: after windows left out it may lie among those.
    low, high = int(kept[inside[0]]) + 1, int(kept[inside[-1] + 1])
    return Onset(
        name, int(kept[best + 1]), low, high, level, float(before[best]),
        float(size[best]) * reach, math.sqrt(float(variance[best])) * reach,
        0.0 if name == "step" else float(size[best]), top,
        min(1.0, looks * 2.0 * normal_tail(z=math.sqrt(max(top, 0.0)))))


def place(*, onset: Onset, first_seq: Any, first_ms: Any) -> Span:
    """The onset's windows as fruit and time.

    first_seq, first_ms: first fruit of each window and one more for the end, length W + 1. The
    change may have begun anywhere in the window before the first changed one.
    """
    last = len(first_seq) - 1
    start, end = max(onset.low - 1, 0), min(onset.high + 1, last)
    return Span(int(first_seq[start]), int(first_seq[end]), int(first_seq[onset.window]),
                int(first_ms[start]), int(first_ms[end]), int(first_ms[onset.window]))


@dataclass(frozen=True, slots=True)
class Meeting:
    """Boundaries (lot, bin, pick, grower) inside an onset's interval.

    inside: indexes of the boundaries met. by_chance: share of all windows at which an interval as
    long would have met one too; near 1 the meeting says nothing.
    """

    inside: tuple[int, ...]
    by_chance: float


def meets(*, onset: Onset, boundaries: Any, windows: int) -> Meeting:
    """Which boundaries an onset coincides with, and how easily it would by chance.

    boundaries: first window of the new fruit, for each boundary.
    """
    at = np.asarray(boundaries, np.int64)
    inside = tuple(np.flatnonzero((at >= onset.low) & (at <= onset.high)).tolist())
    length = onset.high - onset.low
    starts = np.arange(1, max(windows - length, 2))
    hit = np.zeros(len(starts), np.bool_)
    for b in at.tolist():
        hit |= (starts <= b) & (b <= starts + length)
    return Meeting(inside, float(hit.mean()))
