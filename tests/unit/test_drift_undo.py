"""What the drift did: fruit graded again with an offset taken off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grading.drift.undo import Offset, corrected, what_drift_did
from grading.record import FruitBatch
from tests.support.fruit import batch_of, compiled_text
from tests.support.mini import HEAD, SIZING, grade

# Sizes S [50, 60), M [60, 70), L [70, 80) mm; every fruit makes the one grade.
RULES = compiled_text(HEAD + SIZING + grade())


def _batch(*diameters_mm: float, lane: int = 3) -> FruitBatch:
    made = batch_of([{"diameter": round(100 * d)} for d in diameters_mm])
    return replace(made, lane=np.full(len(made), lane, np.uint8))


def test_fruit_between_cut_and_cut_plus_offset_change_class() -> None:
    """Half-open bands: at +1.0 mm those read in [60, 61) and [70, 71) are one class too high."""
    batch = _batch(59.99, 60.0, 60.5, 60.99, 61.0, 65.0, 70.0, 71.0)
    found = what_drift_did(batch=batch, compiled=RULES, measure="diameter",
                           offsets={3: Offset(value=1.0, low=0.4, high=1.02)})
    assert (found.n, found.changed, found.size) == (8, 4, 4)
    # At 0.4 only 60.0 and 70.0; at 1.02 also 61.0 and 71.0.
    assert (found.changed_low, found.changed_high) == (2, 6)
    assert found.grade == found.maturity == found.pack == 0
    assert found.pack_moves.sum() == 8 and not found.affected.any() and not found.missed.any()


def test_fruit_that_fall_out_of_every_size_are_missed_or_affected() -> None:
    """50.5 less 1 is under the smallest size."""
    rules = compiled_text(HEAD + SIZING + grade('{measure="diameter",at_least="50",unit="mm",'
                                                'source="house",evidence="house"}'))
    before = rules.grade(batch=_batch(50.5, 65.0))
    after = rules.grade(batch=_batch(49.5, 65.0))
    found = what_drift_did(batch=_batch(50.5, 65.0), compiled=rules, measure="diameter",
                           offsets={3: Offset(value=1.0, low=1.0, high=1.0)})
    moved = int((before.grade != after.grade).sum())
    assert found.changed == 1 and found.grade == moved
    assert found.affected.sum() == found.missed.sum() == int((before.pack != after.pack).sum())


def test_only_the_named_lanes_and_fruit_are_corrected() -> None:
    batch = replace(_batch(60.5, 60.5, 60.5), lane=np.array([3, 4, 3], np.uint8))
    fixed = corrected(batch=batch, measure="diameter", offsets={3: 1.0}, since_seq=1)
    assert fixed.measures["diameter"].values.tolist() == [6050, 6050, 5950]
    assert batch.measures["diameter"].values.tolist() == [6050] * 3
    assert corrected(batch=batch, measure="hue", offsets={3: 1.0}) is batch


def test_hue_comes_round_and_diameter_stays_plausible() -> None:
    batch = batch_of([{"hue": 50, "diameter": 2010}, {"hue": None, "diameter": None}])
    turned = corrected(batch=batch, measure="hue", offsets={0: 1.0}).measures["hue"]
    assert turned.values.tolist() == [35950, 0] and turned.present.tolist() == [True, False]
    least = corrected(batch=batch, measure="diameter", offsets={0: 1.0}).measures["diameter"]
    assert least.values.tolist() == [2000, 0]


def test_batches_add_up() -> None:
    offsets = {3: Offset(value=1.0, low=0.5, high=1.5)}
    parts = [what_drift_did(batch=_batch(*d), compiled=RULES, measure="diameter",
                            offsets=offsets) for d in ((60.5, 61.2), (70.1, 66.0, 50.0))]
    whole = what_drift_did(batch=_batch(60.5, 61.2, 70.1, 66.0, 50.0), compiled=RULES,
                           measure="diameter", offsets=offsets)
    added = parts[0].merge(parts[1])
    assert (added.n, added.changed, added.size) == (whole.n, whole.changed, whole.size)
    assert (added.pack_moves == whole.pack_moves).all()
