"""Numbers as a pack standard writes them: exact, quoted, with their unit."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema

from grading.quantities import MEASURES, MM_PER_INCH, N_PER_KGF, N_PER_LBF

_NUMBER = re.compile(r"^(?P<whole>-?\d+(?:\.\d+)?)?(?:(?:^|[ -])(?P<num>\d+)/(?P<den>[1-9]\d*))?$")

Evidence = Literal["R", "R2", "D", "M-h", "M-m", "M-l", "house"]
"""How a number is known: R read in the text of the standard, R2 read second-hand, D derived from
R or R2, M-h/M-m/M-l from memory with high, medium or low confidence, house: the house decided."""

EVIDENCE_TITLES: Final[dict[str, str]] = {
    "R": "read in the standard's own text",
    "R2": "read second-hand",
    "D": "derived by arithmetic from figures read",
    "M-h": "from memory, high confidence, unverified",
    "M-m": "from memory, medium confidence, unverified",
    "M-l": "from memory, low confidence, unverified",
    "house": "decided by the house",
}

SI_PER_UNIT: Final[dict[str, Fraction]] = {
    "mm": Fraction(1), "cm": Fraction(10), "in": MM_PER_INCH,
    "mm2": Fraction(1), "cm2": Fraction(100),
    "g": Fraction(1), "lb": Fraction(45359237, 100000),
    "N": Fraction(1), "lbf": N_PER_LBF, "kgf": N_PER_KGF,
    "deg": Fraction(1), "brix": Fraction(1), "fraction": Fraction(1),
    "percent": Fraction(1, 100), "count": Fraction(1),
}

MEASURE_UNITS: Final[dict[str, tuple[str, ...]]] = {
    "diameter": ("mm", "in"), "circumference": ("mm", "cm"), "mass": ("g", "lb"),
    "hue": ("deg",), "chroma": ("fraction",), "ground": ("fraction", "percent"),
    "blush": ("fraction", "percent"), "sugar": ("brix",), "firmness": ("N", "lbf", "kgf"),
    "pulp": ("deg",),
}


def parse_number(text: Any) -> Fraction:
    """"2 1/2", "1/3", "0.375" or "10" as an exact fraction; floats are refused."""
    if isinstance(text, Fraction):
        return text
    if not isinstance(text, str):
        raise ValueError(f"write the number in quotes, \"{text}\", so that it stays exact")
    match = _NUMBER.match(text.strip())
    if not match or not (match["whole"] or match["num"]):
        raise ValueError(f"{text!r} is not a number such as \"63.5\", \"1/3\" or \"2 1/2\"")
    whole = Fraction(match["whole"] or 0)
    part = Fraction(int(match["num"]), int(match["den"])) if match["num"] else Fraction(0)
    return whole + part


def number_text(value: Fraction) -> str:
    """Shortest exact text: a decimal where it ends within six digits, else a fraction."""
    if value.denominator == 1:
        return str(value.numerator)
    scaled = value * 10**6
    if scaled.denominator == 1:
        return f"{scaled.numerator / 10**6:.6f}".rstrip("0").rstrip(".")
    return f"{value.numerator}/{value.denominator}"


Number = Annotated[
    Fraction,
    BeforeValidator(parse_number),
    PlainSerializer(number_text, return_type=str),
    WithJsonSchema({
        "type": "string",
        "description": "Exact number in quotes: a decimal, a fraction or a mixed number.",
        "examples": ["63.5", "1/3", "2 1/2"],
    }),
]


class Strict(BaseModel):
    """Base of everything in a standard: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Sourced(Strict):
    """A rule that carries numbers says where they come from."""

    source: str = Field(min_length=3, description="Section, page or table that states it")
    evidence: Evidence
    note: str = ""


def to_si(*, value: Fraction, unit: str) -> Fraction:
    """A limit in the SI unit of its measure."""
    return value * SI_PER_UNIT[unit]


def check_unit(*, measure: str, unit: str) -> None:
    """Raise ValueError when the unit does not belong to the measure."""
    if measure not in MEASURES or measure not in MEASURE_UNITS:
        raise ValueError(f"unknown measure {measure!r}: use one of {', '.join(MEASURE_UNITS)}")
    if unit not in MEASURE_UNITS[measure]:
        raise ValueError(
            f"{measure} is not stated in {unit!r}: use {' or '.join(MEASURE_UNITS[measure])}")
