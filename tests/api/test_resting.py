"""Lots that nobody asks for take no memory, and answer the same as before when somebody does."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from service.board import _KEPT, board
from service.resting import rest, resting
from tests.support.app import NOON_MS, open_lot, send, service
from tests.support.line import minutes, register

ASKED = ("/v1/lots/L-0417", "/v1/lots/L-0417/packout", "/v1/culls?lot=L-0417", "/lots/L-0417",
         "/lines/line-1?at=2026-07-14T11:30:00Z")


def told(client: TestClient) -> list[str]:
    answers = [client.get(path) for path in ASKED]
    assert [a.status_code for a in answers] == [200] * len(ASKED)
    return [a.text for a in answers]


def test_a_lot_at_rest_takes_no_memory_and_answers_as_before(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        ctx: Any = client.app.state.context  # type: ignore[attr-defined]  # ours
        open_lot(client, line=None)
        assert send(client, [{"seq": s, "diameter_mm": 60} for s in range(50)]).status_code == 201
        assert client.get("/v1/lots/L-0417").json()["fruit"] == 50
        lot = ctx.lots.get("L-0417")
        rest(ctx)
        assert lot.counts(reader=ctx.store.reader).n == 50
        lot.windows(reader=ctx.store.reader)
        rest(ctx)
        assert lot._tally._sum is not None  # it was asked for since the turn before
        rest(ctx)
        assert lot._tally._sum is lot._windows._sum is None
        assert send(client, [{"seq": 50, "diameter_mm": 60}]).status_code == 201
        assert lot._tally._sum is None
        assert client.get("/v1/lots/L-0417").json()["fruit"] == 51
        asyncio.run(turned(ctx, lot))
        assert client.get("/v1/lots/L-0417").json()["fruit"] == 51


async def turned(ctx: Any, lot: Any) -> None:
    async with resting(ctx, every_s=0.0):
        while lot._tally._sum is not None:
            await asyncio.sleep(0)


def test_pages_and_boards_are_the_same_after_a_rest(tmp_path: Path) -> None:
    with service(tmp_path) as client:
        ctx: Any = client.app.state.context  # type: ignore[attr-defined]  # ours

        def post(path: str, body: object) -> Any:
            answer = client.post(path, json=body)
            assert answer.status_code < 300, answer.text
            return answer.json()

        key = register(post)
        fruit = minutes(count=12, start_ms=NOON_MS - 30 * 60_000, shift={5: 1.5}, shift_from=4)
        assert client.post("/v1/records?source=belt-line-1&run=r1", json=fruit,
                           headers=key).status_code == 201
        board(ctx, ctx.lines.get("line-1"))
        before, lot = told(client), ctx.lots.get("L-0417")
        kept = _KEPT[lot]
        while _KEPT.get(lot) is kept:  # the watch over the line may ask in between
            rest(ctx)
        assert told(client) == before
