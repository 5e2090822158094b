"""Charts of reference objects and the list since the last good check, on invented readings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.rows import utc
from service.settings import Settings
from tests.support.app import NOON_MS
from tests.support.line import register

MINUTE = 60_000
START_MS = NOON_MS - 180 * MINUTE
SPHERES = (60.0, 75.0)


class Belt:
    def __init__(self, client: TestClient, now: list[int]) -> None:
        self.client, self.now = client, now
        self.headers = register(self.post)
        self.seq = 0

    def post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def get(self, path: str, **params: Any) -> Any:
        answer = self.client.get(f"/v1/sources/belt-line-1/checks/{path}", params=params)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def check(self, minute: int, errors: dict[int, tuple[float, ...]], *, person: str = "M. Orrin",
              known: tuple[float, ...] = SPHERES, measure: str = "diameter") -> None:
        self.now[0] = max(self.now[0], START_MS + minute * MINUTE)
        self.post("/v1/sources/belt-line-1/checks", {
            "at": utc(START_MS + minute * MINUTE), "person": person, "readings": [
                {"lane": lane, "measure": measure, "object": f"object {value:g}", "known": value,
                 "reading": value + error}
                for lane, given in errors.items()
                for value, error in zip(known * (len(given) // len(known)), given, strict=True)]})

    def run(self, minute: int, diameters: list[float], *, lane: int, timed: bool = True) -> None:
        self.now[0] = max(self.now[0], START_MS + (minute + 1) * MINUTE)
        fruit = [{"seq": self.seq + k, "lane": lane, "diameter_mm": d, "ground_hue_deg": 98.0,
                  "ground_chroma": 40.0, "ground_fraction": .3,
                  **({"time_unix_ms": START_MS + minute * MINUTE + k} if timed else {})}
                 for k, d in enumerate(diameters)]
        self.seq += len(fruit)
        answer = self.client.post("/v1/records?source=belt-line-1&run=r1", json=fruit,
                                  headers=self.headers)
        assert answer.status_code == 201, answer.text


@pytest.fixture
def belt(tmp_path: Path) -> Iterator[Belt]:
    now = [START_MS]
    app = create_app(settings=Settings(data_dir=tmp_path), clock=Clock(lambda: now[0]))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield Belt(client, now)


def lane_of(answer: dict[str, Any], lane: int, measure: str = "diameter") -> dict[str, Any]:
    one = next(m for m in answer["measures"] if m["measure"] == measure)
    return next(c for c in one["lanes"] if c["lane"] == lane)


CALM = [(.02, -.02), (-.02, .02), (.0, .04), (.04, .0), (-.04, -.02), (.02, .02)]


def test_offset_scale_and_the_error_at_the_cuts(belt: Belt) -> None:
    """Two spheres 15 mm apart: reading .1 too large at 60 and .7 too large at 75: scale 1.04."""
    for k, errors in enumerate(CALM):
        belt.check(10 * k, {1: errors, 2: errors})
    belt.check(70, {1: (.1, .7), 2: (.02, -.02)}, person="A. Reyes")
    answer = belt.get("chart")
    one, two = lane_of(answer, 1), lane_of(answer, 2)
    assert one["last"]["scale"] == pytest.approx(1.04)
    assert one["last"]["offset"] == pytest.approx(.4)
    at = {c["cut"]: c for c in one["last"]["at_cuts"]}
    # House sizes by diameter: 57.15 and 82.55 lie too far outside the spheres (1.5 mm allowed).
    assert sorted(at) == [63.5, 69.85, 76.2]
    assert one["cuts_beyond_the_objects"] == [57.15, 82.55]
    for cut, found in at.items():
        assert found["error"] == pytest.approx(.1 + .04 * (cut - 60))
    assert one["last"]["judgement"] == "fail"
    assert "fails: more than ±0.3 mm" in one["last"]["words"]
    assert one["last_good"] == {"at": utc(START_MS + 50 * MINUTE), "person": "M. Orrin"}
    assert two["last"]["judgement"] == "pass"
    assert two["last_good"]["person"] == "A. Reyes"
    # Lanes 3 to 8 were never checked: the source as a whole never passed.
    assert answer["measures"][0]["last_good"] is None
    assert answer["measures"][0]["not_passed"] == [1]
    # Limits of a lane and object: mean and 3 x mean moving range / 1.128 of its own readings.
    (near, far) = one["objects"]
    e = np.array([c[1] for c in CALM] + [.7])
    half = 3 * np.abs(np.diff(e)).mean() / 1.128379
    assert (far["centre"], far["low"], far["high"]) == pytest.approx(
        (e.mean(), e.mean() - half, e.mean() + half), rel=1e-5)
    assert far["recent"] == pytest.approx(e[-3:].mean())
    assert not far["recent_too_far"]
    assert [r["outside"] for r in near["readings"]] == [False] * 7
    assert near["readings"][-1]["error"] == pytest.approx(.1)


def test_all_lanes_passed_and_a_check_without_lanes(belt: Belt) -> None:
    belt.check(0, {lane: (.02, .0) for lane in range(1, 9)})
    belt.check(30, {lane: (.0, .02) for lane in range(1, 8)})
    answer = belt.get("chart", measure="diameter", tolerance=.5)
    assert answer["measures"][0]["last_good"] == utc(START_MS)  # lane 8 passed no later
    assert answer["measures"][0]["tolerance"] == .5
    belt.now[0] += 10 * MINUTE
    belt.post("/v1/sources/belt-line-1/checks", {
        "at": utc(START_MS + 40 * MINUTE), "person": "M. Orrin", "readings": [
            {"measure": "hue", "object": "tile", "known": 95.0, "reading": 95.2}]})
    hue = belt.get("chart", measure="hue")["measures"][0]
    assert hue["lanes"][0]["lane"] is None
    assert hue["last_good"] == utc(START_MS + 40 * MINUTE)
    assert hue["lanes"][0]["objects"][0]["centre"] is None  # one reading has no limits
    assert hue["lanes"][0]["last"]["scale"] is None
    # One object: known only at 95, so no cut of the house's chart is told by it.
    assert hue["lanes"][0]["last"]["at_cuts"] == []
    assert hue["lanes"][0]["cuts_beyond_the_objects"]


def test_a_doubtful_standard_and_the_mean_of_the_last_readings(belt: Belt) -> None:
    for k in range(8):
        belt.check(10 * k, {1: (.2 + .02 * (k % 2),)}, known=(66.0,))
    one = lane_of(belt.get("chart"), 1)
    assert one["last"]["judgement"] == "pass"
    sd = .02 / (2**.5 * stats.norm.ppf(.75))  # from the median moving range
    half = stats.t.ppf(.975, 29) * sd
    assert one["last"]["high"] - one["last"]["offset"] == pytest.approx(half, rel=1e-4)
    doubtful = lane_of(belt.get("chart", known_u=.1), 1)
    assert doubtful["last"]["judgement"] == "not enough"
    # .21 lies beyond .3 less the expanded uncertainty of .2.
    assert doubtful["objects"][0]["recent_too_far"] is True
    assert one["objects"][0]["recent_too_far"] is False


def test_the_list_since_the_last_good_check(belt: Belt) -> None:
    """Lane 1 passes at 0, runs, then reads 1 mm too large. Of its fruit since, those read from
    63.5 to 64.5 mm are of the class below."""
    for k, errors in enumerate(CALM):
        belt.check(k, {1: errors, 2: errors})
    belt.run(4, [64.0] * 9, lane=1)  # before the last good check of minute 5
    belt.run(10, [64.0] * 30 + [66.0] * 70, lane=1)
    belt.run(10, [64.0] * 50, lane=2)
    belt.check(60, {1: (1.0, 1.0), 2: (.02, .0)})
    found = belt.get("since")
    lanes = {one["lane"]: one for one in found["lanes"]}
    assert (lanes[1]["failing"], lanes[1]["offset"]) == (True, 1.0)
    assert lanes[1]["last_good"] == utc(START_MS + 5 * MINUTE)
    assert (lanes[2]["failing"], lanes[2]["offset"], lanes[2]["last_good"]) == (
        False, None, utc(START_MS + 60 * MINUTE))
    assert lanes[3]["last_good"] is None
    (lot,) = found["lots"]
    assert (lot["lot"], lot["fruit"], lot["lanes"]) == ("L-0417", 100, {"1": 100})
    assert lot["runs"] == [{"run": "r1", "first": 9, "last": 108, "fruit": 100}]
    assert (lot["from"], lot["until"]) == (
        utc(START_MS + 10 * MINUTE), utc(START_MS + 10 * MINUTE + 99))
    assert found["changed"]["fruit"] == lot["changed"]["fruit"] == 30
    assert lot["changed"]["low"] <= 30 <= lot["changed"]["high"]
    # 63.5 mm is the least of the two better grades: 30 of the 100 in their carton are undersize.
    carton = next(p for p in lot["packs"] if p["affected"])
    assert (carton["graded"], carton["affected"], carton["share"]) == (100, 30, .3)
    assert (carton["tolerance"], carton["left"]) == (.1, pytest.approx(-.2))
    only = belt.get("since", lane=2)
    assert (only["fruit"], only["lots"], only["changed"]) == (0, [], None)
    # Nothing failed in hue, but nobody ever checked it either: all fruit are listed.
    assert belt.get("since", measure="hue")["fruit"] == 159
    wrong = belt.client.get("/v1/sources/belt-line-1/checks/since", params={"lane": 9})
    assert wrong.json()["errors"][0]["pointer"] == "/query/lane"


def test_fruit_without_a_time_go_by_their_arrival(belt: Belt) -> None:
    belt.check(0, {1: (.02, .0), 2: (.0, .02)})
    belt.run(10, [64.0] * 20, lane=1, timed=False)
    found = belt.get("since", lane=1)
    assert (found["fruit"], found["changed"]) == (20, None)
    assert found["lots"][0]["packs"] == []


def test_a_source_of_one_lane_need_not_name_it(tmp_path: Path) -> None:
    now = [START_MS]
    app = create_app(settings=Settings(data_dir=tmp_path), clock=Clock(lambda: now[0]))
    with TestClient(app) as client:
        key = client.post("/v1/sources", json={"id": "bench", "lanes": 1}).json()["key"]
        client.post("/v1/lots", json={
            "id": "L-1", "cultivar": "ember-lass", "standard": "house-long-distance"}
            ).raise_for_status()
        client.post("/v1/sources/bench/checks", json={
            "at": utc(START_MS - MINUTE), "person": "M. Orrin", "readings": [
                {"lane": 1, "measure": "diameter", "object": "sphere", "known": 66.0,
                 "reading": 67.0}]}).raise_for_status()
        client.post("/v1/records?source=bench&run=1&lot=L-1", json=[
            {"seq": k, "diameter_mm": 64.0, "ground_hue_deg": 98.0} for k in range(5)],
            headers={"Authorization": f"Bearer {key}"}).raise_for_status()
        found = client.get("/v1/sources/bench/checks/since").json()
    assert found["changed"]["fruit"] == 5
    assert [(one["lane"], one["last_good"]) for one in found["lanes"]] == [(None, None), (1, None)]
