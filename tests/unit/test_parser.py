"""Bodies taken apart in a process beside this one come out as if they were taken apart here."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from service.ingest.beside import SLOTS, Layout, Worker
from service.ingest.parse import BodyError, parse_body
from service.ingest.parser import STARTS_MAX, Parser, beside
from service.ingest.together import Together, parse_bodies
from service.store.chunks import encode
from service.store.content import same_content
from tests.support.store_batches import packing_verdicts

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


def assert_same(found: Together | None, bodies: Sequence[bytes], media: str, **more: Any) -> None:
    """Each body as if it had been taken apart here and alone."""
    assert found is not None
    parsed = found.parsed
    assert len(found.places) == len(bodies)
    assert sum(place.n for place in found.places) == len(parsed.kept) + len(parsed.refused)
    for body, place, rows in zip(
            bodies, found.places, found.rows(kept=parsed.kept), strict=True):
        try:
            alone = parse_body(body=body, media=media, **WHERE, **more)
        except BodyError as error:
            assert place.wrong == error.findings
            continue
        assert not place.wrong
        assert place.n == alone.n
        assert np.array_equal(parsed.kept[rows] - place.first, alone.parsed.kept)
        assert place.own(by_position=parsed.refused) == alone.parsed.refused
        mine, its = parsed.batch.take(rows=rows), alone.parsed.batch
        assert (mine.source, mine.run) == (its.source, its.run)
        assert np.array_equal(mine.seq, its.seq)
        every = np.arange(len(its))
        assert same_content(left=mine, left_rows=every, right=its, right_rows=every).all()


async def parse(parser: Parser, **asked: Any) -> Together | None:
    async with parser.parsed(**asked) as (found, _):
        return found


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
                found = await parse(parser, bodies=[body], media=media, tip_mm=8.0, **WHERE)
                assert_same(found, [body], media, tip_mm=8.0)
                assert found is not None and found.parsed.refused
        usable = [row for k, row in enumerate(fruit()) if k not in (5, 6, 8)]
        plain = await parse(parser, bodies=[as_json(usable)], media="json", **WHERE)
        assert plain is not None
        assert not plain.parsed.refused
        assert plain.parsed.batch.defects[3][0].kind == "scab"
        assert plain.parsed.batch.judged == {4: {"well_formed": True}}

    with_parser(do, processes=2)


@pytest.mark.parametrize("media", ["json", "ndjson", "arrow"])
@pytest.mark.parametrize("processes", [0, 1])
def test_bodies_taken_apart_together_keep_what_is_theirs(media: str, processes: int) -> None:
    """In any order, with one among them that cannot be read and one without records."""
    form = {"json": as_json, "ndjson": as_lines, "arrow": as_arrow}[media]
    bodies = [form([{**row, "seq": N * k + row["seq"]} for row in fruit()])
              for k in (3, 0, 2, 1)]
    bodies.insert(2, bodies[0][:-7])
    bodies.append(form(fruit()[5:6]))

    async def do(parser: Parser) -> None:
        for some in (bodies, bodies[:2], bodies[2:3], bodies[-1:], bodies[2:3] + bodies[-1:]):
            found = await parse(parser, bodies=some, media=media, tip_mm=8.0, **WHERE)
            assert_same(found, some, media, tip_mm=8.0)

    with_parser(do, processes=processes)


def test_many_bodies_at_once_keep_their_own_answers() -> None:
    bodies = [as_json([{**row, "seq": N * k + row["seq"]} for row in fruit()]) for k in range(20)]

    async def do(parser: Parser) -> None:
        found = await asyncio.gather(*(
            parse(parser, bodies=[body], media="json", **WHERE) for body in bodies))
        for body, one in zip(bodies, found, strict=True):
            assert_same(one, [body], "json")

    with_parser(do)


def test_a_sender_that_leaves_harms_no_other() -> None:
    """Its body stays in its slot until the process has done with it."""
    async def do(parser: Parser) -> None:
        for _ in range(5):
            tasks = [asyncio.ensure_future(parse(parser,
                bodies=[BODIES["json"]], media="json", **WHERE)) for _ in range(SLOTS + 2)]
            await asyncio.sleep(0)
            for task in tasks[::2]:
                task.cancel()
            for found in await asyncio.gather(*tasks, return_exceptions=True):
                if isinstance(found, Together):
                    assert [place.n for place in found.places] == [N]
                else:
                    assert isinstance(found, asyncio.CancelledError)

    with_parser(do)


def test_a_process_that_is_killed_loses_no_body(caplog: pytest.LogCaptureFixture) -> None:
    async def do(parser: Parser) -> None:
        with caplog.at_level(logging.ERROR):
            (pid,) = parser.pids
            os.kill(pid, signal.SIGSTOP)
            waiting = [asyncio.ensure_future(parse(parser,
                bodies=[BODIES["json"]], media="json", **WHERE)) for _ in range(SLOTS)]
            await asyncio.sleep(0)
            os.kill(pid, signal.SIGKILL)
            for found in await asyncio.gather(*waiting):
                assert_same(found, [BODIES["json"]], "json")
            await parser.ready()
        assert "has ended" in caplog.text
        (after,) = parser.pids
        assert after != pid
        assert_same(await parse(parser, bodies=[BODIES["json"]], media="json", **WHERE),
                    [BODIES["json"]], "json")

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
            assert_same(await parse(parser, bodies=[BODIES["json"]], media="json", **WHERE),
                        [BODIES["json"]], "json")

    asyncio.run(run())
    assert len(starts) == STARTS_MAX


def test_bodies_that_fit_no_slot_are_taken_apart_here() -> None:
    big = as_json([{"seq": k} for k in range(20_000)])

    async def do(parser: Parser) -> None:
        for body in (big, as_json(fruit()[:9])):
            assert_same(await parse(parser, bodies=[body], media="json", **WHERE), [body], "json")

    with_parser(do, limit=65_536)


def test_slots_give_back_the_memory_of_large_bodies() -> None:
    large = as_json([{"seq": k, "diameter_mm": 66.1, "ground_hue_deg": 95.5}
                     for k in range(40_000)])
    assert len(large) > 2 * 2**20

    async def do(parser: Parser) -> None:
        for _ in range(3):
            found = await parse(parser, bodies=[large], media="json", **WHERE)
            assert found is not None
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
        done = Worker(memory=memory, layout=layout).do(Job(0, [len(rows)], "json", "s", "r", None))
    assert done.parts == []


def test_bodies_that_are_too_much_for_one_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """One alone is taken whatever its size."""
    monkeypatch.setattr("service.ingest.together.ROWS_MAX", 2 * N)
    for media, body in BODIES.items():
        for k, whole in ((1, True), (2, True), (3, False)):
            found = parse_bodies(bodies=[body] * k, media=media, tip_mm=8.0, **WHERE)
            assert (found is not None) == whole


def test_columns_of_several_streams_in_any_order_and_none() -> None:
    """Streams with the same columns, with others, and with rows that only a slow look can tell."""
    rows = [{"seq": k, "diameter_mm": 66.1, "ground_hue_deg": 95.5} for k in range(9)]
    turned = [{k: row[k] for k in reversed(row)} for row in rows]
    other = [{**row, "mass_g": 150.5} for row in rows]
    odd = [{**row, "diameter_mm": float("nan")} for row in rows]
    empty = pa.table({"seq": pa.array([], pa.int64()), "diameter_mm": pa.array([], pa.float64()),
                      "ground_hue_deg": pa.array([], pa.float64())})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, empty.schema) as stream:
        stream.write_table(empty)
    nothing = bytes(sink.getvalue())
    for some in ([rows, turned], [rows, other], [odd, rows], [rows, odd]):
        bodies = [as_arrow([{**row, "seq": row["seq"] + 20 * k} for row in part])
                  for k, part in enumerate(some)]
        for these in (bodies, bodies[::-1], [*bodies, nothing], [nothing, *bodies]):
            assert_same(parse_bodies(bodies=these, media="arrow", **WHERE), these, "arrow")


@pytest.mark.parametrize("processes", [0, 1])
def test_a_chunk_made_beside_is_the_chunk_made_here(processes: int) -> None:
    """Byte for byte; none is made once the process has ended, and nothing stays in the way."""
    bodies = [as_arrow([{**row, "seq": N * k + row["seq"]} for row in fruit()])
              for k in range(6)]

    async def do(parser: Parser) -> None:
        for _ in range(3):
            async with parser.parsed(bodies=bodies, media="arrow", tip_mm=8.0, **WHERE) as (
                    found, pack):
                assert found is not None
                assert (pack is not None) == bool(processes)
                batch = found.parsed.batch
                verdicts = packing_verdicts(n=len(batch))
                if pack is not None:
                    assert await pack(verdicts) == encode(batch=batch, verdicts=verdicts)
        async with parser.parsed(bodies=bodies, media="arrow", tip_mm=8.0, **WHERE) as (
                found, pack):
            for pid in parser.pids:
                os.kill(pid, signal.SIGKILL)
            if pack is not None:
                assert await pack(verdicts) is None
        assert_same(await parse(parser, bodies=bodies, media="arrow", tip_mm=8.0, **WHERE),
                    bodies, "arrow", tip_mm=8.0)

    with_parser(do, processes=processes)
