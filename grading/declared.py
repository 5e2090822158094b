"""What is said about a lot or a package before anybody looks at its fruit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from grading.lot_rules import Stage
from grading.numbers import to_si
from grading.standard import PackStandard

Hemisphere = Literal["north", "south"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """The declaration a lot is assessed against.

    min_diameter, max_diameter: mm, exact (1/8 in steps stay fractions). size: a size code of the
    standard's table on `basis`. marked_count, net_weight_g, pack_form: of its packages, where a
    package does not say its own. dispatch: the day the lot leaves, for rules of the season.
    """

    grade: str
    stage: Stage = "shipping_point"
    min_diameter: Fraction | None = None
    max_diameter: Fraction | None = None
    marked_count: int | None = None
    net_weight_g: Fraction | float | None = None
    pack_form: str | None = None
    dispatch: date | None = None
    hemisphere: Hemisphere | None = None
    size: str | None = None
    basis: str = "diameter"


@dataclass(frozen=True, slots=True)
class Package:
    """One opened package. fruit_count: all fruit in it, counted; None where nobody counted."""

    id: str
    net_weight_g: Fraction | float | None = None
    marked_count: int | None = None
    pack_form: str | None = None
    fruit_count: int | None = None


def declared_minimum(*, standard: PackStandard, declared: Declared) -> Fraction | None:
    """Smallest size declared on the declared basis, in mm or g; None where nothing says."""
    if declared.basis == "diameter" and declared.min_diameter is not None:
        return declared.min_diameter
    table = standard.table(declared.basis)
    if table is None or declared.size is None:
        return None
    band = next((b for b in table.bands if b.code == declared.size), None)
    if band is None or band.low is None:
        return None
    return to_si(value=band.low, unit=table.unit)
