"""The line board: its counts against the fruit that were sent, and what it finds in them."""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from grading.drift.follow import follow
from service.board import _JUDGED, _KEPT, board, forget
from service.lane_views import LANE_MEASURES, lane_table_of, rules_for
from service.pages.board_view import _DRAWN
from tests.support.app import NOON_MS, service
from tests.support.line import minutes, register


class Line:
    """A client with a registered line, and a way to send it fruit."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.headers = register(self._post)

    def _post(self, path: str, body: Any) -> Any:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def send(self, fruit: list[dict[str, Any]], run: str = "r1") -> Any:
        answer = self.client.post(f"/v1/records?source=belt-line-1&run={run}", json=fruit,
                                  headers=self.headers)
        assert answer.status_code == 201, answer.text
        return answer.json()

    def board(self) -> Any:
        ctx: Any = self.client.app.state.context  # type: ignore[attr-defined]
        return board(ctx, ctx.lines.get("line-1"))

    def page(self, **query: str) -> str:
        answer = self.client.get("/lines/line-1", params=query)
        assert answer.status_code == 200, answer.text
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    with service(tmp_path) as client:
        yield Line(client)


def test_an_empty_line_has_a_board(line: Line) -> None:
    text = line.page()
    assert "line-1" in text
    assert "nothing is judged yet" in text
    assert "–" in text  # no share of no fruit


def test_the_board_counts_what_was_sent(line: Line) -> None:
    """Counted again here from the answers to the records, one by one."""
    answers = line.send(minutes(count=14, start_ms=NOON_MS - 14 * 60_000))["outcomes"]
    found = line.board()
    per_minute = 8 * 60
    assert found.fruit == 14 * per_minute
    assert found.per_s == per_minute / 60
    recent = answers[4 * per_minute:]
    culls = sum(a["grade"] == "cull" for a in recent)
    assert (found.culls["count"], found.culls["n"]) == (culls, len(recent))
    # The newest minute is still filling.
    assert [p.window.n for p in found.trend.points] == [per_minute] * 13
    minute = [sum(a["grade"] == "cull" for a in answers[k * per_minute:(k + 1) * per_minute])
              for k in range(13)]
    assert [round(p.window.value * per_minute) for p in found.trend.points] == minute
    text = line.page()
    assert "L-0417" in text
    assert "Tolliver Ridge" in text
    assert f"{culls} of 4 800" in text
    assert "−0.0" not in text.split("Lanes against each other")[1]


def test_a_lane_that_reads_off_is_found_and_named(line: Line) -> None:
    """One lane of eight reads 1.5 mm more from minute 20 on."""
    line.send(minutes(count=41, start_ms=NOON_MS - 41 * 60_000, shift={5: 1.5}, shift_from=20))
    found = line.board()
    diameter = next(v for v in found.lanes if v.measure == "diameter")
    assert [lane.lane for lane in diameter.lanes if lane.level == 2] == [5]
    lane = diameter.lanes[4]
    assert lane.offset == pytest.approx(1.5, abs=4 * lane.se)
    begun = (NOON_MS - 41 * 60_000) // 60_000 + 20
    assert begun <= diameter.since[5] <= begun + 5
    assert not [lane for view in found.lanes if view.measure == "hue"
                for lane in view.lanes if lane.level == 2]
    assert re.search(r"Lane 5 reads diameter 1\.\d+ mm above the other lanes", line.page())
    assert "El carril 5 lee" in line.page(lang="es")


def test_culls_that_jump_call_for_action(line: Line) -> None:
    line.send(minutes(count=32, start_ms=NOON_MS - 32 * 60_000, soft_from=26))
    found = line.board()
    assert [p.status for p in found.trend.points][-2:] == ["act", "act"]
    assert "act" not in [p.status for p in found.trend.points][:26]
    assert "more than chance" in line.page()


def test_only_windows_outside_their_limits_are_drawn_as_abnormal(line: Line) -> None:
    """Culls rise for good: later windows are over the limits, and drawn so; none below is."""
    line.send(minutes(count=32, start_ms=NOON_MS - 32 * 60_000, soft_from=26))
    points = line.board().trend.points
    html = line.client.get("/lines/line-1").text
    bars = [(float(x), shade) for shade, path in re.findall(
        r'<path class="trend-(\w+)" d="([^"]*)"', html) for x in re.findall(r"M([\d.]+) ", path)]
    drawn = [shade for _, shade in sorted(bars)]
    assert len(drawn) == len(points)
    assert drawn[-1] == "act"
    for shade, point in zip(drawn, points, strict=True):
        if shade == "act":
            assert point.window.value > point.baseline.centre + point.act


def test_fruit_without_a_time_are_told(line: Line) -> None:
    line.send([{"seq": k, "diameter_mm": 68.0} for k in range(7)])
    assert line.board().undated == 7
    assert "7 fruit came without a time" in line.page()


def test_a_line_between_lots_says_so(line: Line) -> None:
    line.client.post("/v1/lines/line-1/break", json={"person": "M. Orrin"}).raise_for_status()
    assert "they go to the holding lot" in line.page(units="in")
    assert line.client.get("/lines/line-9").status_code == 404
    assert line.client.get("/lines/line-9/events").status_code == 404


def test_a_past_board_is_drawn_as_it_stood(tmp_path: Path) -> None:
    """Twenty minutes are shown; then more come, and the lot ends. The board of the past is the one
    that was there once its minutes had closed."""
    start = NOON_MS - 42 * 60_000
    now = [start - 1000]
    with service(tmp_path, now_ms=lambda: now[0]) as client:
        line = Line(client)
        fruit = minutes(count=41, start_ms=start, shift={5: 1.5}, shift_from=24)
        split = 20 * 8 * 60
        now[0] = start + 20 * 60_000
        line.send(fruit[:split])
        then = line.board()
        now[0] = NOON_MS
        line.send(fruit[split:])
        client.post("/v1/lines/line-1/break", json={"person": "M. Orrin"}).raise_for_status()
        ctx: Any = client.app.state.context  # type: ignore[attr-defined]
        past = board(ctx, ctx.lines.get("line-1"), at_ms=start + 20 * 60_000)
        assert (past.lot.id, past.fruit, past.culls) == (then.lot.id, then.fruit, then.culls)
        assert [p.window.value for p in past.trend.points[:-1]] == [
            p.window.value for p in then.trend.points]
        assert len(past.trend.points) == 20  # the twentieth minute was still filling then
        assert line.board().between
        text = line.page(at="2026-07-14T11:59:00")
        assert "as it stood at" in text
        assert "L-0417" in text
        assert "Lane 5 reads diameter" in text
        assert "Lane 5 reads diameter" not in line.page(at="2026-07-14T11:40:00")
        assert "como estaba" in line.page(at="2026-07-14T11:40:00", lang="es")
        assert client.get("/lines/line-1?at=noon").status_code == 422
        assert "/lines/line-1?at=" in client.get("/lines/line-1/rejects").text


def test_what_is_kept_of_closed_minutes_follows_late_fruit(line: Line) -> None:
    """A board that looked before says what one that looks for the first time says."""
    fruit = minutes(count=30, start_ms=NOON_MS - 30 * 60_000, soft_from=24)
    early, late = range(1_000, 1_060), range(27 * 480, 27 * 480 + 60)
    now = [f for k, f in enumerate(fruit) if k not in early and k not in late]
    for part in (now[:6 * 480], now[6 * 480:-600], now[-600:], [fruit[k] for k in late],
                 [fruit[k] for k in early]):
        line.send(part)
        seen = line.board()
        kept, judged = _KEPT[seen.lot], _JUDGED[seen.lot]
        forget(seen.lot)
        fresh = line.board()
        assert _KEPT[seen.lot] is not kept
        _KEPT[seen.lot], _JUDGED[seen.lot] = kept, judged
        assert (seen.fruit, seen.undated, seen.culls) == (fresh.fruit, fresh.undated, fresh.culls)
        assert repr(seen.lanes) == repr(fresh.lanes)
        assert repr(seen.recent) == repr(fresh.recent)
        assert seen.trend.points == fresh.trend.points
        assert seen.trend.starts == fresh.trend.starts
        assert seen.trend is not fresh.trend
    assert {p.status for p in seen.trend.points} >= {"learning", "quiet", "act"}
    assert seen.fruit == len(fruit)
    assert all(a is b for a, b in zip(line.board().lanes, line.board().lanes, strict=True))


def test_lanes_followed_minute_by_minute_are_what_the_whole_lot_says(line: Line) -> None:
    """Against the whole table read by `grading.drift.follow` at once. Lane 8 comes in late, and
    some fruit of every minute one to four minutes after it."""
    fruit = minutes(count=12, start_ms=NOON_MS - 12 * 60_000, shift={5: 1.5}, shift_from=4)
    fruit = [f for f in fruit if f["lane"] < 8 or f["time_unix_ms"] >= NOON_MS - 9 * 60_000]
    held: list[list[dict[str, Any]]] = [[]] * 12
    for minute in range(12):
        low = NOON_MS - (12 - minute) * 60_000
        now = [f for f in fruit if low <= f["time_unix_ms"] < low + 60_000]
        late = (f for back in range(1, 5) if back <= minute for f in held[minute - back][back::4])
        for part in (now[:-60], list(late), now[-60:-20]):
            if part:
                line.send(part)
            seen = line.board()
        held[minute] = now[-20:]
    ctx: Any = line.client.app.state.context  # type: ignore[attr-defined]
    series = seen.lot.windows(reader=ctx.store.reader)
    closed = sorted(series.windows)[:-1]
    table = lane_table_of(
        states={i: (series.windows[i],) for i in closed}, measure="diameter")
    readings = follow(table=table, rules=rules_for(lanes=8, allowance=LANE_MEASURES["diameter"]))
    view = next(v for v in seen.lanes if v.measure == "diameter")
    assert [one.lane for one in view.lanes] == list(range(1, 9))
    assert [one.offset for one in view.lanes] == list(readings[-1].offset)
    assert [one.level for one in view.lanes] == list(readings[-1].level)
    acting = [reading.level[4] == 2 for reading in readings]
    assert acting[-1]
    assert view.since == {5: closed[len(acting) - acting[::-1].index(False)]}


def test_the_trend_of_a_board_is_drawn_once_and_let_go_with_it(line: Line) -> None:
    """Minutes close for months: what is drawn of an old trend must not stay."""
    known = set(_DRAWN)
    for minute in range(4):
        line.send(minutes(count=1, start_ms=NOON_MS - (4 - minute) * 60_000, seq=480 * minute))
        line.page()
        drawn = _DRAWN[line.board().trend]
        line.page(lang="es")
        assert _DRAWN[line.board().trend] is drawn
    gc.collect()
    assert set(_DRAWN) - known == {line.board().trend}
