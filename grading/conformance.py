"""A lot against its declaration: every lot-level rule of a standard on one hand-pulled sample.

The result is a house record, not an official certificate: "meets" says that nothing measured
contradicts the declared grade, and lists what nobody judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from grading.declared import Declared, Package
from grading.faults import SampleFruit, sample_fruit
from grading.kernel import Compiled
from grading.packages import Opened, opened_packages, package_parts
from grading.part import CANNOT_TELL, FAILS, MEETS, Part, Word
from grading.proofs import open_points
from grading.record import FruitBatch
from grading.sampling import acceptance_parts, mean_parts, sampling_warnings
from grading.season import marking_parts, minimum_parts, season_parts
from grading.standard import PackStandard
from grading.tolerance import count_tolerances, lot_share_parts, tolerance_parts

__all__ = ["Assessment", "Declared", "Package", "Part", "assess", "highest_grade"]

NOT_CONTRADICTED: Final = "highest grade not contradicted by what was measured"
_NO_MEANS: Final[Mapping[str, float]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Assessment:
    """What a sample says about a lot's declared grade under one standard.

    parts: every rule's verdict. open_points: what only a person can judge and nobody did.
    warnings: what the sample is too small, or too narrowly drawn, to say.
    """

    standard: str
    declared: Declared
    n: int
    verdict: Word
    text: str
    parts: tuple[Part, ...]
    open_points: tuple[str, ...]
    warnings: tuple[str, ...]

    def part(self, id: str) -> Part:
        """The first part of this id. Raises KeyError when there is none."""
        for part in self.parts:
            if part.id == id:
                return part
        raise KeyError(id)


def assess(
    *,
    compiled: Compiled,
    declared: Declared,
    fruit: Sequence[SampleFruit],
    packages: Sequence[Package] = (),
    line_means: Mapping[str, float] = _NO_MEANS,
) -> Assessment:
    """The verdict of every lot-level rule, and of all together.

    fruit: a hand-pulled sample (`faults.sample_fruit`), its sugar and firmness read by hand.
    packages: the opened ones. line_means: measure to the line's own estimate, recorded only.
    The verdict fails if any rule that counts fails, and cannot tell without fruit.
    """
    standard = compiled.standard
    counted = count_tolerances(standard=standard, declared=declared, fruit=fruit)
    tolerances = tolerance_parts(standard=standard, declared=declared, fruit=fruit,
                                 counted=counted)
    opened = opened_packages(declared=declared, fruit=fruit, packages=packages)
    parts = (
        *tolerances,
        *lot_share_parts(standard=standard, declared=declared, fruit=fruit),
        *package_parts(standard=standard, declared=declared, opened=opened, counted=counted,
                       lot_inside=all(p.verdict != FAILS for p in tolerances)),
        *mean_parts(standard=standard, declared=declared, fruit=fruit, line_means=line_means),
        *acceptance_parts(standard=standard, fruit=fruit, opened=opened),
        *season_parts(standard=standard, declared=declared),
        *minimum_parts(standard=standard, declared=declared),
        *marking_parts(standard=standard, declared=declared),
    )
    points = _open_points(standard, declared, fruit)
    failing = [p for p in parts if p.counts and p.verdict == FAILS]
    verdict: Word = FAILS if failing else MEETS if fruit else CANNOT_TELL
    return Assessment(
        standard=standard.name, declared=declared, n=len(fruit), verdict=verdict,
        text=_text(verdict, failing, points), parts=parts, open_points=points,
        warnings=_warnings(standard, declared, fruit, opened, parts))


def _open_points(
    standard: PackStandard, declared: Declared, fruit: Sequence[SampleFruit]
) -> tuple[str, ...]:
    return tuple(
        point.text for point in open_points(standard=standard, grade_id=declared.grade)
        if all(point.person in f.unjudged for f in fruit))


def _text(verdict: Word, failing: Sequence[Part], points: Sequence[str]) -> str:
    if verdict == FAILS:
        return "fails: " + "; ".join(p.title for p in failing)
    if verdict == CANNOT_TELL:
        return "cannot tell yet: no fruit looked at"
    return NOT_CONTRADICTED + (f"; nobody judged: {'; '.join(points)}" if points else "")


def _warnings(
    standard: PackStandard, declared: Declared, fruit: Sequence[SampleFruit],
    opened: Sequence[Opened], parts: Sequence[Part],
) -> tuple[str, ...]:
    said = list(sampling_warnings(standard=standard, declared=declared, fruit=fruit,
                                  opened=opened))
    for point in open_points(standard=standard, grade_id=declared.grade):
        missed = sum(point.person in f.unjudged for f in fruit)
        if 0 < missed < len(fruit):
            said.append(f"{missed} of {len(fruit)} fruit were not judged: {point.text}")
    said.extend(p.sentence for p in parts if p.evidence == "not shown"
                or (p.counts and p.verdict == CANNOT_TELL))
    return tuple(dict.fromkeys(said))


def highest_grade(
    *,
    compiled: Compiled,
    declared: Declared,
    batch: FruitBatch,
    fruit_packages: Sequence[str | None] = (),
    packages: Sequence[Package] = (),
    line_means: Mapping[str, float] = _NO_MEANS,
) -> Assessment | None:
    """The assessment under the best grade of the ladder that does not fail; None if all do.

    fruit_packages: the package of each fruit of the batch, empty where they are not told apart.
    """
    for grade in compiled.standard.grade:
        here = replace(declared, grade=grade.id)
        fruit = sample_fruit(batch=batch, compiled=compiled, declared=here,
                             packages=fruit_packages)
        assessment = assess(compiled=compiled, declared=here, fruit=fruit, packages=packages,
                            line_means=line_means)
        if assessment.verdict != FAILS:
            return assessment
    return None
