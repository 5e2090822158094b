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


@dataclass(frozen=True, slots=True)
class DefectTable:
    """One row for each fruit, kind and place (stem cavity or not); arrays have shape (m,).

    Extents are -1 where not assessed; flags are 1 yes, 0 no, -1 not said. `stated` is a severity
    given by a person, -1 where none.
    """

    fruit: Integers
    kind: tuple[str, ...]
    extents: Mapping[str, Integers]
    flags: Mapping[str, Integers]
    stated: Integers
    diameter_q: Integers


def circle_squared(*, circle_mm: float | None, area_mm2: float | None) -> int:
    """Square of the equal-area circle's diameter in (0.01 mm)^2, -1 when neither is known."""
    if circle_mm is not None:
        return round(circle_mm * 100) ** 2
    if area_mm2 is not None:
        return round(area_mm2 * 4 / math.pi * 10_000)
    return -1


def _add(old: int, new: int) -> int:
    return new if old < 0 else old if new < 0 else old + new


def _worst(flag: str, old: int, new: int) -> int:
    """Several spots together: the answer that counts against the fruit wins."""
    bad = 0 if flag in ("healed", "smooth", "light") else 1
    return bad if bad in (old, new) else max(old, new)


def tabulate(
    *, defects: Mapping[int, Sequence[Defect]], diameter_q: Integers | None
) -> DefectTable:
    """Sum the defects of each fruit by kind and place."""
    rows: dict[tuple[int, str, bool], dict[str, int]] = {}
    for fruit, listed in sorted(defects.items()):
        for d in listed:
            row = rows.setdefault((fruit, d.kind, bool(d.in_stem_cavity)), {})
            seen: dict[str, int] = {
                "circle": circle_squared(circle_mm=d.circle_mm, area_mm2=d.area_mm2),
                "length": -1 if d.length_mm is None else round(d.length_mm * 100),
                "depth": -1 if d.depth_mm is None else round(d.depth_mm * 100),
                "share": -1 if d.surface_fraction is None else round(d.surface_fraction * 1000),
                "count": d.count or 1,
                "stated": -1 if d.severity is None else SEVERITIES.index(d.severity),
            }
            for key in ("circle", "share", "count"):
                row[key] = _add(row.get(key, -1), seen[key])
            for key in ("length", "depth", "stated"):
                row[key] = max(row.get(key, -1), seen[key])
            for flag in FLAGS:
                value = getattr(d, flag)
                row[flag] = _worst(flag, row.get(flag, -1), -1 if value is None else int(value))
    fruit_rows = np.array([k[0] for k in rows], dtype=np.int64)

    def column(key: str) -> Integers:
        return np.array([r[key] for r in rows.values()], dtype=np.int64)

    return DefectTable(
        fruit=fruit_rows,
        kind=tuple(k[1] for k in rows),
        extents={k: column(k) for k in ("circle", "length", "depth", "share", "count")},
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
        return circle_squared(circle_mm=None, area_mm2=float(value * SI_PER_UNIT[unit]))
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
    return known & beyond, known & ~beyond


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
