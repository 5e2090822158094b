"""Clocks that are wrong, that skip an hour or repeat one, and a service whose own clock is set
back: fruit keep the time they were sent with, odd ones are told and counted, none is dropped, and
commits go on in their order."""

from __future__ import annotations

import os
import random
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from starlette.testclient import TestClient

from service.alarms.providers import Failures
from service.app import create_app
from service.clock import Clock
from service.settings import Settings
from service.store.open import open_store
from tests.api.test_stream import Client
from tests.support.app import LOT, NOON_MS, open_lot
from tests.support.calls import call
from tests.support.faulty_disk import FaultyDisk
from tests.support.process import Served

HOUR_S = 3_600
NOON = datetime.fromtimestamp(NOON_MS / 1000, UTC)
RANDOM = 2_000 if os.environ.get("DRUPE_NIGHTLY") else 40

SKEWS_S = [-24 * HOUR_S, -HOUR_S, -301, -300, -299, -5, 0, 5, 5.001, 60, 300, 300.001, HOUR_S,
           24 * HOUR_S]

pytestmark = pytest.mark.faults


class House:
    """The service under a clock of the test's, and what it says of fruit."""

    def __init__(self, client: TestClient) -> None:
        self.client = client
        self.now_ms = NOON_MS

    def post(self, records: list[dict[str, Any]], *, run: str = "r1") -> dict[str, Any]:
        answer = self.client.post(f"/v1/records?source=line-1&run={run}&lot=L-0417", json=records)
        assert answer.status_code in (200, 201), answer.text
        found: dict[str, Any] = answer.json()
        return found

    def stored_ms(self, *, run: str = "r1") -> dict[int, int | None]:
        """The time of every stored fruit, in the units of the store."""
        found: dict[int, int | None] = {}
        reader = self.client.app.state.context.store.reader  # type: ignore[attr-defined]  # ours
        for chunk in reader.chunks(lot="L-0417"):
            if chunk.run == run:
                batch, _ = chunk.decode()
                for seq, ms, said in zip(batch.seq.tolist(), batch.time_ms.values.tolist(),
                                         batch.time_ms.present.tolist(), strict=True):
                    found[seq] = ms if said else None
        return found

    def counted(self, off: str) -> int:
        shown = re.search(rf'^grading_clock_records_total{{off="{off}"}} (\S+)$',
                          self.client.get("/metrics").text, re.MULTILINE)
        assert shown is not None
        return int(float(shown[1]))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    held: list[House] = []
    app = create_app(settings=Settings(data_dir=tmp_path / "data"),
                     clock=Clock(lambda: held[0].now_ms if held else NOON_MS))
    with TestClient(app) as client:
        held.append(House(client))
        open_lot(client)
        yield held[0]


def judged(skew_s: float) -> dict[str, int]:
    """What is to be told of a time that is off by so much: over 5 s ahead, over 5 min ahead, over
    5 min behind."""
    said = {"ahead": skew_s > 5, "doubtful": skew_s > 300, "late": skew_s < -300}
    return {name: 1 for name, holds in said.items() if holds}


def as_text(moment: datetime, zone: Any) -> str:
    return moment.astimezone(zone).isoformat(timespec="milliseconds")


def over_http(house: House, record: dict[str, Any]) -> dict[str, int]:
    found: dict[str, int] = house.post([record]).get("clock", {})
    return found


def over_a_stream(house: House, record: dict[str, Any]) -> dict[str, int]:
    with house.client.websocket_connect("/v1/stream?source=line-1&run=r1&lot=L-0417") as socket:
        line = Client(socket)
        assert "grade" in line.ask(record)
        line.until(lambda: line.total("stored") == 1)
        line.leave()
    found: dict[str, int] = line.marks[-1].get("clock", {})
    return found


@pytest.mark.parametrize("way", [over_http, over_a_stream])
def test_clocks_that_are_off(
    house: House, way: Callable[[House, dict[str, Any]], dict[str, int]]
) -> None:
    rng = random.Random(20260714)
    skews = SKEWS_S + [round(rng.uniform(-24, 24) * HOUR_S, 3) for _ in range(RANDOM)]
    wanted_ms: dict[int, int] = {}
    for seq, skew_s in enumerate(skews):
        moment = NOON + timedelta(seconds=skew_s)
        wanted_ms[seq] = NOON_MS + round(skew_s * 1000)
        zone = timezone(timedelta(minutes=rng.choice((-480, -210, 0, 60, 330, 765))))
        told = way(house, {"seq": seq, "diameter_mm": 66, **rng.choice((
            {"time": as_text(moment, zone)}, {"time_unix_ms": wanted_ms[seq]}))})
        assert told == judged(skew_s), skew_s
    assert house.stored_ms() == wanted_ms
    for off in ("ahead", "doubtful", "late"):
        assert house.counted(off) == sum(off in judged(s) for s in skews)


# Switches between summer and winter time (IANA time zone database, as the interpreter has it).
# Spain 2026: 29 March 01:00 UTC and 25 October 01:00 UTC; California: 8 March 10:00 UTC and
# 1 November 09:00 UTC; Lord Howe Island shifts by half an hour: 4 October 2025 15:30 UTC.
SWITCHES = [
    ("Europe/Madrid", datetime(2026, 3, 29, 1, tzinfo=UTC)),
    ("Europe/Madrid", datetime(2026, 10, 25, 1, tzinfo=UTC)),
    ("America/Los_Angeles", datetime(2026, 3, 8, 10, tzinfo=UTC)),
    ("America/Los_Angeles", datetime(2026, 11, 1, 9, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2025, 10, 4, 15, 30, tzinfo=UTC)),
]


@pytest.mark.parametrize(("place", "switch"), SWITCHES)
def test_an_hour_that_is_missing_or_comes_twice(
    house: House, place: str, switch: datetime
) -> None:
    """A line runs through the switch and writes its wall clock with the offset of the moment: fruit
    a minute apart stay a minute apart, though their wall clocks do not."""
    zone = ZoneInfo(place)
    moments = [switch + timedelta(minutes=k) for k in range(-90, 91)]
    texts = [as_text(m, zone) for m in moments]
    walls = [text[:16] for text in texts]
    offsets = {text[-6:] for text in texts}
    assert len(offsets) == 2
    # Either some wall clock times come twice, or some never come.
    steps = {b - a for a, b in zip(*[[datetime.fromisoformat(w) for w in part]
                                     for part in (walls, walls[1:])], strict=False)}
    assert len(set(walls)) < len(walls) or max(steps) > timedelta(minutes=1)

    house.now_ms = round((switch + timedelta(minutes=91)).timestamp() * 1000)
    house.post([{"seq": k, "diameter_mm": 66, "time": text} for k, text in enumerate(texts)])
    body = "seq,diameter_mm,time\n" + "".join(
        f"{k},66,{text}\n" for k, text in enumerate(texts))
    answer = house.client.post("/v1/records?source=line-1&run=csv&lot=L-0417", content=body,
                               headers={"content-type": "text/csv"})
    assert answer.json()["stored"] == len(texts)
    wanted = {k: round(m.timestamp() * 1000) for k, m in enumerate(moments)}
    assert house.stored_ms() == house.stored_ms(run="csv") == wanted


def test_an_hour_that_never_was_is_still_a_moment(house: House) -> None:
    """02:30 of 29 March 2026 never showed on a wall in Madrid, but a controller that does not know
    of summer time writes it, with the offset it believes in."""
    for seq, (text, moment) in enumerate((
        ("2026-03-29T02:30:00+01:00", datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
        ("2026-03-29T02:30:00+02:00", datetime(2026, 3, 29, 0, 30, tzinfo=UTC)),
    )):
        house.post([{"seq": seq, "time": text}])
        assert house.stored_ms()[seq] == round(moment.timestamp() * 1000)


def test_a_wall_clock_without_its_offset_is_refused_and_kept(house: House) -> None:
    """Nobody could tell which of the two half past twos it was."""
    answer = house.client.post("/v1/records?source=line-1&run=r1&lot=L-0417", json=[
        {"seq": 1, "time": "2026-10-25T02:30:00"}, {"seq": 2, "diameter_mm": 66}])
    assert answer.status_code == 201
    assert answer.json()["outcomes"][0]["errors"][0]["code"] == "time_without_zone"
    kept = house.client.get("/v1/lots/L-0417/quarantine").json()["records"]
    assert '"2026-10-25T02:30:00"' in kept[0]["raw"]


def test_a_time_is_kept_whatever_the_service_believes(house: House) -> None:
    """The same fruit again, an hour earlier by the service's clock and a month later: a repeat."""
    record = {"seq": 1, "diameter_mm": 66, "time": "2026-07-14T11:59:59.999Z"}
    house.post([record])
    for step_s in (-HOUR_S, 30 * 24 * HOUR_S):
        house.now_ms = NOON_MS + step_s * 1000
        again = house.post([record])
        assert (again["stored"], again["duplicates"]) == (0, 1)
    assert house.stored_ms() == {1: NOON_MS - 1}


def test_a_lot_is_closed_and_opened_by_a_clock_that_goes_back(house: House) -> None:
    """Events keep their order by number where their times do not."""
    house.now_ms = NOON_MS - HOUR_S * 1000
    open_lot(house.client, id="L-0418")
    assert house.client.post("/v1/lots/L-0417/close").status_code == 200
    told = house.client.get("/v1/lots/L-0417").json()
    assert told["closed_at"] < told["opened_at"]
    late = house.client.post("/v1/records?source=line-1&run=r1&lot=L-0417", json=[{"seq": 1}])
    assert late.status_code == 409


def test_failed_commits_count_for_a_minute(house: House) -> None:
    """By the steady clock: whatever the wall clock is set to, it goes on."""
    ctx = house.client.app.state.context  # type: ignore[attr-defined]  # ours
    failures = Failures(writer=ctx.store.writer, metrics=ctx.metrics)
    failures(1_000)
    ctx.store.writer._failures += 3
    told = {at_s: failures(at_s * 1000)[0].value for at_s in range(2, 64)}
    assert set(told.values()) == {3, 0}
    assert {at_s for at_s, value in told.items() if value == 3} == set(range(2, 62))


def test_the_clock_is_set_back_an_hour_while_fruit_come_in(
    tmp_path: Path, faulty_disk: Callable[..., FaultyDisk]
) -> None:
    """In the real process, between bodies and within a stream of them, there and back again."""
    disk = faulty_disk(tmp_path / "data")
    served = Served(disk.root, env=disk.env)
    served.start()
    try:
        assert served.request("POST", "/v1/lots", LOT)[0] == 201
        commits, seq = [], 0
        for offset_s in (0, -HOUR_S, -HOUR_S, 0, HOUR_S, -24 * HOUR_S, 0):
            disk.set(clock_s=offset_s)
            for _ in range(10):
                answer = call(served.port, "POST",
                              "/v1/records?source=line-1&run=r1&lot=L-0417",
                              [{"seq": s, "diameter_mm": 66} for s in range(seq, seq + 7)])
                assert (answer.status, answer.body["stored"]) == (201, 7)
                commits.append(answer.body["commit"])
                seq += 7
        assert commits == sorted(set(commits))
        said = served.request("GET", "/v1/lots/L-0417")[1]
        assert (said["fruit"], said["sources"][0]["gaps"]) == (seq, [])
        assert durations(served) == {"grading_ingest_seconds": 70}
        assert served.stop() == 0
    finally:
        served.kill()
    store = open_store(data_dir=disk.root, now_ms=NOON_MS)
    found = [s for chunk in store.reader.chunks(lot="L-0417")
             for s in chunk.decode()[0].seq.tolist()]
    store.close()
    assert sorted(found) == list(range(seq))


def durations(served: Served) -> dict[str, int]:
    """How often each duration was taken; none of them may have come out at an hour, or below 0."""
    import http.client

    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=30)
    connection.request("GET", "/metrics")
    text = connection.getresponse().read().decode()
    connection.close()
    found = {}
    for name, n in re.findall(r"^(grading_ingest_seconds)_count (\S+)$", text, re.MULTILINE):
        total = re.search(rf"^{name}_sum (\S+)$", text, re.MULTILINE)
        assert total is not None
        assert 0 < float(total[1]) < HOUR_S / 2
        found[name] = int(float(n))
    return found
