"""An explanation in plain trade English."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any, Final

from grading.explain_parts import (
    FAILS,
    NOT_MEASURED,
    TO_JUDGE,
    DefectLine,
    Explanation,
    GradeStep,
    Indication,
    MaturityClass,
    Requirement,
    SizeClass,
)
from grading.numbers import EVIDENCE_TITLES, number_text
from grading.quantities import MEASURES
from grading.rules import AllOfTrigger, AnyOfTrigger, Extent, Flag

UNIT_WORDS: Final = {"brix": " °Bx", "deg": "°", "percent": " %", "fraction": "", "count": "",
                     "mm2": " mm²", "cm2": " cm²"}
_COMBINED: Final = {"softest": "the most mature indication counts",
                    "firmest": "the least mature indication counts",
                    "first": "the first measure listed that was read counts"}
_POLICY: Final = {"open": "the grade stands as not contradicted",
                  "undecided": "no grade is given without it",
                  "fails": "which counts as failing"}
_ASKS: Final = {"at_least": "at least", "above": "more than", "at_most": "at most",
                "below": "less than"}


def sentences(explanation: Explanation) -> list[str]:
    """The whole of an explanation: size, maturity, defects, grades from the best down, pack."""
    said = []
    if explanation.size is not None:
        said.append(_size(explanation.size))
    if explanation.maturity is not None:
        said += _maturity(explanation.maturity)
    said += [_defect(line) for line in explanation.defects]
    for step in explanation.steps:
        said += _step(step)
    said.append(_result(explanation))
    return said


def shown(value: Fraction, unit: str) -> str:
    """A reading: two decimals in mm, three in inches, else the shortest exact text."""
    if unit in ("mm", "in"):
        return f"{float(value):.{2 if unit == 'mm' else 3}f}"
    exact = number_text(value)
    return f"{float(value):.2f}" if "/" in exact or len(exact.partition(".")[2]) > 3 else exact


def _unit(unit: str) -> str:
    return UNIT_WORDS.get(unit, f" {unit}")


def _title(measure: str) -> str:
    title = MEASURES[measure].title
    return title[0].upper() + title[1:]


def _source(evidence: str, source: str) -> str:
    word = "house rule" if evidence == "house" else EVIDENCE_TITLES[evidence]
    return f"({word}; {source})"


def _band(size: SizeClass) -> str:
    low = number_text(size.low) if size.low is not None else ""
    high = number_text(size.high) if size.high is not None else ""
    unit = _unit(size.unit)
    if size.closed == "low":
        if not low:
            return f"under {high}{unit}"
        return f"{low} up to under {high}{unit}" if high else f"{low}{unit} and over"
    if not low:
        return f"up to and including {high}{unit}"
    return f"over {low} up to and including {high}{unit}" if high else f"over {low}{unit}"


def _size(size: SizeClass) -> str:
    if size.value is None:
        return f"{_title(size.basis)} was not measured, so there is no size class."
    reading = f"{_title(size.basis)} {shown(size.value, size.unit)}{_unit(size.unit)} is"
    word = size.name if size.name in ("below scale", "above scale") else f"size {size.name}"
    return f"{reading} {word} ({_band(size)})."


def _maturity(maturity: MaturityClass) -> Iterator[str]:
    if maturity.name == NOT_MEASURED:
        yield "Maturity is not measured."
    else:
        yield f"Maturity is {maturity.title}: {_COMBINED[maturity.combine]}."
    for indication in maturity.indications:
        yield _indication(indication)


def _indication(indication: Indication) -> str:
    head = _title(indication.measure)
    if indication.value is not None:
        head += f" {shown(indication.value, indication.unit)}{_unit(indication.unit)}"
    if indication.used:
        return f"{head} says {indication.says} {_source(indication.evidence, indication.source)}."
    if indication.why_not == NOT_MEASURED:
        tail = "; maturity needs it" if indication.required else ""
        return f"{head} was not measured{tail}."
    return f"{head} does not count for maturity: {indication.why_not}."


def _defect(line: DefectLine) -> str:
    seen = []
    if line.circle_mm is not None:
        seen.append(f"together a circle of {shown(line.circle_mm, 'mm')} mm")
    if line.length_mm is not None:
        seen.append(f"{shown(line.length_mm, 'mm')} mm long")
    if line.depth_mm is not None:
        seen.append(f"{shown(line.depth_mm, 'mm')} mm deep")
    if line.share is not None:
        seen.append(f"{number_text(line.share * 100)} % of the surface")
    place = " in the stem cavity" if line.in_stem_cavity else ""
    extent = ", ".join(seen) or "extent not assessed"
    text = f"{line.title}{place}, {line.count} seen ({extent}): "
    if line.stated:
        text += f"{line.severity}, as a person judged"
    elif line.limit:
        text += f"{line.severity}, {line.limit} {_source(line.evidence, line.source)}"
    else:
        text += "no limit reached"
    if line.unsure:
        text += "; it may be worse, its extent is not fully assessed"
    if line.bars:
        text += f"; keeps it out of {', '.join(line.bars)}"
    return text + "."


def trigger_text(trigger: Any) -> str:
    """A defect trigger in words."""
    if isinstance(trigger, Extent):
        unit = _unit(trigger.unit)
        if trigger.above is not None:
            return f"{trigger.attribute} above {number_text(trigger.above)}{unit}"
        return f"{trigger.attribute} above the limit for its diameter"
    if isinstance(trigger, Flag):
        return f"{'' if trigger.is_ else 'not '}{trigger.flag.replace('_', ' ')}"
    if isinstance(trigger, AllOfTrigger):
        return " and ".join(trigger_text(t) for t in trigger.all_of)
    if isinstance(trigger, AnyOfTrigger):
        return " or ".join(trigger_text(t) for t in trigger.any_of)
    return "any at all"


def _step(step: GradeStep) -> Iterator[str]:
    for line in step.requirements:
        yield _requirement(line, step.title)
    if step.barred_by:
        kinds = ", ".join(kind.replace("_", " ") for kind in step.barred_by)
        yield f"{step.title} is not given: {kinds}."


def _requirement(line: Requirement, title: str) -> str:
    tail = f" {_source(line.evidence, line.source)}."
    if line.needs:
        tail = f" [one of the points of which {line.needs} must hold]{tail}"
    if line.text:
        if line.answer == TO_JUDGE:
            return f"{title} asks a person: {line.text} Not judged yet, {_POLICY['open']}{tail}"
        judged = "holds" if (line.answer == FAILS) is line.negated else "does not hold"
        return f"{title} asks a person: {line.text} Judged: {judged}{tail}"
    if line.wanted:
        return _class_requirement(line, title) + tail
    return _measured_requirement(line, title) + tail


def _class_requirement(line: Requirement, title: str) -> str:
    verb = "refuses" if line.negated else "takes"
    wanted = ", ".join(line.wanted)
    name = line.measure.capitalize()
    if line.answer == NOT_MEASURED:
        return f"{name} is not measured; {title} {verb} {wanted}: {_POLICY[line.policy]}"
    among = "is not" if (line.answer == FAILS) is not line.negated else "is"
    return f"{name} {line.found} {among} among those that {title} {verb}: {wanted}"


def _measured_requirement(line: Requirement, title: str) -> str:
    assert line.limit is not None
    unit = _unit(line.unit)
    limit = f"{number_text(line.limit)}{unit}"
    asks = f"{title} {'refuses' if line.negated else 'asks'} {_ASKS[line.comparison]} {limit}"
    name = _title(line.measure)
    if line.value is None or line.margin is None:
        why = line.note or f"{name} was not measured"
        return f"{why[0].upper()}{why[1:]}; {asks}: {_POLICY[line.policy]}"
    reading = f"{name} {shown(line.value, line.unit)}{unit}"
    if line.margin == 0:
        verdict = "fails" if line.answer == FAILS else "holds"
        return f"{reading} is exactly at the limit, {asks}: {verdict}"
    side = "above" if line.margin > 0 else "below"
    away = shown(abs(line.margin), "" if line.unit == "mm" else line.unit)
    if line.negated:
        return f"{reading} is {away} {side} {limit}; {asks}"
    allows = "asks" if line.comparison in ("at_least", "above") else "allows at most"
    return f"{reading} is {away} {side} the {limit} that {title} {allows}"


def _result(explanation: Explanation) -> str:
    if explanation.outcome.grade == 0:
        head = "No grade is given"
    elif explanation.grade == "cull":
        head = f"It is a {explanation.grade_title}"
    else:
        head = f"Its grade is {explanation.grade_title}"
    if explanation.decisive:
        head += f"; what settled it: {explanation.decisive.title}"
    others = [r.title for r in explanation.reasons if r is not explanation.decisive]
    if others:
        head += f"; also noted: {', '.join(others)}"
    return f"{head}. It goes to: {explanation.pack_title}."
