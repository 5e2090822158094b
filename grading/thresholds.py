"""Limits as whole numbers: every comparison of a standard becomes "value >= threshold"."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from grading.quantities import limit_quanta
from grading.rules import Measured
from grading.standard import Indicator, PackStandard, SizeTable

Comparison = Literal["at_least", "above", "at_most", "below"]


def threshold(
    *, limit: Fraction, measure: str, comparison: Comparison, nearest: bool
) -> tuple[int, bool]:
    """(t, upward): the comparison holds exactly where (value >= t) is `upward`.

    limit in SI units; value in quanta of the measure. nearest: the limit is first brought to the
    nearest quantum (rounding policy "nearest"), else it is compared as an exact fraction.
    """
    quanta = Fraction(limit_quanta(limit=limit, measure=measure, nearest=nearest))
    if comparison == "at_least":
        return math.ceil(quanta), True
    if comparison == "above":
        return math.floor(quanta) + 1, True
    if comparison == "at_most":
        return math.floor(quanta) + 1, False
    return math.ceil(quanta), False


def leaf_threshold(*, leaf: Measured, standard: PackStandard) -> tuple[int, bool]:
    return threshold(limit=leaf.limit, measure=leaf.measure, comparison=leaf.comparison,
                     nearest=standard.rounding.limits == "nearest")


@dataclass(frozen=True, slots=True)
class Steps:
    """Rising thresholds and the class above each: class of v is classes[#(v >= threshold)]."""

    thresholds: tuple[int, ...]
    classes: tuple[int, ...]


def size_steps(*, table: SizeTable, standard: PackStandard) -> tuple[Steps, tuple[str, ...]]:
    """Steps over a size table and the names its codes index.

    Code 0 is not measured, 1 below the scale, 2.. the bands, the last one above the scale; a
    table whose ends are open has no fruit in the outer codes.
    """
    comparison: Comparison = "at_least" if table.closed == "low" else "above"
    nearest = standard.rounding.limits == "nearest"

    def at(limit: Fraction) -> int:
        return threshold(limit=limit, measure=table.basis, comparison=comparison,
                         nearest=nearest)[0]

    marks: list[tuple[int, int]] = []
    for code, band in enumerate(table.bands, start=2):
        low, _ = table.bounds_si(band)
        if low is not None:
            marks.append((at(low), code))
    _, top = table.bounds_si(table.bands[-1])
    if top is not None:
        marks.append((at(top), len(table.bands) + 2))
    first = 1 if table.bands[0].low is not None else 2
    names = ("not measured", "below scale", *(b.code for b in table.bands), "above scale")
    return Steps(tuple(t for t, _ in marks), (first, *(c for _, c in marks))), names


def indicator_steps(*, by: Indicator, standard: PackStandard) -> Steps:
    """Steps over one maturity indicator; classes are maturity codes (0 = not measured)."""
    assert standard.maturity is not None
    code = {name: i for i, name in enumerate(standard.maturity.classes, start=1)}
    comparison: Comparison = "at_least" if by.closed == "low" else "above"
    marks = []
    for step in by.steps[1:]:
        assert step.low is not None
        leaf_limit = step.low
        leaf = Measured(measure=by.measure, unit=by.unit, at_least=leaf_limit,
                        source=by.source, evidence=by.evidence)
        marks.append(threshold(limit=leaf.limit, measure=by.measure, comparison=comparison,
                               nearest=standard.rounding.limits == "nearest")[0])
    return Steps(tuple(marks), tuple(code[s.maturity] for s in by.steps))
