"""Why a fruit got what it got: a closed list, each with the operator's words.

The numbers are bits of the reason set that is stored with every fruit: never renumber, only add.
"""

from __future__ import annotations

from enum import IntEnum, unique


@unique
class Reason(IntEnum):
    """Bit number and stored code of a reason; 0 means none."""

    NONE = 0
    BELOW_SIZE = 1
    ABOVE_SIZE = 2
    SIZE_NOT_MEASURED = 3
    TOO_GREEN = 4
    TOO_SOFT = 5
    MATURITY_NOT_MEASURED = 6
    MEASURES_DISAGREE = 7
    LOW_SUGAR = 8
    SUGAR_NOT_MEASURED = 9
    LOW_BLUSH = 10
    HIGH_BLUSH = 11
    BLUSH_NOT_MEASURED = 12
    FIRMNESS_OUT = 13
    FIRMNESS_NOT_MEASURED = 14
    WRONG_TIP = 15
    HUE_NOT_USED = 16
    HUE_NOT_OBSERVABLE = 17
    HUE_OUT = 18
    HUE_NOT_MEASURED = 19
    MASS_NOT_MEASURED = 21
    DEFECT = 22
    SERIOUS_DEFECT = 23
    DECAY = 24
    DEFECT_EXTENT_OPEN = 25
    JUDGED_FAILED = 26
    PERSON_TO_JUDGE = 27
    HIGH_SUGAR = 28

    @property
    def bit(self) -> int:
        return 1 << self.value

    @property
    def word(self) -> str:
        """Stable word used in JSON and exports."""
        return self.name.lower()

    @property
    def title(self) -> str:
        return _TITLES[self]


_TITLES: dict[Reason, str] = {
    Reason.NONE: "none",
    Reason.BELOW_SIZE: "undersize",
    Reason.ABOVE_SIZE: "oversize",
    Reason.SIZE_NOT_MEASURED: "size not measured",
    Reason.TOO_GREEN: "too green",
    Reason.TOO_SOFT: "too soft",
    Reason.MATURITY_NOT_MEASURED: "maturity not measured",
    Reason.MEASURES_DISAGREE: "measures disagree on maturity",
    Reason.LOW_SUGAR: "low sugar",
    Reason.SUGAR_NOT_MEASURED: "sugar not measured",
    Reason.LOW_BLUSH: "too little blush",
    Reason.HIGH_BLUSH: "too much blush",
    Reason.BLUSH_NOT_MEASURED: "blush not measured",
    Reason.FIRMNESS_OUT: "firmness outside the limit",
    Reason.FIRMNESS_NOT_MEASURED: "firmness not measured",
    Reason.WRONG_TIP: "firmness read with another plunger tip, not used",
    Reason.HUE_NOT_USED: "ground colour not used for this cultivar",
    Reason.HUE_NOT_OBSERVABLE: "ground colour not observable",
    Reason.HUE_OUT: "ground colour outside the limit",
    Reason.HUE_NOT_MEASURED: "ground colour not measured",
    Reason.MASS_NOT_MEASURED: "weight not measured",
    Reason.DEFECT: "defect",
    Reason.SERIOUS_DEFECT: "serious defect",
    Reason.DECAY: "decay",
    Reason.DEFECT_EXTENT_OPEN: "defect seen, extent not assessed",
    Reason.JUDGED_FAILED: "judged unfit by a person",
    Reason.PERSON_TO_JUDGE: "points left to a person",
    Reason.HIGH_SUGAR: "sugar above the limit",
}

MISSING: dict[str, Reason] = {
    "diameter": Reason.SIZE_NOT_MEASURED, "circumference": Reason.SIZE_NOT_MEASURED,
    "mass": Reason.MASS_NOT_MEASURED, "hue": Reason.HUE_NOT_MEASURED,
    "blush": Reason.BLUSH_NOT_MEASURED, "sugar": Reason.SUGAR_NOT_MEASURED,
    "firmness": Reason.FIRMNESS_NOT_MEASURED,
}

BELOW: dict[str, Reason] = {
    "diameter": Reason.BELOW_SIZE, "circumference": Reason.BELOW_SIZE, "mass": Reason.BELOW_SIZE,
    "hue": Reason.HUE_OUT, "blush": Reason.LOW_BLUSH, "sugar": Reason.LOW_SUGAR,
    "firmness": Reason.TOO_SOFT,
}

ABOVE: dict[str, Reason] = {
    "diameter": Reason.ABOVE_SIZE, "circumference": Reason.ABOVE_SIZE, "mass": Reason.ABOVE_SIZE,
    "hue": Reason.TOO_GREEN, "blush": Reason.HIGH_BLUSH, "sugar": Reason.HIGH_SUGAR,
    "firmness": Reason.TOO_GREEN,
}


def reasons_of(*, bits: int) -> tuple[Reason, ...]:
    """The reasons in a stored bit set, in code order."""
    return tuple(r for r in Reason if r is not Reason.NONE and bits & r.bit)
