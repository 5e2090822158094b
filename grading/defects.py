"""Defects of a batch: summed by fruit and kind, then given a severity by the standard's triggers.

Lengths are integers of 0.01 mm; areas are the square of the equal-area circle's diameter in those
units, so that "more than a 3/8 in circle" is one integer comparison and several spots add up
exactly (reading "aggregate area" as a circle of equal area: Canadian Grade Compendium vol. 2, and
7 CFR 51.3157, which says circle outright).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np

from grading.numbers import SI_PER_UNIT
from grading.quantities import Flags, Integers
from grading.record import Defect
from grading.rules import ByDiameter, Extent, Trigger
from grading.standard import DefectRule, PackStandard

SEVERITIES: Final = ("none", "injury", "damage", "serious")
FLAGS: Final = ("healed", "cracked", "concentrated", "smooth", "light", "deforming",
                "in_stem_cavity")
EXTENTS: Final = ("circle", "length", "depth", "share", "count")


@dataclass(frozen=True, slots=True)
class DefectTable:
    """One row for each fruit, kind and place (stem cavity or not); arrays have shape (m,).

    Extents are -1 where not assessed; `partial` marks those that leave a spot out, so that they
    may only be more. Flags are 1 yes, 0 no, -1 not said. `stated` is a severity given by a person,
    -1 where none.
    """

    fruit: Integers
    kind: tuple[str, ...]
    extents: Mapping[str, Integers]
    partial: Mapping[str, Flags]
    flags: Mapping[str, Integers]
    stated: Integers
    diameter_q: Integers


def _whole(value: float, per_unit: int) -> int:
    """A reading in whole units, half to even as its decimal text has it (see `quantise`)."""
    return round(round(value * per_unit * 1e6) / 1e6)


def circle_squared_of_area(*, area_mm2: float) -> int:
    """Square of the equal-area circle's diameter in (0.01 mm)^2."""
    return round(area_mm2 * 4 / math.pi * 10_000)


def _worst(flag: str, spots: Sequence[Defect]) -> int:
    """Several spots together: the answer that counts against the fruit wins, then "not said"."""
    said = [getattr(spot, flag) for spot in spots]
    bad = flag not in ("healed", "smooth", "light")
    if bad in said:
        return int(bad)
    return -1 if None in said else int(not bad)


def _summed(spots: Sequence[Defect]) -> dict[str, int]:
    """Extents of the spots of one fruit, kind and place; -1 where none was assessed.

    Areas are added before they become a circle, so two spots of 1 cm2 are not beyond 2 cm2.
    """
    circles = [_whole(s.circle_mm, 100) ** 2 for s in spots if s.circle_mm is not None]
    areas = [_whole(s.area_mm2, 10_000) for s in spots if s.area_mm2 is not None]
    lengths = [_whole(s.length_mm, 100) for s in spots if s.length_mm is not None]
    depths = [_whole(s.depth_mm, 100) for s in spots if s.depth_mm is not None]
    shares = [_whole(s.surface_fraction, 1000) for s in spots if s.surface_fraction is not None]
    area = circle_squared_of_area(area_mm2=sum(areas) / 10_000)
    seen = {
        "circle": (len(circles) + len(areas), sum(circles) + area),
        "length": (len(lengths), max(lengths, default=0)),
        "depth": (len(depths), max(depths, default=0)),
        "share": (len(shares), sum(shares)),
        "count": (len(spots), sum(s.count or 1 for s in spots)),
    }
    row = {key: value if n else -1 for key, (n, value) in seen.items()}
    row.update({f"{key} partial": int(n < len(spots)) for key, (n, _) in seen.items()})
    row["stated"] = max(-1 if s.severity is None else SEVERITIES.index(s.severity) for s in spots)
    row.update({flag: _worst(flag, spots) for flag in FLAGS})
    return row


def tabulate(
    *, defects: Mapping[int, Sequence[Defect]], diameter_q: Integers | None
) -> DefectTable:
    """Sum the defects of each fruit by kind and place."""
    places: dict[tuple[int, str, bool], list[Defect]] = {}
    for fruit, listed in sorted(defects.items()):
        for spot in listed:
            places.setdefault((fruit, spot.kind, bool(spot.in_stem_cavity)), []).append(spot)
    rows = {place: _summed(spots) for place, spots in places.items()}
    fruit_rows = np.array([k[0] for k in rows], dtype=np.int64)

    def column(key: str) -> Integers:
        return np.array([r[key] for r in rows.values()], dtype=np.int64)

    return DefectTable(
        fruit=fruit_rows,
        kind=tuple(k[1] for k in rows),
        extents={k: column(k) for k in EXTENTS},
        partial={k: column(f"{k} partial").astype(np.bool_) for k in EXTENTS},
        flags={k: column(k) for k in FLAGS},
        stated=column("stated"),
        diameter_q=(
            np.full(len(rows), -1, np.int64) if diameter_q is None
            else diameter_q[fruit_rows].astype(np.int64)
        ),
    )


def _limit(*, value: Fraction, unit: str, attribute: str) -> int:
    """A limit in the table's integers."""
    if attribute == "circle" and unit in ("cm2", "mm2"):
        return circle_squared_of_area(area_mm2=float(value * SI_PER_UNIT[unit]))
    if attribute in ("circle", "length", "depth"):
        quanta = round(value * SI_PER_UNIT[unit] * 100)
        return quanta * quanta if attribute == "circle" else quanta
    if attribute == "share":
        return round(value * SI_PER_UNIT[unit] * 1000)
    return int(value)


def limits_by_diameter(
    *, rule: ByDiameter, unit: str, attribute: str, diameter_q: Integers
) -> Integers:
    """The limit for each fruit, -1 where its diameter was not measured."""
    limits = np.empty(len(diameter_q), np.int64)
    for i, q in enumerate(diameter_q.tolist()):
        if q < 0:
            limits[i] = -1
            continue
        diameter = Fraction(q, 100) / SI_PER_UNIT[unit]
        if rule.slope is not None:
            value = diameter * rule.slope
            value = value if rule.floor is None else max(value, rule.floor)
            value = value if rule.ceiling is None else min(value, rule.ceiling)
        else:
            value = next(s.limit for s in rule.steps if s.to is None or diameter <= s.to)
        limits[i] = _limit(value=value, unit=unit, attribute=attribute)
    return limits


def _extent(trigger: Extent, table: DefectTable, rows: Integers) -> tuple[Flags, Flags]:
    values = table.extents[trigger.attribute][rows]
    if trigger.above_by_diameter is not None:
        limits = limits_by_diameter(
            rule=trigger.above_by_diameter, unit=trigger.unit, attribute=trigger.attribute,
            diameter_q=table.diameter_q[rows])
    else:
        assert trigger.above is not None
        one = _limit(value=trigger.above, unit=trigger.unit, attribute=trigger.attribute)
        limits = np.full(len(rows), one, np.int64)
    known = (values >= 0) & (limits >= 0)
    beyond = values > limits
    return known & beyond, known & ~beyond & ~table.partial[trigger.attribute][rows]


def fires(*, trigger: Trigger, table: DefectTable, rows: Integers) -> tuple[Flags, Flags]:
    """(certainly yes, certainly no) for each row of the table that is asked about."""
    node: Any = trigger
    if isinstance(node, Extent):
        return _extent(node, table, rows)
    if hasattr(node, "flag"):
        values = table.flags[node.flag][rows]
        return values == int(node.is_), (values >= 0) & (values != int(node.is_))
    if hasattr(node, "always"):
        return np.ones(len(rows), np.bool_), np.zeros(len(rows), np.bool_)
    every = hasattr(node, "all_of")
    yes = np.full(len(rows), every)
    no = np.full(len(rows), not every)
    for part in node.all_of if every else node.any_of:
        part_yes, part_no = fires(trigger=part, table=table, rows=rows)
        if every:
            yes &= part_yes
            no |= part_no
        else:
            yes |= part_yes
            no &= part_no
    return yes, no


def severities(*, table: DefectTable, standard: PackStandard) -> tuple[Integers, Flags]:
    """(severity code of each row, whether its extent is too little known to be sure).

    A person's stated severity is used as it is. A kind that the standard does not know, or whose
    triggers stay open, counts as the highest level that is certain and is marked open.
    """
    rows_n = len(table.fruit)
    level = np.zeros(rows_n, np.int64)
    unsure = np.zeros(rows_n, np.bool_)
    kinds = np.array(table.kind)
    for kind in dict.fromkeys(table.kind):
        rows = np.flatnonzero(kinds == kind)
        rule = standard.defect_rule(kind)
        if rule is None or not rule.severities:
            unsure[rows] = True
            continue
        _rate(rule, table, rows, level, unsure)
    stated = table.stated >= 0
    level[stated] = table.stated[stated]
    unsure[stated] = False
    return level, unsure


def _rate(
    rule: DefectRule, table: DefectTable, rows: Integers, level: Integers, unsure: Flags
) -> None:
    best = np.zeros(len(rows), np.int64)
    open_level = np.zeros(len(rows), np.int64)
    for severity in rule.severities:
        yes, no = fires(trigger=severity.when, table=table, rows=rows)
        code = SEVERITIES.index(severity.level)
        best = np.maximum(best, yes * code)
        open_level = np.maximum(open_level, (~yes & ~no) * code)
    level[rows] = best
    unsure[rows] = open_level > best
