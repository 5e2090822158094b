"""The invented morning: the same for the same seed, and like fruit."""

from __future__ import annotations

import itertools
import json
import math
from datetime import UTC, datetime

import numpy as np

from fixtures.packing_day import (
    G_PER_CM3,
    LOTS,
    MORNING_S,
    PER_LINE,
    bodies,
    fruit,
    hand_pull,
    lot_of,
    offsets,
    records,
)
from grading.kernel import compile_standard
from service.ingest.parse import parse_body
from service.library import find_profile, find_standard
from service.pull_model import PullIn


def test_any_stretch_is_the_same_however_it_is_cut() -> None:
    whole = records(seed=7, line="line-2", start=900, stop=2_100)
    cuts = [900, 901, 1_024, 1_500, 2_100]
    parts = [r for a, b in itertools.pairwise(cuts)
             for r in records(seed=7, line="line-2", start=a, stop=b)]
    assert whole == parts
    assert [r["seq"] for r in whole] == list(range(901, 2_101))
    assert whole != records(seed=8, line="line-2", start=900, stop=2_100)
    assert whole != records(seed=7, line="line-1", start=900, stop=2_100)


def test_statistics_are_those_of_fruit() -> None:
    n = 20_000
    made = list(fruit(seed=1, line="line-1", start=0, stop=n))
    truths = [t for _, _, t in made]
    listed = [r for _, r, _ in made]
    assert abs(np.mean([t.diameter_mm for t in truths]) - LOTS[0].diameter_mm) < 0.2
    ratio = np.mean([t.mass_g / (math.pi / 6 * (t.diameter_mm / 10) ** 3) for t in truths])
    assert abs(ratio - G_PER_CM3) < 0.001
    hue, firm = [t.hue_deg for t in truths], [t.firmness_n for t in truths]
    assert 0.5 < np.corrcoef(hue, firm)[0, 1] < 0.95
    assert abs(sum("sugar_brix" in r for r in listed) / n - 0.40) < 0.015
    assert abs(sum("firmness_n" in r for r in listed) / n - 0.15) < 0.01
    assert abs(sum("defects" in r for r in listed) / n - 0.06) < 0.007
    assert all(r["tip_mm"] == 8 for r in listed if "firmness_n" in r)
    assert {r["lane"] for r in listed} == set(range(1, 9))


def test_only_the_impossible_records_are_refused() -> None:
    made = list(fruit(seed=1, line="line-1", start=0, stop=20_000))
    body = json.dumps([r for _, r, _ in made]).encode()
    parsed = parse_body(body=body, media="json", source="line-1", run="r1").parsed
    assert set(parsed.refused) == {i for i, (_, _, t) in enumerate(made) if t.impossible}
    assert 10 < len(parsed.refused) < 100


def test_true_speed_is_four_fruit_a_second_on_a_lane() -> None:
    listed = records(seed=1, line="line-1", start=0, stop=PER_LINE * 3 + 1)
    first, last = (datetime.fromisoformat(listed[i]["time"]) for i in (0, -1))
    assert (last - first).total_seconds() == 3.0


def test_each_lot_has_its_turn_and_bodies_never_mix_lots() -> None:
    per_line = MORNING_S * PER_LINE
    seen = {lot_of(line=line, index=i).id
            for line in ("line-1", "line-2") for i in range(0, per_line, 1_000)}
    assert seen == {"L-0417", "L-0418", "L-0419"}
    turn = per_line // 24
    made = bodies(seed=1, line="line-2", start=turn - 10, stop=turn + 10)
    assert [(lot, n) for lot, _, n in made] == [("L-0418", 10), ("L-0419", 10)]
    assert [len(json.loads(body)) for _, body, _ in made] == [10, 10]


def test_lane_offsets_are_small_and_fixed() -> None:
    found = offsets(seed=1, line="line-1")
    assert np.abs(found["diameter"]).max() < 1.0
    assert found["hue"].tolist() == offsets(seed=1, line="line-1")["hue"].tolist()


def test_every_lot_packs_most_of_its_fruit() -> None:
    for lot, start in ((LOTS[0], 0), (LOTS[1], 0), (LOTS[2], 100_000)):
        compiled = compile_standard(
            standard=find_standard(lot.standard), profile=find_profile(lot.cultivar))
        body = json.dumps(records(seed=1, line=lot.line, start=start, stop=start + 2_000)).encode()
        batch = parse_body(body=body, media="json", source=lot.line, run="r").parsed.batch
        grades = [compiled.grade_names[g] for g in compiled.grade(batch=batch).grade.tolist()]
        assert 0.01 < grades.count("cull") / len(grades) < 0.35
        assert grades.count("select") / len(grades) > 0.25


def test_a_hand_pull_is_one_that_the_service_takes() -> None:
    drawn = datetime(2026, 7, 27, 12, tzinfo=UTC)
    lot, body = hand_pull(seed=1, line="line-1", index=500, drawn_at=drawn)
    assert lot == "L-0417"
    pull = PullIn.model_validate_json(json.dumps(body))
    assert len(pull.fruit) == 10
    assert hand_pull(seed=1, line="line-1", index=500, drawn_at=drawn) == (lot, body)
