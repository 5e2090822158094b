"""Rule trees: what a requirement says about one fruit, and what a trigger says about one defect.

A leaf compares a measure with a limit, asks for a maturity or size class, or names a point that
only a person can judge. Trees join leaves with all_of, any_of, at_least and not. Three answers
exist: yes, no and open (not measured, not judged); open never counts as yes.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from grading.numbers import Number, Sourced, Strict, check_unit, to_si

Missing = Literal["open", "undecided", "fails"]
"""What a missing measure does: "open" leaves the grade standing as not contradicted, "undecided"
withholds any grade, "fails" fails the requirement."""


class Measured(Sourced):
    """One measure against one limit. Exactly one of the four comparisons is set."""

    measure: str
    at_least: Number | None = None
    above: Number | None = None
    at_most: Number | None = None
    below: Number | None = None
    unit: str
    if_missing: Missing = "open"

    @model_validator(mode="after")
    def _one_comparison(self) -> Measured:
        check_unit(measure=self.measure, unit=self.unit)
        if sum(v is not None for v in (self.at_least, self.above, self.at_most, self.below)) != 1:
            raise ValueError("state exactly one of at_least, above, at_most, below")
        return self

    @property
    def comparison(self) -> Literal["at_least", "above", "at_most", "below"]:
        for name in ("at_least", "above", "at_most"):
            if getattr(self, name) is not None:
                return name
        return "below"

    @property
    def limit(self) -> Fraction:
        """The limit in the SI unit of the measure."""
        value: Fraction = getattr(self, self.comparison)
        return to_si(value=value, unit=self.unit)


class MaturityIs(Sourced):
    """The maturity class is one of these."""

    maturity: tuple[str, ...] = Field(min_length=1)
    if_missing: Missing = "undecided"


class SizeIs(Sourced):
    """The size class is one of these (only on the basis whose bands name them)."""

    size: tuple[str, ...] = Field(min_length=1)
    if_missing: Missing = "undecided"


class Judged(Sourced):
    """A point that a person judges; without a judgement it stays open."""

    person: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    text: str


class AllOf(Strict):
    all_of: tuple[Rule, ...] = Field(min_length=1)


class AnyOf(Strict):
    any_of: tuple[Rule, ...] = Field(min_length=1)


class AtLeast(Strict):
    """At least k of the rules hold."""

    at_least_k: Annotated[int, Field(ge=1)]
    of: tuple[Rule, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _enough(self) -> AtLeast:
        if self.at_least_k > len(self.of):
            raise ValueError(f"at_least_k is {self.at_least_k}, but only {len(self.of)} are listed")
        return self


class Not(Strict):
    not_: Rule = Field(alias="not")


_KEYS = {
    "measure": "measured", "maturity": "maturity", "size": "size", "person": "person",
    "all_of": "all_of", "any_of": "any_of", "at_least_k": "at_least_k", "not": "not",
}


def _kind(value: Any) -> str | None:
    if isinstance(value, dict):
        return next((tag for key, tag in _KEYS.items() if key in value), None)
    return next((tag for key, tag in _KEYS.items()
                 if hasattr(value, "not_" if key == "not" else key)), None)


Rule = Annotated[
    Annotated[Measured, Tag("measured")]
    | Annotated[MaturityIs, Tag("maturity")]
    | Annotated[SizeIs, Tag("size")]
    | Annotated[Judged, Tag("person")]
    | Annotated[AllOf, Tag("all_of")]
    | Annotated[AnyOf, Tag("any_of")]
    | Annotated[AtLeast, Tag("at_least_k")]
    | Annotated[Not, Tag("not")],
    Discriminator(_kind, custom_error_type="unknown_rule", custom_error_message=(
        "a rule needs one of: measure, maturity, size, person, all_of, any_of, at_least_k, not")),
]


class LimitStep(Strict):
    """A limit for fruit up to a diameter; the last step has no `to`."""

    to: Number | None = None
    limit: Number


class ByDiameter(Strict):
    """A limit that depends on the fruit's own diameter.

    Either steps (diameter <= to), or slope x diameter with an optional floor and ceiling. Units
    are those of the trigger; diameters too.
    """

    steps: tuple[LimitStep, ...] = ()
    slope: Number | None = None
    floor: Number | None = None
    ceiling: Number | None = None

    @model_validator(mode="after")
    def _one_form(self) -> ByDiameter:
        if bool(self.steps) == (self.slope is not None):
            raise ValueError("state either steps or a slope")
        if self.steps:
            tos = [s.to for s in self.steps[:-1]]
            if self.steps[-1].to is not None or any(t is None for t in tos):
                raise ValueError("every step but the last needs `to`, the last must not have one")
            if tos != sorted(set(t for t in tos if t is not None)):
                raise ValueError("steps must be in rising order of `to`")
        return self


class Extent(Strict):
    """A measured attribute of a defect beyond a limit; exactly at the limit is not beyond.

    attribute: circle (diameter of the circle of equal area, summed over the fruit), length and
    depth (the largest), share (of the surface, summed), count (summed).
    """

    attribute: Literal["circle", "length", "depth", "share", "count"]
    above: Number | None = None
    above_by_diameter: ByDiameter | None = None
    unit: Literal["mm", "cm", "in", "cm2", "mm2", "percent", "fraction", "count"]

    @model_validator(mode="after")
    def _fits(self) -> Extent:
        if (self.above is None) == (self.above_by_diameter is None):
            raise ValueError("state either above or above_by_diameter")
        allowed = {
            "circle": ("mm", "cm", "in", "cm2", "mm2"), "length": ("mm", "cm", "in"),
            "depth": ("mm", "cm", "in"), "share": ("percent", "fraction"), "count": ("count",),
        }[self.attribute]
        if self.unit not in allowed:
            raise ValueError(f"{self.attribute} is not stated in {self.unit}")
        if self.above_by_diameter and self.unit not in ("mm", "cm", "in"):
            raise ValueError("a limit by diameter is stated in mm, cm or in")
        return self


class Flag(Strict):
    """A yes/no attribute of a defect."""

    flag: Literal["healed", "cracked", "concentrated", "smooth", "light", "deforming",
                  "in_stem_cavity"]
    is_: bool = Field(alias="is")


class AllOfTrigger(Strict):
    all_of: tuple[Trigger, ...] = Field(min_length=1)


class AnyOfTrigger(Strict):
    any_of: tuple[Trigger, ...] = Field(min_length=1)


class Always(Strict):
    """Any occurrence at all."""

    always: Literal[True]


def _trigger_kind(value: Any) -> str | None:
    keys = ("attribute", "flag", "all_of", "any_of", "always")
    if isinstance(value, dict):
        return next((k for k in keys if k in value), None)
    return next((k for k in keys if hasattr(value, k)), None)


Trigger = Annotated[
    Annotated[Extent, Tag("attribute")]
    | Annotated[Flag, Tag("flag")]
    | Annotated[AllOfTrigger, Tag("all_of")]
    | Annotated[AnyOfTrigger, Tag("any_of")]
    | Annotated[Always, Tag("always")],
    Discriminator(_trigger_kind, custom_error_type="unknown_trigger", custom_error_message=(
        "a trigger needs one of: attribute, flag, all_of, any_of, always")),
]

for _model in (AllOf, AnyOf, AtLeast, Not, AllOfTrigger, AnyOfTrigger):
    _model.model_rebuild()


def leaves(rule: Any) -> list[Any]:
    """Every leaf of a rule tree, in order."""
    for name in ("all_of", "any_of", "of"):
        if hasattr(rule, name):
            return [leaf for part in getattr(rule, name) for leaf in leaves(part)]
    if hasattr(rule, "not_"):
        return leaves(rule.not_)
    return [rule]
