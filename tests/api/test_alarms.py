"""Alarms over HTTP: what people do to them, what is kept, a restart, and a disk that takes nothing.

Limits and delays are those of `definitions.toml`: culls 0.15 for 60 s, and back below 0.12 for
120 s; disk 0.95 for 5 s.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.alarms.model import Facts, Reading
from service.store.errors import StorageFull
from tests.support.alarm_service import House, culls, disk, house
from tests.support.app import NOON_MS


@pytest.fixture
def raised(tmp_path: Path) -> Iterator[House]:
    """Too many culls on line-1, called at 12:01:01."""
    with house(tmp_path) as found:
        found.read(culls(0.2), seconds=62)
        yield found


def _utc(seconds: float) -> str:
    """So many seconds after noon of 14 July 2026."""
    found = datetime.fromtimestamp(NOON_MS / 1000 + seconds, UTC)
    return found.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _refused(answer: Any, *, status: int, code: str) -> str:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["type"].endswith(f":{code}")
    return str(body["detail"])


def test_an_alarm_says_cause_consequence_and_response(raised: House) -> None:
    (alarm,) = raised.open()
    assert alarm == {
        "id": 1, "kind": "reject_share", "priority": "caution", "state": "unacknowledged",
        "subject": "line-1", "line": "line-1", "lot": "L-0417", "value": 0.2, "limit": 0.15,
        "unit": "share", "raised": _utc(61), "ended": None, "announced": _utc(61),
        "shelved_until": None, "one_shot": False, "respond_within_s": 600,
        "title": "Too many culls",
        "cause": "20.0\u202f% of the fruit on line-1 are culled (limit 15.0\u202f%).",
        "consequence": "Good fruit may be thrown away, or the lot is worse than was thought.",
        "response": "Open the line's board and ask what changed: the rule, the measurement or "
                    "the fruit."}
    (spanish,) = raised.open(lang="es")
    assert spanish["title"] == "Demasiado descarte"
    assert "20,0\u202f%" in spanish["cause"]


def test_from_the_call_to_the_end_everything_is_kept(raised: House) -> None:
    answer = raised.do(1, "acknowledge", reason="on my way")
    assert answer.json() == {"id": 1, "kind": "reject_share", "subject": "line-1",
                             "state": "acknowledged", "shelved_until": None, "recorded": True}
    raised.read(culls(0.05), seconds=605)
    assert raised.open() == []
    found = raised.get("/v1/alarms/1")
    assert (found["state"], found["raised"], found["ended"]) == ("normal", _utc(61), _utc(663))
    assert [(e["at"], e["what"], e["state"], e["person"], e["reason"]) for e in found["events"]
            ] == [(_utc(61), "raised", "unacknowledged", None, None),
                  (_utc(62), "acknowledged", "acknowledged", "M. Orrin", "on my way"),
                  (_utc(663), "ended", "normal", None, None)]
    assert _refused(raised.do(1, "acknowledge"), status=409, code="alarm_ended")
    assert _refused(raised.do(2, "acknowledge"), status=404, code="unknown_alarm")
    assert raised.client.get("/v1/alarms/2").status_code == 404


def test_what_the_state_does_not_allow_is_refused(raised: House) -> None:
    _refused(raised.do(1, "unshelve"), status=409, code="alarm_state")
    _refused(raised.do(1, "in-service"), status=409, code="alarm_state")
    raised.do(1, "acknowledge")
    detail = _refused(raised.do(1, "acknowledge"), status=409, code="alarm_state")
    assert "nothing to acknowledge" in detail


def test_a_timed_shelf_has_a_longest_time_and_calls_again(raised: House) -> None:
    for minutes in (0, 481, 15.5, "15", True):
        answer = raised.do(1, "shelve", minutes=minutes, reason="known")
        assert answer.status_code == 422, minutes
    answer = raised.do(1, "shelve", minutes=15, reason="being sorted by hand")
    assert answer.json()["shelved_until"] == _utc(62 + 15 * 60)
    raised.later(14)
    assert raised.open()[0]["state"] == "shelved"
    raised.later(1)
    (alarm,) = raised.open()
    assert (alarm["state"], alarm["announced"]) == ("unacknowledged", _utc(62 + 15 * 60))
    events = raised.get("/v1/alarms/1")["events"]
    assert [e["what"] for e in events] == ["raised", "shelved", "raised_again"]
    assert events[1]["reason"] == "being sorted by hand"


def test_shelving_and_taking_out_want_a_reason(raised: House) -> None:
    for what, body in (("shelve", {"minutes": 15}), ("out-of-service", {})):
        for reason in ({}, {"reason": "  "}):
            answer = raised.do(1, what, **body, **reason)
            assert answer.status_code == 422
            assert answer.json()["errors"][0]["pointer"] == "/reason"


def test_a_one_shot_shelf_ends_with_its_condition(raised: House) -> None:
    raised.do(1, "shelve", minutes=480, reason="known", one_shot=True)
    raised.read(culls(0.05), seconds=605)
    assert raised.open() == []
    assert [e["what"] for e in raised.get("/v1/alarms/1")["events"]
            ] == ["raised", "shelved", "ended"]


def test_unshelved_and_put_back_it_is_there_again(raised: House) -> None:
    raised.do(1, "shelve", minutes=15, reason="known")
    assert raised.do(1, "unshelve").json()["state"] == "unacknowledged"
    assert raised.do(1, "out-of-service", reason="lens").json()["state"] == "out_of_service"
    raised.later(600)
    assert raised.open()[0]["state"] == "out_of_service"
    assert raised.do(1, "in-service").json()["state"] == "unacknowledged"


@pytest.mark.parametrize("facts", [Facts(stopped=frozenset({"line-1"})),
                                   Facts(changing=frozenset({"line-1"}))], ids=["stop", "change"])
def test_while_the_line_stands_or_a_lot_changes_it_is_kept_back(
    raised: House, facts: Facts
) -> None:
    runner = raised.context.alarms
    runner.facts = lambda now_ms: facts
    raised.read(culls(0.2), culls(0.3, line="line-2"), seconds=70)
    assert {a["subject"]: a["state"] for a in raised.open()} == {
        "line-1": "suppressed", "line-2": "unacknowledged"}
    assert raised.get("/v1/alarms")["waiting"] == 1
    runner.facts = lambda now_ms: Facts()
    raised.read(culls(0.2), seconds=1)
    assert {a["subject"]: a["state"] for a in raised.open()}["line-1"] == "unacknowledged"
    assert [e["what"] for e in raised.get("/v1/alarms/1")["events"]
            ] == ["raised", "suppressed", "resumed"]


def test_ended_alarms_are_read_page_by_page(tmp_path: Path) -> None:
    with house(tmp_path) as found:
        lines = [f"line-{k}" for k in range(7)]
        found.read(*(culls(0.2, line=line) for line in lines), seconds=62)
        for alarm in range(1, 7):
            assert found.do(alarm, "acknowledge").status_code == 200
        found.read(seconds=605)
        assert [a["state"] for a in found.open()] == ["returned"]  # the seventh, seen by nobody
        seen, cursor = [], {}
        for wanted in (4, 2):
            page = found.get("/v1/alarms/ended", limit=4, **cursor)
            assert len(page["alarms"]) == wanted
            seen += [a["id"] for a in page["alarms"]]
            cursor = {"cursor": page["next"]}
        assert seen == [6, 5, 4, 3, 2, 1]
        assert page["next"] is None


def test_alarms_survive_a_restart(tmp_path: Path) -> None:
    """An acknowledgement, a shelf and what waits are as before; ids go on; nobody is called for
    what still holds."""
    readings = [culls(0.2, line=f"line-{k}") for k in range(3)]
    with house(tmp_path) as found:
        found.read(*readings, seconds=62)
        ids = {a["subject"]: a["id"] for a in found.open()}
        found.do(ids["line-0"], "acknowledge")
        found.do(ids["line-1"], "shelve", minutes=60, reason="known")
        before = found.open()
    with house(tmp_path, at_ms=NOON_MS + 80_000) as found:
        assert found.open() == before
        assert found.get("/v1/alarms")["waiting"] == 1
        found.read(*readings, culls(0.2, line="line-3"), seconds=70)
        assert {a["subject"]: (a["id"], a["state"]) for a in found.open()} == {
            "line-0": (ids["line-0"], "acknowledged"), "line-1": (ids["line-1"], "shelved"),
            "line-2": (ids["line-2"], "unacknowledged"), "line-3": (4, "unacknowledged")}
        metrics = found.client.get("/metrics").text
        assert 'grading_alarms_announced_total{priority="caution"} 1.0' in metrics
        found.later(60)
        assert {a["subject"]: a["state"] for a in found.open()}["line-1"] == "unacknowledged"


def test_a_full_disk_keeps_nobody_from_acknowledging(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(fn: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_exception(StorageFull("no space"))
        return done

    with house(tmp_path) as found:
        found.read(disk(0.97), seconds=3)
        with monkeypatch.context() as patch:
            patch.setattr(found.context.store.writer, "run", full)
            found.read(disk(0.99), seconds=10)
            (alarm,) = found.open()
            assert (alarm["kind"], alarm["state"]) == ("storage_critical", "unacknowledged")
            answer = found.do(alarm["id"], "acknowledge", reason="deleting old copies")
            assert answer.status_code == 200
            assert answer.json()["recorded"] is False
            assert found.open()[0]["state"] == "acknowledged"
            assert [e["what"] for e in found.get(f"/v1/alarms/{alarm['id']}")["events"]
                    ] == ["raised", "acknowledged"]
            assert "grading_alarm_changes_waiting 2.0" in found.client.get("/metrics").text
        found.read(disk(0.99), seconds=1)
        assert "grading_alarm_changes_waiting 0.0" in found.client.get("/metrics").text
    with house(tmp_path, at_ms=NOON_MS + 60_000) as found:
        (event,) = [e for e in found.get("/v1/alarms/1")["events"] if e["person"]]
        assert (event["person"], event["reason"]) == ("M. Orrin", "deleting old copies")


def test_changes_beyond_what_may_wait_are_given_up_and_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(fn: Any) -> Future[Any]:
        raise StorageFull("no space")

    monkeypatch.setattr("service.alarms.runner.WAITING_MAX", 3)
    with house(tmp_path) as found:
        with monkeypatch.context() as patch:
            patch.setattr(found.context.store.writer, "run", full)
            found.read(*(culls(0.2, line=f"line-{k}") for k in range(5)), seconds=62)
            assert len(found.context.alarms.waiting()) == 3
        assert "given up" in caplog.text
        assert len(found.open()) == 5


def test_a_condition_that_cannot_be_read_stands_as_it_was(
    raised: House, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(now_ms: int) -> list[Reading]:
        raise OSError("the disk does not answer")

    def unknown(now_ms: int) -> list[Reading]:
        return [Reading(kind="no_such", subject="x", value=1)]

    raised.context.alarms.providers += [broken, unknown]
    raised.read(culls(0.2), seconds=2)
    assert raised.open()[0]["state"] == "unacknowledged"
    assert "the disk does not answer" in caplog.text
    assert "no alarms of kind ['no_such']" in caplog.text
    metrics = raised.client.get("/metrics").text
    assert "grading_alarm_providers_failed_total 4.0" in metrics


def test_the_kinds_are_told_with_their_limits(raised: House) -> None:
    found = {k["kind"]: k for k in raised.get("/v1/alarms/kinds", lang="es")["kinds"]}
    kind = found["reject_share"]
    assert (kind["limit"], kind["deadband"], kind["on_delay_s"], kind["off_delay_s"],
            kind["suppressed_while"]) == (0.15, 0.2, 60, 600, ["changing", "stopped"])
    assert kind["response"].startswith("Abra el tablero")
