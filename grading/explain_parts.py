"""What an explanation is made of. Values, limits and margins are exact, in the rule's own unit."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from typing import Any, Final, Literal

from grading.reasons import Reason
from grading.walk import Outcome

HOLDS: Final = "holds"
FAILS: Final = "fails"
NOT_MEASURED: Final = "not measured"
TO_JUDGE: Final = "for a person to judge"
Answer = Literal["holds", "fails", "not measured", "for a person to judge"]


@dataclass(frozen=True, slots=True)
class Requirement:
    """One leaf of a grade's requirements.

    measure: what it asks, "maturity", "size" or the name of a person's point. value, limit,
    margin: of a measured leaf; margin is value minus the limit as compared (`compared`: the limit
    after the standard's rounding policy). wanted: the listed classes; found: the class it has.
    negated: stands below a "not". needs: "" for a plain rule, else how the leaves of its rule join,
    such as "1 of 2". policy: what a missing answer does. note: why a reading was set aside.
    """

    measure: str
    answer: Answer
    value: Fraction | None
    unit: str
    comparison: str
    limit: Fraction | None
    compared: Fraction | None
    margin: Fraction | None
    wanted: tuple[str, ...]
    found: str
    text: str
    negated: bool
    needs: str
    policy: str
    note: str
    source: str
    evidence: str


@dataclass(frozen=True, slots=True)
class GradeStep:
    """A grade looked at. barred_by: kinds of defect that keep the fruit out of it."""

    id: str
    title: str
    result: Literal["given", "withheld", "failed"]
    requirements: tuple[Requirement, ...]
    barred_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SizeClass:
    """The size class with its band's bounds, None where the band is open."""

    name: str
    basis: str
    value: Fraction | None
    unit: str
    low: Fraction | None
    high: Fraction | None
    closed: str
    source: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Indication:
    """What one measure says about maturity. says: "" where it says nothing; why_not: why it was
    not used. settles: its class is the one the fruit got."""

    measure: str
    value: Fraction | None
    unit: str
    says: str
    used: bool
    why_not: str
    settles: bool
    required: bool
    source: str
    evidence: str


@dataclass(frozen=True, slots=True)
class MaturityClass:
    name: str
    title: str
    combine: str
    needs: int
    indications: tuple[Indication, ...]


@dataclass(frozen=True, slots=True)
class DefectLine:
    """The spots of one kind and place together.

    circle_mm: diameter of the circle of equal area (0.01 mm); length and depth: the largest, mm;
    share: of the surface. partial: extents that some spot lacks. limit: the trigger that decided,
    in words. bars: titles of the grades it keeps the fruit out of.
    """

    kind: str
    title: str
    in_stem_cavity: bool
    spots: int
    circle_mm: Fraction | None
    length_mm: Fraction | None
    depth_mm: Fraction | None
    share: Fraction | None
    count: int
    partial: tuple[str, ...]
    severity: str
    unsure: bool
    stated: bool
    limit: str
    source: str
    evidence: str
    bars: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why one fruit got what it got. outcome: the codes that explain's own walk gives.

    grade, grade_title, pack, pack_title: "undecided" and "by hand", "cull" and "culls" are names
    here too.
    """

    standard: str
    digest: str
    profile: str
    basis: str
    seq: int
    outcome: Outcome
    size: SizeClass | None
    maturity: MaturityClass | None
    steps: tuple[GradeStep, ...]
    defects: tuple[DefectLine, ...]
    grade: str
    grade_title: str
    pack: str
    pack_title: str
    decisive: Reason
    reasons: tuple[Reason, ...]


def plain(node: Any) -> Any:
    """An explanation as dicts, lists, strings and floats, ready for JSON."""
    if dataclasses.is_dataclass(node) and not isinstance(node, type):
        return {f.name: plain(getattr(node, f.name)) for f in dataclasses.fields(node)}
    if isinstance(node, Outcome):
        return node._asdict()
    if isinstance(node, Reason):
        return node.word
    if isinstance(node, tuple):
        return [plain(item) for item in node]
    if isinstance(node, Fraction):
        return float(node)
    assert node is None or (isinstance(node, (str, int)) and not isinstance(node, Enum))
    return node
