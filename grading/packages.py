"""Rules about single packages: limits on their fruit, count, spread and uniformity."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from grading.declared import Declared, Package
from grading.faults import SampleFruit
from grading.lot_rules import AllowedFruit, CountMark, PackageLimit, Spread, SpreadStep, Window
from grading.numbers import number_text, to_si
from grading.part import (
    CANNOT_TELL,
    FAILS,
    MEETS,
    NOT_APPLICABLE,
    Part,
    Word,
    percent_text,
    plain_part,
    share_part,
)
from grading.quantities import MEASURES, limit_quanta
from grading.standard import PackStandard
from grading.tolerance import Counted

_FIELD: Final = {"diameter": "diameter_mm", "mass": "mass_g"}
Answer = tuple[Word, str]


@dataclass(frozen=True, slots=True)
class Opened:
    """A package with what is declared where it says nothing itself, and its sampled fruit."""

    package: Package
    rows: tuple[int, ...]
    fruit: tuple[SampleFruit, ...]


def opened_packages(
    *, declared: Declared, fruit: Sequence[SampleFruit], packages: Sequence[Package]
) -> tuple[Opened, ...]:
    """The packages listed, then those that only the fruit name."""
    listed = {p.id: p for p in packages}
    for one in fruit:
        if one.package is not None:
            listed.setdefault(one.package, Package(one.package))
    rows: dict[str, list[int]] = {name: [] for name in listed}
    for i, one in enumerate(fruit):
        if one.package is not None:
            rows[one.package].append(i)
    found = []
    for name, p in listed.items():
        whole = Package(
            name, p.net_weight_g if p.net_weight_g is not None else declared.net_weight_g,
            p.marked_count if p.marked_count is not None else declared.marked_count,
            p.pack_form or declared.pack_form, p.fruit_count)
        found.append(Opened(whole, tuple(rows[name]), tuple(fruit[i] for i in rows[name])))
    return tuple(found)


def package_parts(
    *,
    standard: PackStandard,
    declared: Declared,
    opened: Sequence[Opened],
    counted: Sequence[Counted],
    lot_inside: bool,
) -> tuple[Part, ...]:
    """One part for each package rule and package, then the shares of packages.

    lot_inside: the lot keeps its tolerances; limits on single packages hold only then.
    """
    shared = {name for share in standard.package_share for name in share.of}
    parts: list[Part] = []

    def each(rules: Iterable[Any], answer: Callable[[Any, Opened], Answer]) -> None:
        for rule in rules:
            for one in opened:
                verdict, why = answer(rule, one)
                parts.append(plain_part(
                    rule=rule, id=rule.id, title=f"{rule.title}, {one.package.id}",
                    verdict=verdict, why=why, package=one.package.id,
                    counts=rule.id not in shared))

    def limit(rule: PackageLimit, one: Opened) -> Answer:
        if not lot_inside:
            return NOT_APPLICABLE, "the lot is outside its tolerances"
        return limit_answer(rule=rule, opened=one, counted=counted)

    nearest = standard.rounding.limits == "nearest"
    each(standard.package_limit, limit)
    each(standard.count_mark, lambda rule, one: count_answer(rule=rule, package=one.package,
                                                             sampled=len(one.fruit)))
    each(standard.spread, lambda rule, one: spread_answer(
        rule=rule, declared=declared, fruit=one.fruit, nearest=nearest))
    each(standard.window, lambda rule, one: window_answer(rule=rule, fruit=one.fruit,
                                                          nearest=nearest))
    return (*parts, *_share_parts(standard, parts))


def _share_parts(standard: PackStandard, parts: Sequence[Part]) -> list[Part]:
    found = []
    for share in standard.package_share:
        words: dict[str, set[Word]] = {}
        for part in parts:
            if part.id in share.of and part.package is not None:
                words.setdefault(part.package, set()).add(part.verdict)
        held = [w for w in words.values() if w != {NOT_APPLICABLE}]
        if not held:
            found.append(plain_part(rule=share, id=share.id, title=share.title,
                                    verdict=NOT_APPLICABLE, why="no opened package is under it"))
            continue
        out = sum(FAILS in w for w in held)
        maybe = sum(FAILS not in w and CANNOT_TELL in w for w in held)
        found.append(share_part(
            standard=standard, rule=share, id=share.id, title=share.title, x=out, n=len(held),
            maybe=maybe, limit=share.percent / 100, noun="packages"))
    return found


def _named(allowed: AllowedFruit, fruit: SampleFruit) -> bool:
    return any(
        not f.open and (f.kind in allowed.kinds
                        or (f.kind in allowed.serious_kinds and f.severity == "serious"))
        for f in fruit.faults)


def _weight_fits(rule: PackageLimit, weight: Fraction | float | None) -> bool | None:
    """None where the rule asks for a weight that nobody stated."""
    if rule.heavier_than_g is None and rule.at_most_g is None:
        return True
    if weight is None:
        return None
    return ((rule.heavier_than_g is None or weight > rule.heavier_than_g)
            and (rule.at_most_g is None or weight <= rule.at_most_g))


def limit_answer(*, rule: PackageLimit, opened: Opened, counted: Sequence[Counted]) -> Answer:
    """What one package may hold: factors on each lot tolerance, and whole fruit.

    always_allowed passes a tolerance's count when it is no more than that many fruit, all of them
    with the named faults.
    """
    fits = _weight_fits(rule, opened.package.net_weight_g)
    if fits is None:
        return CANNOT_TELL, "the net weight is not stated"
    if not fits:
        return NOT_APPLICABLE, "the package is of another weight"
    if not opened.fruit:
        return CANNOT_TELL, "none of its fruit were looked at"
    n, problems, unsettled = len(opened.fruit), [], []
    inside = dict(zip(opened.rows, opened.fruit, strict=True))
    for one in counted:
        factor = _factor(rule, one.tolerance.percent)
        if factor is None:
            continue
        cap = min(factor * one.tolerance.percent / 100, Fraction(1))
        rows = [i for i in inside if i in one.certain]
        maybe = sum(i in one.maybe for i in inside)
        x, spare = len(rows), rule.always_allowed
        if (spare is not None and x <= spare.count and not maybe
                and all(_named(spare, inside[i]) for i in rows)):
            continue
        if x > cap * n:
            problems.append(f"{one.tolerance.title} {x} of {n}, limit {percent_text(cap)} %")
        elif x + maybe > cap * n:
            unsettled.append(f"{one.tolerance.title}: {maybe} more fruit not settled")
    if (most := rule.at_most) is not None:
        x = sum(_named(most, f) for f in opened.fruit)
        if x > most.count:
            problems.append(f"{x} fruit with {' or '.join(most.kinds + most.serious_kinds)}, "
                            f"at most {most.count}")
    if problems:
        return FAILS, "; ".join(problems)
    if unsettled:
        return CANNOT_TELL, "; ".join(unsettled)
    return MEETS, f"{n} fruit inside its limits"


def _factor(rule: PackageLimit, percent: Fraction) -> Fraction | None:
    if rule.factor_from_percent is None or percent >= rule.factor_from_percent:
        return rule.factor_at_or_above
    return rule.factor_below


def count_answer(*, rule: CountMark, package: Package, sampled: int) -> Answer:
    """The count of a package, or of a weighed sample, against its mark."""
    if package.pack_form is None:
        return CANNOT_TELL, "the pack form is not stated"
    if package.pack_form not in rule.pack_forms:
        return NOT_APPLICABLE, "the rule is for another pack form"
    marked, count = package.marked_count, package.fruit_count
    if marked is None:
        return NOT_APPLICABLE, "no count is marked"
    if rule.sample_g is not None and (
            package.net_weight_g is None or round(package.net_weight_g) != round(rule.sample_g)):
        return CANNOT_TELL, f"the sample must weigh {round(rule.sample_g)} g"
    over = (sampled if count is None else count) > marked + rule.within_fruit
    said = f"marked {marked}, holds {'at least ' if count is None else ''}{count or sampled}"
    if over:
        return FAILS, said
    if count is None:
        return CANNOT_TELL, f"marked {marked}, but its fruit were not counted"
    under = count < marked - rule.within_fruit and not rule.only_over
    return (FAILS if under else MEETS), said


def _quanta(measure: str, fruit: Sequence[SampleFruit]) -> list[int] | None:
    """Measures of a package's fruit in quanta, rising; None where any is missing."""
    values = [getattr(f, _FIELD[measure]) for f in fruit]
    if not values or None in values:
        return None
    return sorted(round(v / MEASURES[measure].quantum) for v in values)


def _in_quanta(rule: Spread | Window, nearest: bool) -> Callable[[Fraction], Fraction | int]:
    """Limits of a rule as counts of the quantum of its measure."""
    return lambda limit: limit_quanta(limit=to_si(value=limit, unit=rule.unit),
                                      measure=rule.measure, nearest=nearest)


def _step(
    *, steps: Sequence[SpreadStep], value_q: Fraction | int, closed: str,
    quanta: Callable[[Fraction], Fraction | int],
) -> SpreadStep | None:
    for step in steps:
        if step.to is None:
            return step
        to = quanta(step.to)
        if value_q < to or (closed == "high" and value_q == to):
            return step
    return None


def spread_answer(
    *, rule: Spread, declared: Declared, fruit: Sequence[SampleFruit], nearest: bool
) -> Answer:
    """Largest minus smallest fruit of one package, by weight for a lot sized by weight.

    Where the smallest and the largest fruit fall in different steps and the rule does not say
    which one counts, the answer is only given if both steps agree.
    """
    if declared.grade in rule.optional_grades:
        return NOT_APPLICABLE, "the rule is optional for this grade"
    if (rule.measure == "mass") != (declared.basis == "mass"):
        return NOT_APPLICABLE, f"the lot is sized by {declared.basis}"
    values = _quanta(rule.measure, fruit)
    if values is None:
        return CANNOT_TELL, f"not every fruit has a {rule.measure}"

    quanta = _in_quanta(rule, nearest)
    keys: dict[str, tuple[Fraction | int, ...]] = {
        "smallest": (values[0],), "largest": (values[-1],),
        "mean": (Fraction(sum(values), len(values)),), "whole_package": (values[0], values[-1])}
    steps = [_step(steps=rule.steps, value_q=v, closed=rule.closed, quanta=quanta)
             for v in keys[rule.key]]
    known = [s for s in steps if s is not None]
    if len(known) < len(steps):
        return NOT_APPLICABLE, "no step of the rule covers fruit of this size"
    spread = values[-1] - values[0]
    answers = {spread <= quanta(s.at_most) for s in known}
    unit = MEASURES[rule.measure].unit
    size = f"{MEASURES[rule.measure].value(quanta=spread):g} {unit} from smallest to largest"
    limits = " or ".join(dict.fromkeys(f"{number_text(s.at_most)} {rule.unit}" for s in known))
    if len(answers) > 1:
        return CANNOT_TELL, (f"{size}; smallest and largest fall in different steps (at most "
                             f"{limits}) and the text does not say which counts")
    return (MEETS if True in answers else FAILS), f"{size}, at most {limits}"


def fruit_outside(*, values: Sequence[int], width: Fraction | int) -> int:
    """Fewest values that any window of the width leaves outside; values in rising order."""
    start, best = 0, 0
    for end, value in enumerate(values):
        while value - values[start] > width:
            start += 1
        best = max(best, end - start + 1)
    return len(values) - best


def window_answer(*, rule: Window, fruit: Sequence[SampleFruit], nearest: bool) -> Answer:
    """Whether some window holds all but the allowed share of one package's fruit."""
    values = _quanta(rule.measure, fruit)
    if values is None:
        return CANNOT_TELL, f"not every fruit has a {rule.measure}"

    quanta = _in_quanta(rule, nearest)
    step = _step(steps=rule.widths, value_q=Fraction(sum(values), len(values)),
                 closed=rule.closed, quanta=quanta)
    if step is None:
        return NOT_APPLICABLE, "no width of the rule covers fruit of this size"
    outside = fruit_outside(values=values, width=quanta(step.at_most))
    allowed = Fraction(outside, len(values)) <= rule.outside_percent / 100
    return (MEETS if allowed else FAILS), (
        f"{outside} of {len(values)} outside the best window of {number_text(step.at_most)} "
        f"{rule.unit}, at most {number_text(rule.outside_percent)} %")
