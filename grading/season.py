"""Rules of the calendar, of the smallest size of a grade, and of what a package may say."""

from __future__ import annotations

import re
from datetime import date
from fractions import Fraction
from typing import Final

from grading.declared import Declared, Hemisphere, declared_minimum
from grading.lot_rules import Marking, SeasonBan
from grading.numbers import SI_PER_UNIT, number_text, parse_number, to_si
from grading.part import CANNOT_TELL, FAILS, MEETS, Part, Word, plain_part
from grading.quantities import MEASURES, limit_quanta
from grading.standard import PackStandard

_MARK = re.compile(r"(?P<number>\d[\d./ -]*?)\s*-?\s*(?P<unit>inches|inch|in\b|mm\b|\")", re.I)
_UNITS: Final = {"inches": "in", "inch": "in", "in": "in", "mm": "mm", '"': "in"}


def ban_applies(*, ban: SeasonBan, day: date, hemisphere: Hemisphere | None = None) -> bool | None:
    """Whether a day lies in the ban, both end days inside; None where it depends on a hemisphere
    that was not stated. A ban may run over the turn of the year."""
    if day.year in ban.suspended_years:
        return False
    today = f"{day:%m-%d}"
    if ban.from_day <= ban.to_day:
        inside = ban.from_day <= today <= ban.to_day
    else:
        inside = today >= ban.from_day or today <= ban.to_day
    if not inside or ban.hemisphere in ("any", hemisphere):
        return inside
    return None if hemisphere is None else False


def _size_banned(
    ban: SeasonBan, standard: PackStandard, declared: Declared
) -> bool | None:
    if declared.basis != ban.basis:
        return False
    minimum = declared_minimum(standard=standard, declared=declared)
    if declared.size is None and minimum is None:
        return None
    if declared.size in ban.sizes:
        return True
    return ban.smaller_than is not None and minimum is not None and minimum < ban.smaller_than


def season_parts(*, standard: PackStandard, declared: Declared) -> tuple[Part, ...]:
    """One part for each ban on the declared basis."""
    parts = []
    for ban in standard.season_ban:
        banned = _size_banned(ban, standard, declared)
        verdict: Word = MEETS
        why = "the declared size is not restricted"
        if banned is None:
            verdict, why = CANNOT_TELL, "no size is declared"
        elif banned and declared.dispatch is None:
            verdict, why = CANNOT_TELL, "no day of dispatch is declared"
        elif banned and declared.dispatch is not None:
            here = ban_applies(ban=ban, day=declared.dispatch, hemisphere=declared.hemisphere)
            why = f"{declared.dispatch:%d %b %Y}, barred {ban.from_day} to {ban.to_day}"
            if here is None:
                verdict, why = CANNOT_TELL, "the hemisphere is not stated"
            elif here:
                verdict = FAILS
        parts.append(plain_part(rule=ban, id=ban.id, title=ban.title, verdict=verdict, why=why))
    return tuple(parts)


def minimum_parts(*, standard: PackStandard, declared: Declared) -> tuple[Part, ...]:
    """The smallest size that the grade may be declared with, on the declared basis."""
    parts = []
    for rule in standard.grade_minimum:
        if declared.grade not in rule.grades or declared.basis != rule.basis:
            continue
        least = to_si(value=rule.at_least, unit=rule.unit)
        minimum = declared_minimum(standard=standard, declared=declared)
        asked = f"the grade asks for {number_text(rule.at_least)} {rule.unit}"
        verdict: Word = CANNOT_TELL
        why = f"no smallest {rule.basis} is declared, {asked}"
        if minimum is not None:
            verdict = MEETS if minimum >= least else FAILS
            declared_text = number_text(minimum / SI_PER_UNIT[rule.unit])
            why = f"declared {declared_text} {rule.unit}, {asked}"
        parts.append(plain_part(rule=rule, id=f"smallest_{rule.basis}",
                                title=f"Smallest {rule.basis} of the grade",
                                verdict=verdict, why=why))
    return tuple(parts)


def marking_problem(*, marking: Marking, text: str) -> str | None:
    """What is wrong with a written size such as "2 1/2 inches minimum"; None where nothing is.

    Every size in the text must be a whole number of the marking's steps.
    """
    for match in _MARK.finditer(text):
        try:
            value = parse_number(match["number"].strip())
        except ValueError:
            return f"{match['number'].strip()!r} is not a size"
        problem = _step_problem(marking, value, _UNITS[match["unit"].lower()])
        if problem is not None:
            return problem
    return None


def _step_problem(marking: Marking, value: Fraction, unit: str) -> str | None:
    """A size in another unit counts as marked where it is the step to the nearest quantum."""
    if marking.diameter_step is None:
        return None
    step = to_si(value=marking.diameter_step, unit=marking.diameter_unit)
    size = to_si(value=value, unit=unit)
    nearest = round(size / step) * step
    off = size != nearest
    if off and unit != marking.diameter_unit:
        off = limit_quanta(limit=nearest, measure="diameter", nearest=True) != round(
            size / MEASURES["diameter"].quantum)
    if not off:
        return None
    return (f"{number_text(value)} {unit} is not a whole number of "
            f"{marking.diameter_step} {marking.diameter_unit}")


def marking_parts(*, standard: PackStandard, declared: Declared) -> tuple[Part, ...]:
    """One part for each rule of marking, on what is declared."""
    parts = []
    for marking in standard.marking:
        problems = [
            problem for size in (declared.min_diameter, declared.max_diameter) if size is not None
            for problem in [_step_problem(marking, size, "mm")] if problem is not None]
        missing = []
        if declared.marked_count is None:
            said = {"minimum_diameter": declared.min_diameter, "net_weight": declared.net_weight_g}
            missing = [need.replace("_", " ") for need in marking.without_count_needs
                       if said[need] is None]
        verdict: Word = MEETS
        why = "what is declared may be marked"
        if problems:
            verdict, why = FAILS, "; ".join(problems)
        elif missing:
            verdict, why = CANNOT_TELL, f"no count is declared, and no {' or '.join(missing)}"
        parts.append(plain_part(rule=marking, id=marking.id, title="Size mark", verdict=verdict,
                                why=why))
    return tuple(parts)
