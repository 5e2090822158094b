"""The reject chart over HTTP, on invented fruit: its limits against a recomputation."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.settings import Settings
from tests.support.app import NOON_MS
from tests.support.line import LANES, PER_LANE_MINUTE, register

MINUTE = 60_000
PER_MINUTE = LANES * PER_LANE_MINUTE


class Line:
    """A line whose clock is set by hand; a fruit is a cull when it is under every size."""

    def __init__(self, client: TestClient, now: list[int]) -> None:
        self.client, self.now = client, now
        self.seq = 0
        self.headers = register(self.post)

    def post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def run(self, shares: list[float], *, draw: random.Random, per: int = PER_MINUTE) -> None:
        """One minute of fruit a share, up to now."""
        start = self.now[0] - len(shares) * MINUTE
        fruit = []
        for minute, share in enumerate(shares):
            for k in range(per):
                fruit.append({
                    "seq": self.seq, "lane": 1 + k % LANES,
                    "time_unix_ms": start + minute * MINUTE + k * MINUTE // per,
                    "diameter_mm": 50.0 if draw.random() < share else 68.0,
                    "ground_hue_deg": 98.0, "ground_chroma": 40.0, "ground_fraction": .3})
                self.seq += 1
        answer = self.client.post("/v1/records?source=belt-line-1&run=r1", json=fruit,
                                  headers=self.headers)
        assert answer.status_code == 201, answer.text

    def lot(self, name: str) -> None:
        self.post("/v1/lots", {
            "id": name, "grower": "Tolliver Ridge", "block": "TR-09", "pick": 1,
            "cultivar": "ember-lass", "standard": "house-long-distance", "line": "line-1"})
        self.post("/v1/lines/line-1/lot", {"lot": name, "person": "M. Orrin"})

    def rejects(self, **params: Any) -> dict[str, Any]:
        answer = self.client.get("/v1/lines/line-1/rejects", params=params)
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = answer.json()
        return found


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    now = [NOON_MS - 120 * MINUTE]
    app = create_app(settings=Settings(data_dir=tmp_path), clock=Clock(lambda: now[0]))
    with TestClient(app, raise_server_exceptions=False) as client:
        yield Line(client, now)


def test_the_chart_is_laneys_and_every_lot_starts_its_own(line: Line) -> None:
    draw = random.Random(5)
    line.now[0] += 40 * MINUTE
    line.run([max(draw.gauss(.1, .03), 0) for _ in range(40)], draw=draw)
    line.lot("L-0420")
    line.now[0] += 30 * MINUTE
    line.run([max(draw.gauss(.2, .03), 0) for _ in range(20)] + [.45] * 10, draw=draw)
    found = line.rejects()
    assert [c["lot"] for c in found["lots"]] == ["L-0417", "L-0420"]
    assert len(found["windows"]) == 70
    for chart in found["lots"]:
        windows = [w for w in found["windows"] if w["lot"] == chart["lot"]]
        x, n = (np.array([w[k] for w in windows]) for k in ("culls", "n"))
        p = x.sum() / n.sum()
        z = (x / n - p) / np.sqrt(p * (1 - p) / n)
        assert chart["pbar"] == pytest.approx(p)
        # Laney 2002: the mean moving range of z over d2(2) = 2/sqrt(pi).
        assert chart["sigma_z"] == pytest.approx(np.abs(np.diff(z)).mean() * math.sqrt(math.pi) / 2)
        assert chart["sigma_long"] == pytest.approx(z.std(ddof=1))
        over = stats.chi2.sf(((x - n * p) ** 2 / (n * p * (1 - p))).sum(), len(n) - 1)
        assert chart["dispersion"]["chance_over"] == pytest.approx(over, rel=1e-6, abs=1e-12)
        assert not chart["more_alike_than_chance"]
    old = [w for w in found["windows"] if w["lot"] == "L-0417" and "centre" in w]
    new = [w for w in found["windows"] if w["lot"] == "L-0420" and "centre" in w]
    assert {w["status"] for w in old} <= {"quiet", "look"}
    # The lot change from 10 to 20 % is no signal; the rise inside the lot is.
    assert new[0]["centre"] == pytest.approx(.2, abs=.04)
    assert [w["status"] for w in new[-10:]] == ["act"] * 10
    assert {w["status"] for w in new[:-10]} <= {"quiet", "look"}
    last = new[-1]
    binomial = math.sqrt(last["centre"] * (1 - last["centre"]) / last["n"])
    assert last["z"] == pytest.approx((last["share"] - last["centre"])
                                      / (binomial * last["sigma_used"]))
    assert last["act"][1] - last["centre"] > 3 * binomial * last["sigma_used"]
    assert (last["found"], last["side"]) == ("window", "up")
    assert last["trend"] > last["trend_act"]


def test_a_past_board_is_drawn_again_from_the_store(line: Line) -> None:
    draw = random.Random(6)
    line.now[0] += 40 * MINUTE
    line.run([.1] * 40, draw=draw)
    then = line.rejects()
    line.lot("L-0421")
    line.now[0] += 60 * MINUTE
    line.run([.3] * 60, draw=draw)
    again = line.rejects(**{"from": then["from"], "until": then["until"]})
    assert again["windows"] == then["windows"]
    assert again["lots"] == then["lots"]
    part = line.rejects(**{"from": then["windows"][30]["from"], "until": then["until"]})
    assert part["windows"] == then["windows"][30:]
    tens = line.rejects(minutes=10)
    assert [w["n"] for w in tens["windows"]] == [10 * PER_MINUTE] * 10
    assert tens["window"] == {"kind": "time", "size": 10, "unit": "min"}


def test_small_windows_are_listed_and_not_used(line: Line) -> None:
    draw = random.Random(7)
    line.now[0] += 26 * MINUTE
    line.run([.1] * 25, draw=draw)
    line.now[0] += MINUTE
    line.run([.9], draw=draw, per=150)
    found = line.rejects()
    assert [(w["n"], w["status"]) for w in found["windows"][-1:]] == [(150, "too_few")]
    assert found["windows"][-1]["act"][1] > found["windows"][-2]["act"][1]  # its own, wider
    (chart,) = found["lots"]
    assert (chart["windows"], chart["used"]) == (26, 25)
    assert chart["pbar"] == pytest.approx(.1, abs=.015)


def test_windows_by_fruit_count(line: Line) -> None:
    draw = random.Random(8)
    line.now[0] += 40 * MINUTE
    line.run([.1] * 40, draw=draw)
    found = line.rejects(fruit=1000)
    assert [w["n"] for w in found["windows"]] == [1000] * 19 + [200]
    assert found["windows"][-1]["status"] == "open"  # more of that thousand may come
    assert sum(w["culls"] for w in found["windows"]) == sum(
        w["culls"] for w in line.rejects()["windows"])
    first = found["windows"][0]
    assert (first["run"], first["from"]) == ("belt-line-1 r1", "2026-07-14T10:00:00.000Z")
    assert found["window"] == {"kind": "fruit", "size": 1000, "unit": "fruit"}
    line.post("/v1/lots/L-0417/close", {})
    assert line.rejects(fruit=1000)["windows"][-1]["status"] != "open"


def test_the_newest_minute_is_still_open(line: Line) -> None:
    draw = random.Random(9)
    line.now[0] += 10 * MINUTE
    line.run([.1] * 10, draw=draw)
    line.now[0] -= 30_000
    assert [w["status"] for w in line.rejects()["windows"]][-2:] == ["learning", "open"]


def test_windows_more_alike_than_chance_are_told(line: Line) -> None:
    """Every tenth fruit a cull, in every minute: no chance at all."""
    class Even(random.Random):
        k = 0

        def random(self) -> float:
            self.k += 1
            return float(self.k % 10 != 0)

    line.now[0] += 30 * MINUTE
    line.run([.1] * 30, draw=Even())
    (chart,) = line.rejects()["lots"]
    assert chart["sigma_z"] < .01
    assert chart["more_alike_than_chance"]


def test_fruit_without_a_time_and_stretches_without_fruit(line: Line) -> None:
    assert line.rejects()["windows"] == []
    answer = line.client.post("/v1/records?source=belt-line-1&run=r2", headers=line.headers, json=[
        {"seq": k, "diameter_mm": 68.0} for k in range(300)])
    assert answer.status_code == 201
    found = line.rejects()
    assert (found["windows"], found["undated"], found["lots"]) == ([], 300, [])
    by_fruit = line.rejects(fruit=200)
    assert [(w["n"], w["from"]) for w in by_fruit["windows"]] == [(200, None), (100, None)]
    past = line.rejects(**{"from": "2026-07-01T10:00:00Z", "until": "2026-07-01T11:00:00Z"})
    assert past["windows"] == []


def test_what_cannot_be_drawn_is_refused(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    def ask(**params: Any) -> Any:
        return line.client.get("/v1/lines/line-1/rejects", params=params)

    long = ask(**{"from": "2026-01-01T00:00:00Z", "until": "2026-07-01T11:00:00Z"})
    assert long.status_code == 422 and "31 days" in long.json()["detail"]
    assert line.client.get("/v1/lines/line-9/rejects").status_code == 404
    line.now[0] += 10 * MINUTE
    line.run([.1] * 10, draw=random.Random(1))
    monkeypatch.setattr("service.rejects.WINDOWS_MOST", 5)
    many = ask()
    assert many.status_code == 422 and "longer windows" in many.json()["detail"]
