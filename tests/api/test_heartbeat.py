"""The heartbeat goes the whole way and leaves nothing behind; what stops it is counted."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from service import heartbeat
from tests.support.app import NOON_MS, open_lot, service


def _told(client: TestClient) -> dict[str, float]:
    lines = client.get("/metrics").text.splitlines()
    return {name: float(value) for name, value in (
        line.rsplit(" ", 1) for line in lines if not line.startswith("#"))}


def _beat(client: TestClient) -> None:
    assert client.portal is not None
    client.portal.call(heartbeat.beat, client.app.state.context)  # type: ignore[attr-defined]


def test_it_comes_through_and_stores_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(heartbeat, "EVERY_S", 1e6)
    with service(tmp_path) as client:
        _beat(client)  # before there is any lot
        open_lot(client)
        before = client.get("/health/ready").json()["commit"]
        first = _told(client)["grading_heartbeat_seconds_count"]
        _beat(client)
        told = _told(client)
        assert told["grading_heartbeat_seconds_count"] == first + 1
        assert told["grading_heartbeat_timestamp_seconds"] == NOON_MS / 1000
        assert told['grading_records_total{outcome="stored"}'] == 0
        assert told["grading_heartbeats_failed_total"] == 0
        assert client.get("/health/ready").json()["commit"] == before
        assert client.get("/v1/lots/L-0417/packout").json()["n"] == 0


def test_a_writer_that_does_not_answer_is_counted_and_the_next_beat_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Beats follow each other at once here, and the writer answers from the third on."""
    monkeypatch.setattr(heartbeat, "EVERY_S", 0.0)
    monkeypatch.setattr(heartbeat, "PATIENCE_S", 0.0)
    with service(tmp_path) as client:
        ctx: Any = client.app.state.context  # type: ignore[attr-defined]
        run, asked, came = ctx.store.writer.run, [], asyncio.Event()

        def slow(fn: Any) -> Future[Any]:
            asked.append(fn)
            if len(asked) < 3:
                return Future()  # nobody ever answers
            heartbeat.PATIENCE_S = 10.0
            came.set()
            done: Future[Any] = run(fn)
            return done

        ctx.alarms.providers.clear()
        monkeypatch.setattr(ctx.store.writer, "run", slow)
        assert client.portal is not None
        client.portal.call(came.wait)
        assert _told(client)["grading_heartbeats_failed_total"] >= 2
        monkeypatch.setattr(ctx.store.writer, "run", run)
    assert "did not come through" in caplog.text
