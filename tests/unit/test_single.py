"""One fruit by itself: refused where a batch refuses it, else the batch's very codes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import msgspec
import pytest

from grading.columns import to_batch
from grading.reasons import Reason
from grading.record import Defect, FruitRecord
from grading.single import Single
from grading.walk import Outcome
from tests.support.fruit import (
    LONG_DISTANCE,
    PROFILES,
    compiled,
    compiled_text,
    names,
    oracle,
    outcome,
    si,
)
from tests.support.mini import FIRMNESS_STEPS, HEAD, SIZING, grade, maturity

PLAIN: dict[str, Any] = {
    "lane": 3, "time_unix_ms": 1_784_030_400_000, "diameter_mm": 66.12, "ground_hue_deg": 94.1,
    "ground_chroma": 41.0, "ground_fraction": 0.4, "blush_fraction": 0.512, "mass_g": 150.3,
    "sugar_brix": 11.8, "firmness_n": 56.2, "tip_mm": 8.0, "pulp_temp_c": 18.5,
}


def record(**fields: Any) -> FruitRecord:
    return FruitRecord(seq=12, **fields)


def both(
    fruit: FruitRecord, *, profile: str = "yellow", tip_mm: float | None = None
) -> tuple[Outcome | None, Outcome | None]:
    """What the fruit gets by itself and in a batch; None = refused."""
    rules = compiled(LONG_DISTANCE, profile, "diameter")
    parsed = to_batch(records=[fruit], source="line-1", run="r1", tip_mm=tip_mm)
    alone = Single(compiled=rules, tip_mm=tip_mm).grade(record=fruit)
    if parsed.refused:
        return alone, None
    return alone, outcome(rules.grade(batch=parsed.batch), 0)


def test_a_plain_fruit_gets_what_the_oracle_says() -> None:
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    judge = oracle(LONG_DISTANCE, "yellow", "diameter")
    for diameter in (54.99, 55.0, 61.5, 66.12, 90.0):
        alone = Single(compiled=rules).grade(record=record(**{**PLAIN, "diameter_mm": diameter}))
        assert alone is not None
        row = {"diameter": round(diameter * 100), "hue": 9410, "chroma": 4100, "ground": 400,
               "blush": 512, "mass": 1503, "sugar": 1180, "firmness": 5620, "tip": 800}
        assert names(alone, rules) == judge.grade(measures=si(row), defects=[], judged=None)


@pytest.mark.parametrize("profile", sorted(PROFILES))
@pytest.mark.parametrize("fields", [
    {},
    {"diameter_mm": None, "diameter_in": 2.375},
    {"firmness_n": None, "firmness_lbf": 12.7},
    {"firmness_n": None, "firmness_kgf": 5.75},
    {"tip_mm": 7.94},
    {"tip_mm": 11.0},
    {"ground_chroma": 9.99},
    {"ground_chroma": 10.0},
    {"ground_fraction": 0.049},
    {"ground_chroma": 0.0, "ground_fraction": 0.0},
    {"ground_chroma": 0.0, "ground_hue_deg": None},
    {"ground_hue_deg": 360.0},
    {"ground_hue_deg": 359.994},
    {"pulp_temp_c": -5.0},
    {"defects": [], "judged": {}},
    {"defects": [Defect(kind="decay")]},
    {"defects": [Defect(kind="scar", area_mm2=30.0)], "tip_mm": 11.0, "ground_chroma": 2.0},
    {"judged": {"well_formed": False}},
    {"time_unix_ms": None},
    {"time_unix_ms": None, "time": datetime(2026, 7, 14, 12, tzinfo=UTC)},
    {"time_unix_ms": None,
     "time": datetime(2026, 7, 14, 5, tzinfo=timezone(timedelta(hours=-7)))},
])
def test_usable_records_are_graded_as_in_a_batch(fields: dict[str, Any], profile: str) -> None:
    alone, batch = both(record(**{**PLAIN, **fields}), profile=profile)
    assert alone is not None
    assert alone == batch


@pytest.mark.parametrize("fields", [
    {"diameter_mm": 3.2},
    {"diameter_mm": 150.006},
    {"diameter_mm": 1e300},
    {"diameter_mm": float("inf")},
    {"diameter_mm": -1e308},
    {"diameter_in": 2.6},
    {"diameter_mm": 3.2, "diameter_in": 2.6},
    {"firmness_lbf": 12.0},
    {"ground_hue_deg": 360.01},
    {"ground_hue_deg": -0.01},
    {"tip_mm": None},
    {"time": datetime(2026, 7, 14, 12, tzinfo=UTC)},
    {"time_unix_ms": None, "time": datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC)},
    {"time_unix_ms": None, "time": datetime(2100, 1, 1, tzinfo=UTC)},
    {"defects": [Defect(kind="scar", circle_mm=5.0, area_mm2=30.0)]},
    {"defects": [Defect(kind="scar"), Defect(kind="scar", circle_mm=5.0, area_mm2=30.0)],
     "judged": {"well_formed": True}},
])
def test_records_that_a_batch_refuses_get_none(fields: dict[str, Any]) -> None:
    assert both(record(**{**PLAIN, **fields})) == (None, None)


@pytest.mark.parametrize(("edge", "usable"), [
    (datetime(1999, 12, 31, 23, 59, 59, 999_499, UTC), False),
    (datetime(1999, 12, 31, 23, 59, 59, 999_500, UTC), True),
    (datetime(2099, 12, 31, 23, 59, 59, 999_499, UTC), True),
    (datetime(2099, 12, 31, 23, 59, 59, 999_500, UTC), False),
    (datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=14))), False),
    (datetime(9999, 12, 31, 23, tzinfo=timezone(timedelta(hours=-12))), False),
])
def test_times_are_rounded_before_they_are_held_against_the_range(
    edge: datetime, usable: bool
) -> None:
    """Half a millisecond goes to the even one, here the whole second."""
    alone, batch = both(record(time=edge))
    assert (alone is not None) is usable
    assert alone == batch


def test_a_sources_tip_stands_for_a_missing_one() -> None:
    fruit = record(**{**PLAIN, "tip_mm": None})
    own, foreign = both(fruit, tip_mm=8.0), both(fruit, tip_mm=11.11)
    assert own[0] is not None and foreign[0] is not None
    assert own[0] == own[1] and foreign[0] == foreign[1]
    assert foreign[0].reasons & Reason.WRONG_TIP.bit
    assert not own[0].reasons & Reason.WRONG_TIP.bit
    stated = msgspec.structs.replace(fruit, tip_mm=11.0)
    assert both(stated, tip_mm=8.0)[0] == both(stated, tip_mm=None)[1]


def test_a_reading_that_is_not_a_number_is_never_graded() -> None:
    """A batch takes NaN for "not measured"; a sender that can say NaN has to be told."""
    alone, batch = both(record(**{**PLAIN, "sugar_brix": float("nan")}))
    assert alone is None
    assert batch is not None


def test_a_standard_for_the_larger_head() -> None:
    text = HEAD + 'tip_mm = "11"\n' + SIZING + maturity() + FIRMNESS_STEPS + grade()
    rules = compiled_text(text)
    single = Single(compiled=rules)
    for tip in (8.0, 11.0, 11.1, 11.11, 11.12, 11.13):
        fruit = record(firmness_n=50.0, tip_mm=tip)
        parsed = to_batch(records=[fruit], source="line-1", run="r1")
        assert single.grade(record=fruit) == outcome(rules.grade(batch=parsed.batch), 0)
