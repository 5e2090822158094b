"""Moving a cut for a time over HTTP, the WebSocket and the pages: what it grades, how it ends, what
is refused, and that a restart, a full disk or a clock put back change nothing of it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service import cuts
from service.api import cuts as cuts_api
from service.api.lines import EndOfLot, end
from service.cuts import expire
from service.store.cuts import CUTS
from service.store.errors import Refused, StorageFull
from service.store.verify import verify
from tests.support.app import NOON_MS, open_lot, service
from tests.support.line import register

MINUTE_MS = 60_000
LOWER = {"at": "63.5", "to": "62"}


def iso(ms: int) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat()


class House:
    """A line packing L-0417 and a clock."""

    def __init__(self) -> None:
        self.now_ms = NOON_MS
        self.client: TestClient
        self.headers: dict[str, str] = {}

    def post(self, path: str, body: Any = None, status: int | None = None) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.status_code == (status or answer.status_code), answer.text
        assert status is not None or answer.status_code < 300, answer.text
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def move(self, *moves: Any, minutes: int = 30, status: int = 201, **more: Any) -> Any:
        return self.post("/v1/lines/line-1/cuts", {
            "person": "M. Orrin", "reason": "To finish order 88",
            "until": iso(self.now_ms + minutes * MINUTE_MS), "moves": list(moves or (LOWER,)),
            **more}, status)

    def send(self, *seqs: int, run: str = "r1", lot: str = "", **changes: Any) -> Any:
        answer = self.client.post(
            f"/v1/records?source=belt-line-1&run={run}" + (f"&lot={lot}" if lot else ""),
            json=[fruit(seq, **changes) for seq in seqs], headers=self.headers)
        return answer.json()["outcomes"]

    def sizes(self, *seqs: int, **more: Any) -> list[str]:
        return [o["size"] for o in self.send(*seqs, **more)]

    def cut(self, number: int = 1) -> Any:
        return self.get(f"/v1/lines/line-1/cuts/{number}")


def fruit(seq: int, **changes: Any) -> dict[str, Any]:
    """A fruit of 62.5 mm: S at the lot's own cut of 63.5, M at 62."""
    return {"seq": seq, "lane": 1, "diameter_mm": 62.5, "ground_hue_deg": 98.0,
            "ground_chroma": 40.0, "ground_fraction": 0.3, "blush_fraction": 0.5,
            "sugar_brix": 12.0, **changes}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House()
    with service(tmp_path, now_ms=lambda: made.now_ms) as client:
        made.client = client
        made.headers = register(made.post)
        yield made


def test_fruit_are_graded_under_it_while_it_is_in_force(house: House) -> None:
    assert house.sizes(1) == ["S"]
    made = house.move()
    assert made["in_force"] is True
    assert house.get("/v1/lines/line-1")["cut_change"] == 1
    assert house.sizes(2, 3) == ["M", "M"]
    house.post("/v1/lines/line-1/cuts/1/revert", {"person": "A. Voss"})
    assert house.sizes(4) == ["S"]
    assert house.get("/v1/lines/line-1")["cut_change"] is None
    # Repeats get their first answer, whatever holds now.
    again = house.send(1, 2, 3, 4, 5)
    assert [o["outcome"] for o in again] == ["duplicate"] * 4 + ["stored"]
    assert [o["size"] for o in again] == ["S", "M", "M", "S", "S"]
    packed = house.get("/v1/lots/L-0417/packout")
    assert {s["code"]: s["count"] for s in packed["by_size"] if s["count"]} == {"S": 3, "M": 2}
    (cut,) = house.get("/v1/lots/L-0417")["cut_changes"]
    assert (cut["how"], cut["ended_by"]) == ("reverted", "A. Voss")
    found = house.cut()
    assert (found["graded_under"], found["in_place_of"]) == (
        "house-long-distance@3-cut-62-1", "house-long-distance@3")


def test_one_fruit_is_explained_under_what_graded_it(house: House) -> None:
    house.move()
    house.send(1)
    house.client.delete("/v1/lines/line-1/cuts/1?person=A.%20Voss")
    house.send(2)
    under, own = (house.get(f"/v1/fruit/belt-line-1/r1/{seq}") for seq in (1, 2))
    assert under["graded_under"]["standard"] == "house-long-distance@3-cut-62-1"
    assert under["lot"]["graded_under"]["standard"] == "house-long-distance@3"
    assert (under["fruit"]["size"], own["fruit"]["size"]) == ("M", "S")
    assert "size M (62 up to under 69.85 mm)" in under["why"][0]
    assert "size S (57.15 up to under 63.5 mm)" in own["why"][0]
    assert own["graded_under"]["standard"] == "house-long-distance@3"
    listed = house.get("/v1/lots/L-0417/fruit")["fruit"]
    assert [f["size"] for f in listed] == ["M", "S"]


def test_the_lot_s_own_standard_says_what_it_did_by_regrading_too(house: House) -> None:
    house.move()
    house.send(*range(10))
    house.send(*range(10, 30), diameter_mm=66.0)
    found = house.get("/v1/lots/L-0417/regrade?standard=house-long-distance")
    assert {(m["from"], m["to"]): m["count"] for m in found["moves"]} == {
        ("select", "value"): 10, ("select", "select"): 20}
    did = house.get("/v1/lines/line-1/cuts/1/effect")
    assert (did["changed"]["count"], did["changed"]["n"]) == (10, 30)
    assert did["changed_by"] == {"size": 10, "maturity": 0, "grade": 10, "pack": 10}
    assert did["moves"] == [{"from": "loose_carton", "to": "volume_carton", "count": 10}]
    assert [(m["count"], m["n"], m["band"]) for m in did["marks"]] == [
        (10, 30, "very_serious"), (10, 30, "very_serious")]
    assert did["keep_mark"] is False
    narrow = house.get("/v1/lines/line-1/cuts/1/effect?upper=65")["marks"][1]
    assert (narrow["count"], narrow["n"], narrow["to"]) == (10, 10, "65")
    inches = house.get("/v1/lines/line-1/cuts/1/effect?upper=2%203/4&unit=in")["marks"][1]
    assert inches["to"] == "69.85"
    for wrong in ("upper=x", "upper=70&unit=g"):
        answer = house.client.get(f"/v1/lines/line-1/cuts/1/effect?{wrong}")
        assert answer.status_code == 422


def test_the_expiry_ends_it_by_itself_and_is_written(house: House, tmp_path: Path) -> None:
    house.move(minutes=30)
    house.now_ms += 30 * MINUTE_MS - 1
    assert house.sizes(1) == ["M"]
    house.now_ms += 1
    assert house.sizes(2) == ["S"]
    cut = house.cut()
    assert (cut["in_force"], cut["how"], cut["ended"]) == (
        False, "expired", "2026-07-14T12:30:00.000Z")
    late = house.client.post("/v1/lines/line-1/cuts/1/revert")
    assert (late.status_code, late.json()["type"]) == (409, "urn:drupe:problem:cut_ended")
    house.move()  # another may begin at once
    assert house.sizes(3) == ["M"]


def test_it_outlives_a_restart_and_expires_across_one(tmp_path: Path) -> None:
    house = House()
    with service(tmp_path, now_ms=lambda: house.now_ms) as client:
        house.client = client
        house.headers = register(house.post)
        house.move(minutes=30)
        assert house.sizes(1) == ["M"]
    with service(tmp_path, now_ms=lambda: house.now_ms) as client:
        house.client = client
        assert house.sizes(2) == ["M"]
        assert house.get("/v1/lines/line-1")["cut_change"] == 1
    house.now_ms += 45 * MINUTE_MS
    with service(tmp_path, now_ms=lambda: house.now_ms) as client:
        house.client = client
        assert house.sizes(3) == ["S"]
        assert house.cut()["how"] == "expired"
    house.now_ms -= 45 * MINUTE_MS  # a clock put back begins nothing again
    with service(tmp_path, now_ms=lambda: house.now_ms) as client:
        house.client = client
        assert house.sizes(4) == ["S"]
        assert house.cut()["ended"] == "2026-07-14T12:30:00.000Z"
        assert house.move()["id"] == 2
    assert verify(data_dir=tmp_path).ok


def test_a_start_without_the_standard_of_a_change_is_refused(house: House, tmp_path: Path) -> None:
    cut = house.move()
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    ctx.store.writer.run(lambda conn: conn.execute(
        "DELETE FROM standard WHERE digest = ?", (cut["digest"],))).result()
    with pytest.raises(Refused, match="cut change 1 of line line-1"):
        ctx.lots._texts.clear()
        ctx.cuts.load(rows=ctx.cuts.of_line("line-1"), now_ms=house.now_ms)


def test_verify_names_fruit_graded_under_what_was_never_in_force(
    house: House, tmp_path: Path
) -> None:
    house.move()
    house.send(1)
    assert verify(data_dir=tmp_path).ok
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    ctx.store.writer.run(lambda conn: conn.execute("DELETE FROM cut_change")).result()
    assert "never in force on its lot" in (verify(data_dir=tmp_path).bad or "")


@pytest.mark.parametrize("how", ["turn", "break", "close"])
def test_it_ends_with_the_lot_s_turn(house: House, how: str) -> None:
    open_lot(house.client, id="L-0418")
    house.move()
    house.send(1)
    if how == "turn":
        house.post("/v1/lines/line-1/lot", {"lot": "L-0418", "person": "A. Voss"})
    elif how == "break":
        house.post("/v1/lines/line-1/break", {"person": "A. Voss"})
    else:
        house.post("/v1/lots/L-0417/close")
    cut = house.cut()
    assert (cut["how"], cut["ended_by"]) == ("lot", None if how == "close" else "A. Voss")
    assert house.sizes(2) == ["S"]
    if how == "turn":
        house.post("/v1/lines/line-1/lot", {"lot": "L-0417", "person": "A. Voss"})
        assert house.sizes(3) == ["S"]


def test_an_expiry_not_yet_written_stands_when_the_lot_ends(house: House) -> None:
    house.move(minutes=1)
    house.now_ms += MINUTE_MS
    house.post("/v1/lines/line-1/break", {"person": "A. Voss"})
    assert (house.cut()["how"], house.cut()["ended_by"]) == ("expired", None)


def test_only_fruit_that_run_on_the_line_are_touched(house: House) -> None:
    open_lot(house.client, id="L-0500")
    house.move()
    assert house.sizes(1, lot="L-0417") == ["M"]  # named, and from the line's source
    assert house.sizes(2, lot="L-0500") == ["S"]  # of another lot
    loose = house.client.post("/v1/records?source=bench&run=r1&lot=L-0417", json=[fruit(1)])
    assert loose.json()["outcomes"][0]["size"] == "S"  # not of the line


def test_a_stream_answers_under_the_rule_in_force(house: House) -> None:
    with house.client.websocket_connect(
            "/v1/stream?source=belt-line-1&run=w1", headers=house.headers) as socket:
        committed = [socket.receive_json()["hello"]["committed"]]

        def ask(seq: int) -> str:
            socket.send_json(fruit(seq))
            while True:
                said = socket.receive_json()
                if "committed" in said:
                    committed.append(said["committed"])
                if said.get("seq") == seq:
                    return str(said["size"])

        assert ask(1) == "S"
        house.move(minutes=5)
        assert ask(2) == "M"
        house.now_ms += 5 * MINUTE_MS
        assert ask(3) == "S"
        house.move(minutes=5)
        assert ask(4) == "M"
        house.post("/v1/lines/line-1/cuts/2/revert")
        assert ask(5) == "S"
        while committed[-1] != 5:
            committed.append(socket.receive_json()["committed"])
    stored = [house.get(f"/v1/fruit/belt-line-1/w1/{seq}")["fruit"]["size"] for seq in range(1, 6)]
    assert stored == ["S", "M", "S", "M", "S"]


@pytest.mark.parametrize(("change", "status", "pointer", "code"), [
    ({"moves": [{"at": "63.4", "to": "62"}]}, 422, "/moves/0/at", "no_such_cut"),
    ({"moves": [{"at": "63.5", "to": "57"}]}, 422, "/moves/0/to", "not_ordered"),
    ({"moves": [{"at": "63.5", "to": "a lot"}]}, 422, "/moves/0/to", "not_a_number"),
    ({"moves": [LOWER, {"at": 63.5, "to": 62.5}]}, 422, "/moves/1/at", "named_twice"),
    ({"moves": [{"at": "63.5", "to": "63.5001"}]}, 422, "/moves", "no_effect"),
    ({"moves": [{"measure": "firmness", "at": "10", "to": "9", "unit": "lbf"}]}, 422, "/moves",
     "no_effect"),  # a step of non-melting cultivars; this one melts
    ({"moves": []}, 422, "/moves", "too_short"),
    ({"until": "2026-07-14T12:00:00Z"}, 422, "/until", "expiry"),
    ({"until": "2026-07-15T12:00:01Z"}, 422, "/until", "expiry"),
    ({"until": "2026-07-14T12:30:00"}, 422, "/until", "timezone_aware"),
    ({"reason": ""}, 422, "/reason", "string_too_short"),
    ({"person": ""}, 422, "/person", "string_too_short"),
])
def test_what_cannot_be_is_refused_with_field_value_and_remedy(
    house: House, change: dict[str, Any], status: int, pointer: str, code: str
) -> None:
    answer = house.client.post("/v1/lines/line-1/cuts", json={
        "person": "M. Orrin", "reason": "x", "until": iso(house.now_ms + 60_000),
        "moves": [LOWER], **change})
    assert answer.status_code == status, answer.text
    said = {(e["pointer"], e["code"]) for e in answer.json()["errors"]}
    assert (pointer, code) in said, said
    assert house.get("/v1/lines/line-1/cuts")["changes"] == []
    assert house.sizes(1) == ["S"]


def test_one_change_at_a_time_and_only_on_a_lot(house: House) -> None:
    house.move(LOWER, {"measure": "sugar", "at": 11, "to": 10.5})
    second = house.move(status=409)
    assert second["type"].endswith(":cut_in_force")
    house.post("/v1/lines/line-1/break", {"person": "M. Orrin"})
    assert house.move(status=409)["type"].endswith(":no_lot")
    assert house.get("/v1/lines/line-1/cuts")["cut_points"] == []
    for path in ("/v1/lines/line-1/cuts/9", "/v1/lines/line-1/cuts/9/effect"):
        assert house.client.get(path).status_code == 404
    assert house.client.get("/v1/lines/line-9/cuts").status_code == 404
    assert house.client.post("/v1/lines/line-1/cuts/9/revert").status_code == 404


def test_the_cut_points_that_may_be_moved_are_listed(house: House) -> None:
    listed = house.get("/v1/lines/line-1/cuts")["cut_points"]
    by_measure = {(p["measure"], p["at"]) for p in listed}
    assert {("diameter", "63.5"), ("sugar", "11"), ("firmness", "12")} <= by_measure
    assert ("firmness", "10") not in by_measure
    size = next(p for p in listed if p["at"] == "63.5")
    assert (size["below"], size["above"], size["unit"]) == ("S", "M", "mm")


def test_a_full_disk_begins_and_ends_nothing(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    real = ctx.store.writer.run

    def full(_fn: Any) -> Any:
        raise StorageFull("the disk is full")

    def during(do: Any) -> None:
        monkeypatch.setattr(ctx.store.writer, "run", full)
        do()
        monkeypatch.setattr(ctx.store.writer, "run", real)

    during(lambda: house.move(status=507))
    assert house.sizes(1) == ["S"]
    assert house.get("/v1/lines/line-1/cuts")["changes"] == []
    house.move()
    during(lambda: house.post("/v1/lines/line-1/cuts/2/revert", status=507))
    assert house.sizes(2) == ["M"]
    during(lambda: house.post("/v1/lines/line-1/break", {"person": "x"}, 507))
    assert house.sizes(3) == ["M"]
    during(lambda: house.post("/v1/lots/L-0417/close", status=507))
    assert house.sizes(4) == ["M"]
    assert house.cut(2)["in_force"] is True


def test_an_expiry_that_cannot_be_written_is_written_later(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    house.move(minutes=1)
    portal: Any = house.client.portal
    real = ctx.store.writer.run

    def full(_fn: Any) -> Any:
        raise StorageFull("the disk is full")

    def stored() -> Any:
        with ctx.store.reader.connection() as conn:
            return CUTS.select(conn, where="1")[0]

    monkeypatch.setattr(ctx.store.writer, "run", full)
    house.now_ms += MINUTE_MS
    portal.call(expire, ctx)
    assert stored().ended_ms is None
    assert house.sizes(1) == ["S"]
    monkeypatch.setattr(ctx.store.writer, "run", real)
    portal.call(expire, ctx)
    assert (stored().ended_ms, stored().how) == (NOON_MS + MINUTE_MS, "expired")


def test_names_of_many_or_long_moves_still_fit_an_edition(house: House) -> None:
    moves = [{"at": "57.15", "to": "57.01"}, LOWER, {"at": "69.85", "to": "69.01"},
             {"at": "76.2", "to": "76.01"}]
    house.move(*moves)
    found = house.cut()
    assert found["graded_under"] == "house-long-distance@3-cut-1"
    assert [m["to"] for m in found["moves"]] == ["57.01", "62", "69.01", "76.01"]


def test_a_lot_that_ends_while_its_cut_is_being_moved_ends_the_change(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = cuts_api.written

    async def ended_meanwhile(ctx: Any, fn: Any) -> Any:
        monkeypatch.setattr(cuts_api, "written", real)
        done = await real(ctx, fn)
        await end(ctx, line_id="line-1", body=EndOfLot(person="A. Voss"))
        return done

    monkeypatch.setattr(cuts_api, "written", ended_meanwhile)
    assert house.move()["how"] == "lot"
    assert (house.cut()["in_force"], house.cut()["how"]) == (False, "lot")
    assert house.sizes(1) == ["S"]


def test_a_standard_without_a_tolerance_for_size_gives_no_verdict(house: House) -> None:
    open_lot(house.client, id="L-n", standard="us-nectarines", cultivar="tansy-flare")
    house.post("/v1/lines/line-1/lot", {"lot": "L-n", "person": "M. Orrin"})
    house.move({"at": "2 1/2", "to": "2 7/16", "unit": "in"})
    house.send(1)
    found = house.get("/v1/lines/line-1/cuts/1/effect")
    assert {(m["band"], m["tolerance"]) for m in found["marks"]} == {(None, None)}
    assert found["keep_mark"] is True
    assert "–" in house.client.get("/lines/line-1/cuts/1").text


def test_the_look_for_expired_changes_goes_on_after_a_failure(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    ctx: Any = house.client.app.state.context  # type: ignore[attr-defined]
    portal: Any = house.client.portal
    looked = []

    async def failing(_ctx: Any) -> None:
        looked.append(len(looked))
        raise ValueError("a bug")

    async def watch() -> None:
        async with cuts.watched_cuts(ctx, every_s=0.0):
            while len(looked) < 2:
                await asyncio.sleep(0)

    monkeypatch.setattr(cuts, "expire", failing)
    portal.call(watch)
    assert "expired changes of cut could not be looked for" in caplog.text
