"""The kernel's look-up against explain's own walk, and both against the oracle."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
import pytest

from grading.explain import Walker, classify_one
from grading.kernel import Compiled
from grading.quantities import MEASURES
from grading.record import Column, Defect, FruitBatch
from tests.support.fruit import (
    LONG_DISTANCE,
    PROFILES,
    SHIPPED,
    assert_three_agree,
    bases,
    batch_of,
    compiled,
    compiled_text,
    oracle,
    oracle_of,
    outcome,
    shipped,
)
from tests.support.mini import HEAD, SIZING, grade, leaf

RANGES = {"diameter": (4800, 9500), "circumference": (15000, 28000), "mass": (800, 3200),
          "hue": (8000, 11500), "firmness": (500, 10000), "sugar": (700, 1500),
          "blush": (100, 600), "chroma": (500, 6000), "ground": (0, 500)}
PART = 50_000
SEVERITIES: tuple[Literal["none", "injury", "damage", "serious"], ...] = (
    "none", "injury", "damage", "serious")


def random_batch(rules: Compiled, n: int, seed: int, shares: float = 0.1) -> FruitBatch:
    """Random fruit: a tenth of each measure missing, a tenth of the readings near a bound, some
    firmness read with another tip, hue over the whole circle in a twentieth."""
    draw = np.random.default_rng(seed)
    measures = {}
    for name, (low, high) in RANGES.items():
        values = draw.integers(low, high + 1, n)
        marks = [a.thresholds for a in rules.axes if a.measure == name and a.thresholds]
        if marks:
            near = draw.random(n) < 0.1
            values[near] = draw.choice(marks[0], near.sum()) + draw.integers(-1, 2, near.sum())
        if name == "hue":
            round_ = draw.random(n) < 0.05
            values[round_] = draw.integers(0, 36000, round_.sum())
        present = draw.random(n) >= shares
        measures[name] = Column(
            np.where(present, values, 0).astype(MEASURES[name].dtype), present)
    tips = draw.choice([800, 794, 790, 1100], n, p=[0.9, 0.04, 0.02, 0.04]).astype(np.uint16)
    held = measures["firmness"].present
    measures["tip"] = Column(np.where(held, tips, 0).astype(np.uint16), held)
    return FruitBatch(
        source="line-1", run="r1", seq=np.arange(n), lane=np.zeros(n, np.uint8),
        time_ms=Column(np.zeros(n, np.int64), np.zeros(n, np.bool_)), measures=measures)


def rows_of(batch: FruitBatch) -> list[dict[str, int]]:
    names = list(batch.measures)
    columns = [np.where(c.present, c.values.astype(np.int64), -9999).tolist()
               for c in batch.measures.values()]
    return [{k: v for k, v in zip(names, row, strict=True) if v != -9999}
            for row in zip(*columns, strict=True)]


def assert_same(rules: Compiled, batch: FruitBatch) -> np.ndarray[Any, Any]:
    walker = Walker(standard=rules.standard, profile=rules.profile, basis=rules.basis)
    verdicts = rules.grade(batch=batch)
    kernel = np.stack([verdicts.size, verdicts.maturity, verdicts.grade, verdicts.pack,
                       verdicts.reasons, verdicts.decisive], axis=1).astype(np.int64)
    walked = np.array([classify_one(walker=walker, values=row) for row in rows_of(batch)],
                      np.int64)
    differ = np.flatnonzero((kernel != walked).any(axis=1))
    assert not len(differ), (rows_of(batch)[differ[0]], kernel[differ[0]], walked[differ[0]])
    return kernel


@pytest.fixture
def untraced() -> Iterator[None]:
    """No line tracing in a test whose loop runs a million times; the others measure coverage."""
    tracer = sys.gettrace()
    sys.settrace(None)
    yield
    sys.settrace(tracer)


@pytest.mark.slow
@pytest.mark.usefixtures("untraced")
def test_a_million_random_fruit_of_the_house_standard() -> None:
    """1,000,000 fruit in twenty parts, a fourth of them for each of four cultivars."""
    grades: set[int] = set()
    for part in range(20):
        profile = ("none", "yellow", "solid-red", "white")[part % 4]
        rules = compiled(LONG_DISTANCE, profile, "diameter")
        kernel = assert_same(rules, random_batch(rules, PART, seed=part))
        grades |= set(kernel[:, 2].tolist())
    assert grades == set(range(len(rules.grade_names)))


@pytest.mark.parametrize("name", SHIPPED)
def test_random_fruit_of_every_standard(name: str) -> None:
    """20,000 fruit a standard, shared out over its bases and cultivars."""
    cases = [(p, b) for p in PROFILES for b in bases(shipped(name))]
    for seed, (profile, basis) in enumerate(cases):
        rules = compiled(name, profile, basis)
        assert_same(rules, random_batch(rules, -(-20_000 // len(cases)), seed=seed))


def random_defects(
    draw: np.random.Generator, kinds: list[str], n: int
) -> dict[int, tuple[Defect, ...]]:
    def maybe(value: Any) -> Any:
        return value if draw.random() < 0.5 else None

    found = {}
    for row in np.flatnonzero(draw.random(n) < 0.8).tolist():
        spots = []
        for _ in range(int(draw.integers(1, 4))):
            circle = maybe(round(float(draw.uniform(1, 30)), 2))
            spots.append(Defect(
                kind=str(draw.choice(kinds)), circle_mm=circle,
                area_mm2=None if circle else maybe(round(float(draw.uniform(1, 400)), 1)),
                length_mm=maybe(round(float(draw.uniform(1, 20)), 2)),
                depth_mm=maybe(round(float(draw.uniform(1, 12)), 2)),
                surface_fraction=maybe(round(float(draw.uniform(0, 0.1)), 3)),
                count=maybe(int(draw.integers(1, 4))),
                healed=maybe(bool(draw.random() < 0.7)), cracked=maybe(bool(draw.random() < 0.3)),
                concentrated=maybe(bool(draw.random() < 0.3)),
                smooth=maybe(bool(draw.random() < 0.7)), light=maybe(bool(draw.random() < 0.7)),
                deforming=maybe(bool(draw.random() < 0.2)),
                in_stem_cavity=maybe(bool(draw.random() < 0.3)),
                severity=SEVERITIES[draw.integers(4)] if draw.random() < 0.1 else None))
        found[row] = tuple(spots)
    return found


@pytest.mark.parametrize("name", SHIPPED)
def test_random_defects_and_judgements_against_the_oracle(name: str) -> None:
    """5,000 fruit over the shipped standards, through kernel, explain and oracle."""
    basis = bases(shipped(name))[0]
    rules, judge = compiled(name, "yellow", basis), oracle(name, "yellow", basis)
    n = -(-5_000 // len(SHIPPED))
    draw = np.random.default_rng(len(name))
    plain = random_batch(rules, n, seed=7, shares=0.05)
    people = [leaf["person"] for rung in judge.file["grade"] for leaf in rung.get("requires", [])
              if "person" in leaf]
    judged = {}
    for row in range(n):
        said = {p: bool(draw.random() < 0.9) for p in people if draw.random() < 0.5}
        if said:
            judged[row] = said
    kinds = [*(d["kind"] for d in judge.file["defect"]), "never_heard_of"]
    batch = FruitBatch(
        source=plain.source, run=plain.run, seq=plain.seq, lane=plain.lane, time_ms=plain.time_ms,
        measures=plain.measures, defects=random_defects(draw, kinds, n), judged=judged)
    verdicts = assert_three_agree(batch=batch, fruit=rows_of(batch), rules=rules, judge=judge)
    assert len(set(verdicts.grade.tolist())) > 1


@pytest.mark.parametrize(("limits", "blush", "wanted"), [
    ("nearest", 332, "two"), ("nearest", 333, "one"), ("exact", 333, "two"),
    ("exact", 334, "one")])
def test_limits_round_to_the_quantum_only_where_the_standard_says_so(
    limits: str, blush: int, wanted: str
) -> None:
    """A third of the surface is 333.33 thousandths."""
    text = (HEAD + f'rounding = {{ limits = "{limits}" }}\n' + SIZING
            + grade(leaf('measure="blush",at_least="1/3",unit="fraction"')) + grade(name="two"))
    rules, fruit = compiled_text(text), [{"blush": blush}]
    verdicts = assert_three_agree(batch=batch_of(fruit), fruit=fruit, rules=rules,
                                  judge=oracle_of(text))
    assert rules.grade_names[verdicts.grade[0]] == wanted


def test_the_walk_without_words_takes_defects_and_judgements() -> None:
    rules = compiled("us-peaches-2004", "none", "diameter")
    walker = Walker(standard=rules.standard, profile=None, basis="diameter")
    spots = (Defect(kind="scab", cracked=False, circle_mm=12), Defect(kind="decay"))
    values = {"diameter": 6600, "blush": 500}
    for defects, judged in (((), {"mature": False}), (spots[:1], {}), (spots, {"mature": True})):
        batch = batch_of([values], defects={0: defects}, judged={0: judged})
        walked = classify_one(walker=walker, values=values, defects=defects, judged=judged)
        assert walked == outcome(rules.grade(batch=batch), 0)
