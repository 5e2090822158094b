"""When an error began that pulls or checks have shown: between them, the line's own level dates it.

Pulls and checks say how large the error is, and lie half an hour apart. The line's level says when
it moved by as much, but not whether that was the sensor or the fruit. Together they give a moment:
the one at which an error of the size shown, at once or growing steadily, leaves the least of the
level's own movement unexplained, every lot keeping a level of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from grading.drift.onset import Shape
from grading.quantities import Floats
from service.watch.finding import MINUTE_MS, Finding

BACK: Final = 60
"""Minutes before the last good pull or check in which a slow error may have begun."""
SURE: Final = 4.0
"""Weakening of the likelihood that leaves a moment possible; for windows whose neighbours are
alike, so more than chi-square's 3.84 would be for independent ones."""
ALIKE: Final = 4.0
"""How much less neighbours that are alike tell than independent ones; common practice."""


@dataclass(frozen=True, slots=True)
class Level:
    """The line's level of a measure in a judged minute."""

    index: int
    lot: str
    value: float


def dated(finding: Finding, *, levels: Sequence[Level], last_ms: int, last_size: float) -> Finding:
    """The finding with its beginning told by the level. last_ms, last_size: the newest pull or
    check and the error it shows. Unchanged where too few minutes lie between, or where the level
    shows nothing of the error (the fruit moved against it)."""
    from_, until = finding.from_ms // MINUTE_MS, finding.until_ms // MINUTE_MS
    last = last_ms // MINUTE_MS
    used = [x for x in levels if from_ - BACK <= x.index <= max(last, until)]
    if len(used) < 9 or until <= from_:
        return finding
    at = np.array([x.index for x in used], np.float64)
    y = np.array([x.value for x in used])
    lots = np.array([x.lot for x in used])
    found: list[tuple[float, Shape, int]] = []
    for m in range(from_ - BACK, until + 1):
        if m > from_:
            found.append((_left(y - finding.size * (at >= m), lots), "step", m))
        if last - m >= 10:
            ramp = last_size * np.clip((at - m + 0.5) / (last - m), 0.0, None)
            found.append((_left(y - ramp, lots), "ramp", m))
    least, shape, best = min(found)
    if least >= _left(y, lots):
        return finding
    noise = max(least / max(len(used) - len(set(lots.tolist())) - 2, 1), 1e-12) * ALIKE
    near = [m for left, s, m in found if s == shape and left <= least + SURE * noise]
    return replace(finding, shape=shape, best_ms=best * MINUTE_MS,
                   from_ms=(min(near) - 1) * MINUTE_MS, until_ms=(max(near) + 1) * MINUTE_MS)


def _left(y: Floats, lots: np.ndarray) -> float:
    """Sum of squares that is left inside the lots."""
    return sum(float(((y[lots == lot] - y[lots == lot].mean()) ** 2).sum())
               for lot in np.unique(lots))
