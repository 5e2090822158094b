"""Sugar: refractive index and degrees Brix, and the correction of a reading to 20 °C.

Sucrose basis: acids in the juice read as sugar and are not corrected for. Each figure that rests
on memory says so in the result.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

INDEX_BY_BRIX: Final = (
    1.33299, 1.33442, 1.33586, 1.33732, 1.33879, 1.34026, 1.34175, 1.34325, 1.34477, 1.34629,
    1.34782, 1.34937, 1.35093, 1.35250, 1.35408, 1.35568, 1.35729, 1.35891, 1.36054, 1.36218,
    1.36384,
)
"""Refractive index (sodium D, 20 °C) of sucrose solutions of 0, 1, ... 20 °Bx: the ICUMSA 1974
scale, read second-hand. Not the table of ISO 1743, which is for glucose syrup."""

_CHECK_READING: Final = "check the reading and its unit"
_CHECK_TEMPERATURE: Final = "bring juice and instrument inside it and read again"


@dataclass(frozen=True, slots=True)
class CorrectionTable:
    """What to add to a reading to get °Bx at 20 °C; one row a whole degree, one column a °Bx.

    memory_from_c: rows from this temperature on were typed from memory.
    """

    name: str
    brix: tuple[float, ...]
    first_c: int
    rows: tuple[tuple[float, ...], ...]
    memory_from_c: int

    @property
    def last_c(self) -> int:
        """Temperature of the last row."""
        return self.first_c + len(self.rows) - 1


DEFAULT_TABLE: Final = CorrectionTable(
    name="sucrose-1936-20C",
    brix=(0.0, 5.0, 10.0, 15.0, 20.0, 25.0),
    first_c=10,
    rows=(
        (-0.50, -0.54, -0.58, -0.61, -0.64, -0.66),
        (-0.46, -0.49, -0.53, -0.55, -0.58, -0.60),
        (-0.42, -0.45, -0.48, -0.50, -0.52, -0.54),
        (-0.37, -0.40, -0.42, -0.44, -0.46, -0.48),
        (-0.33, -0.35, -0.37, -0.39, -0.40, -0.41),
        (-0.27, -0.29, -0.31, -0.33, -0.34, -0.34),
        (-0.22, -0.24, -0.25, -0.26, -0.27, -0.28),
        (-0.17, -0.18, -0.19, -0.20, -0.21, -0.21),
        (-0.12, -0.13, -0.13, -0.14, -0.14, -0.14),
        (-0.06, -0.06, -0.06, -0.07, -0.07, -0.07),
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
        (0.06, 0.07, 0.07, 0.07, 0.07, 0.08),
        (0.13, 0.13, 0.14, 0.14, 0.15, 0.15),
        (0.19, 0.20, 0.21, 0.22, 0.22, 0.23),
        (0.26, 0.27, 0.28, 0.29, 0.30, 0.30),
        (0.33, 0.35, 0.36, 0.37, 0.38, 0.38),
        (0.40, 0.42, 0.43, 0.44, 0.45, 0.46),
        (0.48, 0.50, 0.52, 0.53, 0.54, 0.55),
        (0.56, 0.57, 0.60, 0.61, 0.62, 0.63),
        (0.64, 0.66, 0.68, 0.69, 0.71, 0.72),
        (0.72, 0.74, 0.77, 0.78, 0.79, 0.80),
    ),
    memory_from_c=23,
)
"""International temperature correction table of 1936 (AOAC 932.14C), 10 to 30 °C and 0 to 25 °Bx.
Rows 10 to 22 °C were read in a national standard's annex A, table A.1 (title not seen)."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """A reading at 20 °C. `table` is empty where the instrument had corrected it by itself."""

    brix: float
    correction: float
    table: str
    from_memory: bool


def _between(
    *, x: float, xs: Sequence[float], ys: Sequence[float], what: str, remedy: str
) -> float:
    """Straight line between the two known points around x; ValueError outside the points."""
    if not xs[0] <= x <= xs[-1]:
        raise ValueError(f"{what} {x:g} is outside the table, {xs[0]:g} to {xs[-1]:g}: {remedy}")
    i = min(bisect_right(xs, x), len(xs) - 1)
    part = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[i - 1] * (1.0 - part) + ys[i] * part


def brix_from_index(*, refractive_index: float) -> float:
    """°Bx of a refractive index at 20 °C, 1.33299 to 1.36384; ValueError outside."""
    return _between(x=refractive_index, xs=INDEX_BY_BRIX, ys=range(len(INDEX_BY_BRIX)),
                    what="refractive index", remedy=_CHECK_READING)


def index_from_brix(*, brix: float) -> float:
    """Refractive index at 20 °C of 0 to 20 °Bx; ValueError outside."""
    return _between(x=brix, xs=range(len(INDEX_BY_BRIX)), ys=INDEX_BY_BRIX, what="°Bx",
                    remedy=_CHECK_READING)


def temperature_correction(
    *, brix: float, temperature_c: float, table: CorrectionTable = DEFAULT_TABLE
) -> float:
    """°Bx to add to a reading taken at this temperature, bilinear between the table's points.

    ValueError outside the table: the default one covers 10 to 30 °C and 0 to 25 °Bx.
    """
    columns = [_between(x=brix, xs=table.brix, ys=row, what="°Bx", remedy=_CHECK_READING)
               for row in table.rows]
    return _between(x=temperature_c, xs=range(table.first_c, table.last_c + 1), ys=columns,
                    what="temperature in °C", remedy=_CHECK_TEMPERATURE)


def at_20c(
    *, brix: float, temperature_c: float | None, atc: bool, table: CorrectionTable = DEFAULT_TABLE
) -> Corrected:
    """A reading brought to 20 °C.

    atc: the instrument compensates by itself, so nothing is added. Otherwise the temperature is
    needed (ValueError without it, or outside the table).
    """
    if atc:
        return Corrected(brix, 0.0, "", False)
    if temperature_c is None:
        raise ValueError("a reading without automatic compensation needs its temperature")
    add = temperature_correction(brix=brix, temperature_c=temperature_c, table=table)
    # Between the last row read and the first from memory the line rests on both.
    return Corrected(brix + add, add, table.name, temperature_c > table.memory_from_c - 1)


def corrected_brix(*, reading_brix: float, temperature_c: float, atc: bool = False) -> float:
    """°Bx at 20 °C of a reading; one by an instrument that compensates (atc) stays as it is.

    ValueError, with what to do, outside 10 to 30 °C or 0 to 25 °Bx. `at_20c` says besides which
    table was used and whether it rests on memory.
    """
    return at_20c(brix=reading_brix, temperature_c=temperature_c, atc=atc).brix


def sugar_acid_ratio(*, brix: float, acid_percent: float) -> float:
    """Soluble solids over titratable acidity (percent); ValueError unless the acid is above 0."""
    if not acid_percent > 0.0:
        raise ValueError(f"acidity {acid_percent} % must be above zero")
    return brix / acid_percent


def chance_at_least(*, brix: float, sd: float, limit: float) -> float:
    """Chance that the true °Bx reaches the limit, for an estimate with a normal error of `sd`.

    ValueError unless sd is above 0. Estimate sd from fruit measured twice; there is no default.
    """
    if not sd > 0.0:
        raise ValueError(f"the error's standard deviation {sd} must be above zero")
    return NormalDist(mu=limit, sigma=sd).cdf(brix)
