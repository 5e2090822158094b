"""How much groups (lanes, bins, batches) differ beyond their scatter: balanced one-way model.

y = mu + group (random) + error. In the balanced case the REML estimates have closed forms as long
as groups differ at all. For the audit page; the running comparison of lanes is `follow`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True)
class Components:
    """mean; between, within: variances, between 0 where the groups differ less than chance has
    them; f with its degrees of freedom."""

    mean: float
    between: float
    within: float
    f: float
    df_between: int
    df_within: int


def components(*, groups: Any) -> Components:
    """Variance between and within groups.

    groups: (k, r), k groups of r values, at least 2 of each, not all alike inside their groups.
    """
    y = np.asarray(groups, np.float64)
    if y.ndim != 2 or min(y.shape) < 2:
        raise ValueError("variance components need 2 or more groups of 2 or more values")
    k, r = y.shape
    shift = float(y[0, 0])
    y = y - shift  # leaves the digits that tell where all values are large and nearly alike
    means = y.mean(axis=1)
    centre = float(means.mean())
    msb = r * float(((means - centre) ** 2).sum()) / (k - 1)
    mse = float(((y - means[:, None]) ** 2).sum()) / (k * (r - 1))
    if mse == 0.0:
        raise ValueError("the values do not vary inside their groups")
    return Components(shift + centre, max(0.0, (msb - mse) / r), mse, msb / mse, k - 1,
                      k * (r - 1))
