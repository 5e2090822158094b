"""Bodies taken apart in a process beside this one come out as if they were taken apart here."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
from collections.abc import Awaitable, Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from service.ingest.beside import SLOTS, Layout, Worker
from service.ingest.parse import Body, BodyError, parse_body
from service.ingest.parser import STARTS_MAX, Parser, beside
from service.store.content import same_content

LIMIT = 2**20
N = 500
WHERE = {"source": "belt-1", "run": "r1"}


def fruit(n: int = N) -> list[dict[str, Any]]:
    """Inches beside millimetres, gaps, defects, a judged point, and three that are refused."""
    found = [{"seq": k, "lane": 1 + k % 8, "time_unix_ms": 1_784_030_400_000 + 31 * k,
              "diameter_mm": 60 + k % 200 / 10, "ground_hue_deg": 90 + k % 17} for k in range(n)]
    for k in range(0, n, 7):
        found[k]["diameter_in"] = 2.53
        del found[k]["diameter_mm"]
    found[3]["defects"] = [{"kind": "scab", "circle_mm": 9.5, "healed": True}]
    found[4]["judged"] = {"well_formed": True}
    found[5]["diameter_mm"] = 400.0
    found[6]["colour"] = "red"
    found[8]["ground_hue_deg"] = 361.0
    return found


def as_json(rows: list[dict[str, Any]]) -> bytes:
    return json.dumps(rows).encode()


def as_lines(rows: list[dict[str, Any]]) -> bytes:
    return b"\n".join(json.dumps(row).encode() for row in rows)


def as_arrow(rows: list[dict[str, Any]]) -> bytes:
    kept = [{k: v for k, v in row.items() if k not in ("colour", "defects", "judged")}
            for row in rows]
    names = list(dict.fromkeys(k for row in kept for k in row))
    table = pa.table({name: pa.array([row.get(name) for row in kept]) for name in names})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    return bytes(sink.getvalue())


BODIES = {"json": as_json(fruit()), "ndjson": as_lines(fruit()), "arrow": as_arrow(fruit())}


def assert_same(one: Body, other: Body) -> None:
    assert one.n == other.n
    assert np.array_equal(one.parsed.kept, other.parsed.kept)
    assert one.parsed.refused == other.parsed.refused
    assert one.parsed.refused
    a, b = one.parsed.batch, other.parsed.batch
    assert (a.source, a.run) == (b.source, b.run)
    assert np.array_equal(a.seq, b.seq)
    rows = np.arange(len(a))
    assert same_content(left=a, left_rows=rows, right=b, right_rows=rows).all()
    for position in one.parsed.refused:
        assert one.raw(position) == other.raw(position)


def with_parser(
    do: Callable[[Parser], Awaitable[None]], *, limit: int = LIMIT, processes: int = 1
) -> None:
    async def run() -> None:
        parser = Parser(limit=limit)
        async with beside(parser, processes=processes):
            await parser.ready()
            await do(parser)

    asyncio.run(run())


def test_what_comes_back_is_what_would_be_found_here() -> None:
    async def do(parser: Parser) -> None:
        for _ in range(2):  # the second time by the shape that was learnt
            for media, body in BODIES.items():
                found = await parser.parse(body=body, media=media, tip_mm=8.0, **WHERE)
                assert_same(found, parse_body(body=body, media=media, tip_mm=8.0, **WHERE))
        usable = [row for k, row in enumerate(fruit()) if k not in (5, 6, 8)]
        plain = await parser.parse(body=as_json(usable), media="json", **WHERE)
        assert not plain.parsed.refused
        assert plain.parsed.batch.defects[3][0].kind == "scab"
        assert plain.parsed.batch.judged == {4: {"well_formed": True}}

    with_parser(do, processes=2)


def test_a_body_that_is_none_is_refused_in_the_same_words() -> None:
    broken = BODIES["json"][:-1]
    with pytest.raises(BodyError) as here:
        parse_body(body=broken, media="json", **WHERE)

    async def do(parser: Parser) -> None:
        with pytest.raises(BodyError) as there:
            await parser.parse(body=broken, media="json", **WHERE)
        assert there.value.findings == here.value.findings

    with_parser(do)


def test_many_bodies_at_once_keep_their_own_answers() -> None:
    bodies = [as_json([{**row, "seq": N * k + row["seq"]} for row in fruit()]) for k in range(20)]

    async def do(parser: Parser) -> None:
        found = await asyncio.gather(*(
            parser.parse(body=body, media="json", **WHERE) for body in bodies))
        for body, one in zip(bodies, found, strict=True):
            assert_same(one, parse_body(body=body, media="json", **WHERE))

    with_parser(do)


def test_a_sender_that_leaves_harms_no_other() -> None:
    """Its body stays in its slot until the process has done with it."""
    async def do(parser: Parser) -> None:
        for _ in range(5):
            tasks = [asyncio.ensure_future(parser.parse(
                body=BODIES["json"], media="json", **WHERE)) for _ in range(SLOTS + 2)]
            await asyncio.sleep(0)
            for task in tasks[::2]:
                task.cancel()
            for found in await asyncio.gather(*tasks, return_exceptions=True):
                if isinstance(found, Body):
                    assert found.n == N
                else:
                    assert isinstance(found, asyncio.CancelledError)

    with_parser(do)


def test_a_process_that_is_killed_loses_no_body(caplog: pytest.LogCaptureFixture) -> None:
    async def do(parser: Parser) -> None:
        with caplog.at_level(logging.ERROR):
            (pid,) = parser.pids
            os.kill(pid, signal.SIGSTOP)
            waiting = [asyncio.ensure_future(parser.parse(
                body=BODIES["json"], media="json", **WHERE)) for _ in range(SLOTS)]
            await asyncio.sleep(0)
            os.kill(pid, signal.SIGKILL)
            for found in await asyncio.gather(*waiting):
                assert found.n == N
            await parser.ready()
        assert "has ended" in caplog.text
        (after,) = parser.pids
        assert after != pid
        assert (await parser.parse(body=BODIES["json"], media="json", **WHERE)).n == N

    with_parser(do)


def test_a_process_that_never_starts_is_not_started_for_ever(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Its own Python finds none of this code."""
    starts = []
    popen = __import__("subprocess").Popen

    def broken(args: list[str], **more: Any) -> Any:
        starts.append(args)
        return popen([args[0], "-c", "pass", *args[3:]], **more)

    monkeypatch.setattr("service.ingest.parser.subprocess.Popen", broken)

    async def run() -> None:
        parser = Parser(limit=LIMIT)
        async with beside(parser, processes=1):
            async with asyncio.timeout(60):
                while caplog.text.count("has ended") < STARTS_MAX:
                    await asyncio.sleep(0.01)
            assert (await parser.parse(body=BODIES["json"], media="json", **WHERE)).n == N

    asyncio.run(run())
    assert len(starts) == STARTS_MAX


def test_bodies_that_fit_no_slot_are_taken_apart_here() -> None:
    big = as_json([{"seq": k} for k in range(20_000)])

    async def do(parser: Parser) -> None:
        assert (await parser.parse(body=big, media="json", **WHERE)).n == 20_000
        small = as_json(fruit()[:9])
        assert (await parser.parse(body=small, media="json", **WHERE)).n == 9

    with_parser(do, limit=65_536)


def test_slots_give_back_the_memory_of_large_bodies() -> None:
    large = as_json([{"seq": k, "diameter_mm": 66.1, "ground_hue_deg": 95.5}
                     for k in range(40_000)])
    assert len(large) > 2 * 2**20

    async def do(parser: Parser) -> None:
        for _ in range(3):
            found = await parser.parse(body=large, media="json", **WHERE)
            assert found.parsed.batch.seq.tolist() == list(range(40_000))

    with_parser(do, limit=8 * 2**20)


def test_an_answer_that_has_no_room_is_left_to_the_asker() -> None:
    """20 bytes a record in, 18 and more out: it fits twice the limit only if the limit is fair."""
    import mmap

    from service.ingest.beside import Job

    rows = b"[" + b",".join(b'{"seq":%d}' % k for k in range(1000)) + b"]"
    layout = Layout(4096)
    with mmap.mmap(-1, max(layout.size, len(rows) + 4096)) as memory:
        memory[:len(rows)] = rows
        done = Worker(memory=memory, layout=layout).do(Job(0, len(rows), "json", "s", "r", None))
    assert done.parts == []
