"""Measures of a fruit, their quanta, plausible ranges and the unit fields that carry them.

Every measure becomes an integer count of a fixed quantum at the edge and is compared as an
integer from then on, so a fruit that lies exactly on a bound gets the same class on every
machine. A reading finer than the quantum is rounded half to even: to nobody's advantage.

Conversions are exact by definition: 1 in = 25.4 mm, 1 lbf = 0.45359237 x 9.80665 N,
1 kgf = 9.80665 N (NIST SP 811, appendix B).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np
import numpy.typing as npt

Integers = npt.NDArray[Any]
Flags = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

MM_PER_INCH: Final = Fraction(254, 10)
N_PER_KGF: Final = Fraction(980665, 100000)
N_PER_LBF: Final = Fraction(45359237, 100000000) * N_PER_KGF


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured property: its quantum, plausible range and display unit.

    Range ends are inclusive counts of the quantum; they say what can be a peach or nectarine
    at all, not what is wanted (limits of range: common practice, no source).
    """

    name: str
    title: str
    unit: str
    quantum: Fraction
    low_q: int
    high_q: int
    bin_q: int
    dtype: type[np.uint16] | type[np.int16] = np.uint16

    def value(self, *, quanta: int) -> float:
        """Quanta back in the display unit."""
        return float(quanta * self.quantum)

    def decimals(self) -> int:
        """Digits after the point that the quantum resolves."""
        return len(str(self.quantum.denominator)) - 1


MEASURES: Final[dict[str, Measure]] = {
    m.name: m
    for m in (
        Measure("diameter", "diameter", "mm", Fraction(1, 100), 2000, 15000, 10),
        Measure("circumference", "circumference", "mm", Fraction(1, 100), 6000, 47500, 100),
        Measure("mass", "mass", "g", Fraction(1, 10), 100, 15000, 10),
        Measure("hue", "ground-colour hue", "deg", Fraction(1, 100), 0, 35999, 50),
        Measure("chroma", "ground-colour chroma", "", Fraction(1, 100), 0, 15000, 100),
        Measure("ground", "ground-colour share seen", "", Fraction(1, 1000), 0, 1000, 10),
        Measure("blush", "blush share", "", Fraction(1, 1000), 0, 1000, 10),
        Measure("sugar", "sugar", "°Bx", Fraction(1, 100), 100, 3500, 10),
        Measure("firmness", "firmness", "N", Fraction(1, 100), 10, 20000, 50),
        Measure("tip", "plunger tip", "mm", Fraction(1, 100), 300, 1500, 100),
        Measure("pulp", "pulp temperature", "°C", Fraction(1, 10), -50, 500, 10, np.int16),
    )
}


@dataclass(frozen=True, slots=True)
class UnitField:
    """A wire field that carries a measure in one unit; `factor` converts to the SI unit."""

    field: str
    measure: str
    unit: str
    factor: Fraction

    def per_quantum(self) -> Fraction:
        """How many quanta one unit of this field is."""
        return self.factor / MEASURES[self.measure].quantum


UNIT_FIELDS: Final[dict[str, UnitField]] = {
    u.field: u
    for u in (
        UnitField("diameter_mm", "diameter", "mm", Fraction(1)),
        UnitField("diameter_in", "diameter", "in", MM_PER_INCH),
        UnitField("circumference_mm", "circumference", "mm", Fraction(1)),
        UnitField("mass_g", "mass", "g", Fraction(1)),
        UnitField("ground_hue_deg", "hue", "deg", Fraction(1)),
        UnitField("ground_chroma", "chroma", "", Fraction(1)),
        UnitField("ground_fraction", "ground", "", Fraction(1)),
        UnitField("blush_fraction", "blush", "", Fraction(1)),
        UnitField("sugar_brix", "sugar", "°Bx", Fraction(1)),
        UnitField("firmness_n", "firmness", "N", Fraction(1)),
        UnitField("firmness_lbf", "firmness", "lbf", N_PER_LBF),
        UnitField("firmness_kgf", "firmness", "kgf", N_PER_KGF),
        UnitField("tip_mm", "tip", "mm", Fraction(1)),
        UnitField("pulp_temp_c", "pulp", "°C", Fraction(1)),
    )
}

PRIMARY_FIELD: Final[dict[str, str]] = {
    u.measure: u.field for u in reversed(UNIT_FIELDS.values()) if u.factor == 1
}
"""The SI field of each measure, the one used when records are written out."""

_REMEDIES: Final[dict[str, str]] = {
    "diameter_mm": "Send millimetres; if this was inches, use diameter_in.",
    "diameter_in": "Send inches; if this was millimetres, use diameter_mm.",
    "circumference_mm": "Send millimetres.",
    "mass_g": "Send grams; leave the field out if the fruit was not weighed.",
    "ground_hue_deg": "Send the CIELAB hue angle, 0 to 360 degrees.",
    "ground_chroma": "Send CIELAB chroma, 0 to 150.",
    "ground_fraction": "Send the share of the surface as a fraction, 0 to 1.",
    "blush_fraction": "Send the share of the surface as a fraction, 0 to 1, not percent.",
    "sugar_brix": "Send degrees Brix at 20 °C; leave the field out if not measured.",
    "firmness_n": "Send newtons, never zero for 'not measured'.",
    "firmness_lbf": "Send pounds-force, never zero for 'not measured'.",
    "firmness_kgf": "Send kilograms-force, never zero for 'not measured'.",
    "tip_mm": "Send the plunger diameter in mm, for instance 8 or 11.",
    "pulp_temp_c": "Send degrees Celsius.",
}


def remedy(*, field: str) -> str:
    """What the sender of a refused value should do."""
    return _REMEDIES[field]


def quantise(*, values: Floats, per_quantum: Fraction) -> Floats:
    """Readings as whole counts of a quantum, rounded half to even, still as floats.

    values: any shape, finite. per_quantum: quanta in one unit of the reading. Binary fractions
    a hair off a decimal tie (1.015 x 100 = 101.49999999999999) are snapped to the tie first,
    so the result is the one that the decimal text has.
    """
    return quantise_table(values=values, per_quantum=np.float64(per_quantum))


def quantise_table(*, values: Floats, per_quantum: Any) -> Floats:
    """`quantise` with `per_quantum` as floats that broadcast against `values`.

    A reading too large for a float becomes infinite, which no range lets pass.
    """
    with np.errstate(over="ignore"):
        scaled: Floats = values * (per_quantum * 1e6)
        np.rint(scaled, out=scaled)
    scaled /= 1e6
    return np.rint(scaled, out=scaled)


def limit_quanta(*, limit: Fraction, measure: str, nearest: bool) -> Fraction | int:
    """A limit in quanta of its measure: the nearest whole count, or the exact fraction."""
    exact = limit / MEASURES[measure].quantum
    return round(exact) if nearest else exact
