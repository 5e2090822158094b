"""Centres of a measure by lane and window: what the lane comparison works on.

The centre is the 10 % trimmed mean: it keeps 94 % of the information of a mean under the normal
law (a median keeps 64 %) and a few double fruit do not move it. Its standard error is that of
Tukey and McLaughlin, Sankhya A 25:331 (1963), from the winsorised variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.quantities import Floats, Integers

TRIM: Final = 0.10
REFERENCE_MASS_G: Final = 150.0
"""A 66 mm sphere at 1 g/cm³ weighs 150 g; any reference near the lot's own mass would do."""


@dataclass(frozen=True, slots=True)
class LaneTable:
    """One measure by lane and window, in the measure's unit.

    lanes: lane numbers, length L. n: int64 (L, W) fruit. centre, se: float64 (L, W), NaN where
    the lane had too few fruit for a centre.
    """

    measure: str
    lanes: tuple[int, ...]
    n: Integers
    centre: Floats
    se: Floats


def trimmed(*, values: Floats, weights: Any = None, trim: float = TRIM) -> tuple[float, float]:
    """Trimmed mean and its standard error; `trim` of the weight goes at either end.

    values: (n,), any order. weights: counts of each value, 1 when left out, so the bins of a
    histogram give what their fruit would give. Fewer than 2 fruit: (NaN, NaN) or (value, NaN).
    """
    order = np.argsort(values, kind="stable")
    x = np.asarray(values, np.float64)[order]
    w = np.ones(len(x)) if weights is None else np.asarray(weights, np.float64)[order]
    x, w = x[w > 0], w[w > 0]
    total = float(w.sum())
    if total < 1.0:
        return float("nan"), float("nan")
    upto = np.cumsum(w)
    cut = trim * total
    kept = np.minimum(upto, total - cut) - np.maximum(upto - w, cut)
    kept = np.maximum(kept, 0.0)
    centre = float((kept * x).sum() / kept.sum())
    if total < 2.0:
        return centre, float("nan")
    # The trimmed fruit count again at the first value that was kept: that is winsorising.
    low, high = x[np.searchsorted(upto, cut, side="right")], x[np.searchsorted(upto, total - cut)]
    pulled = np.clip(x, low, high)
    middle = float((w * pulled).sum() / total)
    variance = float((w * (pulled - middle) ** 2).sum() / (total - 1.0))
    return centre, (variance / total) ** 0.5 / (1.0 - 2.0 * trim)


def lane_table(
    *, measure: str, values: Floats, lane: Integers, window: Integers, lanes: tuple[int, ...],
    windows: int, least: int = 20, trim: float = TRIM,
) -> LaneTable:
    """Fruit sorted into lanes and windows, each cell trimmed.

    values: float64 (n,) in the measure's unit, NaN where not measured. lane, window: int (n,);
    windows count from 0. Cells under `least` fruit stay empty, as do lanes that never appear.
    """
    good = ~np.isnan(values)
    shape = len(lanes), windows
    n = np.zeros(shape, np.int64)
    centre, se = np.full(shape, np.nan), np.full(shape, np.nan)
    for i, number in enumerate(lanes):
        mine = good & (lane == number)
        order = np.argsort(window[mine], kind="stable")
        ordered, at = values[mine][order], window[mine][order]
        edges = np.searchsorted(at, np.arange(windows + 1))
        n[i] = np.diff(edges)
        for j in np.flatnonzero(n[i] >= max(least, 2)).tolist():
            centre[i, j], se[i, j] = trimmed(values=ordered[edges[j]:edges[j + 1]], trim=trim)
    return LaneTable(measure, lanes, n, centre, se)


def diameter_at_mass(
    *, diameter_mm: Floats, mass_g: Floats, reference_mass_g: float = REFERENCE_MASS_G
) -> Floats:
    """The diameter each fruit would have at the reference mass, its shape and density kept.

    Diameter goes with the cube root of mass, so most of the spread of size between fruit cancels
    and a lane's offset stands out: the same offset needs about a tenth of the fruit. It answers
    "size sensor or scale", not "which of the two"; the plain measures of the lane do.
    diameter_mm, mass_g: (n,), positive; NaN where not measured.
    """
    scaled: Floats = diameter_mm * np.cbrt(reference_mass_g / mass_g)
    return scaled
