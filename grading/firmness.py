"""Firmness: exact force units, plunger tips, and the two cheeks of one fruit.

A firmness number means something only with its unit and its tip. Part of the force follows the
tip's area and part its rim, so no factor turns a reading with one tip into one with another: a
reading whose tip is not the standard's is refused or flagged, never scaled.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from grading.quantities import MM_PER_INCH, N_PER_KGF, N_PER_LBF

ForceUnit = Literal["N", "lbf", "kgf"]

NEWTONS: Final[dict[ForceUnit, Fraction]] = {
    "N": Fraction(1), "lbf": N_PER_LBF, "kgf": N_PER_KGF,
}
"""Newtons in one of each unit, exact by definition (NIST SP 811, appendix B)."""


def _hundredths(tip_mm: float) -> Fraction:
    """A tip to 0.01 mm, the quantum of the record."""
    return round(Fraction(str(tip_mm)), 2)


@dataclass(frozen=True, slots=True)
class Head:
    """A nominal plunger head: the millimetre name and the inch name of one and the same thing."""

    name: str
    mm: Fraction
    inch: Fraction

    def fits(self, *, tip_mm: float) -> bool:
        """Whether a stated tip diameter is this head under either name, the inch one written in
        millimetres to 0.1 or 0.01."""
        tip, inch_mm = _hundredths(tip_mm), self.inch * MM_PER_INCH
        return tip in (self.mm, round(inch_mm, 1)) or abs(tip - inch_mm) < Fraction(1, 100)


HEADS: Final = (
    Head("8 mm (5/16 in)", Fraction(8), Fraction(5, 16)),
    Head("11 mm (7/16 in)", Fraction(11), Fraction(7, 16)),
)
"""The two standard heads of the Magness-Taylor type."""


def convert(*, value: float, unit: ForceUnit, to: ForceUnit) -> float:
    """A force in another unit, rounded once; raises ValueError unless finite and 0 or more."""
    if not 0.0 <= value < math.inf:
        raise ValueError(f"firmness {value} {unit} must be a number of 0 or more")
    return float(Fraction(value) * NEWTONS[unit] / NEWTONS[to])


def tip_area_mm2(*, tip_mm: float) -> float:
    """Area of a round tip's face; raises ValueError unless the diameter is above zero."""
    if not 0.0 < tip_mm < math.inf:
        raise ValueError(f"tip diameter {tip_mm} mm must be above zero")
    return math.pi * tip_mm**2 / 4.0


def nominal_head(*, tip_mm: float) -> Head | None:
    """The standard head that a stated tip diameter means, None for any other tip."""
    return next((head for head in HEADS if head.fits(tip_mm=tip_mm)), None)


def same_head(*, tip_a_mm: float, tip_b_mm: float) -> bool:
    """Whether readings with one tip may be judged by a limit stated for the other.

    8 mm and 5/16 in (7.9375 mm) are one nominal head, 11 mm and 7/16 in (11.1125 mm) another; any
    other tip must equal the other one to 0.01 mm. ValueError when a tip is not a number.
    """
    head, other = nominal_head(tip_mm=tip_a_mm), nominal_head(tip_mm=tip_b_mm)
    if head is not None or other is not None:
        return head is other
    return _hundredths(tip_a_mm) == _hundredths(tip_b_mm)


def mean_of_readings(*, readings: Sequence[float]) -> tuple[float, float]:
    """Firmness of one fruit: the mean of its readings, and their spread, largest less smallest.

    readings: usually two opposite cheeks; one tip, one unit, which the result keeps. ValueError
    without readings.
    """
    if not readings:
        raise ValueError("a firmness needs at least one reading")
    return math.fsum(readings) / len(readings), max(readings) - min(readings)


def cheek_sd(*, pairs: Sequence[tuple[float, float]]) -> float | None:
    """Standard deviation of one cheek reading within a fruit: sqrt(mean(d^2) / 2).

    pairs: both cheeks of each fruit, one unit and one tip. None without pairs.
    """
    if not pairs:
        return None
    return math.sqrt(math.fsum((a - b) ** 2 for a, b in pairs) / len(pairs) / 2.0)
