"""Tukey's median polish: a two-way table as overall + row + column + residual.

Tukey, Exploratory Data Analysis (1977), chapter 11; Mosteller and Tukey (1977). Medians instead
of means: a blocked lane or one odd window moves its own residuals and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grading.quantities import Floats


@dataclass(frozen=True, slots=True)
class Polish:
    """table[i, j] = overall + rows[i] + columns[j] + residuals[i, j]; medians of rows, columns 0.

    A row or column without any value has the effect NaN. settled: the residuals stopped shrinking
    before the last sweep allowed.
    """

    overall: float
    rows: Floats
    columns: Floats
    residuals: Floats
    settled: bool


def medians(*, table: Floats, axis: int) -> Floats:
    """Medians along an axis without the NaN; NaN where there is no value at all."""
    ordered = np.sort(np.moveaxis(table, axis, -1), axis=-1)  # NaN sort last
    n = np.count_nonzero(~np.isnan(ordered), axis=-1)
    low = np.maximum(n - 1, 0) // 2
    high = np.minimum(n // 2, ordered.shape[-1] - 1)
    pick = np.stack((low, high), axis=-1)
    middle: Floats = np.take_along_axis(ordered, pick, axis=-1).mean(axis=-1)
    return np.where(n > 0, middle, np.nan)


def _centre(values: Floats) -> float:
    return float(medians(table=values, axis=0))


def median_polish(*, table: Floats, most: int = 50, close: float = 1e-9) -> Polish:
    """Polish a table, rows first.

    table: float64 (rows, columns), at least one value; NaN marks a missing cell. Stops when the
    sum of absolute residuals changes by less than `close` of itself, at the latest after `most`
    sweeps.
    """
    residuals = np.array(table, np.float64)
    if residuals.ndim != 2 or np.isnan(residuals).all():
        raise ValueError("median polish needs a two-way table with at least one value")
    filled = ~np.isnan(residuals)
    rows = np.where(filled.any(axis=1), 0.0, np.nan)
    columns = np.where(filled.any(axis=0), 0.0, np.nan)
    overall, last, settled = 0.0, np.inf, False
    for _ in range(most):
        step = medians(table=residuals, axis=1)
        residuals -= step[:, None]
        rows += step
        middle = _centre(columns)
        columns -= middle
        overall += middle
        step = medians(table=residuals, axis=0)
        residuals -= step[None, :]
        columns += step
        middle = _centre(rows)
        rows -= middle
        overall += middle
        left = float(np.abs(residuals[filled]).sum())
        settled = abs(last - left) <= close * left
        if settled:
            break
        last = left
    middle = _centre(columns)
    return Polish(overall + middle, rows, columns - middle, residuals, settled)
