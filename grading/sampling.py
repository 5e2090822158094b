"""How a sample is drawn, and what is decided on all of it: means and fixed-number plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Final

from grading.declared import Declared
from grading.faults import SampleFruit
from grading.lot_rules import Acceptance, Filter, FruitSample, OpenPackages, SampleMean
from grading.numbers import SI_PER_UNIT, number_text
from grading.packages import Opened
from grading.part import CANNOT_TELL, FAILS, MEETS, Part, Word, plain_part
from grading.quantities import MEASURES, limit_quanta
from grading.standard import PackStandard
from grading.tolerance import fitting

_FIELD: Final = {"sugar": "sugar_brix", "firmness": "firmness_n"}


def packages_to_open(*, plan: OpenPackages, lot_packages: int) -> int:
    """Packages to open of a lot; beyond the last row, its number is the least."""
    fits = (opened for most, opened in plan.rows if most is None or lot_packages <= most)
    return min(next(fits, plan.rows[-1][1]), lot_packages)


def least_fruit(*, plan: FruitSample, fruit_per_package: int | None = None) -> int:
    """Fruit a sample needs; fewer where a package holds fewer than the full number."""
    small = fruit_per_package is not None and fruit_per_package < plan.fruit
    return plan.fallback_fruit if small else plan.fruit


def packages_for_sample(*, plan: FruitSample, fruit_per_package: int) -> int:
    """Packages to open for one sample: neighbours are added until the fruit suffice."""
    if fruit_per_package < 1:
        raise ValueError("a package holds at least one fruit")
    need = least_fruit(plan=plan, fruit_per_package=fruit_per_package)
    return -(-need // fruit_per_package)


def accepts(*, plan: Acceptance, counts: Sequence[int]) -> bool | None:
    """Whether a plan takes the lot; counts: defectives of each sample (with unit_fruit 1, of each
    fruit). Where no row fits the number of samples, the next smaller one counts; None below the
    smallest."""
    rows = [r for r in plan.rows if r.samples <= len(counts)]
    if not rows:
        return None
    row = max(rows, key=lambda r: r.samples)
    if plan.absolute is not None and any(c > plan.absolute for c in counts):
        return False
    return sum(counts) <= row.accept


def acceptance_parts(
    *, standard: PackStandard, fruit: Sequence[SampleFruit], opened: Sequence[Opened]
) -> tuple[Part, ...]:
    """One part for each fixed-number plan; its samples are single fruit, or the packages."""
    parts = []
    for plan in standard.acceptance:
        outside = sum(bool(f.kinds & set(plan.not_for)) for f in fruit)
        verdict, why = _plan_answer(plan, fruit, opened)
        if outside:
            why += f"; {outside} fruit with {' or '.join(plan.not_for)} stand outside this plan"
        parts.append(plain_part(rule=plan, id=plan.id, title=plan.title, verdict=verdict, why=why))
    return tuple(parts)


def _plan_answer(
    plan: Acceptance, fruit: Sequence[SampleFruit], opened: Sequence[Opened]
) -> tuple[Word, str]:
    if plan.unit_fruit == 1:
        samples: list[tuple[SampleFruit, ...]] = [(f,) for f in fruit]
    else:
        samples = [o.fruit for o in opened]
        odd = sum(len(s) != plan.unit_fruit for s in samples)
        if odd or not samples:
            return CANNOT_TELL, (f"{odd} of {len(samples)} samples are not of "
                                 f"{plan.unit_fruit} fruit")
    counts = [sum(_defective(plan, f) for f in s) for s in samples]
    taken = accepts(plan=plan, counts=counts)
    said = f"{sum(counts)} defective in {len(fruit)} fruit"
    if taken is None:
        return CANNOT_TELL, f"{said}, fewer than the smallest plan asks"
    return (MEETS if taken else FAILS), said


def _defective(plan: Acceptance, fruit: SampleFruit) -> bool:
    return any(f.kind not in plan.not_for for f in fitting(counts=Filter(), fruit=fruit))


def mean_parts(
    *,
    standard: PackStandard,
    declared: Declared,
    fruit: Sequence[SampleFruit],
    line_means: Mapping[str, float],
) -> tuple[Part, ...]:
    """One part for each test on a mean and size read; the declared size always has one.

    line_means: the line's own estimate of a measure, recorded beside the verdict, never used.
    """
    parts = []
    for rule in standard.sample_mean:
        read = [f for f in fruit if getattr(f, _FIELD[rule.measure]) is not None]
        sizes = sorted({f.size for f in read} | ({declared.size} if declared.size else set()))
        for size in sizes or [""]:
            here = [f for f in read if f.size == size]
            verdict, why, n = _mean_answer(standard, rule, here)
            if rule.measure in line_means:
                why += f"; the line's own estimate {line_means[rule.measure]:g} is not used"
            alone = not size or size == "not measured"
            parts.append(plain_part(
                rule=rule, id=rule.id if alone else f"{rule.id}/{size}",
                title=rule.title if alone else f"{rule.title}, size {size}",
                verdict=verdict, why=why, n=n))
    return tuple(parts)


def _mean_answer(
    standard: PackStandard, rule: SampleMean, fruit: Sequence[SampleFruit]
) -> tuple[Word, str, int]:
    barred = set(rule.without_kinds)
    fit = [f for f in fruit if not f.kinds & barred]
    n, left_out = len(fit), len(fruit) - len(fit)
    replaced = (f"; {left_out} with {' or '.join(rule.without_kinds)} must be replaced"
                if left_out else "")
    if n < rule.least_fruit:
        return CANNOT_TELL, f"{n} of {rule.least_fruit} fruit{replaced}", n
    quantum = MEASURES[rule.measure].quantum
    total_q = sum(round(Fraction(getattr(f, _FIELD[rule.measure])) / quantum) for f in fit)
    mean_q = Fraction(total_q, n)
    limit = rule.at_least if rule.at_least is not None else rule.below
    assert limit is not None
    per_unit = SI_PER_UNIT[rule.unit] / quantum
    if standard.rounding.means == "rounded":
        mean = round(mean_q / per_unit, standard.rounding.mean_digits)
        gap = Fraction(mean) - limit
    else:
        mean = mean_q / per_unit
        gap = mean_q - limit_quanta(limit=limit * SI_PER_UNIT[rule.unit], measure=rule.measure,
                                    nearest=standard.rounding.limits == "nearest")
    holds = gap >= 0 if rule.at_least is not None else gap < 0
    word = "at least" if rule.at_least is not None else "below"
    said = f"mean of {n} fruit {float(mean):.2f} {rule.unit}, {word} {number_text(limit)}{replaced}"
    return (MEETS if holds else FAILS), said, n


def sampling_warnings(
    *, standard: PackStandard, declared: Declared, fruit: Sequence[SampleFruit],
    opened: Sequence[Opened],
) -> tuple[str, ...]:
    """What the way the sample was drawn keeps it from saying."""
    said = []
    held = [c for o in opened for c in (o.package.fruit_count, o.package.marked_count) if c]
    per_package = max(held, default=declared.marked_count)
    for plan in standard.fruit_sample:
        need = least_fruit(plan=plan, fruit_per_package=per_package)
        if len(fruit) < need:
            said.append(f"{len(fruit)} fruit are fewer than the {need} the sampling plan asks for")
    with_fruit = sum(bool(o.fruit) for o in opened)
    if with_fruit == 1:
        said.append("all fruit told by package come from one package")
    return tuple(said)
