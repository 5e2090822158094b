"""What is wrong with each fruit of a sample, measured against the grade the lot was declared."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from grading.declared import Declared
from grading.kernel import Compiled
from grading.lot_rules import Group, Severity
from grading.numbers import number_text
from grading.quantities import MEASURES
from grading.reasons import Reason
from grading.record import FruitBatch
from grading.rules import Judged
from grading.standard import Grade
from grading.thresholds import threshold
from grading.walk import Walker
from grading.walk_defects import LEVELS, NO, OPEN, YES, rate_all
from grading.walk_defects import Group as DefectGroup
from grading.walk_rules import Fruit, Leaf

SIZE_KINDS: Final = ("undersize", "oversize")
"""Faults against the declared size, which is a statement beside the grade, not part of it."""

_SERIOUS: Final = LEVELS.index("serious")
_KINDS: Final = {Reason.TOO_SOFT: "soft", Reason.TOO_GREEN: "green"}
_GROUPS: Final[dict[Reason, Group]] = {
    Reason.TOO_SOFT: "maturity", Reason.TOO_GREEN: "maturity", Reason.FIRMNESS_OUT: "maturity",
    Reason.MATURITY_NOT_MEASURED: "maturity", Reason.FIRMNESS_NOT_MEASURED: "maturity",
    Reason.BELOW_SIZE: "undersize", Reason.ABOVE_SIZE: "oversize",
    Reason.SIZE_NOT_MEASURED: "undersize",
    Reason.LOW_SUGAR: "sugar", Reason.HIGH_SUGAR: "sugar", Reason.SUGAR_NOT_MEASURED: "sugar",
    Reason.JUDGED_FAILED: "judged", Reason.PERSON_TO_JUDGE: "judged",
    Reason.MASS_NOT_MEASURED: "weight",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing against a fruit.

    kind: the defect's kind; "soft" or "green" for maturity, "undersize" or "oversize" against the
    declared size, the name of the point for a person's judgement, else the reason's word.
    severity: of a defect, "none" for all else. open: not settled, because something was not
    measured or the extent of a defect was not assessed.
    """

    group: Group
    kind: str
    severity: Severity
    permanence: Literal["permanent", "condition"]
    text: str
    open: bool = False


@dataclass(frozen=True, slots=True)
class SampleFruit:
    """One fruit of a hand-pulled sample.

    size, maturity, grade: names as the compiled standard gives them. faults: against the declared
    grade. meets: grades that it does not fail. kinds: every defect kind seen on it, fault or not.
    shares, shares_open: lot-share rules it fulfils, and those nothing answers. unjudged: points
    of the declared grade that nobody judged on it.
    """

    row: int
    size: str
    maturity: str
    grade: str
    faults: tuple[Fault, ...]
    meets: frozenset[str]
    diameter_mm: float | None
    mass_g: float | None
    sugar_brix: float | None
    firmness_n: float | None
    package: str | None
    kinds: frozenset[str]
    shares: frozenset[str] = frozenset()
    shares_open: frozenset[str] = frozenset()
    unjudged: frozenset[str] = frozenset()


def sample_fruit(
    *,
    batch: FruitBatch,
    compiled: Compiled,
    declared: Declared,
    packages: Sequence[str | None] = (),
) -> tuple[SampleFruit, ...]:
    """The fruit of a pull with their faults. packages: the package of each, empty for none.

    Raises ValueError for a grade the standard does not have, or packages of another length.
    """
    if packages and len(packages) != len(batch):
        raise ValueError(f"{len(batch)} fruit, but packages of {len(packages)}")
    judge = _Judge(compiled, declared)
    verdicts = compiled.grade(batch=batch)
    columns = batch.measures.items()
    found = []
    for row in range(len(batch)):
        values = {name: int(c.values[row]) for name, c in columns if c.present[row]}
        judged = batch.judged.get(row, {})
        fruit = judge.walker.see(values, judged)
        groups = rate_all(defects=batch.defects.get(row, ()), standard=compiled.standard,
                          diameter_q=values.get("diameter"))
        yes, unanswered = judge.shares(fruit)
        found.append(SampleFruit(
            row=row, size=compiled.size_names[verdicts.size[row]],
            maturity=compiled.maturity_names[verdicts.maturity[row]],
            grade=compiled.grade_names[verdicts.grade[row]],
            faults=(*judge.failing(fruit), *judge.defects(groups), *judge.off_size(fruit)),
            meets=judge.meets(fruit, groups),
            diameter_mm=_value(fruit, "diameter"), mass_g=_value(fruit, "mass"),
            sugar_brix=_value(fruit, "sugar"), firmness_n=_value(fruit, "firmness"),
            package=packages[row] if packages else None,
            kinds=frozenset(g.kind for g in groups),
            shares=yes, shares_open=unanswered,
            unjudged=frozenset(p for p in judge.points if p not in judged)))
    return tuple(found)


def _value(fruit: Fruit, measure: str) -> float | None:
    quanta = fruit.values.get(measure)
    return None if quanta is None else MEASURES[measure].value(quanta=quanta)


class _Judge:
    """A declaration made ready to hold fruit against."""

    def __init__(self, compiled: Compiled, declared: Declared) -> None:
        standard = compiled.standard
        ids = [g.id for g in standard.grade]
        if declared.grade not in ids:
            raise ValueError(f"{standard.name} has no grade {declared.grade!r}; "
                             f"it has: {', '.join(ids)}")
        self.standard, self.declared, self.ids = standard, declared, ids
        self.rank = ids.index(declared.grade)
        asked = [(s.id, s.rule) for s in standard.lot_share if s.rule is not None]
        self.by_share = [name for name, _ in asked]
        extra = tuple(Grade(id=name, title=name, requires=(rule,)) for name, rule in asked)
        self.walker = Walker(  # shares ask their rules as grades below the ladder would
            standard=standard.model_copy(update={"grade": (*standard.grade, *extra)}),
            profile=compiled.profile, basis=compiled.basis)
        self.rungs = self.walker.rungs[:len(ids)]
        self.points = [leaf.rule.person for rule in self.rungs[self.rank]
                       for leaf in rule.leaves() if isinstance(leaf.rule, Judged)]
        self.sizes = compiled.size_names
        self.low_q = self._mark("at_least")
        self.high_q = self._mark("at_most")

    def _mark(self, comparison: Literal["at_least", "at_most"]) -> int | None:
        d = self.declared
        limit = d.min_diameter if comparison == "at_least" else d.max_diameter
        if limit is None:
            return None
        return threshold(limit=limit, measure="diameter", comparison=comparison,
                         nearest=self.standard.rounding.limits == "nearest")[0]

    def shares(self, fruit: Fruit) -> tuple[frozenset[str], frozenset[str]]:
        answers = {name: rung[0].certain(fruit) for name, rung
                   in zip(self.by_share, self.walker.rungs[len(self.ids):], strict=True)}
        return (frozenset(i for i, a in answers.items() if a == YES),
                frozenset(i for i, a in answers.items() if a == OPEN))

    def meets(self, fruit: Fruit, groups: Sequence[DefectGroup]) -> frozenset[str]:
        barred = {rank for group in groups for rank in group.bars}
        return frozenset(
            name for rank, name in enumerate(self.ids)
            if rank not in barred and all(r.counted(fruit) != NO for r in self.rungs[rank]))

    def failing(self, fruit: Fruit) -> Iterator[Fault]:
        """Requirements of the declared grade that fail, or that nothing answers."""
        for rule in self.rungs[self.rank]:
            counted = rule.counted(fruit)
            for leaf in rule.leaves() if counted != YES else ():
                answer = leaf.certain(fruit)
                if answer == OPEN:
                    yield _requirement(leaf, leaf.absent, still_open=counted == OPEN)
                elif counted == NO and (answer == NO) is leaf.positive:
                    yield _requirement(leaf, leaf.failing(fruit))

    def defects(self, groups: Sequence[DefectGroup]) -> Iterator[Fault]:
        """Defects that the declared grade does not allow; a serious one is never passed over."""
        for group in groups:
            excluded = self.rank in group.bars or group.level >= _SERIOUS
            if not (excluded or group.unsure):
                continue
            title = group.rule.title if group.rule else group.kind.replace("_", " ")
            severity = LEVELS[group.level]
            # A kind that the standard does not know is taken as one that cannot grow in transit,
            # the reading that counts in more of its limits.
            yield Fault(
                "defect", group.kind, severity,  # type: ignore[arg-type]  # of the four levels
                group.rule.permanence if group.rule else "permanent",
                f"{title}, {severity}" if excluded else f"{title}, extent not assessed",
                open=not excluded)

    def off_size(self, fruit: Fruit) -> Iterator[Fault]:
        """Undersize and oversize against the declared diameters, or else the declared code."""
        d = self.declared
        if self.low_q is None and self.high_q is None:
            yield from self._off_code(fruit)
            return
        value = fruit.values.get("diameter")
        for kind, mark, limit in (("undersize", self.low_q, d.min_diameter),
                                  ("oversize", self.high_q, d.max_diameter)):
            if mark is None or limit is None:
                continue
            if value is None:
                yield _size_fault(kind, "diameter not measured", still_open=True)
            elif (value >= mark) is (kind == "oversize"):
                yield _size_fault(kind, f"{value / 100:.2f} mm, declared {number_text(limit)} mm")

    def _off_code(self, fruit: Fruit) -> Iterator[Fault]:
        size = self.declared.size
        if size not in self.sizes:
            return
        wanted = self.sizes.index(size)
        if fruit.size == 0:
            yield _size_fault("undersize", "size not measured", still_open=True)
        elif fruit.size != wanted:
            yield _size_fault("undersize" if fruit.size < wanted else "oversize",
                              f"size {self.sizes[fruit.size]}, declared {size}")


def _size_fault(kind: str, text: str, *, still_open: bool = False) -> Fault:
    group: Group = "undersize" if kind == "undersize" else "oversize"
    return Fault(group, kind, "none", "condition", text, still_open)


def _requirement(leaf: Leaf, reason: Reason, *, still_open: bool = False) -> Fault:
    group = _GROUPS.get(reason, "colour")
    kind = _KINDS.get(reason, reason.word)
    if isinstance(leaf.rule, Judged):
        kind = leaf.rule.person
    elif getattr(leaf.rule, "measure", "") == "mass":
        group = "weight"
    return Fault(group, kind, "none", "condition", reason.title, still_open)
