"""What the statistics of a line cost beside taking and grading its fruit.

An hour of one line of eight lanes is taken minute by minute, as JSON, graded and stored; after
every minute the counts, windows, cull causes and the watch over the line are brought up to date, as
in the running service. Both are processor time of all threads. A line sends about once a second;
the same hour in bodies of a minute shows the most that statistics can weigh.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from pathlib import Path
from typing import Any, Final

from benchmarks.report import Line
from service.api.answers import answer
from service.score.house import House
from service.simulator import Shift, load_plan
from service.simulator.records import body_of, records_of

MINUTES: Final = 60
BAR: Final = 0.15


def _bodies(shift: Shift, each: int) -> list[list[bytes]]:
    """Bodies of `each` fruit, by minute."""
    line = next(iter(shift.lines.values()))
    minutes = []
    for part, _ in zip(line.slices(fruit=1_920), range(MINUTES), strict=False):
        records = records_of(part=part)
        minutes.append([body_of(records=records[at:at + each])
                        for at in range(0, len(records), each)])
    return minutes


async def _open(house: House, shift: Shift) -> str:
    line = next(iter(shift.lines.values()))
    lot = line.plan.lots[0]
    await house.call("POST", "/v1/lots", lot.opening(line=line.id, standard=lot.standard))
    await house.call("POST", "/v1/lines", {
        "id": line.id, "holding": {"standard": lot.standard, "cultivar": lot.cultivar}})
    _, told = await house.call("POST", "/v1/sources", {
        "id": line.source, "line": line.id, "lanes": line.plan.lanes})
    await house.call("POST", f"/v1/lines/{line.id}/lot", {"lot": lot.id, "person": "Shift lead"})
    return str(told["key"])


async def _hour(each: int) -> tuple[float, float, int]:
    """Seconds for the road, seconds for the statistics, fruit."""
    shift = Shift(plan=load_plan("quiet-day"))
    line = next(iter(shift.lines.values()))
    road_s = statistics_s = 0.0
    fruit = 0
    with tempfile.TemporaryDirectory() as folder:
        house = House(folder=Path(folder), now_ms=shift.start_ms)
        try:
            ctx: Any = house.ctx
            origin = ctx.road.origin(source=line.source, run="r", key=await _open(house, shift))
            lot, belt = ctx.road.lot_now(origin=origin), ctx.lines.get(line.id)

            def look() -> None:
                lot.counts(reader=ctx.store.reader)
                lot.windows(reader=ctx.store.reader)
                lot.culls(reader=ctx.store.reader)
                ctx.watch.look(ctx, belt)

            look()
            for minute in _bodies(shift, each):
                start = time.process_time()
                for raw in minute:
                    outcomes = await ctx.road.accept(raw=raw, media="json", origin=origin)
                    answer(outcomes)
                    fruit += outcomes.body.n
                road_s += time.process_time() - start
                house.now_ms += 60_000
                start = time.process_time()
                look()
                statistics_s += time.process_time() - start
        finally:
            house.close()
    return road_s, statistics_s, fruit


def run() -> list[Line]:
    lines = []
    for each, what, bar in ((32, "a body a second", BAR), (1_920, "a body a minute", None)):
        road_s, statistics_s, fruit = asyncio.run(_hour(each))
        share = statistics_s / road_s
        met = "" if bar is None else f", bar {bar:.0%}: {'met' if share <= bar else 'NOT MET'}"
        lines += [
            Line(f"{what}: taken, graded, stored", f"{road_s / fruit * 1e6:.2f} µs/fruit",
                 f"{fruit:,} fruit"),
            Line("  counts, windows, causes, watch", f"{statistics_s / fruit * 1e6:.2f} µs/fruit",
                 f"{share:.0%} of it{met}"),
        ]
    return lines
