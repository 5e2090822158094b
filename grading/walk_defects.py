"""The defects of one fruit, summed and rated in exact arithmetic, one spot after another.

The second reading of `defects`, for `walk` and `explain`. Lengths count 0.01 mm, areas are the
square of the equal-area circle's diameter in those units, shares count 0.001 of the surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from grading.numbers import SI_PER_UNIT
from grading.reasons import Reason
from grading.record import Defect
from grading.rules import AllOfTrigger, Always, AnyOfTrigger, Extent, Flag
from grading.standard import DefectRule, PackStandard, SeverityRule

NO, OPEN, YES = 0, 1, 2
LEVELS: Final = ("none", "injury", "damage", "serious")
PI: Final = Fraction(31415926535897932384626433832795, 10**31)
_FIELDS: Final = {"length": "length_mm", "depth": "depth_mm", "share": "surface_fraction"}


def quanta(*, value: float, per_unit: int) -> int:
    """A reading as its shortest decimal text has it, in whole units, half to even."""
    return round(Fraction(repr(float(value))) * per_unit)


def circle_of_area(*, area_mm2: Fraction) -> int:
    """Square of the diameter of the circle of this area, in (0.01 mm)^2."""
    return round(area_mm2 * 4 * 10_000 / PI)


@dataclass(frozen=True, slots=True)
class Group:
    """The spots of one kind and place on a fruit, and what the standard makes of them.

    extents: attribute to (value in quanta, whether every spot was assessed). level: code of the
    severity. unsure: a higher severity stays open. stated: a person gave the severity. because:
    the rule whose trigger decided. bars: ranks of the grades that it keeps the fruit out of.
    """

    kind: str
    in_stem_cavity: bool
    spots: int
    extents: dict[str, tuple[int, bool]]
    level: int
    unsure: bool
    stated: bool
    because: SeverityRule | None
    rule: DefectRule | None
    bars: frozenset[int]
    reason: Reason


def extents_of(spots: Sequence[Defect]) -> dict[str, tuple[int, bool]]:
    """Attribute to (sum or largest, complete); attributes nobody assessed are left out."""
    found = {"count": (sum(s.count or 1 for s in spots), True)}
    circles = [quanta(value=s.circle_mm, per_unit=100) ** 2
               for s in spots if s.circle_mm is not None]
    areas = [Fraction(quanta(value=s.area_mm2, per_unit=10_000), 10_000)
             for s in spots if s.area_mm2 is not None]
    if circles or areas:
        found["circle"] = (sum(circles) + circle_of_area(area_mm2=sum(areas, Fraction(0))),
                           len(circles) + len(areas) == len(spots))
    for name, field in _FIELDS.items():
        per_unit = 1000 if name == "share" else 100
        known = [quanta(value=v, per_unit=per_unit)
                 for v in (getattr(s, field) for s in spots) if v is not None]
        if known:
            found[name] = (sum(known) if name == "share" else max(known),
                           len(known) == len(spots))
    return found


def limit_of(*, extent: Extent, diameter_q: int | None) -> Fraction | None:
    """The limit in the trigger's unit; None where it depends on a diameter not measured."""
    if extent.above_by_diameter is None:
        return extent.above
    if diameter_q is None:
        return None
    rule = extent.above_by_diameter
    diameter = Fraction(diameter_q, 100) / SI_PER_UNIT[extent.unit]
    if rule.slope is None:
        return next(s.limit for s in rule.steps if s.to is None or diameter <= s.to)
    limit = diameter * rule.slope
    if rule.floor is not None and limit < rule.floor:
        limit = rule.floor
    if rule.ceiling is not None and limit > rule.ceiling:
        limit = rule.ceiling
    return limit


def limit_quanta(*, limit: Fraction, extent: Extent) -> int:
    si = limit * SI_PER_UNIT[extent.unit]
    if extent.attribute == "count":
        return int(si)
    if extent.attribute == "share":
        return round(si * 1000)
    if extent.unit in ("cm2", "mm2"):
        return circle_of_area(area_mm2=si)
    return int(round(si * 100) ** (2 if extent.attribute == "circle" else 1))


def _extent(
    extent: Extent, found: dict[str, tuple[int, bool]], diameter_q: int | None
) -> int:
    limit = limit_of(extent=extent, diameter_q=diameter_q)
    if limit is None or extent.attribute not in found:
        return OPEN
    value, complete = found[extent.attribute]
    if value > limit_quanta(limit=limit, extent=extent):
        return YES
    return NO if complete else OPEN


def _flag(flag: Flag, spots: Sequence[Defect]) -> int:
    """Of several spots the answer that counts against the fruit wins, then "not said"."""
    said = [getattr(s, flag.flag) for s in spots]
    bad = flag.flag not in ("healed", "smooth", "light")
    worst = bad if bad in said else None if None in said else not bad
    return OPEN if worst is None else YES if worst is flag.is_ else NO


def fires(
    *, trigger: Any, spots: Sequence[Defect], found: dict[str, tuple[int, bool]],
    diameter_q: int | None,
) -> int:
    """NO, OPEN or YES."""
    if isinstance(trigger, Extent):
        return _extent(trigger, found, diameter_q)
    if isinstance(trigger, Flag):
        return _flag(trigger, spots)
    if isinstance(trigger, AllOfTrigger):
        return min(fires(trigger=t, spots=spots, found=found, diameter_q=diameter_q)
                   for t in trigger.all_of)
    if isinstance(trigger, AnyOfTrigger):
        return max(fires(trigger=t, spots=spots, found=found, diameter_q=diameter_q)
                   for t in trigger.any_of)
    assert isinstance(trigger, Always)
    return YES


def rate_all(
    *, defects: Sequence[Defect], standard: PackStandard, diameter_q: int | None
) -> list[Group]:
    """The groups of a fruit's defects, in the order their first spot is listed."""
    places: dict[tuple[str, bool], list[Defect]] = {}
    for spot in defects:
        places.setdefault((spot.kind, bool(spot.in_stem_cavity)), []).append(spot)
    return [_rate(kind, cavity, spots, standard, diameter_q)
            for (kind, cavity), spots in places.items()]


def _rate(
    kind: str, cavity: bool, spots: list[Defect], standard: PackStandard, diameter_q: int | None
) -> Group:
    rule = standard.defect_rule(kind)
    found = extents_of(spots)
    level, open_level, because = 0, 0, None
    for severity in rule.severities if rule else ():
        code = LEVELS.index(severity.level)
        answer = fires(trigger=severity.when, spots=spots, found=found, diameter_q=diameter_q)
        if answer == YES and code > level:
            level, because = code, severity
        elif answer == OPEN:
            open_level = max(open_level, code)
    unsure = open_level > level or rule is None or not rule.severities
    given = [LEVELS.index(s.severity) for s in spots if s.severity is not None]
    if given:
        level, unsure, because = max(given), False, None
    bars = frozenset(
        rank for rank, grade in enumerate(standard.grade)
        if kind in grade.free_from
        or (grade.no_defect_at is not None and level >= LEVELS.index(grade.no_defect_at)))
    reason = (Reason.DECAY if kind == "decay"
              else Reason.SERIOUS_DEFECT if level == LEVELS.index("serious") else Reason.DEFECT)
    return Group(kind, cavity, len(spots), found, level, unsure, bool(given), because, rule, bars,
                 reason)
