"""One fruit at a time against a batch of it, and a replayed stream against the whole of it."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading.columns import to_batch
from grading.kernel import Compiled
from grading.quantities import MEASURES, UNIT_FIELDS
from grading.record import Defect, FruitRecord
from grading.single import Single
from grading.walk import Outcome
from tests.support.fruit import (
    LONG_DISTANCE,
    PROFILES,
    SHIPPED,
    bases,
    compiled,
    outcome,
    shipped,
)

REPLAYED = 1_000_000 if os.environ.get("DRUPE_NIGHTLY") else 100_000
CASES = [(name, profile, basis) for name in SHIPPED for profile in sorted(PROFILES)
         for basis in bases(shipped(name))]
KINDS = sorted({d.kind for name in SHIPPED for d in shipped(name).defect}
               | {"decay", "never_heard_of"})
PEOPLE = ("well_formed", "mature", "clean", "sound", "never_asked")


@st.composite
def reading(draw: st.DrawFn, field: str, marks: tuple[int, ...]) -> float:
    """Near a limit to a quantum, or to a part of one; anywhere in range; or nothing of the sort."""
    unit = UNIT_FIELDS[field]
    measure, per = MEASURES[unit.measure], unit.per_quantum()
    edges = (*marks, measure.low_q, measure.high_q)
    quanta = draw(st.one_of(
        st.builds(lambda m, d: m + d, st.sampled_from(edges), st.sampled_from(
            (-1, -0.5, -1e-7, 0, 1e-7, 0.5, 1))),
        st.integers(measure.low_q, measure.high_q)))
    strange = st.sampled_from([0.0, -1.0, 1e300, float("inf"), -float("inf")])
    return draw(strange) if draw(st.integers(0, 60)) == 0 else float(quanta / float(per))


@st.composite
def defects(draw: st.DrawFn) -> Defect:
    def maybe(strategy: st.SearchStrategy[Any]) -> Any:
        return draw(st.none() | strategy)

    flags = ("healed", "cracked", "concentrated", "smooth", "light", "deforming",
             "in_stem_cavity")
    circle = maybe(st.floats(0.01, 40))
    both = draw(st.integers(0, 20)) == 0
    return Defect(
        kind=draw(st.sampled_from(KINDS)), circle_mm=circle,
        area_mm2=maybe(st.floats(0.01, 900)) if circle is None or both else None,
        length_mm=maybe(st.floats(0.01, 60)), depth_mm=maybe(st.floats(0.01, 20)),
        surface_fraction=maybe(st.floats(0, 1)), count=maybe(st.integers(1, 9)),
        severity=maybe(st.sampled_from(["none", "injury", "damage", "serious"])),
        **{flag: maybe(st.booleans()) for flag in flags})


@st.composite
def records(draw: st.DrawFn, rules: Compiled) -> FruitRecord:
    marks = {a.measure: a.thresholds for a in rules.axes}
    fields: set[str] = draw(st.sets(st.sampled_from(sorted(UNIT_FIELDS)), max_size=10))
    if any("firmness" in name for name in fields) and draw(st.integers(0, 5)) > 0:
        fields |= {"tip_mm"}
    sent: dict[str, Any] = {
        name: draw(reading(name, marks.get(UNIT_FIELDS[name].measure, ())))
        for name in sorted(fields)}
    if "tip_mm" in sent and draw(st.integers(0, 3)):
        sent["tip_mm"] = draw(st.sampled_from([8.0, 7.9, 7.93, 7.9375, 7.94, 11.0, 11.11, 10.0]))
    return FruitRecord(
        seq=draw(st.integers(0, 2**53)), **sent,
        time=draw(st.none() | st.datetimes(timezones=st.just(UTC))),
        time_unix_ms=draw(st.none() | st.just(1_784_030_400_000)),
        defects=draw(st.none() | st.lists(defects(), max_size=3)),
        judged=draw(st.none() | st.dictionaries(st.sampled_from(PEOPLE), st.booleans())))


@given(st.data(), st.sampled_from(CASES), st.sampled_from([None, 8.0, 7.94, 11.0]))
def test_alone_as_in_a_batch(
    data: st.DataObject, case: tuple[str, str, str], tip_mm: float | None
) -> None:
    rules = compiled(*case)
    fruit = data.draw(records(rules))
    alone = Single(compiled=rules, tip_mm=tip_mm).grade(record=fruit)
    parsed = to_batch(records=[fruit], source="line-1", run="r1", tip_mm=tip_mm)
    if parsed.refused:
        assert alone is None
    else:
        assert alone == outcome(rules.grade(batch=parsed.batch), 0)


def replayed(rules: Compiled, n: int, seed: int) -> list[FruitRecord]:
    """Fruit as a line's controller sends them: sparse measures, decimals, a few out of range."""
    draw = np.random.default_rng(seed)
    centre = {"diameter_mm": (66, 6), "diameter_in": (2.6, 0.2), "mass_g": (150, 25),
              "ground_hue_deg": (95, 7), "ground_chroma": (30, 15), "ground_fraction": (0.3, 0.2),
              "blush_fraction": (0.4, 0.25), "sugar_brix": (11.5, 1.5), "firmness_n": (50, 20),
              "firmness_lbf": (11, 4), "pulp_temp_c": (20, 5)}
    shares = {"diameter_in": 0.03, "firmness_lbf": 0.03, "pulp_temp_c": 0.1, "sugar_brix": 0.4,
              "firmness_n": 0.4}
    columns: dict[str, list[Any]] = {}
    for name, (mean, spread) in centre.items():
        values = np.round(draw.normal(mean, spread, n), 3)
        marks = [a.thresholds for a in rules.axes
                 if a.measure == UNIT_FIELDS[name].measure and a.thresholds]
        if marks:  # a tenth at a limit, or one quantum beside it
            near = draw.random(n) < 0.1
            quanta = draw.choice(marks[0], n) + draw.integers(-1, 2, n)
            values = np.where(near, quanta / float(UNIT_FIELDS[name].per_quantum()), values)
        sent = draw.random(n) < shares.get(name, 0.9)
        columns[name] = [v if s else None
                         for v, s in zip(values.tolist(), sent.tolist(), strict=True)]
    tips = draw.choice([8.0, 7.94, 11.0], n, p=[0.9, 0.05, 0.05]).tolist()
    spotted = draw.random(n)
    late = datetime(2026, 7, 14, 12, 0, 0, 123_456, UTC)
    return [FruitRecord(
        seq=i, lane=i % 8 + 1, time=late if i % 7 == 0 else None, tip_mm=tips[i],
        defects=[Defect(kind=KINDS[i % len(KINDS)], circle_mm=1 + i % 37 / 3)]
        if spotted[i] < 0.02 else None,
        judged={"well_formed": i % 3 > 0} if spotted[i] > 0.99 else None,
        **{name: column[i] for name, column in columns.items()}) for i in range(n)]


@pytest.mark.slow
@pytest.mark.parametrize("profile", ["yellow", "solid-red", "white", "none"])
def test_a_replayed_stream_is_graded_byte_for_byte_as_its_batch(profile: str) -> None:
    rules = compiled(LONG_DISTANCE, profile, "diameter")
    single = Single(compiled=rules)
    n, refused, parts = REPLAYED // 4, 0, 25_000
    for start in range(0, n, parts):
        fruit = replayed(rules, min(parts, n - start), seed=start)
        alone = [single.grade(record=one) for one in fruit]
        parsed = to_batch(records=fruit, source="line-1", run="r1")
        whole = rules.grade(batch=parsed.batch)
        kept = [found for found in alone if found is not None]
        assert [i for i, found in enumerate(alone) if found is None] == sorted(parsed.refused)
        for name in Outcome._fields:
            column = getattr(whole, name)
            assert np.array([getattr(found, name) for found in kept],
                            column.dtype).tobytes() == column.tobytes(), name
        refused += len(parsed.refused)
    assert 0 < refused < n / 5
