"""Fruit, profiles and standards for the tests of grading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from grading.explain import Outcome, explain
from grading.kernel import Compiled
from grading.profile import TRAITS, CultivarProfile
from grading.quantities import MEASURES
from grading.record import Column, Defect, FruitBatch
from grading.standard import PackStandard, load_standard
from grading.verdicts import Verdicts
from tests.support.oracle import Oracle, Verdict

STANDARDS = Path(__file__).parents[2] / "grading" / "standards"
SHIPPED = sorted(path.stem for path in STANDARDS.glob("*.toml"))
LONG_DISTANCE = "house-long-distance-3"

PROFILES: dict[str, CultivarProfile | None] = {
    "none": None,
    "yellow": CultivarProfile(
        schema=1, id="ember-lass", title="Ember Lass", produce="peach", flesh="yellow",
        melting="melting", owner="quality"),
    "solid-red": CultivarProfile(
        schema=1, id="rosalind-red", title="Rosalind Red", produce="peach", flesh="yellow",
        melting="melting", red_coverage="solid", ground_colour="not_usable", owner="quality"),
    "white": CultivarProfile(
        schema=1, id="pale-meridian", title="Pale Meridian", produce="peach", flesh="white",
        melting="melting", owner="quality"),
    "non-melting": CultivarProfile(
        schema=1, id="cobble-gold", title="Cobble Gold", produce="peach", flesh="yellow",
        melting="non_melting", owner="quality"),
}


def standard_text(name: str) -> str:
    return (STANDARDS / f"{name}.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=64)
def shipped(name: str) -> PackStandard:
    return load_standard(text=standard_text(name), name=name)


def bases(standard: PackStandard) -> list[str]:
    return [t.basis for t in standard.sizing if not t.overlap] or ["diameter"]


@lru_cache(maxsize=256)
def compiled(name: str, profile: str, basis: str) -> Compiled:
    return Compiled(standard=shipped(name), profile=PROFILES[profile], basis=basis)


def compiled_text(text: str, profile: str = "none", basis: str = "diameter") -> Compiled:
    return Compiled(standard=load_standard(text=text), profile=PROFILES[profile], basis=basis)


def traits(profile: CultivarProfile | None) -> dict[str, str] | None:
    return None if profile is None else {name: profile.trait(name) for name in TRAITS}


@lru_cache(maxsize=256)
def oracle(name: str, profile: str, basis: str) -> Oracle:
    return oracle_of(standard_text(name), profile, basis)


def oracle_of(text: str, profile: str = "none", basis: str = "diameter") -> Oracle:
    return Oracle(text=text, basis=basis, traits=traits(PROFILES[profile]))


def batch_of(
    fruit: Sequence[Mapping[str, int | None]],
    *,
    defects: Mapping[int, Sequence[Defect]] | None = None,
    judged: Mapping[int, Mapping[str, bool]] | None = None,
) -> FruitBatch:
    """Rows of quanta by measure name; None or absent where not measured."""
    names = dict.fromkeys(name for row in fruit for name in row)
    measures = {}
    for name in names:
        sent = [row.get(name) for row in fruit]
        measures[name] = Column(
            np.array([v or 0 for v in sent], MEASURES[name].dtype),
            np.array([v is not None for v in sent], np.bool_))
    n = len(fruit)
    return FruitBatch(
        source="line-1", run="r1", seq=np.arange(n), lane=np.zeros(n, np.uint8),
        time_ms=Column(np.zeros(n, np.int64), np.zeros(n, np.bool_)), measures=measures,
        defects={r: tuple(d) for r, d in (defects or {}).items() if d},
        judged={r: j for r, j in (judged or {}).items() if j})


def outcome(verdicts: Verdicts, row: int) -> Outcome:
    return Outcome(*(int(getattr(verdicts, name)[row]) for name in Outcome._fields))


def names(result: Outcome, rules: Compiled) -> Verdict:
    """Codes as the oracle's names."""
    return Verdict(rules.size_names[result.size], rules.maturity_names[result.maturity],
                   rules.grade_names[result.grade], rules.pack_names[result.pack])


def si(row: Mapping[str, int | None]) -> dict[str, Fraction | None]:
    """Quanta as SI decimals, for the oracle."""
    return {m: None if q is None else q * MEASURES[m].quantum for m, q in row.items()}


def plain_defects(defects: Sequence[Defect]) -> list[dict[str, Any]]:
    return [msgspec.to_builtins(d) for d in defects]


def assert_three_agree(
    *, batch: FruitBatch, fruit: Sequence[Mapping[str, int | None]], rules: Compiled,
    judge: Oracle,
) -> Verdicts:
    """Kernel, explain and oracle give every fruit the same; kernel and explain also the reasons."""
    verdicts = rules.grade(batch=batch)
    for row, measures in enumerate(fruit):
        kernel = outcome(verdicts, row)
        told = explain(batch=batch, row=row, compiled=rules)
        assert told.outcome == kernel, (measures, batch.defects.get(row))
        wanted = judge.grade(
            measures=si(measures), defects=plain_defects(batch.defects.get(row, ())),
            judged=batch.judged.get(row))
        assert names(kernel, rules) == wanted, (measures, batch.defects.get(row))
    return verdicts
