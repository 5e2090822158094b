"""Culls by cause over HTTP, on invented fruit whose causes are known, because they were put in."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from scipy import stats
from starlette.testclient import TestClient
from statsmodels.stats.proportion import proportion_confint

from tests.support.app import NOON_MS, open_lot, send, service

MINUTE = 60_000
START_MS = NOON_MS - 120 * MINUTE
GOOD = {"diameter_mm": 68.0, "ground_hue_deg": 98.0, "ground_chroma": 40.0, "ground_fraction": 0.3,
        "sugar_brix": 11.5, "firmness_lbf": 12.5, "tip_mm": 8, "blush_fraction": 0.5}
SMALL = {**GOOD, "diameter_mm": 50.0}
SOFT = {**GOOD, "firmness_lbf": 5.0, "ground_hue_deg": 85.0}
BOTH = {**SOFT, "diameter_mm": 50.0}
"""Under 57.15 mm is under every size; 5 lbf on yellow ground is softer than what is packed."""


def run(kinds: list[dict[str, Any]], *, first: int = 0, start_ms: int = START_MS,
        each_ms: int = 250, lanes: int = 4) -> list[dict[str, Any]]:
    return [{**one, "seq": first + i, "lane": 1 + i % lanes,
             "time_unix_ms": start_ms + i * each_ms} for i, one in enumerate(kinds)]


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with service(tmp_path_factory.mktemp("culls")) as found:
        open_lot(found)
        open_lot(found, id="L-0418", block="TR-08", pick=2, line="line-2")
        open_lot(found, id="L-0419", grower="Quarry Creek Farm", block="TR-07")
        open_lot(found, id="L-0417-again", rerun_of="L-0417")
        send(found, run([GOOD] * 60 + [SMALL] * 20 + [SOFT] * 15 + [BOTH] * 5))
        send(found, run([GOOD] * 150 + [SMALL] * 50, start_ms=START_MS + 60 * MINUTE),
             lot="L-0418", source="line-2")
        send(found, [{**SOFT, "seq": 0}], lot="L-0419", source="line-3")
        send(found, run([SMALL] * 10, first=1000), lot="L-0417-again")
        yield found


def ask(client: TestClient, **params: Any) -> dict[str, Any]:
    answer = client.get("/v1/culls", params=params)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def counts(group: dict[str, Any]) -> tuple[int, int]:
    return group["fruit"], group["culls"]["count"]


def test_causes_by_any_and_by_the_one_that_settled_it(client: TestClient) -> None:
    group = ask(client, lot="L-0417")["groups"][0]
    assert counts(group) == (100, 40)
    exact = stats.binomtest(40, 100).proportion_ci()
    assert (group["culls"]["low"], group["culls"]["high"]) == pytest.approx(
        (exact.low, exact.high))
    causes = {c["reason"]: c for c in group["causes"]}
    assert {r: c["any"]["count"] for r, c in causes.items()} == {"below_size": 25, "too_soft": 20}
    assert sum(c["decisive"]["count"] for c in causes.values()) == 40
    assert group["marks"] == 45
    small = causes["below_size"]["any"]
    exact = stats.binomtest(25, 40).proportion_ci()
    assert (small["n"], small["low"], small["high"]) == pytest.approx((40, exact.low, exact.high))
    assert small["of_fruit"]["share"] == 0.25
    assert group["culls"]["wide"] is None  # 100 fruit are no window


def test_every_way_of_grouping_sums_the_same_counts(client: TestClient) -> None:
    origin = {"lot": [("L-0418",), ("L-0417",), ("L-0417-again",), ("L-0419",)],
              "block": [("Tolliver Ridge", "TR-08"), ("Tolliver Ridge", "TR-07"),
                        ("Quarry Creek Farm", "TR-07")],
              "pick": [("Tolliver Ridge", "TR-08", 2), ("Tolliver Ridge", "TR-07", 1),
                       ("Quarry Creek Farm", "TR-07", 1)],
              "grower": [("Tolliver Ridge",), ("Quarry Creek Farm",)]}
    for by, wanted in origin.items():
        found = ask(client, by=by)
        keys = ("lot",) if by == "lot" else ("grower", "block", "pick")[
            :{"grower": 1, "block": 2, "pick": 3}[by]]
        assert [tuple(g[k] for k in keys) for g in found["groups"]] == wanted
        # A fruit that passes again stays counted where it passed first.
        assert found["reruns_left_out"] == ["L-0417-again"]
        assert counts(found["total"]) == (301, 91)
    assert counts(ask(client, by="grower")["groups"][0]) == (300, 90)
    lines = {g["line"]: counts(g) for g in ask(client, by="line")["groups"]}
    assert lines == {"line-2": (200, 50), "line-1": (111, 51)}
    lanes = ask(client, by="lane", line="line-2")["groups"]
    assert [(g["lane"], counts(g)) for g in lanes] == [
        (1, (50, 12)), (2, (50, 12)), (3, (50, 13)), (4, (50, 13))]
    assert counts(ask(client, by="line", lane=2)["total"]) == (78, 25)
    hours = ask(client, by="hour")
    assert [g["hour"] for g in hours["groups"]] == [
        "2026-07-14T10:00:00.000Z", "2026-07-14T11:00:00.000Z"]
    assert hours["undated"] == 1
    assert [g["lane"] for g in ask(client, by="lane", lot="L-0419")["groups"]] == [None]


def test_filters_and_stretches(client: TestClient) -> None:
    assert counts(ask(client, block="TR-07")["total"]) == (101, 41)
    assert counts(ask(client, grower="Quarry Creek Farm")["total"]) == (1, 1)
    assert counts(ask(client, pick=2)["total"]) == (200, 50)
    assert ask(client, lot="none")["groups"] == []
    late = ask(client, **{"from": "2026-07-14T11:00:00Z"})
    assert counts(late["total"]) == (200, 50) and late["undated"] == 1
    # 250 ms a fruit: the first ten seconds of the lot hold 40 fruit, but a minute is the least.
    early = ask(client, until="2026-07-14T10:01:00Z", by="hour")
    assert counts(early["total"]) == (110, 50)
    for wrong in ({"from": "2026-07-14T11:00:00Z", "until": "2026-07-14T10:00:00Z"},
                  {"from": "2026-07-14T11:00:10Z", "until": "2026-07-14T11:00:40Z"}):
        refused = client.get("/v1/culls", params=wrong)
        assert refused.status_code == 422
        assert refused.json()["errors"][0]["pointer"] == "/query/until"


def test_too_many_groups_are_refused(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.culls.GROUPS_MOST", 1)
    refused = client.get("/v1/culls")
    assert refused.status_code == 422
    assert "shorter stretch" in refused.json()["detail"]


def test_windows_that_swing_widen_the_interval(tmp_path: Path) -> None:
    """Thirty minutes of 240 fruit, independent between minutes: a share of 10 % or 30 % by the
    toss of a coin. The true spread is sqrt(1 + n var/(p q)) with var .01."""
    draw = random.Random(11)
    kinds: list[dict[str, Any]] = []
    for _ in range(30):
        share = draw.choice((.1, .3))
        kinds += [SMALL if draw.random() < share else GOOD for _ in range(240)]
    with service(tmp_path) as client:
        open_lot(client)
        send(client, run(kinds))
        share = ask(client)["groups"][0]["culls"]
    true = (1 + 240 * .01 / (.2 * .8)) ** .5
    assert share["wide"]["spread"] == pytest.approx(true, rel=.25)
    spread = share["wide"]["spread"]
    wilson = proportion_confint(share["count"] / spread**2, 7200 / spread**2, method="wilson")
    assert (share["wide"]["low"], share["wide"]["high"]) == pytest.approx(wilson)
    assert share["wide"]["high"] - share["wide"]["low"] > 2 * (share["high"] - share["low"])


# --- came in, or added here --------------------------------------------------------------------


def pulled(client: TestClient, purpose: str, fruit: list[dict[str, Any]]) -> None:
    answer = client.post("/v1/lots/L-0417/pulls", json={
        "purpose": purpose, "person": "M. Lindqvist", "drawn_at": "2026-07-14T11:30:00Z",
        "tip_mm": 8, "fruit": fruit})
    assert answer.status_code == 201, answer.text


def by_hand(**changes: Any) -> dict[str, Any]:
    return {"diameter_mm": 66.0, "firmness_lbf": [13.0, 12.4], "ground_hue_deg": 98.0,
            "blush_fraction": .5, "sugar_brix": 11.6, **changes}


def marked(*kinds: str, **changes: Any) -> dict[str, Any]:
    return by_hand(defects=[{"kind": k, "severity": "serious"} for k in kinds], **changes)


def origin(client: TestClient) -> dict[str, Any]:
    answer = client.get("/v1/lots/L-0417/culls/origin")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def grower_asks() -> list[dict[str, Any]]:
    """100 culls with 132 marks: bruise 41, undersize 30, soft 22, scab 18, split pit 12,
    misshapen 9."""
    marks = (["bruise"] * 41 + ["undersize"] * 30 + ["soft"] * 22 + ["scab"] * 18
             + ["split_pit"] * 12 + ["misshapen"] * 9)
    fruit: list[list[str]] = [[m] for m in marks[:100]]
    for one, mark in zip(fruit, marks[100:], strict=False):  # the bruised ones bear a second mark
        one.append(mark)
    found = []
    for one in fruit:
        changes: dict[str, Any] = {}
        if "undersize" in one:
            changes["diameter_mm"] = 52.0
        if "soft" in one:
            changes.update(firmness_lbf=[5.0, 5.2], ground_hue_deg=85.0)
        found.append(marked(*(m for m in one if m not in ("undersize", "soft")), **changes))
    return found


def test_a_grower_asks_where_the_bruises_came_from(client: TestClient, tmp_path: Path) -> None:
    """Scene 11: 21 % culls; 41 of 100 culls bruised (31 to 51 %) = 8.6 % of the lot; 2 of 40 at
    receiving (5 %, 0.6 to 16.9): cannot yet say orchard or house."""
    with service(tmp_path) as client:
        open_lot(client)
        send(client, run([GOOD] * 790 + [SMALL] * 210))
        pulled(client, "culls", grower_asks())
        without = origin(client)
        assert "No receiving pull" in without["says"]
        pulled(client, "receiving", [marked("bruise")] * 2 + [by_hand()] * 38)
        found = origin(client)
    assert found["basis"] == "culls pull"
    assert (found["culls_looked_at"], found["marks"]) == (100, 132)
    assert found["cull_rate"]["share"] == 0.21
    causes = {c["cause"]: c for c in found["causes"]}
    assert {k: c["any"]["count"] for k, c in causes.items()} == {
        "bruise": 41, "below_size": 30, "too_soft": 22, "scab": 18, "split_pit": 12,
        "misshapen": 9}
    assert sum(c["decisive"]["count"] for c in causes.values()) == 100
    bruise = causes["bruise"]
    assert [round(100 * bruise["any"][k]) for k in ("share", "low", "high")] == [41, 31, 51]
    assert round(100 * bruise["of_lot"]["share"], 1) == 8.6
    answer = bruise["origin"]
    assert (answer["received"]["count"], answer["received"]["n"]) == (2, 40)
    assert [round(100 * answer["received"][k], 1) for k in ("share", "low", "high")] == [
        5.0, 0.6, 16.9]
    assert answer["verdict"] == "cannot_tell"
    # More than a first guess of 200: at 5 % in n fruit Newcombe's interval of the difference
    # leaves 0 out first between 300 and 330 (recomputed from Wilson's intervals).
    low, high = proportion_confint(41, 100, method="wilson")
    for n, tells in ((200, False), (answer["receiving_fruit_needed"], True)):
        top = proportion_confint(.05 * n, n, method="wilson")[1]
        line = .0861
        below = line - .05 - ((line - .21 * low) ** 2 + (top - .05) ** 2) ** .5
        assert (below > 0) == tells
    assert high > low
    assert f"about {answer['receiving_fruit_needed']}" in answer["says"]


def test_added_here_and_came_in_by_what_the_line_saw(tmp_path: Path) -> None:
    """400 of 2,000 undersize on the line, as at receiving; 200 soft, but none at receiving."""
    with service(tmp_path) as client:
        open_lot(client)
        send(client, run([GOOD] * 1400 + [SMALL] * 400 + [SOFT] * 200))
        pulled(client, "receiving", [by_hand(diameter_mm=52.0)] * 180 + [by_hand()] * 700
               + [{"diameter_mm": 66.0}] * 20)
        found = origin(client)
    assert found["basis"] == "line"
    causes = {c["cause"]: c for c in found["causes"]}
    assert causes["too_soft"]["origin"]["verdict"] == "added_here"
    assert causes["too_soft"]["origin"]["received"]["n"] == 880  # 20 were not pressed
    size = causes["below_size"]["origin"]
    assert (size["received"]["count"], size["received"]["n"]) == (180, 900)
    assert size["verdict"] == "cannot_tell"  # 20 % on both sides, to within 3.3 %
    assert size["receiving_fruit_needed"] > 900


def test_what_nobody_looked_for_has_no_answer(tmp_path: Path) -> None:
    """Fruit of which only the diameter was read say nothing of softness; a sound fruit among the
    culls has no cause."""
    with service(tmp_path) as client:
        open_lot(client)
        send(client, run([GOOD] * 90 + [SOFT] * 10))
        pulled(client, "receiving", [{"diameter_mm": 66.0}] * 40)
        assert origin(client)["causes"][0]["origin"] is None
        pulled(client, "culls", [by_hand(), by_hand(firmness_lbf=[5.0, 5.1], ground_hue_deg=85.0)])
        found = origin(client)
        assert (found["culls_looked_at"], found["without_a_cause"]) == (2, 1)
        assert [c["cause"] for c in found["causes"]] == ["too_soft"]
