"""Live views: one slot a reader, work only while somebody looks, stalled readers cut off."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from service import live
from service.live import EventStream, Live, TooManyReaders, View


class Pictures:
    """A maker that counts how often it was asked."""

    def __init__(self, *, broken: int = 0) -> None:
        self.made = 0
        self._broken = broken

    async def __call__(self) -> tuple[int, str]:
        self.made += 1
        if self.made <= self._broken:
            raise RuntimeError("no picture")
        return self.made * 10, f"picture {self.made}\nsecond line"


@pytest.fixture(autouse=True)
def _fast(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "EVERY_S", 0.0)


def test_a_slow_reader_skips_pictures_and_gets_the_newest() -> None:
    async def run() -> None:
        pictures = Pictures()
        view = View(pictures)
        frames = view.frames()
        assert await anext(frames) == (
            b"id: 10\nevent: picture\ndata: picture 1\ndata: second line\n\n")
        while view.number < 50:
            await asyncio.sleep(0)
        newest = await anext(frames)
        assert int(newest.split(b"\n")[0].removeprefix(b"id: ")) >= 500
        await frames.aclose()
        made = pictures.made
        for _ in range(20):
            await asyncio.sleep(0)
        assert pictures.made <= made + 1  # nobody looks, so nobody draws
        assert view.readers == 0

    asyncio.run(run())


def test_a_new_reader_gets_no_picture_that_was_begun_before_it_came() -> None:
    """Its page is newer, and shows already what a press on it has changed."""

    async def run() -> None:
        going, truth = asyncio.Event(), ["3 wait"]

        async def make() -> tuple[int, str]:
            seen = truth[0]
            await going.wait()
            going.clear()
            return 1, seen

        view = View(make)
        first = view.frames()
        waiting = asyncio.ensure_future(anext(first))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert view.begun == 1
        truth[0] = "2 wait"
        second = view.frames()
        newer = asyncio.ensure_future(anext(second))
        going.set()
        assert b"3 wait" in await waiting
        while view.begun < 2:
            await asyncio.sleep(0)
        going.set()
        assert b"2 wait" in await newer
        await first.aclose()
        await second.aclose()

    asyncio.run(run())


def test_between_two_screens_the_event_loop_turns_once() -> None:
    """A fruit that comes while fifty screens get their picture waits for one of them."""

    async def run() -> None:
        view, taken = View(Pictures()), 0

        async def look() -> None:
            nonlocal taken
            async for _ in view.frames():
                taken += 1
                await asyncio.Event().wait()

        screens = [asyncio.create_task(look()) for _ in range(5)]
        turns = []
        while taken < len(screens):
            before = taken
            await asyncio.sleep(0)
            turns.append(taken - before)
        assert max(turns) == 1
        for one in screens:
            one.cancel()
        await asyncio.gather(*screens, return_exceptions=True)

    asyncio.run(run())


def test_a_picture_that_fails_is_told_to_the_log_and_tried_again(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def run() -> None:
        frames = View(Pictures(broken=2)).frames()
        assert (await anext(frames)).startswith(b"id: 30\n")
        await frames.aclose()

    asyncio.run(run())
    assert caplog.text.count("a live view failed") == 2


def test_a_reader_that_takes_nothing_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "STALL_S", 0.01)

    async def run() -> None:
        view = View(Pictures())
        sent: list[Any] = []

        async def send(message: Any) -> None:
            sent.append(message)
            if message["type"] == "http.response.body":
                await asyncio.Event().wait()  # a full socket that nobody empties

        async def receive() -> Any:
            return await asyncio.Event().wait()

        await EventStream(view)({"type": "http"}, receive, send)
        assert [m["type"] for m in sent] == ["http.response.start", "http.response.body"]
        assert view.readers == 0
        told = view.metrics.registry.get_sample_value
        assert told("grading_board_dropped_total") == 1
        assert (told("grading_board_pictures_total") or 0) >= 1

    asyncio.run(run())


def test_a_reader_that_leaves_ends_its_stream() -> None:
    async def run() -> None:
        view = View(Pictures())
        left = asyncio.Event()

        async def send(message: Any) -> None:
            if message["type"] == "http.response.body":
                left.set()

        async def receive() -> Any:
            await left.wait()
            return {"type": "http.disconnect"}

        await EventStream(view)({"type": "http"}, receive, send)
        assert view.readers == 0

    asyncio.run(run())


def test_readers_of_one_view_share_its_pictures_up_to_a_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(live, "READERS_MAX", 2)

    async def run() -> None:
        hub, pictures = Live(), Pictures()
        streams = [hub.stream(name="a", make=pictures) for _ in range(2)]
        frames = [s._view.frames() for s in streams]
        both = [await anext(f) for f in frames]
        assert both[0].startswith(b"id: ")
        assert hub.readers == 2
        with pytest.raises(TooManyReaders):
            hub.stream(name="b", make=pictures)
        for f in frames:
            await f.aclose()
        assert hub.readers == 0

    asyncio.run(run())
