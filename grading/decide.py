"""The rules of a standard applied to columns of fruit, plainly: one pass a rule, whole columns.

`Decider` is the meaning of a standard. The kernel runs it once over one representative of every
cell that the standard's limits cut the measures into, and looks the answers up; fruit with
defects or with a person's judgements go through it directly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from grading.defects import SEVERITIES, severities, tabulate
from grading.maturity import MaturityRule
from grading.profile import CultivarProfile
from grading.quantities import Flags, Integers
from grading.reasons import ABOVE, BELOW, MISSING, Reason
from grading.record import Column, Defect
from grading.rules import Judged, MaturityIs, Measured, SizeIs
from grading.standard import PackStandard
from grading.thresholds import Steps, leaf_threshold, size_steps
from grading.verdicts import Verdicts


@dataclass(frozen=True, slots=True)
class Frame:
    """Columns of n fruit, ready for rules: measures in quanta, hue already masked where it cannot
    be observed, firmness where it was read with another tip; `flags` holds the bits that say so."""

    n: int
    measures: Mapping[str, Column]
    flags: Integers
    defects: Mapping[int, tuple[Defect, ...]] = field(default_factory=dict)
    judged: Mapping[int, Mapping[str, bool]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Answer:
    """Three-valued answers of a rule for n fruit.

    yes: holds for certain. no: fails for certain. stands: not contradicted, counting only what
    may be left open. withheld: neither, so no grade may be given.
    """

    yes: Flags
    no: Flags
    stands: Flags
    fails: Flags


class Decider:
    """A standard bound to a cultivar profile and a size basis.

    Name lists index the codes of `Verdicts`. Raises ValueError when the standard has no size
    table on the basis.
    """

    def __init__(
        self, *, standard: PackStandard, profile: CultivarProfile | None, basis: str
    ) -> None:
        self.standard = standard
        self.profile = profile
        self.basis = basis
        table = standard.table(basis)
        known = ", ".join(t.basis for t in standard.sizing if not t.overlap)
        if table is None and known:
            raise ValueError(f"{standard.name} has no size table by {basis}; it has: {known}")
        self.size_steps: Steps | None = None
        self.size_names: tuple[str, ...] = ("not measured",)
        if table is not None:
            self.size_steps, self.size_names = size_steps(table=table, standard=standard)
        self.maturity = MaturityRule(standard=standard, profile=profile)
        self.maturity_names = self.maturity.names
        self.grade_names = ("undecided", *(g.id for g in standard.grade), "cull")
        self.pack_names = ("by hand", *(p.id for p in standard.pack), "culls")
        self._used = self._measures_used()

    def measures_used(self) -> Mapping[str, Sequence[int]]:
        """Every measure the rules look at, with the thresholds that cut it."""
        return self._used

    def _measures_used(self) -> dict[str, list[int]]:
        cuts: dict[str, set[int]] = {}
        if self.size_steps is not None:
            cuts.setdefault(self.basis, set()).update(self.size_steps.thresholds)
        for measure, steps in self.maturity.active:
            cuts.setdefault(measure, set()).update(steps.thresholds)
        for grade in self.standard.grade:
            for rule in grade.requires:
                self._cuts(rule, cuts)
        return {m: sorted(t) for m, t in cuts.items()}

    def _cuts(self, rule: Any, cuts: dict[str, set[int]]) -> None:
        if isinstance(rule, Measured) and not self._unused(rule):
            cuts.setdefault(rule.measure, set()).add(
                leaf_threshold(leaf=rule, standard=self.standard)[0])
        for name in ("all_of", "any_of", "of"):
            for part in getattr(rule, name, ()):
                self._cuts(part, cuts)
        if hasattr(rule, "not_"):
            self._cuts(rule.not_, cuts)

    def decide(self, *, frame: Frame) -> Verdicts:
        """Verdicts of every fruit of the frame."""
        size = self._size(frame)
        maturity, bits = self.maturity.classify(frame.measures, frame.n)
        bits = bits | frame.flags
        state = _State(frame, size, maturity)
        barred, defect_bits, decisive_defect = self._barred(frame)
        ranks = len(self.standard.grade)
        grade = np.zeros(frame.n, np.uint8)
        decisive = np.zeros(frame.n, np.uint8)
        settled = np.zeros(frame.n, np.bool_)
        missed_bits = np.zeros(frame.n, np.uint32)
        missed_first = np.zeros(frame.n, np.uint8)
        for rank, rung in enumerate(self.standard.grade):
            stands, fails, yes, why, first, lacking, lacking_first = self._rung(rung, state)
            fails = fails | barred[rank]
            here = ~settled & ~fails & stands
            held = ~settled & ~fails & ~stands
            grade[here] = rank + 1
            bits = bits | np.where(here, missed_bits, 0).astype(np.uint32)
            bits = bits | np.where(here & ~yes, lacking, 0).astype(np.uint32)
            decisive[here] = missed_first[here]
            bits = bits | np.where(held, lacking | missed_bits, 0).astype(np.uint32)
            decisive[held] = lacking_first[held]
            settled |= here | held
            missed_bits, missed_first = why, first
        rest = ~settled
        grade[rest] = ranks + 1
        bits = bits | np.where(rest, missed_bits, 0).astype(np.uint32)
        decisive[rest] = missed_first[rest]
        bits, decisive = self._with_defects(grade, bits, decisive, defect_bits, decisive_defect)
        return Verdicts(size, maturity, grade, self._pack(size, maturity, grade),
                        bits.astype(np.uint32), decisive)

    def _size(self, frame: Frame) -> Integers:
        codes = np.zeros(frame.n, np.uint8)
        column = frame.measures.get(self.basis)
        if self.size_steps is None or column is None:
            return codes
        steps = np.searchsorted(self.size_steps.thresholds, column.values, side="right")
        classes = np.array(self.size_steps.classes, np.uint8)[steps]
        return np.where(column.present, classes, 0).astype(np.uint8)

    def _rung(self, rung: Any, state: _State) -> tuple[Any, ...]:
        """One grade's requirements: stands, fails, yes, and the reasons for either trouble."""
        n = state.frame.n
        stands, fails, yes = np.ones(n, np.bool_), np.zeros(n, np.bool_), np.ones(n, np.bool_)
        why, first = np.zeros(n, np.uint32), np.zeros(n, np.uint8)
        lacking, lacking_first = np.zeros(n, np.uint32), np.zeros(n, np.uint8)
        for rule in rung.requires:
            answer = self._answer(rule, state, positive=True)
            stands &= answer.stands
            fails |= answer.fails
            yes &= answer.yes
            for leaf, positive in _leaves(rule, positive=True):
                leaf_answer = self._leaf(leaf, state, positive=positive)
                reason = self._fail_reason(leaf, state, positive=positive)
                hit = answer.fails & (leaf_answer.no if positive else leaf_answer.yes)
                why |= np.where(hit, _bits(reason), 0).astype(np.uint32)
                first = np.where(hit & (first == 0), reason, first).astype(np.uint8)
                absent = self._absent_reason(leaf)
                gone = ~answer.yes & ~leaf_answer.yes & ~leaf_answer.no
                lacking |= np.where(gone, absent.bit, 0).astype(np.uint32)
                lost = gone & ~answer.stands & (lacking_first == 0)
                lacking_first = np.where(lost, absent.value, lacking_first).astype(np.uint8)
                missing_fail = answer.fails & gone & (first == 0)
                why |= np.where(answer.fails & gone, absent.bit, 0).astype(np.uint32)
                first = np.where(missing_fail, absent.value, first).astype(np.uint8)
        return stands, fails, yes, why, first, lacking, lacking_first

    def _fail_reason(self, leaf: Any, state: _State, *, positive: bool) -> Integers:
        """Reason code per fruit if this leaf fails (if it holds, below an odd number of nots)."""
        n = state.frame.n
        if isinstance(leaf, Measured):
            low = (leaf.comparison in ("at_least", "above")) == positive
            return np.full(n, (BELOW if low else ABOVE)[leaf.measure], np.uint8)
        if isinstance(leaf, Judged):
            return np.full(n, Reason.JUDGED_FAILED, np.uint8)
        if isinstance(leaf, MaturityIs):
            names, codes, listed = self.maturity_names, state.maturity, leaf.maturity
            under, over = Reason.TOO_GREEN, Reason.TOO_SOFT
        else:
            names, codes, listed = self.size_names, state.size, leaf.size
            under, over = Reason.BELOW_SIZE, Reason.ABOVE_SIZE
        wanted = [code for code, name in enumerate(names) if (name in listed) == positive
                  and name not in ("not measured", "below scale", "above scale")]
        return np.where(codes < min(wanted, default=0), under, over).astype(np.uint8)

    def _absent_reason(self, leaf: Any) -> Reason:
        if isinstance(leaf, Measured):
            return Reason.HUE_NOT_USED if self._unused(leaf) else MISSING[leaf.measure]
        if isinstance(leaf, MaturityIs):
            return Reason.MATURITY_NOT_MEASURED
        if isinstance(leaf, SizeIs):
            return Reason.SIZE_NOT_MEASURED
        return Reason.PERSON_TO_JUDGE

    def _answer(self, rule: Any, state: _State, *, positive: bool) -> Answer:
        if hasattr(rule, "all_of"):
            return _join([self._answer(r, state, positive=positive) for r in rule.all_of],
                         len(rule.all_of))
        if hasattr(rule, "any_of"):
            return _join([self._answer(r, state, positive=positive) for r in rule.any_of], 1)
        if hasattr(rule, "at_least_k"):
            return _join([self._answer(r, state, positive=positive) for r in rule.of],
                         rule.at_least_k)
        if hasattr(rule, "not_"):
            a = self._answer(rule.not_, state, positive=not positive)
            return Answer(a.no, a.yes, a.fails, a.stands)
        return self._leaf(rule, state, positive=positive)

    def _leaf(self, leaf: Any, state: _State, *, positive: bool) -> Answer:
        """Answers of one leaf; what is missing stands or fails as the leaf's policy says."""
        if isinstance(leaf, Measured):
            yes, no = self._measured(leaf, state.frame)
            missing = "open" if self._unused(leaf) else leaf.if_missing
        elif isinstance(leaf, MaturityIs):
            yes, no = _member(state.maturity, self.maturity_names, leaf.maturity)
            missing = leaf.if_missing
        elif isinstance(leaf, SizeIs):
            yes, no = _member(state.size, self.size_names, leaf.size)
            missing = leaf.if_missing
        else:
            yes, no = state.judged(leaf.person)
            missing = "open"
        gone = ~yes & ~no
        stands, fails = yes, no
        if missing == "open":
            stands, fails = (yes | gone, no) if positive else (yes, no | gone)
        elif missing == "fails":
            stands, fails = (yes, no | gone) if positive else (yes | gone, no)
        return Answer(yes, no, stands, fails)

    def _unused(self, leaf: Any) -> bool:
        """Hue says nothing about some cultivars, whatever was read."""
        return isinstance(leaf, Measured) and leaf.measure == "hue" and self.maturity.hue_unused

    def _measured(self, leaf: Measured, frame: Frame) -> tuple[Flags, Flags]:
        column = frame.measures.get(leaf.measure)
        if column is None or self._unused(leaf):
            nothing = np.zeros(frame.n, np.bool_)
            return nothing, nothing
        mark, upward = leaf_threshold(leaf=leaf, standard=self.standard)
        holds = (column.values >= mark) == upward
        return holds & column.present, ~holds & column.present

    def _barred(self, frame: Frame) -> tuple[Flags, Integers, Integers]:
        """Which grades (first axis) each fruit's defects keep it out of, and the reasons."""
        barred = np.zeros((len(self.standard.grade), frame.n), np.bool_)
        bits = np.zeros(frame.n, np.uint32)
        decisive = np.zeros(frame.n, np.uint8)
        if not frame.defects:
            return barred, bits, decisive
        diameter = frame.measures.get("diameter")
        quanta = None
        if diameter is not None:
            quanta = np.where(diameter.present, diameter.values.astype(np.int64), -1)
        table = tabulate(defects=frame.defects, diameter_q=quanta)
        level, unsure = severities(table=table, standard=self.standard)
        for i, fruit in enumerate(table.fruit.tolist()):
            kind, code = table.kind[i], int(level[i])
            out = [kind in grade.free_from
                   or (grade.no_defect_at is not None
                       and code >= SEVERITIES.index(grade.no_defect_at))
                   for grade in self.standard.grade]
            barred[:, fruit] |= out
            reason = defect_reason(kind=kind, severity=code)
            if unsure[i]:
                bits[fruit] |= Reason.DEFECT_EXTENT_OPEN.bit
            if any(out):
                bits[fruit] |= reason.bit
                if _weight(reason) > _weight(Reason(int(decisive[fruit]))):
                    decisive[fruit] = reason
        return barred, bits, decisive

    def _with_defects(
        self, grade: Integers, bits: Integers, decisive: Integers,
        defect_bits: Integers, decisive_defect: Integers,
    ) -> tuple[Integers, Integers]:
        """Decay and serious defects settle a grade before any measure, other defects after."""
        bits = bits | defect_bits
        strong = (decisive_defect == Reason.DECAY) | (decisive_defect == Reason.SERIOUS_DEFECT)
        weak = (decisive_defect != 0) & (decisive == 0)
        return bits, np.where((strong | weak) & (grade != 1), decisive_defect,
                              decisive).astype(np.uint8)

    def _pack(self, size: Integers, maturity: Integers, grade: Integers) -> Integers:
        pack = np.zeros(len(size), np.uint8)
        free = (grade != 0) & (grade != len(self.grade_names) - 1)
        for code, rule in enumerate(self.standard.pack, start=1):
            fits = free.copy()
            for wanted, values, names in (
                (rule.grades, grade, self.grade_names),
                (rule.sizes, size, self.size_names),
                (rule.maturities, maturity, self.maturity_names),
            ):
                if wanted:
                    fits &= np.isin(values, [names.index(w) for w in wanted if w in names])
            pack[fits] = code
            free &= ~fits
        pack[grade == len(self.grade_names) - 1] = len(self.pack_names) - 1
        return pack


class _State:
    """What leaves ask: the frame, its classes and the judgements, by name."""

    def __init__(self, frame: Frame, size: Integers, maturity: Integers) -> None:
        self.frame, self.size, self.maturity = frame, size, maturity

    def judged(self, name: str) -> tuple[Flags, Flags]:
        yes, no = np.zeros(self.frame.n, np.bool_), np.zeros(self.frame.n, np.bool_)
        for row, answers in self.frame.judged.items():
            if name in answers:
                (yes if answers[name] else no)[row] = True
        return yes, no


def defect_reason(*, kind: str, severity: int) -> Reason:
    """The reason a defect stands for."""
    if kind == "decay":
        return Reason.DECAY
    return Reason.SERIOUS_DEFECT if severity >= SEVERITIES.index("serious") else Reason.DEFECT


def _weight(reason: Reason) -> int:
    order = (Reason.NONE, Reason.DEFECT, Reason.SERIOUS_DEFECT, Reason.DECAY)
    return order.index(reason)


def _member(codes: Integers, names: tuple[str, ...], wanted: tuple[str, ...]) -> tuple[Any, Any]:
    chosen = np.isin(codes, [names.index(w) for w in wanted if w in names])
    measured = codes != 0
    return chosen & measured, ~chosen & measured


def _join(parts: list[Answer], k: int) -> Answer:
    """At least k of the parts; all_of is k = n, any_of k = 1."""
    spare = len(parts) - k

    def count(pick: str) -> Any:
        return sum(getattr(p, pick).astype(np.int64) for p in parts)

    return Answer(count("yes") >= k, count("no") > spare, count("stands") >= k,
                  count("fails") > spare)


def _bits(reason: Integers) -> Integers:
    return np.left_shift(np.uint32(1), reason.astype(np.uint32))


def _leaves(rule: Any, *, positive: bool) -> list[tuple[Any, bool]]:
    """Every leaf of a rule in order, False for those below an odd number of nots."""
    for name in ("all_of", "any_of", "of"):
        if hasattr(rule, name):
            return [p for part in getattr(rule, name) for p in _leaves(part, positive=positive)]
    if hasattr(rule, "not_"):
        return _leaves(rule.not_, positive=not positive)
    return [(rule, positive)]
