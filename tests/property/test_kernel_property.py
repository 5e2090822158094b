"""What holds of grading whatever the fruit: order, splitting, chunk borders, missing measures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading import kernel
from grading.kernel import Compiled
from grading.record import Column, FruitBatch
from grading.record import concat as join
from grading.verdicts import Verdicts, concat
from tests.support.fruit import LONG_DISTANCE, PROFILES, compiled, shipped
from tests.unit.test_kernel_explain import random_batch

FIELDS = ("size", "maturity", "grade", "pack", "reasons", "decisive")
NAMES = sorted(PROFILES)


def assert_equal(a: Verdicts, b: Verdicts) -> None:
    for name in FIELDS:
        assert np.array_equal(getattr(a, name), getattr(b, name)), name


def without(batch: FruitBatch, measure: str) -> FruitBatch:
    gone = np.zeros(len(batch), np.bool_)
    column = Column(np.zeros_like(batch.measures[measure].values), gone)
    return FruitBatch(
        source=batch.source, run=batch.run, seq=batch.seq, lane=batch.lane, time_ms=batch.time_ms,
        measures={**batch.measures, measure: column})


@given(st.integers(0, 2**32), st.integers(1, 400), st.sampled_from(NAMES))
def test_order_and_splitting_change_nothing(seed: int, n: int, profile: str) -> None:
    rules = compiled(LONG_DISTANCE, profile, "diameter")
    batch = random_batch(rules, n, seed)
    whole = rules.grade(batch=batch)
    draw = np.random.default_rng(seed)
    order = draw.permutation(n)
    assert_equal(rules.grade(batch=batch.take(rows=order)), whole.take(rows=order))
    cut = int(draw.integers(0, n + 1))
    parts = [batch.take(rows=np.arange(cut)), batch.take(rows=np.arange(cut, n))]
    assert_equal(concat(parts=[rules.grade(batch=p) for p in parts]), whole)
    assert_equal(rules.grade(batch=join(batches=parts)), whole)


@pytest.mark.parametrize("chunk", [1, 7, 64])
def test_chunk_borders_change_nothing(chunk: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    for n in (chunk - 1, chunk, chunk + 1, 3 * chunk + 1):
        batch = random_batch(rules, n, seed=n)
        whole = rules.grade(batch=batch)
        monkeypatch.setattr(kernel, "CHUNK", chunk)
        assert_equal(rules.grade(batch=batch), whole)
        monkeypatch.undo()


@given(st.integers(0, 2**32), st.sampled_from(NAMES))
def test_the_table_holds_what_the_rules_say(seed: int, profile: str) -> None:
    rules = compiled(LONG_DISTANCE, profile, "mass")
    batch = random_batch(rules, 200, seed)
    assert_equal(rules.grade(batch=batch), rules.decider.decide(frame=rules.usable(batch=batch)))


@given(st.integers(0, 2**32), st.sampled_from(["sugar", "blush"]))
def test_an_open_measure_left_out_never_counts_against_a_fruit(seed: int, measure: str) -> None:
    """Policy "open", not a maturity measure: the fruit keeps its grade, gets a better one that
    nothing measured contradicts, or is undecided where something else withholds that grade."""
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    batch = random_batch(rules, 300, seed)
    full = rules.grade(batch=batch).grade
    less = rules.grade(batch=without(batch, measure)).grade
    assert ((less <= full) | (full == 0)).all()
    assert (less[full == 0] == 0).all()


@given(st.integers(0, 2**32), st.sampled_from(["sugar", "blush"]),
       st.sampled_from(["undecided", "fails"]))
def test_a_strict_measure_left_out_never_gains_a_grade(
    seed: int, measure: str, policy: str
) -> None:
    """Policies "undecided" and "fails": without the measure no better grade is ever given; the
    most it does is to turn a lower grade or a cull into undecided. (For maturity this does not
    hold: the firmest or softest of two indications may be the one that is missing.)"""
    rules = strict_rules(measure, policy)
    batch = random_batch(rules, 300, seed)
    full = rules.grade(batch=batch).grade.astype(int)
    less = rules.grade(batch=without(batch, measure)).grade.astype(int)
    given_both = (full > 0) & (less > 0)
    assert (less[given_both] >= full[given_both]).all()
    if policy == "fails":
        assert not ((less == 0) & (full == 1)).any(), "a failed requirement withholds nothing"


STRICT: dict[tuple[str, str], Compiled] = {}


def strict_rules(measure: str, policy: str) -> Compiled:
    if (measure, policy) not in STRICT:
        standard = shipped(LONG_DISTANCE)
        grades = tuple(g.model_copy(update={"requires": tuple(
            r.model_copy(update={"if_missing": policy})
            if getattr(r, "measure", "") == measure else r for r in g.requires)})
            for g in standard.grade)
        STRICT[measure, policy] = Compiled(
            standard=standard.model_copy(update={"grade": grades}), profile=PROFILES["yellow"],
            basis="diameter")
    return STRICT[measure, policy]


@given(st.integers(0, 2**32), st.sampled_from(NAMES))
def test_without_size_or_maturity_no_grade_is_given(seed: int, profile: str) -> None:
    """The house standard withholds: such a fruit is undecided, or fails something measured."""
    rules = compiled(LONG_DISTANCE, profile, "diameter")
    batch = random_batch(rules, 200, seed)
    cull = len(rules.grade_names) - 1
    sizeless = rules.grade(batch=without(batch, "diameter"))
    assert set(sizeless.grade.tolist()) <= {0, cull}
    unripe = rules.grade(batch=without(without(batch, "firmness"), "hue"))
    assert set(unripe.grade.tolist()) <= {0, cull}
    assert (unripe.maturity == 0).all()
