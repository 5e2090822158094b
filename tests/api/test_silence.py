"""Who is silent, for how long, whatever somebody does to the wall clock meanwhile, and how rarely
a source may send before it is missed. Limits and delays are those of `definitions.toml`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from starlette.testclient import TestClient

from service.alarms.providers import Sources, facts_of
from service.lines import PAUSE_MS, LastArrival
from tests.support.app import NOON_MS, service
from tests.support.line import register

HOUR_S = 3_600
SET_S = (-HOUR_S, HOUR_S)
LEFT, RIGHT = "belt-line-1", "eye-line-1"


class House:
    """A line that packs a lot, with sources that send by themselves. Time is told in seconds from
    the start of the service; `set_s` is by how much the wall clock was set."""

    def __init__(self) -> None:
        self.at_s = 0
        self.set_s = 0
        self.every_s: dict[str, int] = {}
        self.said: list[tuple[int, str, str, str]] = []
        self._seq = 0

    def start(self, client: TestClient) -> None:
        self.ctx: Any = client.app.state.context  # type: ignore[attr-defined]
        self._client = client
        self.ctx.alarms.providers[:] = [
            p for p in self.ctx.alarms.providers if isinstance(p, Sources)]

    def register(self, *others: str) -> None:
        """The line with its sensor, and others beside it."""
        register(self._post)
        for name in others:
            self._post("/v1/sources", {"id": name, "line": "line-1"})

    def _post(self, path: str, body: Any) -> Any:
        answer = self._client.post(path, json=body)
        assert answer.is_success, answer.text
        return answer.json()

    def wall_ms(self) -> int:
        return NOON_MS + (self.at_s + self.set_s) * 1000

    def send(self, source: str) -> None:
        """As the road tells of records that have come in."""
        self._seq += 1
        self.ctx.arrivals.saw(source=source, run="r1", seq=self._seq,
                              at=LastArrival(received_ms=self.wall_ms(), skew_ms=None))

    def run(self, seconds: int) -> None:
        """So many seconds, in each of which sources that are due send, and alarms are looked at."""
        note = self.ctx.alarms._note

        def noted(transitions: Any) -> None:
            self.said += [(self.at_s, t.alarm.kind, t.alarm.subject,
                           "raised" if t.announced else t.what) for t in transitions]
            note(transitions)

        async def pass_by() -> None:
            for _ in range(seconds):
                self.at_s += 1
                for source, every_s in self.every_s.items():
                    if self.at_s % every_s == 0:
                        self.send(source)
                await self.ctx.alarms.tick()

        assert self._client.portal is not None
        with patch.object(self.ctx.alarms, "_note", noted):
            self._client.portal.call(pass_by)

    def of(self, kind: str) -> list[tuple[int, str, str]]:
        return [(at_s, subject, what) for at_s, found, subject, what in self.said if found == kind]

    def stands(self) -> bool:
        return "line-1" in facts_of(self.ctx)(self.at_s * 1000).stopped


@contextmanager
def running(data_dir: Path, made: House) -> Iterator[House]:
    with (patch("service.alarms.runner.EVERY_S", 1e6), patch("service.heartbeat.EVERY_S", 1e6),
          service(data_dir, now_ms=made.wall_ms, steady_ms=lambda: made.at_s * 1000) as client):
        made.start(client)
        yield made


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with running(tmp_path, House()) as made:
        made.register(RIGHT)
        made.every_s = {LEFT: 1, RIGHT: 1}
        yield made


# --- a wall clock that is set ---------------------------------------------------------------------


@pytest.mark.parametrize("set_s", SET_S)
def test_a_silent_sensor_is_called_for_after_its_ten_seconds(house: House, set_s: int) -> None:
    """The clock is set with the belt running, in the delay before the call, and in the delay
    after which it is over."""
    house.run(70)
    house.set_s = set_s
    house.run(70)
    assert house.of("sensor_silent") == house.of("line_silent") == []
    del house.every_s[RIGHT]
    house.run(5)
    house.set_s = 0
    house.run(15)
    # Its last fruit came at 140: 2 s behind at 142, and 8 s later it is called for.
    assert house.of("sensor_silent") == [(150, RIGHT, "raised")]
    house.every_s[RIGHT] = 1
    house.run(5)
    house.set_s = set_s
    house.run(60)
    # Back at 161, and 10 s later that is over.
    assert house.of("sensor_silent") == [(150, RIGHT, "raised"), (171, RIGHT, "returned")]
    assert {kind for _, kind, _, _ in house.said} <= {"sensor_silent", "clock_off"}


@pytest.mark.parametrize("set_s", SET_S)
def test_a_silent_line_is_called_for_after_its_five_minutes(house: House, set_s: int) -> None:
    house.run(10)
    house.every_s.clear()
    house.run(100)
    house.set_s = set_s
    house.run(250)
    assert house.of("line_silent") == [(310, "line-1", "raised")]
    assert house.of("sensor_silent") == []


@pytest.mark.parametrize("set_s", SET_S)
def test_a_source_that_left_is_called_for_after_its_ten_seconds(house: House, set_s: int) -> None:
    """Gone at 10: for one second at 11, and for 9 s more at 20."""
    house.run(10)
    house.ctx.presence.tell(source=RIGHT, silent=True)
    house.run(5)
    house.set_s = set_s
    house.run(60)
    assert house.of("source_lost") == [(20, RIGHT, "raised")]
    shown = house.ctx.presence.silent()[RIGHT]
    assert shown.at_ms == NOON_MS + 10_000


@pytest.mark.parametrize("set_s", SET_S)
def test_a_line_stands_after_ten_seconds(house: House, set_s: int) -> None:
    house.run(20)
    house.every_s.clear()
    house.run(5)
    house.set_s = set_s
    house.run(4)
    assert not house.stands()
    house.run(1)
    assert house.stands()


@pytest.mark.parametrize("set_s", SET_S)
def test_a_lot_has_just_begun_for_a_minute(house: House, set_s: int) -> None:
    facts = house.ctx.alarms.facts
    house.run(30)
    house.set_s = set_s
    assert facts(59_999).changing == {"line-1"}
    assert facts(60_000).changing == frozenset()


def test_after_a_restart_delays_count_from_the_start(tmp_path: Path) -> None:
    """An hour back during the restart: the lot began in what is now the future."""
    made = House()
    with running(tmp_path, made):
        made.register()
        made.every_s = {LEFT: 1}
        made.run(100)
    made.every_s.clear()
    made.set_s = -HOUR_S
    made.at_s = 5  # the machine was started too
    with running(tmp_path, made):
        made.run(400)
    ((at_s, *_),) = made.of("line_silent")
    assert at_s in (305, 306)  # alarms are looked at for the first time as it starts, or after


# --- sources that send rarely ---------------------------------------------------------------------


@pytest.mark.parametrize("every_s", [150, 300, 600])
def test_a_line_whose_only_source_sends_rarely_runs_between_its_messages(
    house: House, every_s: int
) -> None:
    """From its second message on, though the other has never sent; three pauses later it stands,
    and nothing comes from it."""
    house.every_s = {LEFT: every_s}
    house.run(2 * every_s + 20)
    house.said.clear()
    for _ in range(5):
        house.run(every_s - 21)
        assert not house.stands()
        house.run(21)
    assert house.said == []
    house.every_s.clear()
    house.run(3 * every_s - 21)
    assert not house.stands()
    house.run(1)
    assert house.stands()
    assert [what for _, _, what in house.of("line_silent")] == ["raised"]


def test_beside_a_fast_source_one_that_sends_rarely_is_not_missed(house: House) -> None:
    """The fast one is missed as soon as ever, and the other three pauses after its last, and the
    8 s that silence has to last."""
    house.every_s = {LEFT: 1, RIGHT: 300}
    house.run(1_900)
    # Before its second message its pace is not known.
    assert all(at_s <= 610 for at_s, _, _ in house.of("sensor_silent"))
    house.said.clear()
    del house.every_s[RIGHT]
    house.run(1_000)
    assert house.of("sensor_silent") == [(1_800 + 900 + 8, RIGHT, "raised")]


def test_a_fast_source_is_missed_as_soon_as_one_that_sends_rarely_is_heard(house: House) -> None:
    """The line runs by the pace of the rare one, so silence of the fast one counts from the first
    fruit that come without it."""
    house.every_s = {LEFT: 1, RIGHT: 300}
    house.run(1_950)
    house.said.clear()
    del house.every_s[LEFT]
    house.run(149)
    assert house.said == []
    house.run(20)
    assert house.of("sensor_silent") == [(2_108, LEFT, "raised")]


def test_a_gateway_that_sends_several_bodies_at_a_time(house: House) -> None:
    """Four bodies every five minutes: the pace is that of the times, not of the bodies."""
    house.every_s.clear()
    for _ in range(5):
        for _ in range(4):
            house.send(LEFT)
        house.run(300)
    assert not house.stands()
    assert house.ctx.arrivals.pace_ms(LEFT) == 300_000


def test_stops_of_the_belt_do_not_make_a_fast_source_slow(house: House) -> None:
    """Two stops within the sixteen newest pauses; a night says nothing at all."""
    house.run(30)
    for _ in range(2):
        house.every_s.clear()
        house.run(200)
        house.every_s = {LEFT: 1, RIGHT: 1}
        house.run(5)
    assert house.ctx.arrivals.pace_ms(LEFT) == 1_000
    house.at_s += PAUSE_MS // 1000
    house.run(1)
    house.said.clear()
    del house.every_s[RIGHT]
    house.run(12)
    assert [at[1:] for at in house.of("sensor_silent")] == [(RIGHT, "raised")]
