"""One fruit at a time through a standard's rules, in plain integers and three-valued logic.

A second reading of the rules that shares no arithmetic with `decide` and `kernel`: thresholds come
straight from the standard's fractions, nothing is vectorised, nothing is looked up. Tests hold the
two against each other; `explain` turns a walk into sentences.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, Final, NamedTuple

from grading.profile import CultivarProfile
from grading.quantities import MEASURES
from grading.reasons import Reason
from grading.record import Defect
from grading.rules import AllOf, AnyOf, AtLeast, MaturityIs, Measured, Not, SizeIs
from grading.standard import Indicator, PackStandard
from grading.walk_defects import NO, OPEN, YES, Group, rate_all
from grading.walk_rules import (
    Branch,
    ClassLeaf,
    Fruit,
    JudgedLeaf,
    MeasuredLeaf,
    Mirror,
    mark_of,
)

_SIXTEENTHS: Final = {790: 800, 793: 800, 794: 800, 1110: 1100, 1111: 1100, 1112: 1100}
_NO_JUDGEMENT: Final[Mapping[str, bool]] = {}


class Outcome(NamedTuple):
    """The codes and reasons of one fruit, as `Verdicts` holds them."""

    size: int
    maturity: int
    grade: int
    pack: int
    reasons: int
    decisive: int


class Ladder:
    """Thresholds in rising order and the class code above each; the code below all comes first."""

    def __init__(self, marks: Sequence[int], codes: Sequence[int]) -> None:
        self.marks, self.codes = tuple(marks), tuple(codes)

    def code(self, value: int) -> int:
        return self.codes[bisect_right(self.marks, value)]


class Walker:
    """A standard made ready to walk fruit through, for one cultivar profile and size basis."""

    def __init__(
        self, *, standard: PackStandard, profile: CultivarProfile | None, basis: str
    ) -> None:
        self.standard, self.profile, self.basis = standard, profile, basis
        self.nearest = standard.rounding.limits == "nearest"
        self.maturities = standard.maturity.classes if standard.maturity else ()
        self.table = standard.table(basis)
        self.size_names: tuple[str, ...] = ("not measured",)
        self.sizes: Ladder | None = None
        if self.table is not None:
            self._read_sizes()
        self.indicators = self._choose()
        self.hue_unused = bool(profile and profile.ground_colour == "not_usable") or (
            any(by.measure == "hue" for by in (standard.maturity.by if standard.maturity else ()))
            and not any(by.measure == "hue" for by, _ in self.indicators))
        self.tip = _tip(round(standard.tip_mm / MEASURES["tip"].quantum))
        self.chroma_q = self.ground_q = 0
        if profile is not None:
            self.chroma_q = round(profile.chroma_floor / MEASURES["chroma"].quantum)
            self.ground_q = round(profile.ground_floor / MEASURES["ground"].quantum)
        self.rungs = [[self._tree(rule, True) for rule in grade.requires]
                      for grade in standard.grade]
        self.packs = [self._pack_lists(pack) for pack in standard.pack]

    def _read_sizes(self) -> None:
        assert self.table is not None
        bands = self.table.bands
        self.size_names = ("not measured", "below scale", *(b.code for b in bands), "above scale")
        marks, codes = [], [1] if bands[0].low is not None else []
        for code, band in enumerate(bands, start=2):
            low, high = self.table.bounds_si(band)
            if low is not None:
                marks.append(self._mark(low, self.basis, self.table.closed))
            codes.append(code)
            if high is not None and code == len(bands) + 1:
                marks.append(self._mark(high, self.basis, self.table.closed))
                codes.append(code + 1)
        self.sizes = Ladder(marks, codes)

    def _mark(self, limit_si: Fraction, measure: str, closed: str) -> int:
        return mark_of(limit_si=limit_si, measure=measure, upper_side=closed == "low",
                       nearest=self.nearest)[0]

    def _choose(self) -> list[tuple[Indicator, Ladder]]:
        """The indicators that hold for the cultivar, in the order the measures are listed."""
        chosen: list[tuple[Indicator, Ladder]] = []
        listed = self.standard.maturity.by if self.standard.maturity else ()
        for measure in dict.fromkeys(by.measure for by in listed):
            fitting = [by for by in listed if by.measure == measure and self.fits(by)]
            if not fitting:
                continue
            by = max(fitting, key=lambda one: len(one.when))
            per_unit = Measured(measure=measure, unit=by.unit, at_least=Fraction(1),
                                source=by.source, evidence=by.evidence).limit
            marks = [self._mark(step.low * per_unit, measure, by.closed)
                     for step in by.steps if step.low is not None]
            codes = [1 + self.maturities.index(step.maturity) for step in by.steps]
            chosen.append((by, Ladder(marks, codes)))
        return chosen

    def fits(self, by: Indicator) -> bool:
        """Whether the cultivar has the traits that an indicator is for."""
        if self.profile is None:
            return not by.when
        if by.measure == "hue" and self.profile.ground_colour == "not_usable":
            return False
        return all(self.profile.trait(trait) in wanted for trait, wanted in by.when.items())

    def _tree(self, rule: Any, positive: bool) -> Any:
        if isinstance(rule, Not):
            return Mirror(self._tree(rule.not_, not positive))
        if isinstance(rule, AllOf):
            return Branch([self._tree(r, positive) for r in rule.all_of], len(rule.all_of))
        if isinstance(rule, AnyOf):
            return Branch([self._tree(r, positive) for r in rule.any_of], 1)
        if isinstance(rule, AtLeast):
            return Branch([self._tree(r, positive) for r in rule.of], rule.at_least_k)
        if isinstance(rule, Measured):
            return MeasuredLeaf(rule, positive=positive, nearest=self.nearest,
                                unused=rule.measure == "hue" and self.hue_unused)
        if isinstance(rule, MaturityIs):
            return ClassLeaf(rule, positive=positive, names=("not measured", *self.maturities))
        if isinstance(rule, SizeIs):
            return ClassLeaf(rule, positive=positive, names=self.size_names)
        return JudgedLeaf(rule, positive=positive)

    def _pack_lists(self, pack: Any) -> tuple[frozenset[int] | None, ...]:
        grades = ("undecided", *(g.id for g in self.standard.grade))
        return tuple(
            frozenset(i for i, name in enumerate(names) if name in wanted) if wanted else None
            for wanted, names in ((pack.grades, grades), (pack.sizes, self.size_names),
                                  (pack.maturities, ("not measured", *self.maturities))))

    def see(self, values: Mapping[str, int], judged: Mapping[str, bool]) -> Fruit:
        """The fruit as rules may see it, classed: foreign-tip firmness and blind hue set aside."""
        fruit = Fruit(values, judged)
        if "firmness" in values and _tip(values.get("tip", 0)) != self.tip:
            fruit.flags |= Reason.WRONG_TIP.bit
            fruit.values = {k: v for k, v in fruit.values.items() if k != "firmness"}
        if "hue" in values and (values.get("chroma", self.chroma_q) < self.chroma_q
                                or values.get("ground", self.ground_q) < self.ground_q):
            fruit.flags |= Reason.HUE_NOT_OBSERVABLE.bit
            fruit.values = {k: v for k, v in fruit.values.items() if k != "hue"}
        if self.sizes is not None and self.basis in values:
            fruit.size = self.sizes.code(values[self.basis])
        self._ripen(fruit)
        return fruit

    def _ripen(self, fruit: Fruit) -> None:
        rule = self.standard.maturity
        if self.hue_unused:
            fruit.flags |= Reason.HUE_NOT_USED.bit
        if rule is None:
            return
        said, lacking = [], False
        values = fruit.values
        for by, ladder in self.indicators:
            value = values.get(by.measure)
            if value is not None:
                said.append(ladder.code(value))
            elif by.required:
                lacking = True
        if len(said) > 1 and max(said) - min(said) >= rule.disagree_steps:
            fruit.flags |= Reason.MEASURES_DISAGREE.bit
        if lacking or len(said) < rule.needs:
            fruit.flags |= Reason.MATURITY_NOT_MEASURED.bit
        elif rule.combine == "first":
            fruit.maturity = said[0]
        else:
            fruit.maturity = max(said) if rule.combine == "softest" else min(said)

    def pack_of(self, fruit: Fruit, grade: int) -> int:
        """0 by hand, 1.. the first pack that takes it, the last code for culls."""
        if grade == len(self.rungs) + 1:
            return len(self.packs) + 1
        if grade:
            for code, (grades, sizes, maturities) in enumerate(self.packs, start=1):
                if ((grades is None or grade in grades)
                        and (sizes is None or fruit.size in sizes)
                        and (maturities is None or fruit.maturity in maturities)):
                    return code
        return 0


def _tip(tip_q: int) -> int:
    """Heads of 5/16 and 7/16 in are the 8 and 11 mm heads."""
    return _SIXTEENTHS.get(tip_q, tip_q)


def against(rung: Sequence[Any], fruit: Fruit) -> list[Reason]:
    """Why a rung's requirements fail, in the order they are written."""
    found = []
    for rule in rung:
        if rule.counted(fruit) == NO:
            for leaf in rule.leaves():
                answer = leaf.certain(fruit)
                if answer == OPEN:
                    found.append(leaf.absent)
                elif (answer == NO) is leaf.positive:
                    found.append(leaf.failing(fruit))
    return found


def lacking(rung: Sequence[Any], fruit: Fruit, *, withheld: bool) -> list[Reason]:
    """What was not measured or judged in rules not certain (withheld: in those that stop)."""
    found = []
    for rule in rung:
        if (rule.counted if withheld else rule.certain)(fruit) != YES:
            found += [leaf.absent for leaf in rule.leaves() if leaf.certain(fruit) == OPEN]
    return found


def classify_one(
    *, walker: Walker, values: Mapping[str, int], defects: Sequence[Defect] = (),
    judged: Mapping[str, bool] = _NO_JUDGEMENT,
) -> Outcome:
    """Codes and reasons of one fruit. values: measure to quanta, only what was measured."""
    fruit = walker.see(values, judged)
    groups: list[Group] = []
    if defects:
        groups = rate_all(defects=defects, standard=walker.standard,
                          diameter_q=values.get("diameter"))
    return settle(walker=walker, fruit=fruit, groups=groups)


def settle(*, walker: Walker, fruit: Fruit, groups: Sequence[Group]) -> Outcome:
    """Down the ladder from the best grade: the first that is not failed, or none if withheld."""
    reasons = fruit.flags
    missed: list[Any] | None = None
    grade, decisive = len(walker.rungs) + 1, 0
    for rank, rung in enumerate(walker.rungs):
        least = YES
        for rule in rung:
            answer = rule.counted(fruit)
            if answer < least:
                least = answer
                if answer == NO:
                    break
        if least == NO or any(rank in group.bars for group in groups):
            missed = rung
            continue
        for reason in lacking(rung, fruit, withheld=False):
            reasons |= 1 << reason
        grade = rank + 1 if least == YES else 0
        if grade == 0:
            decisive = lacking(rung, fruit, withheld=True)[0]
        break
    if missed is not None:
        why = against(missed, fruit)
        for reason in why:
            reasons |= 1 << reason
        if grade and why:
            decisive = why[0]
    if groups:
        reasons, decisive = _with_groups(groups, reasons, decisive, best=grade == 1)
    return Outcome(fruit.size, fruit.maturity, grade, walker.pack_of(fruit, grade), reasons,
                   int(decisive))


def _with_groups(
    groups: Sequence[Group], reasons: int, decisive: int, *, best: bool
) -> tuple[int, int]:
    """Decay and serious defects settle a grade before any measure, other defects after."""
    weightiest = Reason.NONE
    for group in groups:
        if group.unsure:
            reasons |= Reason.DEFECT_EXTENT_OPEN.bit
        if group.bars:
            reasons |= group.reason.bit
            weightiest = max(weightiest, group.reason)
    if not best and (weightiest > Reason.DEFECT or (weightiest and decisive == 0)):
        decisive = weightiest
    return reasons, decisive
