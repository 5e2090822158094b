"""Records in, one outcome per record out; what is acknowledged is counted."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from service.api.records import MEDIA
from tests.support.app import LOT, open_lot, send

GOOD = {"seq": 1, "lane": 1, "diameter_mm": 72.4, "ground_hue_deg": 99, "blush_fraction": 0.5,
        "mass_g": 180}
PROBLEM = "application/problem+json"


def problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["detail"]
    return body


def test_one_record_is_graded_and_stored(client: TestClient) -> None:
    answer = send(client, GOOD)
    assert answer.status_code == 201
    body = answer.json()
    assert body["stored"] == body["received"] == 1
    assert body["outcomes"] == [{
        "seq": 1, "outcome": "stored", "size": "L", "maturity": "long_haul", "grade": "select",
        "pack": "two_layer_tray"}]


def test_the_same_record_again_gets_its_first_answer(client: TestClient) -> None:
    first = send(client, GOOD).json()["outcomes"][0]
    answer = send(client, GOOD)
    assert answer.status_code == 200
    assert answer.json()["outcomes"] == [{**first, "outcome": "duplicate"}]
    assert client.get("/v1/lots/L-0417/packout").json()["n"] == 1


def test_white_space_and_field_order_make_no_conflict(client: TestClient) -> None:
    send(client, GOOD)
    turned = "{" + ", ".join(f'"{k}" :  {v}' for k, v in reversed(GOOD.items())) + "}"
    answer = client.post("/v1/records?source=line-1&run=r1&lot=L-0417", content=turned)
    assert answer.json()["outcomes"][0]["outcome"] == "duplicate"


def test_another_record_under_a_taken_key_is_refused_and_the_stored_one_stands(
    client: TestClient,
) -> None:
    send(client, GOOD)
    body = problem(send(client, {**GOOD, "diameter_mm": 60}), 422)
    assert body["outcomes"] == [{"seq": 1, "outcome": "conflict"}]
    fruit = client.get("/v1/lots/L-0417/fruit").json()["fruit"]
    assert [f["diameter_mm"] for f in fruit] == [72.4]
    assert client.get("/v1/lots/L-0417").json()["conflicts"] == 1


def test_bad_records_do_not_block_good_ones(client: TestClient) -> None:
    answer = send(client, [GOOD, {"seq": 2, "diameter_mm": 400}, {"seq": 3, "colour": "red"},
                           {**GOOD, "seq": 4}])
    assert answer.status_code == 201
    body = answer.json()
    assert [o["outcome"] for o in body["outcomes"]] == ["stored", "refused", "refused", "stored"]
    assert [o["seq"] for o in body["outcomes"]] == [1, 2, 3, 4]
    size, field = (o["errors"][0] for o in body["outcomes"][1:3])
    assert size["pointer"] == "/diameter_mm"
    assert "400" in size["message"] and "diameter_in" in size["message"]
    assert field["pointer"] == "/colour"
    kept = client.get("/v1/lots/L-0417/quarantine").json()
    assert kept["waiting"] == 2
    assert [r["position"] for r in kept["records"]] == [1, 2]
    assert '"diameter_mm"' in kept["records"][0]["raw"]


@pytest.mark.parametrize(("field", "value"), [
    ("diameter_mm", 400), ("ground_hue_deg", 361), ("blush_fraction", 1.2), ("sugar_brix", 99),
    ("firmness_n", -3), ("mass_g", 0), ("diameter_in", 66), ("diameter_mm", 2.6),
])
def test_an_impossible_value_names_field_value_and_remedy(
    client: TestClient, field: str, value: float
) -> None:
    body = problem(send(client, {"seq": 1, "tip_mm": 8, field: value}), 422)
    error = next(e for e in body["errors"] if e["pointer"] == f"/{field}")
    assert f"{value:g}" in error["message"]
    assert "Send" in error["message"]


@pytest.mark.parametrize("text", [b"{", b"[1,]", b"NaN", b'{"seq":1,"mass_g":NaN}', b"\xff\xfe",
                                  b"", b"null", b'"fruit"'])
def test_a_body_that_cannot_be_read_is_a_problem_and_is_kept(
    client: TestClient, text: bytes
) -> None:
    answer = client.post("/v1/records?source=line-1&run=r1&lot=L-0417", content=text)
    assert answer.status_code in (400, 422), answer.text
    assert answer.headers["content-type"] == PROBLEM
    assert answer.json()["errors"]
    assert client.get("/v1/lots/L-0417/quarantine").json()["waiting"] == 1


def test_every_media_type_takes_the_same_road(client: TestClient) -> None:
    bodies = {
        "application/x-ndjson": b'{"seq":11,"diameter_mm":66}\n\n{"seq":12,"diameter_mm":64}\n',
        "text/csv": b"seq,diameter_mm,mass_g\n21,66,\n22,64,150\n",
        "application/json": b'[{"seq":31,"diameter_mm":66},{"seq":32,"diameter_mm":64}]',
    }
    for media, body in bodies.items():
        answer = client.post("/v1/records?source=line-1&run=r1&lot=L-0417", content=body,
                             headers={"content-type": media})
        assert answer.status_code == 201, answer.text
        assert [o["size"] for o in answer.json()["outcomes"]] == ["M", "M"]
    assert client.get("/v1/lots/L-0417/packout").json()["n"] == 6


def test_what_is_not_taken_says_what_is(client: TestClient) -> None:
    body = problem(client.post("/v1/records?source=a&run=b&lot=L-0417", content=b"x",
                               headers={"content-type": "image/png"}), 415)
    assert all(media in body["detail"] for media in MEDIA)
    problem(client.post("/v1/records?source=a&run=b&lot=L-0417", content=b"[]",
                        headers={"content-encoding": "gzip"}), 415)
    problem(client.post("/v1/records?source=a&run=b&lot=L-9999", json=GOOD), 404)
    missing = problem(client.post("/v1/records", json=GOOD), 422)
    assert [e["pointer"] for e in missing["errors"]] == ["/query/source", "/query/run"]
    nowhere = problem(client.post("/v1/records?source=a&run=b", json=GOOD), 422)
    assert [e["pointer"] for e in nowhere["errors"]] == ["/query/lot"]
    assert client.get("/v1/records").status_code == 405


def test_a_body_over_the_limit_is_refused_before_it_is_read(client: TestClient) -> None:
    limit = client.app.state.context.settings.body_bytes  # type: ignore[attr-defined]  # ours
    answer = client.post("/v1/records?source=a&run=b&lot=L-0417", content=b"[",
                         headers={"content-length": str(limit + 1)})
    problem(answer, 413)

    def endless() -> Any:
        for _ in range(limit // 2**20 + 2):
            yield b" " * 2**20

    problem(client.post("/v1/records?source=a&run=b&lot=L-0417", content=endless()), 413)


def test_a_closed_lot_takes_repeats_but_nothing_new(client: TestClient) -> None:
    send(client, GOOD)
    assert client.post("/v1/lots/L-0417/close").json()["status"] == "closed"
    assert send(client, GOOD).json()["outcomes"][0]["outcome"] == "duplicate"
    problem(send(client, {**GOOD, "seq": 2}), 409)
    problem(client.post("/v1/lots/L-0417/close"), 409)


def test_a_repeat_tells_the_lot_that_the_fruit_is_in(client: TestClient) -> None:
    send(client, GOOD)
    open_lot(client, id="L-0418", standard="house-tree-ripe")
    answer = send(client, GOOD, lot="L-0418").json()["outcomes"][0]
    assert answer["outcome"] == "duplicate"
    assert answer["lot"] == "L-0417"
    assert answer["grade"] == "select"


@pytest.mark.parametrize("beside", [[], [{**GOOD, "seq": 2}]])
@pytest.mark.parametrize(("first", "then"), [
    ("house-long-distance", "us-peaches"), ("us-peaches", "house-long-distance"),
    ("house-tree-ripe", "us-peaches"), ("us-peaches", "house-tree-ripe")])
def test_fruit_of_a_lot_under_another_standard_are_told_in_its_words(
    client: TestClient, first: str, then: str, beside: list[dict[str, Any]]
) -> None:
    """Its classes need not even have a number under the standard of the lot that was named."""
    fruit = {**GOOD, "ground_chroma": 40, "ground_fraction": 0.4, "firmness_n": 70, "tip_mm": 8}
    open_lot(client, id="L-0430", standard=first)
    open_lot(client, id="L-0431", standard=then)
    told = send(client, fruit, lot="L-0430").json()["outcomes"][0]
    again = send(client, [fruit, *beside], lot="L-0431").json()["outcomes"][0]
    assert again == {**told, "outcome": "duplicate", "lot": "L-0430"}
    other = send(client, [{**fruit, "diameter_mm": 60}, *beside], lot="L-0431")
    assert other.json()["outcomes"][0] == {"seq": 1, "outcome": "conflict", "lot": "L-0430"}


def test_a_refused_record_can_be_mended_and_stays_visible(client: TestClient) -> None:
    send(client, [{"seq": 5, "diameter_mm": 2.6}])
    kept = client.get("/v1/lots/L-0417/quarantine").json()["records"][0]
    mended = {"person": "A. Okafor", "reason": "inches sent as mm",
              "record": {"seq": 5, "diameter_in": 2.6}}
    answer = client.post(f"/v1/quarantine/{kept['id']}/repair", json=mended)
    assert answer.status_code == 200, answer.text
    assert answer.json()["answer"]["stored"] == 1
    problem(client.post(f"/v1/quarantine/{kept['id']}/repair", json=mended), 409)
    after = client.get("/v1/lots/L-0417/quarantine").json()
    assert after["waiting"] == 0
    assert after["records"][0]["resolved_by"]["person"] == "A. Okafor"
    fruit = client.get("/v1/lots/L-0417/fruit").json()["fruit"][0]
    assert fruit["diameter_mm"] == 66.04  # 2.6 x 25.4 by definition of the inch
    assert fruit["as_sent"] == {"diameter_in": 2.6}


def test_a_refused_record_can_be_dismissed_with_a_reason(client: TestClient) -> None:
    send(client, [{"seq": 5, "diameter_mm": 2.6}])
    body = {"person": "A. Okafor", "reason": "double fruit"}
    assert client.post("/v1/quarantine/1/dismiss", json=body).status_code == 200
    problem(client.post("/v1/quarantine/1/dismiss", json=body), 409)
    problem(client.post("/v1/quarantine/99/dismiss", json=body), 404)


def test_a_lot_code_is_not_used_twice_and_bad_lots_say_why(client: TestClient) -> None:
    problem(client.post("/v1/lots", json=LOT), 409)
    wrong = problem(client.post("/v1/lots", json={**LOT, "id": "L-2", "standard": "no-such"}), 422)
    assert "us-peaches" in wrong["detail"]
    problem(client.post("/v1/lots", json={**LOT, "id": "L-2", "cultivar": "no-such"}), 422)
    problem(client.post("/v1/lots", json={**LOT, "id": "L-2", "basis": "circumference"}), 422)
    problem(client.post("/v1/lots", json={**LOT, "id": "L-2", "standard": "us-nectarines"}), 422)
    problem(client.post("/v1/lots", json={**LOT, "id": "L-2", "surprise": 1}), 422)


def test_pages_of_fruit_hold_every_fruit_once(client: TestClient) -> None:
    for start in range(0, 50, 10):
        send(client, [{"seq": s, "diameter_mm": 50 + s / 2} for s in range(start, start + 10)],
             run="b" if start % 20 else "a")
    seen, cursor = [], ""
    while True:
        page = client.get(f"/v1/lots/L-0417/fruit?limit=7&cursor={cursor}").json()
        seen += [(f["run"], f["seq"]) for f in page["fruit"]]
        if page["next"] is None:
            break
        cursor = page["next"]
    assert len(seen) == len(set(seen)) == 50
    assert seen == sorted(seen)
    small = client.get("/v1/lots/L-0417/fruit?size=S&limit=1000").json()["fruit"]
    assert {f["diameter_mm"] for f in small} == {50 + s / 2 for s in range(15, 27)}
    problem(client.get("/v1/lots/L-0417/fruit?cursor=rubbish"), 422)


def test_gaps_are_shown(client: TestClient) -> None:
    send(client, [{"seq": s, "diameter_mm": 66} for s in (1, 2, 5, 9)])
    sources = client.get("/v1/lots/L-0417").json()["sources"]
    assert sources[0]["gaps"] == [[3, 4], [6, 8]]


def test_packout_sums_counts_and_weights(client: TestClient) -> None:
    send(client, [
        {"seq": 1, "diameter_mm": 72, "ground_hue_deg": 99, "blush_fraction": 0.5, "mass_g": 180},
        {"seq": 2, "diameter_mm": 72, "ground_hue_deg": 99, "blush_fraction": 0.5},
        {"seq": 3, "diameter_mm": 40, "ground_hue_deg": 99, "defects": [{"kind": "decay"}]},
    ])
    body = client.get("/v1/lots/L-0417/packout").json()
    grades = {g["code"]: g for g in body["by_grade"]}
    assert (grades["select"]["count"], grades["select"]["weighed"]) == (2, 1)
    assert grades["select"]["mass_g"] == 180
    assert sum(g["count"] for g in body["by_grade"]) == body["n"] == 3
    assert sum(c["count"] for c in body["cells"]) == 3
    culls = client.get("/v1/lots/L-0417/culls").json()
    assert culls["culls"] == 1
    assert [r["reason"] for r in culls["decisive"]] == ["decay"]
    assert {r["reason"] for r in culls["any"]} >= {"decay", "below_size"}
    sizes = client.get("/v1/lots/L-0417/histograms").json()["measures"]["diameter"]
    assert sum(sizes["counts"]) == sizes["n"] == 3
    assert 63.5 in sizes["cuts"]


def test_why_one_fruit_got_its_grade(client: TestClient) -> None:
    send(client, {**GOOD, "sugar_brix": 10.2})
    why = client.get("/v1/fruit/line-1/r1/1").json()
    assert any("10.2" in s and "11" in s for s in why["why"])
    assert why["fruit"]["decisive"] == "low_sugar"
    problem(client.get("/v1/fruit/line-1/r1/2"), 404)


def test_operation_endpoints(client: TestClient) -> None:
    ready = client.get("/health/ready").json()
    assert ready["status"] == "ready" and ready["sync_ms"] > 0
    assert client.get("/health/live").json() == {"status": "alive"}
    send(client, GOOD)
    metrics = client.get("/metrics").text
    assert 'grading_records_total{outcome="stored"} 1.0' in metrics


def test_standards_are_readable_with_their_evidence(client: TestClient) -> None:
    listed = client.get("/v1/standards").json()["standards"]
    assert {"us-peaches", "us-nectarines", "wa-peaches", "eu-peaches", "house-tree-ripe",
            "house-long-distance"} <= {s["id"] for s in listed}
    one = client.get("/v1/standards/us-peaches")
    assert one.headers["etag"].strip('"') == one.json()["digest"]
    assert one.json()["evidence"]["R"]
    problem(client.get("/v1/standards/none"), 404)
    assert client.get("/v1/standards/schema").json()["properties"]["tolerance"]
    assert any(p["id"] == "rosalind-red" for p in client.get("/v1/cultivars").json()["cultivars"])


def test_lots_are_listed_in_pages(client: TestClient) -> None:
    open_lot(client, id="L-0418")
    first = client.get("/v1/lots?limit=1").json()
    assert [x["id"] for x in first["lots"]] == ["L-0417"]
    rest = client.get(f"/v1/lots?after={first['next']}&status=open").json()
    assert [x["id"] for x in rest["lots"]] == ["L-0418"]
    assert rest["next"] is None
    assert client.get("/v1/lots?status=closed").json()["lots"] == []


def test_a_lot_can_be_regraded_under_another_standard(client: TestClient) -> None:
    ripe = {"diameter_mm": 72, "ground_hue_deg": 85, "blush_fraction": 0.6, "firmness_lbf": 3,
            "tip_mm": 8}
    send(client, [{"seq": s, **ripe} for s in range(5)])
    body = client.get("/v1/lots/L-0417/regrade?standard=house-tree-ripe").json()
    assert body["n"] == 5
    assert body["moves"] == [{"from": "cull", "to": body["moves"][0]["to"], "count": 5}]
    assert body["moves"][0]["to"] != "cull"  # 3 lbf is roadside fruit (2-4 lbf), not long haul
    assert client.get("/v1/lots/L-0417/packout").json()["by_grade"][-1]["count"] == 5
    problem(client.get("/v1/lots/L-0417/regrade?standard=none"), 422)
