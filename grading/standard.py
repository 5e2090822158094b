"""A pack standard: the rules as data, versioned and never edited once released.

The model is the published JSON Schema of a standard file; `load_standard` reads one from TOML and
proves what a reader would otherwise have to trust (`proofs`). Identity is the SHA-256 of the
canonical form, which every stored verdict carries.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from datetime import date
from fractions import Fraction
from typing import Any, Literal

from pydantic import Field, ValidationError, model_validator

from grading.errors import Finding, StandardError
from grading.lot_rules import (
    Acceptance,
    CountMark,
    FruitSample,
    GradeMinimum,
    LotShare,
    Marking,
    OpenPackages,
    PackageLimit,
    PackageShare,
    SampleMean,
    SeasonBan,
    Severity,
    Spread,
    Tolerance,
    Window,
)
from grading.numbers import Number, Sourced, Strict, check_unit, to_si
from grading.profile import pydantic_findings
from grading.rules import Rule, Trigger

Basis = Literal["diameter", "circumference", "mass"]


class Band(Strict):
    """One size class; `low` and `high` in the table's unit, either end may be open."""

    code: str = Field(min_length=1, max_length=24)
    low: Number | None = None
    high: Number | None = None


class SizeTable(Sourced):
    """Size classes on one basis, smallest first.

    closed: which end of a band belongs to it. overlap: bands may share sizes; such a table names
    the codes that a size may carry (`sizing.admissible_codes`) but gives no single class; only
    there may both ends belong to a band.
    """

    basis: Basis
    unit: str
    closed: Literal["low", "high", "both"] = "low"
    overlap: bool = False
    bands: tuple[Band, ...] = Field(min_length=1)

    def bounds_si(self, band: Band) -> tuple[Fraction | None, Fraction | None]:
        low = None if band.low is None else to_si(value=band.low, unit=self.unit)
        high = None if band.high is None else to_si(value=band.high, unit=self.unit)
        return low, high


class MaturityStep(Strict):
    """A maturity class from a lower bound (or without one) to the next step's bound."""

    maturity: str
    low: Number | None = None


class Indicator(Sourced):
    """What one measure says about maturity.

    Steps in rising order of the measure; the first has no `low`. when: traits of the cultivar
    profile for which these steps hold; the indicator with most traits named wins.
    """

    measure: Literal["hue", "firmness", "sugar", "blush"]
    unit: str
    closed: Literal["low", "high"] = "low"
    steps: tuple[MaturityStep, ...] = Field(min_length=2)
    when: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    required: bool = False


class Maturity(Strict):
    """Maturity from several measures, none of which settles it alone.

    classes: least mature first. combine: which indication counts where measures speak: the most
    mature one ("softest"), the least mature one ("firmest"), or the first listed that was measured
    ("first"). needs: indications below which maturity is "not measured". disagree_steps: classes
    apart at which the verdict also says that the measures disagree.
    """

    classes: tuple[str, ...] = Field(min_length=2)
    titles: dict[str, str] = Field(default_factory=dict)
    combine: Literal["softest", "firmest", "first"]
    needs: int = Field(default=1, ge=1)
    disagree_steps: int = Field(default=2, ge=1)
    by: tuple[Indicator, ...] = Field(min_length=1)


class Grade(Strict):
    """One step of the ladder, best first; a fruit gets the highest grade it does not fail.

    free_from: defect kinds of which any occurrence keeps a fruit out. no_defect_at: the severity
    that keeps it out, whatever the defect.
    """

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")
    title: str
    requires: tuple[Rule, ...] = ()
    free_from: tuple[str, ...] = ()
    free_from_source: str = ""
    no_defect_at: Severity | None = None
    evidence: str = "house"
    source: str = ""


class Pack(Strict):
    """Where fruit go: the first pack whose lists all hold; an empty list holds for all."""

    id: str = Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")
    title: str
    grades: tuple[str, ...] = ()
    sizes: tuple[str, ...] = ()
    maturities: tuple[str, ...] = ()


class SeverityRule(Sourced):
    """When a defect reaches a severity."""

    level: Literal["injury", "damage", "serious"]
    when: Trigger


class DefectRule(Strict):
    """A kind of defect and how its severity is told. `permanence`: permanent defects cannot grow
    in transit, condition defects can."""

    kind: str = Field(pattern=r"^[a-z][a-z0-9_]{1,39}$")
    title: str
    permanence: Literal["permanent", "condition"]
    severities: tuple[SeverityRule, ...] = ()


class Rounding(Strict):
    """limits: a limit finer than the quantum of its measure is compared at the nearest quantum or
    exactly. shares: percentages are compared as exact fractions, or after rounding once."""

    limits: Literal["nearest", "exact"] = "nearest"
    shares: Literal["exact", "rounded"] = "exact"
    share_digits: int = Field(default=0, ge=0, le=6)
    means: Literal["exact", "rounded"] = "exact"
    mean_digits: int = Field(default=1, ge=0, le=6)


class Decision(Strict):
    """Which rule turns a count into a verdict (named, because the three differ widely)."""

    rule: Literal["point", "aql", "confidence"] = "point"
    level: Number = Fraction(95, 100)


class PackStandard(Strict):
    """The whole of a pack standard."""

    schema_version: Literal[1] = Field(alias="schema")
    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,48}$")
    edition: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,23}$")
    title: str
    body: str
    produce: tuple[str, ...] = Field(min_length=1)
    in_force_from: date
    in_force_to: date | None = None
    region: str = ""
    overlays: str = Field(default="", description="id@edition of the standard this one overlays")
    verified: bool
    note: str = ""
    tip_mm: Number = Field(default="8", validate_default=True)
    rounding: Rounding = Rounding()
    decision: Decision = Decision()
    sizing: tuple[SizeTable, ...] = ()
    maturity: Maturity | None = None
    grade: tuple[Grade, ...] = Field(min_length=1)
    cull_title: str = "cull"
    pack: tuple[Pack, ...] = ()
    defect: tuple[DefectRule, ...] = ()
    grade_minimum: tuple[GradeMinimum, ...] = ()
    tolerance: tuple[Tolerance, ...] = ()
    lot_share: tuple[LotShare, ...] = ()
    package_limit: tuple[PackageLimit, ...] = ()
    count_mark: tuple[CountMark, ...] = ()
    spread: tuple[Spread, ...] = ()
    window: tuple[Window, ...] = ()
    package_share: tuple[PackageShare, ...] = ()
    sample_mean: tuple[SampleMean, ...] = ()
    fruit_sample: tuple[FruitSample, ...] = ()
    open_packages: tuple[OpenPackages, ...] = ()
    acceptance: tuple[Acceptance, ...] = ()
    season_ban: tuple[SeasonBan, ...] = ()
    marking: tuple[Marking, ...] = ()

    @model_validator(mode="after")
    def _units(self) -> PackStandard:
        for table in self.sizing:
            check_unit(measure=table.basis, unit=table.unit)
        if self.maturity:
            for by in self.maturity.by:
                check_unit(measure=by.measure, unit=by.unit)
        return self

    @property
    def name(self) -> str:
        return f"{self.id}@{self.edition}"

    def table(self, basis: str) -> SizeTable | None:
        return next((t for t in self.sizing if t.basis == basis and not t.overlap), None)

    def defect_rule(self, kind: str) -> DefectRule | None:
        return next((d for d in self.defect if d.kind == kind), None)

    def evidence(self) -> dict[str, list[str]]:
        """Evidence tag to the places that rest on it, for the "unverified" notice."""
        found: dict[str, list[str]] = {}
        _collect(self.model_dump(mode="json", by_alias=True, exclude_none=True), "", found)
        return found

    def canonical(self) -> str:
        return json.dumps(self.model_dump(mode="json", by_alias=True), sort_keys=True,
                          ensure_ascii=False)

    def digest(self) -> str:
        """SHA-256 of the canonical form."""
        return hashlib.sha256(self.canonical().encode()).hexdigest()


def _collect(node: Any, path: str, found: dict[str, list[str]]) -> None:
    if isinstance(node, dict):
        if "evidence" in node:
            found.setdefault(node["evidence"], []).append(path or "/")
        for key, value in node.items():
            _collect(value, f"{path}/{key}", found)
    elif isinstance(node, list):
        for i, value in enumerate(node):
            _collect(value, f"{path}/{i}", found)


def load_standard(*, text: str, name: str = "standard") -> PackStandard:
    """A proven pack standard from TOML. Raises StandardError with every finding."""
    from grading.proofs import prove  # proofs compiles the standard, which imports this module

    try:
        standard = PackStandard.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise StandardError(name=name, findings=(
            Finding("", "not_toml", f"{error}.", "Mend the file's syntax."),)) from error
    except ValidationError as error:
        raise StandardError(name=name, findings=pydantic_findings(error)) from error
    findings = prove(standard=standard)
    if findings:
        raise StandardError(name=name, findings=findings)
    return standard
