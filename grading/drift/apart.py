"""Unpaired fruit: how far apart a hand pull and a lot are, and how far chance alone puts them.

The Wasserstein distance (the area between the two distribution curves) is in the unit of the
measure and reads as "so many mm apart". It is never 0 for a pull, so it comes with the floor that
a pull of its size has. With thousands of fruit a Kolmogorov-Smirnov test finds a tenth of a
millimetre that nobody cares about; there is none here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

FLOOR_HIGH: Final = 1.65
"""95 % point of the distance over its mean, under chance alone, for pulls of 25 to 200 from a
near-normal lot (by simulation, two digits)."""


@dataclass(frozen=True, slots=True)
class Apart:
    """distance; floor: what chance alone gives on average for a pull of this size, floor_high:
    in 95 of 100 pulls at most; beyond: the distance is over floor_high. Unit of the measure.
    """

    distance: float
    floor: float
    floor_high: float
    beyond: bool


def wasserstein(*, counts_a: Any, counts_b: Any, width: float) -> float:
    """Distance of two histograms on the same bins, each with fruit, of the same width."""
    a, b = np.asarray(counts_a, np.float64), np.asarray(counts_b, np.float64)
    if a.sum() <= 0.0 or b.sum() <= 0.0 or len(a) != len(b):
        raise ValueError("both histograms need fruit, in the same bins")
    return width * float(np.abs(np.cumsum(a / a.sum() - b / b.sum())).sum())


def pull_against_lot(*, pull: Any, lot: Any, width: float) -> Apart:
    """A hand pull against the lot it was drawn from, histograms on the same bins.

    The floor is sqrt(2/(pi n)) x area of sqrt(F (1 - F)), the mean absolute error of an empirical
    distribution, exact for large pulls and 5 % too high at 25; the lot's own error is left out.
    """
    distance = wasserstein(counts_a=pull, counts_b=lot, width=width)
    share = np.cumsum(np.asarray(lot, np.float64)) / np.sum(lot)
    n = float(np.sum(pull))
    area = width * float(np.sqrt(np.clip(share * (1.0 - share), 0.0, None)).sum())
    floor = math.sqrt(2.0 / (math.pi * n)) * area
    return Apart(distance, floor, FLOOR_HIGH * floor, distance > FLOOR_HIGH * floor)
