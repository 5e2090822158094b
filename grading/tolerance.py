"""Tolerances of a lot: which fruit each one counts, and whether the lot keeps it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from grading.declared import Declared
from grading.faults import SIZE_KINDS, Fault, SampleFruit
from grading.lot_rules import Filter, LotShare, Tolerance
from grading.part import CANNOT_TELL, NOT_APPLICABLE, Part, plain_part, share_part
from grading.rules import Measured, SizeIs, leaves
from grading.standard import PackStandard
from grading.walk_defects import LEVELS

_SIZE_GROUPS: Final = frozenset({"undersize", "oversize"})


def fits(*, counts: Filter, fault: Fault) -> bool:
    """Whether a fault is of the sort that a filter names (below_grade is about the fruit)."""
    if counts.groups:
        if fault.group not in counts.groups:
            return False
    elif not counts.kinds and fault.kind in SIZE_KINDS:
        return False
    return (
        (not counts.kinds or fault.kind in counts.kinds)
        and (counts.severity_at_least is None
             or LEVELS.index(fault.severity) >= LEVELS.index(counts.severity_at_least))
        and counts.permanence in (None, fault.permanence))


def fitting(*, counts: Filter, fruit: SampleFruit) -> tuple[Fault, ...]:
    """The settled faults of a fruit that a filter counts."""
    return tuple(f for f in fruit.faults if not f.open and fits(counts=counts, fault=f))


@dataclass(frozen=True, slots=True)
class Counted:
    """Positions in the sample that a tolerance counts, and those it may count."""

    tolerance: Tolerance
    certain: frozenset[int]
    maybe: frozenset[int]


def count_tolerances(
    *, standard: PackStandard, declared: Declared, fruit: Sequence[SampleFruit]
) -> tuple[Counted, ...]:
    """The tolerances that hold for the grade and stage, with their fruit.

    A fruit that a part of a tolerance counts, counts in the whole too.
    """
    held = [t for t in standard.tolerance
            if declared.stage in t.stages and (not t.grades or declared.grade in t.grades)]
    certain = {t.id: {i for i, f in enumerate(fruit) if _counts(t.counts, f)} for t in held}
    maybe = {t.id: {i for i, f in enumerate(fruit) if _may_count(t.counts, f)} for t in held}
    by_id = {t.id: t for t in held}
    own = {name: (set(certain[name]), set(maybe[name])) for name in by_id}
    for name, (yes, perhaps) in own.items():
        above, seen = by_id[name].within, {name}
        while above in by_id and above not in seen:
            certain[above] |= yes
            maybe[above] |= perhaps
            seen.add(above)
            above = by_id[above].within
    return tuple(Counted(t, frozenset(certain[t.id]), frozenset(maybe[t.id] - certain[t.id]))
                 for t in held)


def _counts(counts: Filter, fruit: SampleFruit) -> bool:
    if counts.below_grade is not None:
        return counts.below_grade not in fruit.meets
    return bool(fitting(counts=counts, fruit=fruit))


def _may_count(counts: Filter, fruit: SampleFruit) -> bool:
    """An open defect may turn out to be of any severity, so only its sort is asked."""
    if counts.below_grade is not None:
        return False
    sort = counts.model_copy(update={"severity_at_least": None})
    return any(f.open and fits(counts=sort, fault=f) for f in fruit.faults)


def allowance(
    *, counted: Counted, declared: Declared, fruit: Sequence[SampleFruit]
) -> Fraction:
    """The share a tolerance allows: its percentage and what its reserve takes up.

    The reserve helps only fruit whose counted faults are all of its kinds.
    """
    t = counted.tolerance
    base = t.percent / 100
    if t.reserve is None or declared.stage not in t.reserve.stages or not fruit:
        return base
    reserved = 0
    for i in counted.certain:
        faults = fitting(counts=t.counts, fruit=fruit[i])
        reserved += bool(faults) and all(f.kind in t.reserve.kinds for f in faults)
    return base + min(Fraction(reserved, len(fruit)), t.reserve.percent / 100)


def tolerance_parts(
    *,
    standard: PackStandard,
    declared: Declared,
    fruit: Sequence[SampleFruit],
    counted: Sequence[Counted],
) -> tuple[Part, ...]:
    """One part for each tolerance."""
    parts = []
    for one in counted:
        t = one.tolerance
        if not _sized(standard, declared, t.counts):
            parts.append(plain_part(rule=t, id=t.id, title=t.title, verdict=NOT_APPLICABLE,
                                    why="the lot declares no such size"))
            continue
        title, x, maybe = t.title, len(one.certain), len(one.maybe)
        if t.any_single_kind:
            kind, x, maybe = _worst_kind(t, fruit)
            title = f"{t.title} ({kind.replace('_', ' ')})" if kind else t.title
        parts.append(share_part(
            standard=standard, rule=t, id=t.id, title=title, x=x, n=len(fruit), maybe=maybe,
            limit=allowance(counted=one, declared=declared, fruit=fruit)))
    return tuple(parts)


def _sized(standard: PackStandard, declared: Declared, counts: Filter) -> bool:
    """Whether a tolerance for size has a declared size, or a size in the grade, to go by."""
    groups = set(counts.groups)
    if not groups or not groups <= _SIZE_GROUPS:
        return True
    if declared.size is not None:
        return True
    if ("undersize" in groups and declared.min_diameter is not None) or (
            "oversize" in groups and declared.max_diameter is not None):
        return True
    grade = next(g for g in standard.grade if g.id == declared.grade)
    return any(
        isinstance(leaf, SizeIs) or (isinstance(leaf, Measured)
                                     and leaf.measure in ("diameter", "circumference"))
        for rule in grade.requires for leaf in leaves(rule))


def _worst_kind(t: Tolerance, fruit: Sequence[SampleFruit]) -> tuple[str, int, int]:
    """(kind with most fruit, its fruit, fruit that may have it too); "" where there is none."""
    kinds = sorted({f.kind for one in fruit for f in one.faults if fits(counts=t.counts, fault=f)})
    best = ("", 0, 0)
    for kind in kinds:
        counts = t.counts.model_copy(update={"kinds": (kind,)})
        yes = [_counts(counts, f) for f in fruit]
        maybe = sum(_may_count(counts, f) and not y for f, y in zip(fruit, yes, strict=True))
        best = max(best, (kind, sum(yes), maybe), key=lambda b: (b[1] + b[2], b[1]))
    return best


def lot_share_parts(
    *, standard: PackStandard, declared: Declared, fruit: Sequence[SampleFruit]
) -> tuple[Part, ...]:
    """One part for each share the grade asks of the lot, and one for its worst package."""
    parts = []
    for share in standard.lot_share:
        if declared.grade not in share.grades:
            continue
        yes, maybe = _holding(share, fruit)
        upper = share.at_most_percent is not None
        percent = share.at_most_percent if upper else share.at_least_percent
        assert percent is not None
        parts.append(share_part(standard=standard, rule=share, id=share.id, title=share.title,
                                x=yes, n=len(fruit), maybe=maybe, limit=percent / 100,
                                upper=upper))
        if share.package_at_least_percent is not None:
            parts.append(_package_floor(standard, share, fruit, share.package_at_least_percent))
    return tuple(parts)


def _holding(share: LotShare, fruit: Sequence[SampleFruit]) -> tuple[int, int]:
    if share.meets_grade is not None:
        return sum(share.meets_grade in f.meets for f in fruit), 0
    return (sum(share.id in f.shares for f in fruit),
            sum(share.id in f.shares_open for f in fruit))


def _package_floor(
    standard: PackStandard, share: LotShare, fruit: Sequence[SampleFruit], percent: Fraction
) -> Part:
    """The package with the smallest share decides."""
    boxes = sorted({f.package for f in fruit if f.package is not None})
    name, title = f"{share.id}/package", f"{share.title}, lowest package"
    if not boxes:
        return plain_part(rule=share, id=name, title=title, verdict=CANNOT_TELL,
                          why="the fruit are not told apart by package")
    counts = []
    for box in boxes:
        inside = [f for f in fruit if f.package == box]
        yes, maybe = _holding(share, inside)
        counts.append((Fraction(yes, len(inside)), box, yes, maybe, len(inside)))
    _, box, yes, maybe, n = min(counts)
    return share_part(standard=standard, rule=share, id=name, title=f"{title} ({box})", x=yes, n=n,
                      maybe=maybe, limit=percent / 100, upper=False, package=box)
