"""Every bound of every shipped standard, a quantum below, on and above it, and missing.

Kernel, explain and the oracle of `tests.support.oracle` (written from the files alone) must agree
on size, maturity, grade and pack; kernel and explain also on the reasons.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise, product
from typing import Any

import msgspec
import numpy as np
import pytest

from grading.columns import to_batch
from grading.explain import explain
from grading.kernel import Compiled
from grading.quantities import MEASURES
from grading.record import Defect, FruitRecord
from tests.support.fruit import (
    PROFILES,
    SHIPPED,
    assert_three_agree,
    bases,
    batch_of,
    compiled,
    names,
    oracle,
    outcome,
    shipped,
)
from tests.support.oracle import QUANTA, UNITS, Oracle, number

Row = dict[str, int | None]
SEEN: Row = {"chroma": 3000, "ground": 300, "tip": 800}


def changes_rules(name: str, profile: str) -> bool:
    """Profiles matter only where the file has maturity steps or asks for hue."""
    return profile == "none" or "maturity" in oracle(name, "none", "diameter").file


CASES = [(name, profile, basis) for name in SHIPPED for profile in PROFILES
         if changes_rules(name, profile) for basis in bases(shipped(name))]


def bounds(judge: Oracle) -> list[tuple[str, str, str]]:
    """(measure, limit text, unit) of everything the file compares a fruit with."""
    found = [(t["basis"], b[end], t["unit"]) for t in judge.file.get("sizing", [])
             if t["basis"] == judge.basis and not t.get("overlap")
             for b in t["bands"] for end in ("low", "high") if end in b]
    found += [(by["measure"], s["low"], by["unit"])
              for by in judge.file.get("maturity", {}).get("by", [])
              for s in by["steps"] if "low" in s]
    for rung in judge.file["grade"]:
        found += [leaf for rule in rung.get("requires", []) for leaf in limits(rule)]
    found += [("chroma", "10", "fraction"), ("ground", "0.05", "fraction"), ("tip", "8", "mm")]
    return list(dict.fromkeys(found))


def limits(rule: Any) -> list[tuple[str, str, str]]:
    if "measure" in rule:
        word = next(w for w in ("at_least", "above", "at_most", "below") if w in rule)
        return [(rule["measure"], rule[word], rule["unit"])]
    parts = [r for key in ("all_of", "any_of", "of") for r in rule.get(key, [])]
    parts += [rule["not"]] if "not" in rule else []
    return [leaf for part in parts for leaf in limits(part)]


def others(rules: Compiled) -> list[Row]:
    """A fruit of the best class reached with everything measured, and seven drawn at random."""
    middles: dict[str, list[int | None]] = {}
    for axis in rules.axes:
        measure = MEASURES[axis.measure]
        edges = [measure.low_q, *axis.thresholds, measure.high_q]
        middles[axis.measure] = [(a + b) // 2 for a, b in pairwise(edges)]
    rows: list[Row] = [dict(SEEN, **dict(zip(middles, case, strict=True)))
                       for case in product(*middles.values())]
    verdicts = rules.grade(batch=batch_of(rows))
    decided = np.where(verdicts.grade == 0, 255, verdicts.grade)
    best = int(np.lexsort((verdicts.pack, decided))[0])
    assert verdicts.grade[best] == 1, "no fruit reaches the best grade"
    draw = np.random.default_rng(20)
    chosen = [rows[best], *(dict(rows[i]) for i in draw.integers(0, len(rows), 7))]
    for row in chosen[4:]:
        row[draw.choice(list(middles))] = None
    return chosen


def people(judge: Oracle) -> list[str]:
    return sorted({leaf["person"] for rung in judge.file["grade"]
                   for leaf in rung.get("requires", []) if "person" in leaf})


@pytest.mark.parametrize(("name", "profile", "basis"), CASES)
def test_bounds_agree(name: str, profile: str, basis: str) -> None:
    rules, judge = compiled(name, profile, basis), oracle(name, profile, basis)
    fruit: list[Row] = []
    for other in others(rules):
        for measure, text, unit in bounds(judge):
            exact = number(text) * UNITS[unit] / QUANTA[measure]
            at = {exact.__floor__(), exact.__ceil__()}
            near: set[int | None] = {q + step for q in at for step in (-1, 0, 1)}
            fruit += [dict(other, **{measure: q}) for q in sorted(near | {None}, key=str)]
    batch = batch_of(fruit)
    verdicts = assert_three_agree(batch=batch, fruit=fruit, rules=rules, judge=judge)
    assert len(set(verdicts.size.tolist())) > 2, "the bounds move no fruit to another size"


@pytest.mark.parametrize("name", SHIPPED)
def test_points_of_a_person_agree(name: str) -> None:
    basis = bases(shipped(name))[0]
    rules, judge = compiled(name, "none", basis), oracle(name, "none", basis)
    points = people(judge)
    answers: list[dict[str, bool]] = [{}, dict.fromkeys(points, True)]
    answers += [dict.fromkeys(points, True) | {p: False} for p in points]
    answers += [{p: False} for p in points]
    fruit = [row for row in others(rules) for _ in answers]
    judged = dict(enumerate(answers * len(others(rules))))
    assert_three_agree(batch=batch_of(fruit, judged=judged), fruit=fruit, rules=rules, judge=judge)


def extents(when: Any) -> list[tuple[str, Any, str]]:
    if "attribute" in when:
        return [(when["attribute"], when.get("above", when.get("above_by_diameter")),
                 when["unit"])]
    return [e for key in ("all_of", "any_of") for part in when.get(key, []) for e in extents(part)]


def spots(attribute: str, limit: Fraction, unit: str) -> list[dict[str, Any]]:
    """One defect a quantum below, on and above a limit in its unit."""
    if attribute == "count":
        return [{"count": int(limit) + step} for step in (-1, 0, 1) if int(limit) + step > 0]
    si = limit * UNITS[unit]
    if attribute == "share":
        return [{"surface_fraction": float(round(si, 3)) + step} for step in (-0.001, 0, 0.001)]
    if unit in ("cm2", "mm2"):
        return [{"area_mm2": float(si) + step} for step in (-0.001, 0, 0.001)]
    field = f"{attribute}_mm"
    return [{field: float(round(si * 100 + step) / Fraction(100))} for step in (-1, 0, 1)]


@pytest.mark.parametrize("name", SHIPPED)
def test_defect_limits_agree(name: str) -> None:
    basis = bases(shipped(name))[0]
    rules, judge = compiled(name, "none", basis), oracle(name, "none", basis)
    best = others(rules)[0]
    fruit: list[Row] = []
    defects: dict[int, list[Defect]] = {}
    for rule in judge.file.get("defect", []):
        for attribute, above, unit in (e for s in rule.get("severities", [])
                                       for e in extents(s["when"])):
            for diameter in (None, 5079, 5080, 5081, 6350, 7620, 8900):
                row = dict(best, diameter=diameter)
                limits_here = [number(above)] if isinstance(above, str) else [
                    number(s["limit"]) for s in above.get("steps", [])]
                if not isinstance(above, str) and "slope" in above and diameter is not None:
                    steep = number(above["slope"]) * diameter / 100 / UNITS[unit]
                    limits_here = [steep, *([number(above["floor"])] if "floor" in above else [])]
                for limit in limits_here:
                    for spot, good in product(spots(attribute, limit, unit), (None, True, False)):
                        flags = {} if good is None else {
                            "healed": good, "smooth": good, "light": good, "cracked": not good,
                            "deforming": not good, "concentrated": not good}
                        for cavity in (None, True):
                            defects[len(fruit)] = [Defect(
                                kind=rule["kind"], in_stem_cavity=cavity, **spot, **flags)]
                            fruit.append(row)
    batch = batch_of(fruit, defects=defects)
    verdicts = assert_three_agree(batch=batch, fruit=fruit, rules=rules, judge=judge)
    assert len(set(verdicts.grade.tolist())) > 1


WIRE = {("diameter", "mm"): "diameter_mm", ("diameter", "in"): "diameter_in",
        ("circumference", "mm"): "circumference_mm",
        ("mass", "g"): "mass_g", ("hue", "deg"): "ground_hue_deg",
        ("blush", "fraction"): "blush_fraction", ("sugar", "brix"): "sugar_brix",
        ("firmness", "lbf"): "firmness_lbf", ("firmness", "N"): "firmness_n",
        ("firmness", "kgf"): "firmness_kgf", ("chroma", "fraction"): "ground_chroma",
        ("ground", "fraction"): "ground_fraction", ("tip", "mm"): "tip_mm"}
SI_WORDS = {"diameter": "mm", "circumference": "mm", "mass": "g", "firmness": "N"}


def decimal_text(value: Fraction) -> str:
    """Up to nine decimals, as an instrument would write them."""
    return f"{float(value):.9f}".rstrip("0").rstrip(".")


@pytest.mark.parametrize("name", SHIPPED)
def test_bounds_agree_as_wire_text(name: str) -> None:
    """The same bounds as decimal text, in the SI unit and in the unit of the standard."""
    decoder = msgspec.json.Decoder(FruitRecord)
    for basis in bases(shipped(name)):
        rules, judge = compiled(name, "yellow", basis), oracle(name, "yellow", basis)
        best = {m: q * MEASURES[m].quantum for m, q in others(rules)[0].items() if q is not None}
        bodies: list[FruitRecord] = []
        measured: list[dict[str, Fraction | None]] = []
        for measure, limit, unit in bounds(judge):
            for wire_unit in {unit, SI_WORDS.get(measure, unit)} - {"cm"}:
                factor = UNITS[wire_unit]
                centre = number(limit) * UNITS[unit] / factor
                step = QUANTA[measure] / factor
                for offset in (-2, -1, 0, 1, 2, None):
                    sent = {WIRE[m, SI_WORDS.get(m, word(m))]: decimal_text(v)
                            for m, v in best.items() if m != measure}
                    field = WIRE[measure, wire_unit]
                    seen: dict[str, Fraction | None] = {
                        m: Fraction(decimal_text(v)) for m, v in best.items()}
                    seen.pop(measure, None)
                    if offset is None:
                        sent[field] = "null"
                        if measure == "tip":
                            sent.pop("firmness_n", None)
                            seen.pop("firmness", None)
                    else:
                        sent[field] = decimal_text(centre + offset * step)
                        seen[measure] = Fraction(sent[field]) * factor
                    body = ",".join(f'"{k}":{v}' for k, v in sent.items())
                    bodies.append(decoder.decode(f'{{"seq":{len(bodies)},{body}}}'))
                    measured.append(seen)
        parsed = to_batch(records=bodies, source="line-1", run="r1")
        assert not parsed.refused
        verdicts = rules.grade(batch=parsed.batch)
        for row, seen in enumerate(measured):
            kernel = outcome(verdicts, row)
            assert names(kernel, rules) == judge.grade(measures=seen), bodies[row]
            assert explain(batch=parsed.batch, row=row, compiled=rules).outcome == kernel


def word(measure: str) -> str:
    return {"hue": "deg", "sugar": "brix", "tip": "mm"}.get(measure, "fraction")
