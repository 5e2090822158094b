"""Counts of graded fruit that can be added together: exact, order-free, auditable.

Shares are never averaged; tallies are merged by adding counts and every share is taken from the
sum. Histograms have fixed bins on whole quanta, so counts at any bin edge are exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from grading.kernel import Compiled
from grading.quantities import MEASURES, Integers, Measure
from grading.reasons import Reason
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts

SHOWN: Final = ("diameter", "mass", "hue", "blush", "sugar", "firmness")
HUE_CUT: Final = 27000
"""Hue is unrolled opposite the fruit colours (270 degrees), so that no mean crosses the seam."""


@dataclass(frozen=True, slots=True)
class Moments:
    """Count, mean and sum of squared deviations in quanta (Welford's form)."""

    n: int = 0
    mean: float = 0.0
    m2: float = 0.0

    def sd(self) -> float | None:
        return (self.m2 / (self.n - 1)) ** 0.5 if self.n > 1 else None

    def merge(self, other: Moments) -> Moments:
        """Chan, Golub and LeVeque (1979), pairwise update."""
        n = self.n + other.n
        if n == 0:
            return self
        d = other.mean - self.mean
        return Moments(n, self.mean + d * other.n / n,
                       self.m2 + other.m2 + d * d * self.n * other.n / n)


def bins_of(*, measure: Measure) -> int:
    """How many histogram bins a measure has; bin k covers [low + k*bin, low + (k+1)*bin)."""
    return (measure.high_q - measure.low_q) // measure.bin_q + 1


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts by size, maturity, grade and pack code, with reasons, histograms and moments.

    counts, mass_n, mass_q: int64, shape (sizes, maturities, grades, packs); mass_q sums 0.1 g.
    decisive, any_reason: int64, shape (grades, 32). histograms: measure to int64 bins.
    missing: measure to the fruit not measured.
    """

    n: int
    counts: Integers
    mass_n: Integers
    mass_q: Integers
    decisive: Integers
    any_reason: Integers
    histograms: dict[str, Integers] = field(default_factory=dict)
    moments: dict[str, Moments] = field(default_factory=dict)
    missing: dict[str, int] = field(default_factory=dict)

    def merge(self, other: Tally) -> Tally:
        """Both together; exactly the tally of all their fruit."""
        return Tally(
            self.n + other.n, self.counts + other.counts, self.mass_n + other.mass_n,
            self.mass_q + other.mass_q, self.decisive + other.decisive,
            self.any_reason + other.any_reason,
            {k: self.histograms[k] + other.histograms[k] for k in SHOWN},
            {k: self.moments[k].merge(other.moments[k]) for k in SHOWN},
            {k: self.missing[k] + other.missing[k] for k in SHOWN},
        )

    def along(self, axis: int) -> Integers:
        """Counts by the codes of one axis (0 size, 1 maturity, 2 grade, 3 pack)."""
        others = tuple(a for a in range(4) if a != axis)
        return np.asarray(self.counts.sum(axis=others))


def empty(*, compiled: Compiled) -> Tally:
    """The tally of no fruit."""
    shape = (len(compiled.size_names), len(compiled.maturity_names),
             len(compiled.grade_names), len(compiled.pack_names))
    grades = shape[2]
    zeros = np.zeros(shape, np.int64)
    return Tally(
        0, zeros, zeros, zeros, np.zeros((grades, 32), np.int64), np.zeros((grades, 32), np.int64),
        {k: np.zeros(bins_of(measure=MEASURES[k]), np.int64) for k in SHOWN},
        {k: Moments() for k in SHOWN}, {k: 0 for k in SHOWN},
    )


def tally(*, batch: FruitBatch, verdicts: Verdicts, compiled: Compiled) -> Tally:
    """The tally of one graded batch."""
    none = empty(compiled=compiled)
    shape = none.counts.shape
    cell = np.ravel_multi_index(
        (verdicts.size, verdicts.maturity, verdicts.grade, verdicts.pack), shape)
    cells = none.counts.size

    def spread(weights: Integers | None = None) -> Integers:
        if weights is None:
            return np.bincount(cell, minlength=cells).reshape(shape)
        return np.bincount(cell, weights=weights, minlength=cells).astype(np.int64).reshape(shape)

    mass_n, mass_q = none.mass_n, none.mass_q
    mass = batch.measures.get("mass")
    if mass is not None:
        mass_n = spread(mass.present.astype(np.int64))
        mass_q = spread(np.where(mass.present, mass.values, 0).astype(np.int64))
    histograms, moments, missing = {}, {}, {}
    for name in SHOWN:
        histograms[name], moments[name], missing[name] = _measure(
            name, batch.measures.get(name), len(batch))
    return Tally(len(batch), spread(), mass_n, mass_q, _decisive(verdicts, shape[2]),
                 _any_reason(verdicts, shape[2]), histograms, moments, missing)


def _decisive(verdicts: Verdicts, grades: int) -> Integers:
    index = verdicts.grade.astype(np.int64) * 32 + verdicts.decisive
    return np.bincount(index, minlength=grades * 32).reshape(grades, 32)


def _any_reason(verdicts: Verdicts, grades: int) -> Integers:
    found = np.zeros((grades, 32), np.int64)
    seen = int(np.bitwise_or.reduce(verdicts.reasons)) if len(verdicts) else 0
    for reason in Reason:
        if reason is not Reason.NONE and seen & reason.bit:
            hit = (verdicts.reasons & np.uint32(reason.bit)) != 0
            found[:, reason] = np.bincount(verdicts.grade[hit], minlength=grades)
    return found


def _measure(name: str, column: Column | None, n: int) -> tuple[Integers, Moments, int]:
    measure = MEASURES[name]
    bins = bins_of(measure=measure)
    if column is None:
        return np.zeros(bins, np.int64), Moments(), n
    values = column.values[column.present].astype(np.int64)
    counts = np.bincount((values - measure.low_q) // measure.bin_q, minlength=bins)
    if name == "hue":
        values = np.where(values >= HUE_CUT, values - 36000, values)
    if not len(values):
        return counts, Moments(), n
    mean = float(values.mean())
    return (counts, Moments(len(values), mean, float(((values - mean) ** 2).sum())),
            n - len(values))
