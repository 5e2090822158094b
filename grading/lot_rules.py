"""Rules about lots, packages and samples: the part of a standard that no single fruit decides."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from grading.numbers import Number, Sourced, Strict
from grading.rules import Rule

Stage = Literal["shipping_point", "destination"]
Severity = Literal["none", "injury", "damage", "serious"]
Group = Literal["defect", "maturity", "undersize", "oversize", "colour", "sugar", "weight",
                "judged"]


class Filter(Strict):
    """Which failing fruit a tolerance counts: those with at least one fault that fits.

    groups: kinds of fault. below_grade: fruit that do not even meet this grade; faults are then
    not looked at. kinds: defect kinds. An empty filter counts every fruit that fails its grade.
    """

    groups: tuple[Group, ...] = ()
    kinds: tuple[str, ...] = ()
    severity_at_least: Severity | None = None
    permanence: Literal["permanent", "condition"] | None = None
    below_grade: str | None = None


class Reserve(Strict):
    """Extra allowance that only the named faults may use."""

    percent: Number
    kinds: tuple[str, ...] = Field(min_length=1)
    stages: tuple[Stage, ...] = ("shipping_point", "destination")


class Tolerance(Sourced):
    """At most `percent` of the fruit of a lot, by count, may be counted by the filter.

    within: the tolerance that this one is a part of (a fruit counts in both). any_single_kind:
    the cap holds for each defect kind by itself.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    percent: Number
    counts: Filter = Filter()
    grades: tuple[str, ...] = ()
    stages: tuple[Stage, ...] = ("shipping_point", "destination")
    within: str | None = None
    any_single_kind: bool = False
    reserve: Reserve | None = None


class LotShare(Sourced):
    """A share of the lot's fruit must fulfil a rule, with an own bound for a single package.

    rule: what a fruit must fulfil; meets_grade instead: it must not fail this grade.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    grades: tuple[str, ...] = Field(min_length=1)
    rule: Rule | None = None
    meets_grade: str | None = None
    at_least_percent: Number | None = None
    at_most_percent: Number | None = None
    package_at_least_percent: Number | None = None

    @model_validator(mode="after")
    def _one_bound(self) -> LotShare:
        if (self.at_least_percent is None) == (self.at_most_percent is None):
            raise ValueError("state either at_least_percent or at_most_percent")
        if (self.rule is None) == (self.meets_grade is None):
            raise ValueError("state either rule or meets_grade")
        return self


class AllowedFruit(Strict):
    """A number of whole fruit with the named faults."""

    count: Annotated[int, Field(ge=0)]
    kinds: tuple[str, ...]
    serious_kinds: tuple[str, ...] = ()


class PackageLimit(Sourced):
    """What one package may hold while the lot is inside its tolerances.

    Limits are factors on each lot tolerance. always_allowed: whole fruit that pass whatever the
    percentage says. at_most: whole fruit that may not be exceeded whatever the percentage says.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    heavier_than_g: Number | None = None
    at_most_g: Number | None = None
    factor_from_percent: Number | None = None
    factor_at_or_above: Number | None = None
    factor_below: Number | None = None
    always_allowed: AllowedFruit | None = None
    at_most: AllowedFruit | None = None


class CountMark(Sourced):
    """The fruit in a package must match the marked count, within a number of fruit.

    only_over: fewer fruit than marked are no fault. sample_g: the count holds for a sample of
    this mass drawn from the lot, not for a package.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    pack_forms: tuple[str, ...] = Field(min_length=1)
    within_fruit: Annotated[int, Field(ge=0)]
    only_over: bool = False
    sample_g: Number | None = None


class SpreadStep(Strict):
    """For packages whose key value is up to (excluding, or including where `closed`) `to`."""

    to: Number | None = None
    at_most: Number


class Spread(Sourced):
    """Largest minus smallest fruit of one package.

    key: which value of the package picks the step. Where the smallest and the largest fruit fall
    in different steps the text gives no answer and the verdict says so, unless key settles it.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    measure: Literal["diameter", "mass"]
    unit: Literal["mm", "in", "g"]
    key: Literal["smallest", "mean", "largest", "whole_package"]
    closed: Literal["low", "high"] = "low"
    steps: tuple[SpreadStep, ...] = Field(min_length=1)
    optional_grades: tuple[str, ...] = ()


class Window(Sourced):
    """Some window of the width must hold all but `outside_percent` of one package's fruit.

    The mean of the package picks the width. closed: "high" where a mean exactly at `to` still
    takes that step.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    measure: Literal["diameter"] = "diameter"
    unit: Literal["mm", "in"]
    closed: Literal["low", "high"] = "high"
    widths: tuple[SpreadStep, ...] = Field(min_length=1)
    outside_percent: Number


class PackageShare(Sourced):
    """At most this share of packages (or samples) may be outside the package rules named."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    percent: Number
    of: tuple[str, ...] = Field(min_length=1)


class SampleMean(Sourced):
    """A test on the mean of a reduced sample, read by hand, each size by itself."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    measure: Literal["sugar", "firmness"]
    unit: Literal["brix", "kgf", "lbf", "N"]
    at_least: Number | None = None
    below: Number | None = None
    least_fruit: Annotated[int, Field(ge=1)] = 10
    without_kinds: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_limit(self) -> SampleMean:
        if (self.at_least is None) == (self.below is None):
            raise ValueError("state either at_least or below")
        return self


class FruitSample(Sourced):
    """How many fruit make a sample: the full number, or fewer from small packages."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    fruit: Annotated[int, Field(ge=1)]
    fallback_fruit: Annotated[int, Field(ge=1)]
    next_pull_minutes: Annotated[int, Field(ge=1)] | None = None


class OpenPackages(Sourced):
    """How many packages to open, by lot size: rows of (lots up to, packages)."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    rows: tuple[tuple[int | None, int], ...]


class AcceptanceRow(Strict):
    samples: Annotated[int, Field(ge=1)]
    accept: Annotated[int, Field(ge=0)]


class Acceptance(Sourced):
    """Accept when the defectives do not exceed the number for the sample drawn.

    unit_fruit: fruit in one sample; rows give the acceptance number for 1, 2, 3 ... samples (or,
    with unit_fruit 1, for n fruit). Where no row fits, the next smaller one counts.
    absolute: most defectives in any one sample. not_for: kinds outside the plan altogether.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    unit_fruit: Annotated[int, Field(ge=1)]
    rows: tuple[AcceptanceRow, ...] = Field(min_length=1)
    absolute: Annotated[int, Field(ge=0)] | None = None
    not_for: tuple[str, ...] = ()


class SeasonBan(Sourced):
    """Sizes that may not be dispatched in a part of the year; both end days are inside."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    basis: str
    sizes: tuple[str, ...] = ()
    smaller_than: Number | None = None
    from_day: str = Field(pattern=r"^\d\d-\d\d$")
    to_day: str = Field(pattern=r"^\d\d-\d\d$")
    hemisphere: Literal["north", "south", "any"] = "any"
    suspended_years: tuple[int, ...] = ()


class GradeMinimum(Sourced):
    """Smallest size a grade may have, on each basis by itself."""

    grades: tuple[str, ...] = Field(min_length=1)
    basis: str
    at_least: Number
    unit: str


class Marking(Sourced):
    """What may be written on a package."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    diameter_step: Number | None = None
    diameter_unit: Literal["in", "mm"] = "in"
    without_count_needs: tuple[Literal["minimum_diameter", "net_weight"], ...] = ()
