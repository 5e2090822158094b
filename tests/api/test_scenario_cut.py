"""A scene of a packing day through the public API: the cut that was lowered and forgotten.

At 10:42 the minimum is lowered from 63.5 mm (2 1/2 in) to 62.0 mm "to finish order 88"; its expiry
is 11:30; at 14:10 somebody looks. Its figures are those of a trade scenario written for this job:
sizes N(66, 5) mm, 23,400 fruit, about 9.7 % (2,260) in another class, boxes marked 2 1/2 in and up
12.3 % undersize, 17 % where they are marked as the closed range 2 1/2 to 2 3/4 in; over the
tolerance of 10 % and under twice it, so serious and not very serious (7 CFR 46.45, as it was read
for that scenario).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm
from starlette.testclient import TestClient

from tests.support.app import NOON_MS, service
from tests.support.line import register

FRUIT = 23_400
MINUTE_MS = 60_000
LOWERED_MS = NOON_MS - 78 * MINUTE_MS  # 10:42
EXPIRY_MS = NOON_MS - 30 * MINUTE_MS  # 11:30
LOOKED_MS = NOON_MS + 130 * MINUTE_MS  # 14:10
BODY = 2_000
CHANGE = {"person": "M. Orrin", "reason": "To finish order 88",
          "moves": [{"measure": "diameter", "at": "63.5", "to": "62.0", "unit": "mm"}]}


class House:
    """A line whose fruit are sound in all but size, and a clock that the test sets."""

    def __init__(self) -> None:
        self.now_ms = LOWERED_MS - 42 * MINUTE_MS
        self.client: TestClient
        self.headers: dict[str, str] = {}

    def post(self, path: str, body: Any, status: int = 201) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.status_code in (status, 200), answer.text
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def send(self, diameters_mm: Any, *, first: int, from_ms: int, until_ms: int) -> None:
        n = len(diameters_mm)
        for start in range(0, n, BODY):
            part = range(start, min(start + BODY, n))
            answer = self.client.post("/v1/records?source=belt-line-1&run=r1", json=[
                {"seq": first + k, "lane": 1 + k % 8, "diameter_mm": diameters_mm[k],
                 "time_unix_ms": from_ms + k * (until_ms - from_ms) // n,
                 "ground_hue_deg": 98.0, "ground_chroma": 40.0, "ground_fraction": 0.3,
                 "blush_fraction": 0.5, "sugar_brix": 12.0} for k in part], headers=self.headers)
            assert answer.json()["stored"] == len(part), answer.text


def sizes(n: int) -> list[float]:
    """Exact quantiles of N(66, 5) mm at the middle of n equal shares, well mixed."""
    found = np.round(66 + 5 * norm.ppf((np.arange(n) + 0.5) / n), 2)
    return [float(v) for v in np.random.default_rng(88).permutation(found)]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    made = House()
    with service(tmp_path_factory.mktemp("house"), now_ms=lambda: made.now_ms) as client:
        made.client = client
        made.headers = register(made.post)
        made.send(sizes(2_000), first=0, from_ms=made.now_ms, until_ms=LOWERED_MS)
        made.now_ms = LOWERED_MS
        made.post("/v1/lines/line-1/cuts", {**CHANGE, "until": "2026-07-14T11:30:00Z"})
        made.now_ms = EXPIRY_MS - 1
        made.send(sizes(FRUIT), first=10_000, from_ms=LOWERED_MS, until_ms=EXPIRY_MS)
        made.now_ms = EXPIRY_MS
        made.send(sizes(2_000), first=50_000, from_ms=EXPIRY_MS, until_ms=LOOKED_MS)
        made.now_ms = LOOKED_MS
        yield made


def percent(part: dict[str, Any]) -> float:
    return round(100 * float(part["share"]), 1)


def test_the_change_is_on_record_with_who_why_when_and_that_its_expiry_passed(
    house: House,
) -> None:
    found = house.get("/v1/lines/line-1/cuts")
    assert found["in_force"] is None
    (cut,) = found["changes"]
    assert (cut["from"], cut["until"], cut["ended"]) == (
        "2026-07-14T10:42:00.000Z", "2026-07-14T11:30:00.000Z", "2026-07-14T11:30:00.000Z")
    assert (cut["person"], cut["reason"], cut["how"]) == (
        "M. Orrin", "To finish order 88", "expired")
    assert cut["moves"] == [{"measure": "diameter", "at": "63.5", "to": "62", "unit": "mm"}]


def test_what_it_did_is_counted_against_the_lot_s_own_standard(house: House) -> None:
    found = house.get("/v1/lines/line-1/cuts/1/effect")
    assert found["fruit"] == FRUIT
    assert round(found["changed"]["count"], -1) == 2_260
    assert percent(found["changed"]) == 9.7
    up, closed = found["marks"]
    assert (up["from"], up["to"], up["fault"]) == ("63.5", None, "undersize")
    assert percent(up) == 12.3
    assert (closed["from"], closed["to"]) == ("63.5", "69.85")  # 2 1/2 to 2 3/4 in
    assert round(100 * closed["share"]) == 17
    for mark in (up, closed):
        assert mark["tolerance"]["percent"] == "10"
        assert mark["band"] == "serious"
    assert found["keep_mark"] is False
    assert found["options"] == ["re-label", "re-size", "hold"]


def test_it_says_which_fruit_to_look_at(house: House) -> None:
    found = house.get("/v1/lines/line-1/cuts/1/effect")["look_at"]
    (run,) = found["sources"]
    assert (run["source"], run["run"]) == ("belt-line-1", "r1")
    assert round(run["changed"], -1) == 2_260
    assert 10_000 <= run["from_seq"] < run["to_seq"] < 10_000 + FRUIT
    assert "2026-07-14T10:42" <= run["from"] < run["until"] < "2026-07-14T11:30"
    assert found["boxes"] is None
    assert "not recorded" in found["boxes_note"]


@pytest.mark.parametrize(("seq", "edition"), [
    (1, "3"), (10_001, "3-cut-62-1"), (50_001, "3")])
def test_every_fruit_was_graded_under_what_was_in_force(
    house: House, seq: int, edition: str
) -> None:
    found = house.get(f"/v1/fruit/belt-line-1/r1/{seq}")
    assert found["graded_under"]["standard"] == f"house-long-distance@{edition}"


def test_the_answer_names_the_rule(house: House) -> None:
    """The hour before the change against the time under it: the same fruit, another rule."""
    found = house.get("/v1/lines/line-1/change?before_from=2026-07-14T10:00:00Z&before_until="
                      "2026-07-14T10:42:00Z&after_from=2026-07-14T10:42:00Z&after_until="
                      "2026-07-14T11:30:00Z")
    assert found["verdict"] == "rule"
    said = next(e["text"] for e in found["evidence"] if e["step"] == "rule")
    for part in ("M. Orrin", "To finish order 88", "10:42", "11:30", "63.5 to 62 mm"):
        assert part in said
    assert "under the old one 2,26" in said
    assert "(9.7 %) would be in another class" in said


def test_pages_show_it(house: House) -> None:
    for path in ("/lines/line-1", "/lots/L-0417", "/lines"):
        shown = house.client.get(path).text
        assert "To finish order 88" in shown, path
        assert "2026-07-14 10:42:00" in shown and "2026-07-14 11:30:00" in shown, path
    shown = house.client.get("/lines/line-1/cuts/1").text
    for part in ("9.7", "12.3", "17.0", "House record"):
        assert part in shown


def test_one_click_reverts_one_that_is_still_in_force(tmp_path: Path) -> None:
    made = House()
    made.now_ms = LOWERED_MS
    with service(tmp_path, now_ms=lambda: made.now_ms) as client:
        made.client = client
        made.headers = register(made.post)
        made.post("/v1/lines/line-1/cuts", {**CHANGE, "until": "2026-07-14T18:00:00Z"})
        made.now_ms = LOOKED_MS
        clicked = client.post("/lines/line-1/cuts/1", data={"do": "revert"},
                              follow_redirects=False)
        assert clicked.status_code == 303
        (cut,) = made.get("/v1/lines/line-1/cuts")["changes"]
        assert (cut["in_force"], cut["how"], cut["ended"]) == (
            False, "reverted", "2026-07-14T14:10:00.000Z")
