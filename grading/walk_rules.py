"""Requirement leaves and trees asked about one fruit, in three-valued logic.

Answers are NO < OPEN < YES, so "all of" is the least answer, "any of" the greatest, "at least k"
the k-th greatest and "not" the mirror. A tree is asked twice: `certain`, where what is missing
stays open, and `counted`, where it counts as its rule's policy says.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import ceil, floor
from typing import Any

from grading.quantities import MEASURES
from grading.reasons import ABOVE, BELOW, MISSING, Reason
from grading.rules import Judged, MaturityIs, Measured, SizeIs
from grading.walk_defects import NO, OPEN, YES


class Fruit:
    """What rules may ask of one fruit: usable measures in quanta, classes, judgements."""

    __slots__ = ("flags", "judged", "maturity", "size", "values")

    def __init__(self, values: Mapping[str, int], judged: Mapping[str, bool]) -> None:
        self.values, self.judged = values, judged
        self.size = self.maturity = self.flags = 0


def mark_of(
    *, limit_si: Fraction, measure: str, upper_side: bool, nearest: bool
) -> tuple[int, Fraction]:
    """(first count on the upper side of a limit, the limit as compared, in quanta).

    upper_side: the limit itself belongs to the upper side.
    """
    quanta = limit_si / MEASURES[measure].quantum
    if nearest:
        quanta = Fraction(round(quanta))
    return (ceil(quanta) if upper_side else floor(quanta) + 1), quanta


class Leaf(ABC):
    """One requirement. `gone` is what it counts as where there is nothing to answer it."""

    def __init__(self, rule: Any, *, positive: bool, missing: str, absent: Reason) -> None:
        self.rule, self.positive, self.missing, self.absent = rule, positive, missing, absent
        good, bad = (YES, NO) if positive else (NO, YES)
        self.gone = {"open": good, "fails": bad, "undecided": OPEN}[missing]

    @abstractmethod
    def certain(self, fruit: Fruit) -> int:
        """The leaf's own answer, before any "not" around it."""

    def counted(self, fruit: Fruit) -> int:
        answer = self.certain(fruit)
        return self.gone if answer == OPEN else answer

    @abstractmethod
    def failing(self, fruit: Fruit) -> Reason:
        """The reason a fruit has where this leaf speaks against it."""

    def leaves(self) -> list[Leaf]:
        return [self]


class MeasuredLeaf(Leaf):
    def __init__(
        self, rule: Measured, *, positive: bool, unused: bool, nearest: bool
    ) -> None:
        super().__init__(
            rule, positive=positive, missing="open" if unused else rule.if_missing,
            absent=Reason.HUE_NOT_USED if unused else MISSING[rule.measure])
        self.measure, self.unused = rule.measure, unused
        self.upward = rule.at_least is not None or rule.above is not None
        self.mark, self.compared_q = mark_of(
            limit_si=rule.limit, measure=rule.measure, nearest=nearest,
            upper_side=rule.at_least is not None or rule.below is not None)

    def certain(self, fruit: Fruit) -> int:
        value = fruit.values.get(self.measure)
        if value is None or self.unused:
            return OPEN
        return YES if (value >= self.mark) is self.upward else NO

    def failing(self, fruit: Fruit) -> Reason:
        return (BELOW if self.upward is self.positive else ABOVE)[self.measure]


class ClassLeaf(Leaf):
    """Maturity or size class among those listed."""

    def __init__(self, rule: MaturityIs | SizeIs, *, positive: bool, names: Sequence[str]) -> None:
        self.of_size = isinstance(rule, SizeIs)
        super().__init__(
            rule, positive=positive, missing=rule.if_missing,
            absent=Reason.SIZE_NOT_MEASURED if self.of_size else Reason.MATURITY_NOT_MEASURED)
        listed = rule.size if isinstance(rule, SizeIs) else rule.maturity
        self.codes = frozenset(i for i, name in enumerate(names) if i and name in listed)
        proper = {i for i, name in enumerate(names) if i and not name.endswith(" scale")}
        self.lowest = min(self.codes if positive else proper - self.codes, default=0)

    def certain(self, fruit: Fruit) -> int:
        code = fruit.size if self.of_size else fruit.maturity
        if code == 0:
            return OPEN
        return YES if code in self.codes else NO

    def failing(self, fruit: Fruit) -> Reason:
        if self.of_size:
            return Reason.BELOW_SIZE if fruit.size < self.lowest else Reason.ABOVE_SIZE
        return Reason.TOO_GREEN if fruit.maturity < self.lowest else Reason.TOO_SOFT


class JudgedLeaf(Leaf):
    def __init__(self, rule: Judged, *, positive: bool) -> None:
        super().__init__(rule, positive=positive, missing="open", absent=Reason.PERSON_TO_JUDGE)

    def certain(self, fruit: Fruit) -> int:
        answer = fruit.judged.get(self.rule.person)
        return OPEN if answer is None else YES if answer else NO

    def failing(self, fruit: Fruit) -> Reason:
        return Reason.JUDGED_FAILED


class Branch:
    """At least k of the parts: all_of is k = n, any_of k = 1."""

    def __init__(self, parts: list[Any], k: int) -> None:
        self.parts, self.k = parts, k

    def certain(self, fruit: Fruit) -> int:
        return int(sorted([p.certain(fruit) for p in self.parts], reverse=True)[self.k - 1])

    def counted(self, fruit: Fruit) -> int:
        return int(sorted([p.counted(fruit) for p in self.parts], reverse=True)[self.k - 1])

    def leaves(self) -> list[Leaf]:
        return [leaf for part in self.parts for leaf in part.leaves()]


class Mirror:
    """Not."""

    def __init__(self, part: Any) -> None:
        self.part = part

    def certain(self, fruit: Fruit) -> int:
        return YES - int(self.part.certain(fruit))

    def counted(self, fruit: Fruit) -> int:
        return YES - int(self.part.counted(fruit))

    def leaves(self) -> list[Leaf]:
        return list(self.part.leaves())
