"""Cut-points of a pack standard moved by hand: the standard that fruit are then graded under.

A cut-point is a value at which the standard cuts a measure: a bound between size classes, a step
of maturity, a limit of a grade. Moving one moves it wherever the standard uses it. Names of
classes never change, so counts under the moved standard add up with those under the other.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from grading.errors import Finding, StandardError
from grading.numbers import MEASURE_UNITS, SI_PER_UNIT, number_text, parse_number, to_si
from grading.proofs import prove
from grading.quantities import limit_quanta
from grading.rules import Measured, leaves
from grading.standard import PackStandard

COMPARISONS: Final = ("at_least", "above", "at_most", "below")


@dataclass(frozen=True, slots=True)
class Move:
    """A cut-point of a measure at `at` that is to be at `to`, both in `unit`."""

    measure: str
    at: Fraction
    to: Fraction
    unit: str

    @property
    def at_si(self) -> Fraction:
        return to_si(value=self.at, unit=self.unit)

    @property
    def to_si(self) -> Fraction:
        return to_si(value=self.to, unit=self.unit)

    def text(self) -> str:
        return f"{self.measure} {number_text(self.at)} to {number_text(self.to)} {self.unit}"


@dataclass(frozen=True, slots=True)
class CutPoint:
    """A value at which a standard cuts a measure, in the unit in which the standard states it.

    below, above: the size or maturity classes that it parts; empty for a limit of a grade.
    """

    measure: str
    at: Fraction
    unit: str
    below: str
    above: str


def cut_points(*, standard: PackStandard, basis: str) -> tuple[CutPoint, ...]:
    """Every cut-point of the measures that grade a fruit whose size is told by `basis`, each once,
    by measure and value."""
    found: dict[tuple[str, Fraction], CutPoint] = {}
    for point in _points(standard, basis):
        found.setdefault((point.measure, to_si(value=point.at, unit=point.unit)), point)
    return tuple(found[key] for key in sorted(found))


def _points(standard: PackStandard, basis: str) -> Iterator[CutPoint]:
    table = standard.table(basis)
    if table is not None:
        marks = [b.low for b in table.bands] + [table.bands[-1].high]
        names = ["below scale", *(b.code for b in table.bands), "above scale"]
        for at, (below, above) in zip(marks, itertools.pairwise(names), strict=True):
            if at is not None:
                yield CutPoint(table.basis, at, table.unit, below, above)
    for by in standard.maturity.by if standard.maturity else ():
        for before, step in itertools.pairwise(by.steps):
            assert step.low is not None
            yield CutPoint(by.measure, step.low, by.unit, before.maturity, step.maturity)
    for grade in standard.grade:
        for leaf in (x for rule in grade.requires for x in leaves(rule)):
            if isinstance(leaf, Measured):
                yield CutPoint(leaf.measure, getattr(leaf, leaf.comparison), leaf.unit, "", "")


def recut(
    *, standard: PackStandard, moves: Sequence[Move], edition: str, basis: str
) -> PackStandard:
    """The standard with its cut-points moved, as `edition`; proven as any other.

    What is moved counts as decided by the house, and its source says so. Raises StandardError
    with pointers into the list of moves: /0/at, /0/to.
    """
    findings = [*_asked(standard, moves, basis)]
    if not findings:
        tree = standard.model_dump(mode="json", by_alias=True)
        tree["edition"] = edition
        for name, marks in _edited(tree, moves):
            findings += _ordered(name, marks, moves)
    if findings:
        raise StandardError(name=standard.name, findings=tuple(findings))
    moved = PackStandard.model_validate(tree)
    findings = [Finding("", f.code, f.message, f.remedy) for f in prove(standard=moved)]
    if findings:
        raise StandardError(name=moved.name, findings=tuple(findings))
    return moved


def _asked(standard: PackStandard, moves: Sequence[Move], basis: str) -> Iterator[Finding]:
    """What is wrong with the moves by themselves."""
    points = cut_points(standard=standard, basis=basis)
    for i, move in enumerate(moves):
        if move.unit not in MEASURE_UNITS.get(move.measure, ()):
            known = sorted({p.measure for p in points})
            units = MEASURE_UNITS.get(move.measure)
            yield Finding(
                f"/{i}/{'unit' if units else 'measure'}", "unit" if units else "measure",
                f"{move.unit!r} is no unit of {move.measure}." if units else
                f"{move.measure!r} is not a measure.", f"Use {' or '.join(units or known)}.")
            continue
        mine = [p for p in points if p.measure == move.measure]
        if not any(_same(move, to_si(value=p.at, unit=p.unit)) for p in mine):
            listed = ", ".join(f"{number_text(p.at)} {p.unit}" for p in mine) or "none"
            yield Finding(f"/{i}/at", "no_such_cut",
                          f"{standard.name} does not cut {move.measure} at "
                          f"{number_text(move.at)} {move.unit}.", f"Its cuts are: {listed}.")
        if move.at == move.to:
            yield Finding(f"/{i}/to", "not_moved", "The cut would stay where it is.",
                          "Name another value, or leave it out.")
        if any(m.measure == move.measure and _same(m, move.at_si) for m in moves[:i]):
            yield Finding(f"/{i}/at", "named_twice", "This cut is moved twice.",
                          "Name every cut once.")


def _same(move: Move, si: Fraction) -> bool:
    """Whether a value is the cut that is meant: 60.33 mm and 2 3/8 in (60.325) are one."""
    if move.at_si == si:
        return True
    return limit_quanta(limit=si, measure=move.measure, nearest=True) == limit_quanta(
        limit=move.at_si, measure=move.measure, nearest=True)


@dataclass(frozen=True, slots=True)
class _Mark:
    """A number of the tree, as an exact SI value. moved: by which of the moves."""

    si: Fraction
    moved: int | None = None


def _edited(
    tree: dict[str, Any], moves: Sequence[Move]
) -> Iterator[tuple[str, list[_Mark]]]:
    """Writes the moves into a dumped standard; yields every list of values that must rise."""
    for table in tree["sizing"]:
        if table["overlap"]:
            continue
        marks = []
        for band in table["bands"]:
            marks.append(_written(band, "low", table["basis"], table["unit"], moves))
        marks.append(_written(table["bands"][-1], "high", table["basis"], table["unit"], moves))
        for band in table["bands"][:-1]:
            _written(band, "high", table["basis"], table["unit"], moves)
        kept = [m for m in marks if m is not None]
        _sourced(table, kept, moves)
        yield table["basis"], kept
    for by in (tree["maturity"] or {"by": ()})["by"]:
        steps = [_written(s, "low", by["measure"], by["unit"], moves) for s in by["steps"]]
        kept = [m for m in steps if m is not None]
        _sourced(by, kept, moves)
        yield by["measure"], kept
    for leaf in (x for g in tree["grade"] for rule in g["requires"] for x in _leaves(rule)):
        for name in COMPARISONS:
            mark = _written(leaf, name, leaf["measure"], leaf["unit"], moves)
            if mark is not None:
                _sourced(leaf, [mark], moves)


def _leaves(node: Any) -> Iterator[dict[str, Any]]:
    """The measured leaves of a dumped rule."""
    if isinstance(node, list):
        for part in node:
            yield from _leaves(part)
    elif isinstance(node, dict):
        if "measure" in node:
            yield node
        for part in node.values():
            yield from _leaves(part)


def _written(
    holder: dict[str, Any], name: str, measure: str, unit: str, moves: Sequence[Move]
) -> _Mark | None:
    """The value there, moved if it is one of those to move; None if there is none."""
    if holder[name] is None:
        return None
    mark = _Mark(to_si(value=parse_number(holder[name]), unit=unit))
    for i, move in enumerate(moves):
        if move.measure == measure and _same(move, mark.si):
            holder[name] = number_text(move.to_si / SI_PER_UNIT[unit])
            return _Mark(move.to_si, i)
    return mark


def _sourced(part: dict[str, Any], marks: Sequence[_Mark], moves: Sequence[Move]) -> None:
    told = "; ".join(moves[i].text() for i in dict.fromkeys(
        m.moved for m in marks if m.moved is not None))
    if told:
        part["source"] = f"{part['source']}; moved by hand for a time: {told}"
        part["evidence"] = "house"


def _ordered(measure: str, marks: Sequence[_Mark], moves: Sequence[Move]) -> Iterator[Finding]:
    """Values that no longer rise, told of the move that is to blame."""
    for k, mark in enumerate(marks):
        before = marks[k - 1] if k else None
        after = marks[k + 1] if k + 1 < len(marks) else None
        low = before is not None and mark.si <= before.si
        high = after is not None and mark.si >= after.si
        if mark.moved is None or not (low or high):
            continue
        move = moves[mark.moved]
        ends = [number_text(m.si / SI_PER_UNIT[move.unit]) for m in (before, after)
                if m is not None]
        between = f"between {' and '.join(ends)}" if len(ends) == 2 else (
            f"above {ends[0]}" if before is not None else f"below {ends[0]}")
        yield Finding(f"/{mark.moved}/to", "not_ordered",
                      f"At {number_text(move.to)} {move.unit} the cuts of {measure} would no "
                      "longer be in order.", f"Choose a value {between} {move.unit}.")
