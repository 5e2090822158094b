"""Sources and lines over HTTP: keys, lanes, tips, clocks, clean breaks, holding lots, re-runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from tests.support.app import NOON_MS, open_lot, service

LINE: dict[str, Any] = {
    "id": "line-1", "holding": {"standard": "house-long-distance", "cultivar": "ember-lass"}}
SOURCE: dict[str, Any] = {
    "id": "belt-1", "line": "line-1", "lanes": 8, "diameter": "greatest", "tip_mm": 7.9,
    "colour_space": "CIELAB, D65, 10 degrees", "clock": "arrival",
    "measures": {"diameter": {"resolution": 0.1, "uncertainty": 0.4}}}


def fruit(seq: int, **more: Any) -> dict[str, Any]:
    return {"seq": seq, "lane": 1 + seq % 8, "diameter_mm": 68.0, "ground_hue_deg": 100.0, **more}


class House:
    """A line with one source and two lots, as a sender and a supervisor see it."""

    def __init__(self, client: TestClient, **source: Any) -> None:
        self.client = client
        self.made(client.post("/v1/lines", json=LINE))
        answer = self.made(client.post("/v1/sources", json={**SOURCE, **source}))
        self.key = answer["key"]
        for lot in ("L-0417", "L-0418"):
            open_lot(client, id=lot)

    @staticmethod
    def made(answer: Any, status: int = 201) -> dict[str, Any]:
        assert answer.status_code == status, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def send(self, records: Any, *, run: str = "r1", key: str | None = "", lot: str = "") -> Any:
        shown = self.key if key == "" else key
        return self.client.post(
            f"/v1/records?source=belt-1&run={run}" + (f"&lot={lot}" if lot else ""), json=records,
            headers={} if shown is None else {"Authorization": f"Bearer {shown}"})

    def turn(self, lot: str) -> Any:
        return self.client.post("/v1/lines/line-1/lot", json={"lot": lot, "person": "M. Orrin"})

    def fruit_of(self, lot: str) -> int:
        n = self.client.get(f"/v1/lots/{lot}").json()["fruit"]
        assert isinstance(n, int)
        return n


@pytest.fixture
def house(tmp_path: Path) -> Any:
    with service(tmp_path) as client:
        yield House(client)


def test_fruit_go_to_the_lot_of_their_line(house: House) -> None:
    early = house.made(house.send([fruit(1), fruit(2)]))
    assert early["lot"] == "line-1-holding"
    house.made(house.turn("L-0417"), 200)
    assert house.made(house.send([fruit(3)]))["lot"] == "L-0417"
    house.made(house.turn("L-0418"), 200)
    assert house.made(house.send([fruit(4)]))["lot"] == "L-0418"
    ended = house.client.post("/v1/lines/line-1/break", json={"person": "M. Orrin"})
    assert house.made(ended, 200)["lot"] is None
    assert house.made(house.send([fruit(5)]))["lot"] == "line-1-holding"
    assert [house.fruit_of(lot) for lot in ("line-1-holding", "L-0417", "L-0418")] == [3, 1, 1]
    turns = house.client.get("/v1/lines/line-1").json()["turns"]
    assert [t["lot"] for t in turns] == [None, "L-0418", "L-0417"]
    assert turns[1]["after"] == {"belt-1": {"r1": 3}}


def test_fruit_sent_again_after_a_clean_break_stay_in_their_lot(house: House) -> None:
    """Numbers up to 3 had come in before the break; 2 got lost on the way and comes late."""
    house.made(house.turn("L-0417"), 200)
    house.made(house.send([fruit(1), fruit(3)]))
    house.made(house.turn("L-0418"), 200)
    late = house.made(house.send([fruit(1), fruit(2), fruit(3), fruit(4), fruit(5)]))
    assert [o["outcome"] for o in late["outcomes"]] == [
        "duplicate", "stored", "duplicate", "stored", "stored"]
    assert [o["lot"] for o in late["outcomes"]] == ["L-0417"] * 3 + ["L-0418"] * 2
    assert late["lot"] == "L-0418"
    assert (late["stored"], late["duplicates"]) == (3, 2)
    assert (house.fruit_of("L-0417"), house.fruit_of("L-0418")) == (3, 2)


def test_a_trusted_clock_tells_the_lot_of_fruit_sent_late(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        house = House(client, clock="trusted")
        house.made(house.turn("L-0417"), 200)  # at noon, as the service's clock stands
        sent = house.made(house.send([
            fruit(1, time_unix_ms=NOON_MS - 60_000), fruit(2, time_unix_ms=NOON_MS + 1_000),
            fruit(3), fruit(4, time_unix_ms=NOON_MS + 3_600_000)]))
        assert [o.get("lot", sent["lot"]) for o in sent["outcomes"]] == [
            "line-1-holding", "L-0417", "L-0417", "L-0417"]
        assert sent["clock"] == {"ahead": 1, "doubtful": 1}


def test_a_registered_source_needs_its_key(house: House) -> None:
    for key, code in ((None, "key_missing"), ("x" * 43, "key_wrong")):
        refused = house.send([fruit(1)], key=key, lot="L-0417")
        assert refused.status_code == 401
        assert refused.json()["type"] == f"urn:drupe:problem:{code}"
    metrics = house.client.get("/metrics").text
    assert 'grading_sources_refused_total{why="key_wrong"} 1.0' in metrics
    another = house.made(house.client.post("/v1/sources/belt-1/keys"))
    house.made(house.send([fruit(1)], key=another["key"], lot="L-0417"))
    gone = house.client.delete(f"/v1/sources/belt-1/keys/{another['id']}")
    assert house.made(gone, 200)["ended_at"].startswith("2026-07-14")
    assert house.send([fruit(2)], key=another["key"], lot="L-0417").status_code == 401
    assert house.client.delete(f"/v1/sources/belt-1/keys/{another['id']}").status_code == 404
    assert house.send([fruit(2)], lot="L-0417").status_code == 201


def test_keys_and_turns_outlive_a_restart(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        house = House(client)
        house.made(house.turn("L-0417"), 200)
        house.made(house.send([fruit(1), fruit(2)]))
    with service(tmp_path) as client:
        house.client = client
        house.made(house.turn("L-0418"), 200)
        again = house.made(house.send([fruit(1), fruit(3)]))
        assert [o.get("lot", again["lot"]) for o in again["outcomes"]] == ["L-0417", "L-0418"]
        assert client.get("/v1/lines/line-1").json()["turns"][0]["after"] == {"belt-1": {"r1": 2}}


def test_a_lane_that_the_source_does_not_have_is_refused_and_kept(house: House) -> None:
    sent = house.made(house.send([fruit(1), fruit(2, lane=9), fruit(3)], lot="L-0417"))
    assert [o["outcome"] for o in sent["outcomes"]] == ["stored", "refused", "stored"]
    assert sent["outcomes"][1]["errors"][0]["code"] == "unknown_lane"
    assert sent["outcomes"][1]["errors"][0]["pointer"] == "/lane"
    assert house.client.get("/v1/lots/L-0417").json()["in_quarantine"] == 1


def test_the_tip_of_the_source_stands_for_a_missing_one(house: House) -> None:
    house.made(house.send([fruit(1, firmness_n=55.0), fruit(2, firmness_n=55.0, tip_mm=11.1)],
                          lot="L-0417"))
    tips = [house.client.get(f"/v1/fruit/belt-1/r1/{seq}").json()["fruit"]["tip_mm"]
            for seq in (1, 2)]
    assert tips == [7.9, 11.1]


def test_what_is_odd_is_told_and_kept(house: House) -> None:
    house.made(house.send([fruit(1)], lot="L-0417"))
    far = house.made(house.send([
        fruit(1_000_002, time_unix_ms=NOON_MS + 6_000),
        fruit(1_000_003, time_unix_ms=NOON_MS - 301_000)], lot="L-0417"))
    assert far["skipped"] == [2, 1_000_001]
    assert far["clock"] == {"ahead": 1, "late": 1}
    lot = house.client.get("/v1/lots/L-0417").json()
    assert lot["sources"][0]["gaps"] == [[2, 1_000_001]]
    kept = house.client.get("/v1/fruit/belt-1/r1/1000002").json()["fruit"]
    assert kept["time"] == "2026-07-14T12:00:06.000Z"
    metrics = house.client.get("/metrics").text
    assert 'grading_clock_records_total{off="ahead"} 1.0' in metrics


def test_a_count_that_begins_anew_under_the_same_run_is_refused_with_the_remedy(
    house: House,
) -> None:
    house.made(house.send([fruit(1), fruit(2)], lot="L-0417"))
    anew = house.send([fruit(1, diameter_mm=60.0), fruit(2, diameter_mm=61.0)], lot="L-0417")
    assert anew.status_code == 422
    assert anew.json()["conflicts"] == 2
    assert "another run" in anew.json()["detail"]
    house.made(house.send([fruit(1, diameter_mm=60.0)], run="r2", lot="L-0417"))


def test_closing_a_lot_ends_its_turn_on_the_line(house: House) -> None:
    house.made(house.turn("L-0417"), 200)
    assert house.client.post("/v1/lots/L-0417/close").status_code == 200
    assert house.made(house.send([fruit(1)]))["lot"] == "line-1-holding"
    assert house.client.post("/v1/lots/L-0417/close").status_code == 409
    assert house.client.get("/v1/lines").json()["lines"][0]["lot"] is None


def test_what_a_line_cannot_pack_is_refused(house: House) -> None:
    client = house.client
    person = {"person": "M. Orrin"}
    assert client.post("/v1/lines/line-1/break", json=person).status_code == 409
    assert client.post("/v1/lines/line-9/break", json=person).status_code == 404
    assert house.turn("L-9999").status_code == 404
    assert house.turn("line-1-holding").json()["type"].endswith(":holding_lot")
    assert client.post("/v1/lots/line-1-holding/close").status_code == 409
    house.made(house.turn("L-0417"), 200)
    assert house.turn("L-0417").json()["type"].endswith(":same_lot")
    assert client.post("/v1/lots/L-0418/close").status_code == 200
    assert house.turn("L-0418").json()["type"].endswith(":lot_closed")
    assert client.post("/v1/lines", json=LINE).status_code == 409
    nowhere = client.post("/v1/records?source=loose&run=r1", json=[fruit(1)])
    assert nowhere.status_code == 422
    assert nowhere.json()["type"].endswith(":no_lot")


def test_a_source_is_revised_and_its_history_kept(house: House) -> None:
    client = house.client
    answer = client.get("/v1/sources/belt-1")
    assert answer.headers["etag"] == '"1"'
    revised = {**{k: v for k, v in SOURCE.items() if k != "id"}, "lanes": 10}
    assert client.put("/v1/sources/belt-1", json=revised,
                      headers={"If-Match": '"7"'}).status_code == 412
    found = house.made(client.put("/v1/sources/belt-1", json=revised,
                                  headers={"If-Match": '"1"'}), 200)
    assert (found["revision"], found["lanes"]) == (2, 10)
    assert [r["lanes"] for r in client.get("/v1/sources/belt-1").json()["revisions"]] == [8, 10]
    assert house.send([fruit(9, lane=10)], lot="L-0417").status_code == 201
    assert client.put("/v1/sources/belt-1", json={**revised, "line": "no"}).status_code == 422
    assert client.get("/v1/sources/belt-9").status_code == 404
    assert client.post("/v1/sources", json=SOURCE).status_code == 409
    assert client.post("/v1/sources", json={**SOURCE, "id": "b", "line": "no"}).status_code == 422
    assert [s["id"] for s in client.get("/v1/sources").json()["sources"]] == ["belt-1"]
    assert "key" not in client.get("/v1/sources").text.replace('"keys"', "")


def test_unregistered_sources_can_be_shut_out(tmp_path: Path) -> None:
    with service(tmp_path, unregistered_sources="refuse") as client:
        open_lot(client)
        answer = client.post("/v1/records?source=loose&run=r1&lot=L-0417", json=[fruit(1)])
        assert answer.status_code == 403
        assert answer.json()["type"].endswith(":unknown_source")


def test_a_rerun_keeps_its_parent_and_the_first_pass(tmp_path: Path) -> None:
    """Of 10 fruit 3 are run again: the first pass stays 10 (settlement counts first passes once;
    common practice, no source)."""
    with service(tmp_path) as client:
        open_lot(client)
        send = "/v1/records?source=a&run=r1&lot="
        client.post(send + "L-0417", json=[fruit(s) for s in range(10)])
        open_lot(client, id="L-0417-R", rerun_of="L-0417")
        open_lot(client, id="L-0417-S", rerun_of="L-0417-R")
        client.post(send + "L-0417-R", json=[fruit(s) for s in range(100, 103)])
        found = client.get("/v1/lots/L-0417-R/packout").json()
        assert (found["n"], found["first_pass"]) == (3, {"lot": "L-0417", "fruit": 10})
        assert client.get("/v1/lots/L-0417/packout").json()["n"] == 10
        assert client.get("/v1/lots/L-0417-S").json()["rerun_of"] == "L-0417"
        assert client.get("/v1/lots/L-0417").json()["reruns"] == ["L-0417-R", "L-0417-S"]
        other = client.post("/v1/lots", json={
            "id": "L-X", "cultivar": "ember-lass", "standard": "house-long-distance",
            "rerun_of": "L-0417", "block": "QC-11"})
        assert other.status_code == 422
        assert other.json()["errors"][0]["pointer"] == "/grower"
        missing = client.post("/v1/lots", json={
            "id": "L-X", "cultivar": "ember-lass", "standard": "house-long-distance",
            "rerun_of": "L-9"})
        assert missing.json()["errors"][0]["pointer"] == "/rerun_of"
