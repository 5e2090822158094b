"""One fruit turned back into sentences, by a walk of its own over the standard's rules.

`explain` does not ask the kernel: it walks the rules one by one (`walk`), so that the two check
each other. `classify_one` is the same walk without the words; `sentences` puts it in words.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from math import isqrt
from typing import Any

from grading.explain_parts import (
    FAILS,
    HOLDS,
    NOT_MEASURED,
    TO_JUDGE,
    Answer,
    DefectLine,
    Explanation,
    GradeStep,
    Indication,
    MaturityClass,
    Requirement,
    SizeClass,
    plain,
)
from grading.explain_text import sentences, trigger_text
from grading.kernel import Compiled
from grading.numbers import SI_PER_UNIT, number_text
from grading.quantities import MEASURES
from grading.reasons import Reason, reasons_of
from grading.record import FruitBatch
from grading.rules import MaturityIs
from grading.walk import Outcome, Walker, classify_one, settle
from grading.walk_defects import LEVELS, NO, OPEN, YES, Group, rate_all
from grading.walk_rules import Branch, ClassLeaf, Fruit, Leaf, MeasuredLeaf, Mirror

__all__ = ["Explanation", "Outcome", "Walker", "classify_one", "explain", "plain", "sentences"]


def explain(*, batch: FruitBatch, row: int, compiled: Compiled) -> Explanation:
    """Everything that decided the verdict of one row of a batch. Raises IndexError."""
    if not 0 <= row < len(batch):
        raise IndexError(f"row {row} of a batch of {len(batch)}")
    walker, digest = _walker(compiled)
    values = {m: int(c.values[row]) for m, c in batch.measures.items() if c.present[row]}
    fruit = walker.see(values, batch.judged.get(row, {}))
    groups = rate_all(defects=batch.defects.get(row, ()), standard=walker.standard,
                      diameter_q=values.get("diameter"))
    outcome = settle(walker=walker, fruit=fruit, groups=groups)
    return _Teller(walker, values, fruit, groups, outcome).tell(
        seq=int(batch.seq[row]), digest=digest)


@lru_cache(maxsize=32)
def _walker(compiled: Compiled) -> tuple[Walker, str]:
    standard = compiled.standard
    return (Walker(standard=standard, profile=compiled.profile, basis=compiled.basis),
            standard.digest())


def _in_unit(*, quanta: Fraction | int, measure: str, unit: str) -> Fraction:
    return Fraction(quanta) * MEASURES[measure].quantum / SI_PER_UNIT[unit]


class _Teller:
    """The parts of one explanation. values: all that was read, also what rules may not use."""

    def __init__(self, walker: Walker, values: dict[str, int], fruit: Fruit,
                 groups: list[Group], outcome: Outcome) -> None:
        self.walker, self.values, self.fruit = walker, values, fruit
        self.groups, self.outcome = groups, outcome
        self.standard = walker.standard

    def tell(self, *, seq: int, digest: str) -> Explanation:
        standard, outcome = self.standard, self.outcome
        grades = [("undecided", "undecided"), *((g.id, g.title) for g in standard.grade),
                  ("cull", standard.cull_title)]
        packs = [("by hand", "by hand"), *((p.id, p.title) for p in standard.pack),
                 ("culls", "culls")]
        return Explanation(
            standard=standard.name, digest=digest,
            profile=self.walker.profile.id if self.walker.profile else "",
            basis=self.walker.basis, seq=seq, outcome=outcome, size=self._size(),
            maturity=self._maturity(), steps=self._steps(),
            defects=tuple(self._defect(g) for g in self.groups),
            grade=grades[outcome.grade][0], grade_title=grades[outcome.grade][1],
            pack=packs[outcome.pack][0], pack_title=packs[outcome.pack][1],
            decisive=Reason(outcome.decisive), reasons=reasons_of(bits=outcome.reasons))

    def _size(self) -> SizeClass | None:
        table, code = self.walker.table, self.fruit.size
        if table is None:
            return None
        value = self.values.get(self.walker.basis)
        low = high = None
        if 2 <= code < len(table.bands) + 2:
            low, high = table.bands[code - 2].low, table.bands[code - 2].high
        elif code == 1:
            high = table.bands[0].low
        elif code:
            low = table.bands[-1].high
        return SizeClass(
            name=self.walker.size_names[code], basis=table.basis, unit=table.unit,
            value=None if value is None else _in_unit(
                quanta=value, measure=table.basis, unit=table.unit),
            low=low, high=high, closed=table.closed, source=table.source,
            evidence=table.evidence)

    def _set_aside(self, measure: str) -> str:
        """Why a reading may not be used, or ""."""
        profile, bits = self.walker.profile, self.fruit.flags
        if measure == "hue" and self.walker.hue_unused:
            if profile is not None and profile.red_coverage == "solid":
                return "ground colour not used: solid-red cultivar"
            if profile is not None and profile.ground_colour == "not_usable":
                return "ground colour not used: not usable on this cultivar"
            return "ground colour not used: the standard has no hue steps for this cultivar"
        if measure == "hue" and bits & Reason.HUE_NOT_OBSERVABLE.bit:
            assert profile is not None
            name, floor = "ground", profile.ground_floor
            if self.values.get("chroma", self.walker.chroma_q) < self.walker.chroma_q:
                name, floor = "chroma", profile.chroma_floor
            shown = number_text(self.values[name] * MEASURES[name].quantum)
            return (f"ground colour not observable: {MEASURES[name].title} {shown} is "
                    f"below the floor of {number_text(floor)}")
        if measure == "firmness" and bits & Reason.WRONG_TIP.bit:
            if "tip" not in self.values:
                return "firmness not used: its plunger tip is not stated"
            tip = number_text(self.values["tip"] * MEASURES["tip"].quantum)
            return (f"firmness not used: read with a {tip} mm tip, the standard is for "
                    f"{number_text(self.standard.tip_mm)} mm")
        return ""

    def _maturity(self) -> MaturityClass | None:
        rule = self.standard.maturity
        if rule is None:
            return None
        names = ("not measured", *rule.classes)
        found: list[Indication] = []
        chosen = {by.measure: (by, ladder) for by, ladder in self.walker.indicators}
        for listed in rule.by:
            if any(listed.measure == earlier.measure for earlier in found):
                continue
            by, ladder = chosen.get(listed.measure, (listed, None))
            raw = self.values.get(by.measure)
            usable = self.fruit.values.get(by.measure)
            why, says = self._set_aside(by.measure), ""
            if ladder is None:
                why = why or "the standard has no steps of this measure for this cultivar"
            elif usable is not None:
                says = names[ladder.code(usable)]
            else:
                why = why or NOT_MEASURED
            if says and rule.combine == "first" and any(e.used for e in found):
                why = "a measure listed earlier settles it"
            found.append(Indication(
                measure=by.measure, unit=by.unit, says=says, used=bool(says) and not why,
                value=None if raw is None else _in_unit(
                    quanta=raw, measure=by.measure, unit=by.unit),
                why_not=why, required=by.required, source=by.source, evidence=by.evidence,
                settles=bool(says) and not why and says == names[self.fruit.maturity]))
        name = names[self.fruit.maturity]
        return MaturityClass(name=name, title=rule.titles.get(name, name), combine=rule.combine,
                             needs=rule.needs, indications=tuple(found))

    def _steps(self) -> tuple[GradeStep, ...]:
        steps = []
        for rank, (grade, rung) in enumerate(
                zip(self.standard.grade, self.walker.rungs, strict=True)):
            barred = tuple(dict.fromkeys(g.kind for g in self.groups if rank in g.bars))
            counted = min((rule.counted(self.fruit) for rule in rung), default=YES)
            lines = tuple(line for rule in rung for line in self._rule(rule))
            failed = bool(barred) or counted == NO
            steps.append(GradeStep(
                id=grade.id, title=grade.title, requirements=lines, barred_by=barred,
                result="failed" if failed else "withheld" if counted == OPEN else "given"))
            if not failed:
                break
        return tuple(steps)

    def _rule(self, rule: Any) -> list[Requirement]:
        inner = rule
        while isinstance(inner, Mirror):
            inner = inner.part
        needs = f"{inner.k} of {len(inner.parts)}" if isinstance(inner, Branch) else ""
        return [self._leaf(leaf, needs) for leaf in rule.leaves()]

    def _leaf(self, leaf: Leaf, needs: str) -> Requirement:
        certain = leaf.certain(self.fruit)
        answer: Answer
        if certain == OPEN:
            answer = TO_JUDGE if leaf.absent is Reason.PERSON_TO_JUDGE else NOT_MEASURED
        else:
            answer = HOLDS if (certain == YES) is leaf.positive else FAILS
        rule = leaf.rule
        measure, found, text, note = "", "", "", ""
        value = limit = compared = margin = None
        wanted: tuple[str, ...] = ()
        unit = comparison = ""
        if isinstance(leaf, MeasuredLeaf):
            measure, unit, comparison = leaf.measure, rule.unit, rule.comparison
            limit = getattr(rule, comparison)
            compared = _in_unit(quanta=leaf.compared_q, measure=measure, unit=unit)
            note = self._set_aside(measure)
            if measure in self.values:
                value = _in_unit(quanta=self.values[measure], measure=measure, unit=unit)
                margin = None if note else value - compared
        elif isinstance(leaf, ClassLeaf):
            if isinstance(rule, MaturityIs):
                measure, wanted = "maturity", rule.maturity
                found = ("not measured", *self.walker.maturities)[self.fruit.maturity]
            else:
                measure, wanted = "size", rule.size
                found = self.walker.size_names[self.fruit.size]
        else:
            measure, text = rule.person, rule.text
        return Requirement(
            measure=measure, answer=answer, value=value, unit=unit, comparison=comparison,
            limit=limit, compared=compared, margin=margin, wanted=wanted, found=found, text=text,
            negated=not leaf.positive, needs=needs, policy=leaf.missing, note=note,
            source=rule.source, evidence=rule.evidence)

    def _defect(self, group: Group) -> DefectLine:
        def length(name: str) -> Fraction | None:
            return Fraction(group.extents[name][0], 100) if name in group.extents else None

        circle = None
        if "circle" in group.extents:
            circle = Fraction(_root(group.extents["circle"][0]), 100)
        because = group.because
        return DefectLine(
            kind=group.kind, title=group.rule.title if group.rule else group.kind,
            in_stem_cavity=group.in_stem_cavity, spots=group.spots, circle_mm=circle,
            length_mm=length("length"), depth_mm=length("depth"),
            share=(Fraction(group.extents["share"][0], 1000)
                   if "share" in group.extents else None),
            count=group.extents["count"][0],
            partial=tuple(name for name, (_, whole) in group.extents.items() if not whole),
            severity=LEVELS[group.level], unsure=group.unsure, stated=group.stated,
            limit=trigger_text(because.when) if because else "",
            source=because.source if because else "",
            evidence=because.evidence if because else "",
            bars=tuple(g.title for rank, g in enumerate(self.standard.grade)
                       if rank in group.bars))


def _root(square: int) -> int:
    """The nearest whole root."""
    root = isqrt(square)
    return root + (square - root * root > root)
