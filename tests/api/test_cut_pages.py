"""Pages of moved cuts without a browser: what the form takes, what it says back, other units and
languages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.api.test_cuts import MINUTE_MS, House
from tests.support.app import NOON_MS, open_lot, service
from tests.support.line import register

FORM = {"cut": "diameter 63.5 mm", "to": "62", "minutes": "60", "person": "M. Orrin",
        "reason": "To finish order 88"}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House()
    with service(tmp_path, now_ms=lambda: made.now_ms) as client:
        made.client = client
        made.headers = register(made.post)
        yield made


def sent(house: House, path: str = "/lines/line-1/cuts", **changes: str) -> Any:
    return house.client.post(path, data={**FORM, **changes}, follow_redirects=False)


def test_the_form_moves_a_cut(house: House) -> None:
    assert "Move a cut for a time" in house.client.get("/lines").text
    answer = sent(house, to="62,0 mm")
    assert (answer.status_code, answer.headers["location"]) == (303, "/lines")
    cut = house.cut()
    assert (cut["until"], cut["person"]) == ("2026-07-14T13:00:00.000Z", "M. Orrin")
    shown = house.client.get("/lines?lang=es&units=in").text
    assert "Límite cambiado en vigor: Diámetro 2 1/2" in shown
    assert "Revertir ahora" in shown
    assert "Mover un límite por un tiempo" not in shown  # one at a time


def test_a_past_board_shows_the_cut_that_was_in_force_then(house: House) -> None:
    """12:05 to 12:10, when it was reverted; another from 12:20 on, which 12:50 ends."""
    times = {"time_unix_ms": NOON_MS - MINUTE_MS}
    house.send(*range(100), **times)
    house.now_ms += 5 * MINUTE_MS
    house.move(minutes=30)
    house.now_ms += 5 * MINUTE_MS
    house.post("/v1/lines/line-1/cuts/1/revert", {"person": "A. Reyes"})
    house.now_ms += 10 * MINUTE_MS
    house.move(minutes=30, person="M. Lindqvist", reason="To finish order 91")
    house.now_ms += 60 * MINUTE_MS

    def at(time: str, lang: str = "en") -> str:
        return house.client.get(f"/lines/line-1?lang={lang}&at=2026-07-14T{time}:00").text

    for time, said in (("12:05", "order 88"), ("12:09", "order 88"), ("12:20", "order 91"),
                       ("12:49", "order 91")):
        text = at(time)
        assert "Changed cut in force: Diameter 63.5\u202fmm → 62\u202fmm" in text, time
        assert f"To finish {said}" in text
        assert ">62</text>" in text  # and its place among the sizes
    assert "M. Orrin: To finish order 88" in at("12:05")
    assert "ends by itself <time datetime=\"2026-07-14T12:35:00Z\">" in at("12:05")
    assert "Límite cambiado en vigor" in at("12:05", "es")
    for time in ("12:04", "12:10", "12:15"):
        assert "Changed cut" not in at(time), time
        assert ">63.5</text>" in at(time)
    assert "Changed cut: " in at("12:50") and "expiry passed" in at("12:50")
    assert ">63.5</text>" in at("12:50")


@pytest.mark.parametrize(("changes", "status", "said"), [
    ({"person": " "}, 422, "Say your name"),
    ({"reason": ""}, 422, "Say why the cut is moved"),
    ({"to": ""}, 422, "Choose a cut and say its new value"),
    ({"cut": ""}, 422, "Choose a cut and say its new value"),
    ({"minutes": "7"}, 422, "has passed"),
    ({"to": "70"}, 422, "between 57.15 and 69.85 mm"),
    ({"to": "2 1/2 in"}, 422, "is not a number"),
])
def test_what_is_wrong_is_said_beside_what_was_filled_in(
    house: House, changes: dict[str, str], status: int, said: str
) -> None:
    answer = sent(house, **changes)
    assert answer.status_code == status
    assert said in answer.text
    assert "<details class=\"cut-form\" open>" in answer.text
    assert house.get("/v1/lines/line-1/cuts")["changes"] == []


def test_a_second_change_and_a_second_revert_are_told(house: House) -> None:
    assert sent(house).status_code == 303
    assert sent(house).status_code == 409
    first = sent(house, "/lines/line-1/cuts/1")
    assert first.headers["location"] == "/lines/line-1/cuts/1"
    again = sent(house, "/lines/line-1/cuts/1")
    assert again.status_code == 409
    assert "nothing is left to revert" in again.text
    assert house.cut()["ended_by"] == "M. Orrin"
    assert "Changed cuts before (1)" in house.client.get("/lines").text


def test_other_measures_and_raised_cuts_are_shown_in_the_reader_s_units(house: House) -> None:
    house.move({"measure": "sugar", "at": "11", "to": "10.5"}, {"at": "63.5", "to": "65"},
               {"at": "57.15", "to": "60"})
    house.send(1, 2)
    house.send(3, diameter_mm=64.0)
    house.send(4, diameter_mm=59.0)
    shown = house.client.get("/lines/line-1/cuts/1?units=in").text
    assert "Sugar 11" in shown and "10.5" in shown
    assert "oversize" in shown
    assert "2 1/4" in shown
    assert "up to 2 1/4" in shown  # fruit under the smallest class have no lower end
    by_mm = house.client.get("/lines/line-1/cuts/1?units=mm&lang=es").text
    assert "57,15–63,5" in by_mm
    house.post("/v1/lines/line-1/cuts/1/revert")
    house.move({"at": "82.55", "to": "81"})
    house.send(5, diameter_mm=90.0)
    assert "82.55\u202fmm and up" in house.client.get("/lines/line-1/cuts/2?units=mm&lang=en").text


def test_a_weighed_lot_has_its_own_cuts(house: House) -> None:
    open_lot(house.client, id="L-kg", basis="mass")
    house.post("/v1/lines/line-1/lot", {"lot": "L-kg", "person": "M. Orrin"})
    assert sent(house, cut="mass 130 g", to="125").status_code == 303
    house.send(1, mass_g=127.0)
    shown = house.client.get("/lines/line-1/cuts/1").text
    assert "Weight 130\u202fg → 125\u202fg" in shown
    assert "100.0\u202f%" in shown


def test_the_banner_stays_where_the_expiry_passed_and_goes_with_the_lot(house: House) -> None:
    sent(house, minutes="30")
    house.now_ms += 31 * 60_000
    assert "expiry passed, ended by itself" in house.client.get("/lines/line-1").text
    house.post("/v1/lines/line-1/break", {"person": "M. Orrin"})
    assert "expiry passed" not in house.client.get("/lines/line-1").text
    assert "expiry passed" in house.client.get("/lots/L-0417").text


@pytest.mark.parametrize("path", ["/lines/line-1/cuts/9", "/lines/line-1/cuts/x",
                                  "/lines/line-9/cuts/1"])
def test_a_change_that_is_not_there_is_said(house: House, path: str) -> None:
    assert house.client.get(path).status_code == 404
    assert sent(house, path).status_code == 404
