"""Hand pulls through the API: what is taken, what is refused with a remedy, what is kept."""

from __future__ import annotations

from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.support.app import send

FRUIT = {"diameter_mm": 66.2, "firmness_lbf": [12.6, 13.2], "sugar_brix": 11.8,
         "ground_hue_deg": 98, "blush_fraction": 0.5}


def pull(*fruit: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return {"purpose": "line_check", "person": "M. Lindqvist", "tip_mm": 8,
            "drawn_at": "2026-07-14T09:00:00Z", "fruit": list(fruit or (FRUIT, FRUIT)), **changes}


def post(client: TestClient, body: dict[str, Any], lot: str = "L-0417") -> Any:
    return client.post(f"/v1/lots/{lot}/pulls", json=body)


def refused(client: TestClient, body: dict[str, Any], pointer: str, *words: str) -> None:
    answer = post(client, body)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    error = next(e for e in answer.json()["errors"] if e["pointer"] == pointer)
    for word in words:
        assert word in error["message"]


def test_a_pull_is_graded_and_never_counted_with_the_line(client: TestClient) -> None:
    send(client, {"seq": 1, "diameter_mm": 70})
    body = post(client, pull()).json()
    assert body["shares"]["by_grade"][0]["count"] == 2
    assert body["fruit"][0]["firmness_spread"] == 0.6
    assert body["fruit"][0]["firmness_n"] == 57.38  # mean 12.9 lbf x 4.4482216 N/lbf
    assert client.get("/v1/lots/L-0417/packout").json()["n"] == 1
    lot = client.get("/v1/lots/L-0417").json()
    assert (lot["fruit"], lot["pulled_fruit"]) == (1, 2)
    name = body["pull"]["id"]
    why = client.get(f"/v1/fruit/pull:{name}/1/0").json()
    assert why["kind"] == "pull"
    assert why["why"]


def test_posting_it_twice_is_harmless(client: TestClient) -> None:
    first = post(client, pull())
    again = post(client, pull())
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == {**first.json(), "duplicate": True}
    assert client.get("/v1/lots/L-0417").json()["pulled_fruit"] == 2
    assert first.headers["location"] == f"/v1/pulls/{first.json()['pull']['id']}"


def test_an_id_is_not_taken_twice(client: TestClient) -> None:
    assert post(client, pull(id="P-1")).status_code == 201
    other = post(client, pull({**FRUIT, "diameter_mm": 60}, id="P-1"))
    assert other.status_code == 422
    assert "stands" in other.json()["detail"]
    assert client.get("/v1/pulls/P-1").json()["pull"]["n"] == 2


def test_pulls_are_read_back(client: TestClient) -> None:
    for name in ("P-1", "P-2", "P-3"):
        post(client, pull(id=name))
    page = client.get("/v1/lots/L-0417/pulls?limit=2").json()
    assert [p["pull"]["id"] for p in page["pulls"]] == ["P-1", "P-2"]
    rest = client.get(f"/v1/lots/L-0417/pulls?after={page['next']}").json()
    assert [p["pull"]["id"] for p in rest["pulls"]] == ["P-3"]
    assert rest["next"] is None
    assert client.get("/v1/pulls/P-2").json()["posted"]["person"] == "M. Lindqvist"
    assert client.get("/v1/pulls/none").status_code == 404
    assert client.get("/v1/lots/none/pulls").status_code == 404
    assert post(client, pull(), lot="none").status_code == 404


def test_a_warm_reading_is_brought_to_20_degrees(client: TestClient) -> None:
    """12.0 at 15 degC is 11.68 (OIV-MA-AS2-02 Table I and a national table, within 0.02)."""
    cold = {**FRUIT, "sugar_brix": 12.0, "sugar_temp_c": 15}
    body = post(client, pull(cold, {**cold, "sugar_atc": True})).json()
    assert body["fruit"][0]["sugar_brix"] == pytest.approx(11.68, abs=0.02)
    assert body["fruit"][1]["sugar_brix"] == 12.0


def test_a_chip_is_read_through_the_cultivar_chart(client: TestClient) -> None:
    chips = next(p for p in client.get("/v1/cultivars").json()["cultivars"]
                 if p["id"] == "ember-lass")["chips"]
    name, hue = next(iter(chips.items()))
    chip = {k: v for k, v in FRUIT.items() if k != "ground_hue_deg"} | {"ground_chip": name}
    assert post(client, pull(chip)).json()["fruit"][0]["ground_hue_deg"] == float(hue)
    refused(client, pull({**chip, "ground_chip": "Z9"}), "/fruit/0/ground_chip", "Z9", name)
    refused(client, pull({**FRUIT, "ground_chip": name}), "/fruit/0/ground_chip", "not both")


@pytest.mark.parametrize(("fruit", "pointer", "word"), [
    ({**FRUIT, "diameter_mm": 400}, "/fruit/0/diameter_mm", "diameter_in"),
    ({**FRUIT, "sugar_temp_c": 35}, "/fruit/0/sugar_temp_c", "35"),
    ({**FRUIT, "sugar_brix": 30, "sugar_temp_c": 22}, "/fruit/0/sugar_brix", "30"),
    ({**FRUIT, "defects": [{"kind": "scab", "colour": 1}]}, "/fruit/0/defects/0/colour", "colour"),
    ({**FRUIT, "package": "Q"}, "/fruit/0/package", "Q"),
    ({**FRUIT, "blush_fraction": 50}, "/fruit/0/blush_fraction", "not percent"),
])
def test_a_fruit_that_cannot_be_used_says_where_and_how(
    client: TestClient, fruit: dict[str, Any], pointer: str, word: str
) -> None:
    refused(client, pull(fruit, packages=[{"id": "A"}]), pointer, word)
    assert client.get("/v1/lots/L-0417").json()["pulled_fruit"] == 0


def test_a_pull_needs_a_tip_a_known_grade_and_a_past(client: TestClient) -> None:
    bare = {k: v for k, v in pull().items() if k != "tip_mm"}
    refused(client, bare, "/fruit/0/tip_mm", "plunger")
    refused(client, pull(declared={"grade": "best"}), "/declared/grade", "best", "select")
    refused(client, pull(drawn_at="2026-07-15T09:00:00Z"), "/drawn_at", "clock")
    refused(client, pull(declared={"min_diameter": "two"}), "/declared", "two")
    assert post(client, pull(drawn_at="1970-01-01T00:00:00Z")).status_code == 422


def test_one_cheek_has_no_spread(client: TestClient) -> None:
    body = post(client, pull({**FRUIT, "firmness_lbf": [12.6]}, {"diameter_mm": 66})).json()
    assert [f["firmness_spread"] for f in body["fruit"]] == [None, None]
