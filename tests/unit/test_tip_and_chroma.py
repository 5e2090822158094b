"""Readings that must not be used: force from another tip, hue without colour."""

from __future__ import annotations

import pytest

from grading.explain import explain, sentences
from grading.kernel import Compiled
from grading.reasons import Reason
from grading.record import FruitBatch
from tests.support.fruit import (
    LONG_DISTANCE,
    assert_three_agree,
    batch_of,
    compiled,
    compiled_text,
    oracle,
    oracle_of,
    outcome,
)
from tests.support.mini import FIRMNESS_STEPS, HEAD, SIZING, grade, maturity


def rules() -> Compiled:
    return compiled(LONG_DISTANCE, "yellow", "diameter")


def has(batch: FruitBatch, row: int, reason: Reason) -> bool:
    return bool(outcome(rules().grade(batch=batch), row).reasons & reason.bit)


@pytest.mark.parametrize(("tip_q", "usable"), [
    (800, True), (794, True), (793, True), (790, True), (None, False), (1100, False),
    (1111, False), (1000, False), (799, False)])
def test_force_of_another_tip_is_not_used(tip_q: int | None, usable: bool) -> None:
    """Heads are named 5/16 in (7.9375 mm, sold as 8 mm) and 7/16 in (11.1125 mm): Washington State
    University, Measuring fruit firmness. Forces of different heads do not convert."""
    row = {"firmness": 5783, "tip": tip_q}
    batch = batch_of([row])
    assert_three_agree(batch=batch, fruit=[row], rules=rules(),
                       judge=oracle(LONG_DISTANCE, "yellow", "diameter"))
    assert has(batch, 0, Reason.WRONG_TIP) is not usable
    maturity_code = outcome(rules().grade(batch=batch), 0).maturity
    assert (rules().maturity_names[maturity_code] == "long_haul") is usable
    if tip_q == 1100:
        said = sentences(explain(batch=batch, row=0, compiled=rules()))
        assert any("read with a 11 mm tip, the standard is for 8 mm" in s for s in said)
    if tip_q is None:
        said = sentences(explain(batch=batch, row=0, compiled=rules()))
        assert any("its plunger tip is not stated" in s for s in said)


def test_force_without_a_tip_column_is_not_used() -> None:
    assert has(batch_of([{"firmness": 5783}]), 0, Reason.WRONG_TIP)


def test_a_standard_for_the_larger_head_takes_7_16_in() -> None:
    text = HEAD + 'tip_mm = "11"\n' + SIZING + maturity() + FIRMNESS_STEPS + grade()
    fruit = [{"firmness": 5000, "tip": t} for t in (800, 1100, 1110, 1111, 1112, 1113)]
    batch, big = batch_of(fruit), compiled_text(text)
    verdicts = assert_three_agree(batch=batch, fruit=fruit, rules=big, judge=oracle_of(text))
    assert [big.maturity_names[m] for m in verdicts.maturity] == [
        "not measured", "firm", "firm", "firm", "firm", "not measured"]


@pytest.mark.parametrize(("name", "below", "at", "words"), [
    ("chroma", 999, 1000, "ground-colour chroma 9.99 is below the floor of 10"),
    ("ground", 49, 50, "ground-colour share seen 0.049 is below the floor of 0.05")])
def test_hue_needs_colour_and_ground(name: str, below: int, at: int, words: str) -> None:
    """Below the profile's floor a hue angle is noise (hue is undefined at zero chroma: CIE 15,
    Colorimetry); exactly on the floor it counts."""
    fruit: list[dict[str, int | None]] = [
        {"hue": 9700, name: below}, {"hue": 9700, name: at}, {"hue": 9700, name: None}]
    batch = batch_of(fruit)
    verdicts = assert_three_agree(batch=batch, fruit=fruit, rules=rules(),
                                  judge=oracle(LONG_DISTANCE, "yellow", "diameter"))
    assert [rules().maturity_names[m] for m in verdicts.maturity] == [
        "not measured", "long_haul", "long_haul"]
    assert [has(batch, r, Reason.HUE_NOT_OBSERVABLE) for r in range(3)] == [True, False, False]
    said = sentences(explain(batch=batch, row=0, compiled=rules()))
    assert any(words in line for line in said)


def test_without_a_profile_there_is_no_floor() -> None:
    plain = compiled(LONG_DISTANCE, "none", "diameter")
    verdicts = plain.grade(batch=batch_of([{"hue": 9700, "chroma": 10}]))
    assert plain.maturity_names[verdicts.maturity[0]] == "long_haul"
