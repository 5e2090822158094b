"""Maturity from several measures: each gives an indication, a stated policy combines them.

No single measure settles maturity. On solid-red cultivars the red hides the ground colour, so hue
is not used there and the verdict says so (UC Davis Postharvest, Nectarine & Peach fact sheet).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from grading.profile import CultivarProfile
from grading.quantities import Integers
from grading.reasons import Reason
from grading.record import Column
from grading.standard import Indicator, PackStandard
from grading.thresholds import Steps, indicator_steps


def chosen_indicators(
    *, standard: PackStandard, profile: CultivarProfile | None
) -> tuple[list[Indicator], bool]:
    """(the indicators that hold for the profile, whether the standard's hue rules go unused).

    For each measure the matching indicator that names most traits; without a profile only those
    that name none.
    """
    if standard.maturity is None:
        return [], False
    best: dict[str, Indicator] = {}
    for by in standard.maturity.by:
        if profile is None:
            fits = not by.when
        else:
            fits = all(profile.trait(t) in wanted for t, wanted in by.when.items())
        if fits and (by.measure not in best or len(by.when) > len(best[by.measure].when)):
            best[by.measure] = by
    asks_hue = any(by.measure == "hue" for by in standard.maturity.by)
    if profile is not None and profile.ground_colour == "not_usable":
        best.pop("hue", None)
    unused = asks_hue and "hue" not in best
    order = list(dict.fromkeys(by.measure for by in standard.maturity.by))
    return [best[m] for m in order if m in best], unused


class MaturityRule:
    """The maturity part of a standard for one cultivar profile.

    names: class names by code, 0 = "not measured". active: (measure, steps) in the order listed.
    hue_unused: hue says nothing about this cultivar under this standard.
    """

    def __init__(self, *, standard: PackStandard, profile: CultivarProfile | None) -> None:
        rule = standard.maturity
        self.names = ("not measured", *(rule.classes if rule else ()))
        indicators, self.hue_unused = chosen_indicators(standard=standard, profile=profile)
        if profile is not None and profile.ground_colour == "not_usable":
            self.hue_unused = True
        self.indicators = indicators
        self.active: list[tuple[str, Steps]] = [
            (by.measure, indicator_steps(by=by, standard=standard)) for by in indicators
        ]
        self.required = [by.required for by in indicators]
        self.combine = rule.combine if rule else "first"
        self.needs = rule.needs if rule else 1
        self.disagree_steps = rule.disagree_steps if rule else 1

    def classify(self, measures: Mapping[str, Column], n: int) -> tuple[Integers, Integers]:
        """(maturity codes, reason bits) of n fruit."""
        said = np.zeros(n, np.int64)
        low = np.full(n, 255, np.int64)
        high = np.zeros(n, np.int64)
        first = np.zeros(n, np.int64)
        lacking = np.zeros(n, np.bool_)
        for (measure, steps), required in zip(self.active, self.required, strict=True):
            column = measures.get(measure)
            if column is None:
                lacking |= required
                continue
            here = np.searchsorted(steps.thresholds, column.values, side="right")
            codes = np.where(column.present, np.array(steps.classes)[here], 0)
            present = codes > 0
            lacking |= required & ~present
            said += present
            low = np.where(present, np.minimum(low, codes), low)
            high = np.maximum(high, codes)
            first = np.where(first == 0, codes, first)
        chosen = {"softest": high, "firmest": low, "first": first}[self.combine]
        known = (said >= self.needs) & (said > 0) & ~lacking
        codes = np.where(known, chosen, 0).astype(np.uint8)
        apart = (said > 1) & (high - low >= self.disagree_steps)
        bits = np.where(apart, Reason.MEASURES_DISAGREE.bit, 0)
        if len(self.names) > 1:
            bits |= np.where(known, 0, Reason.MATURITY_NOT_MEASURED.bit)
        if self.hue_unused:
            bits |= Reason.HUE_NOT_USED.bit
        return codes, bits.astype(np.uint32)
