"""The closed minutes of a line, lot by lot, reduced to what the detector needs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from grading.drift.cells import LaneTable
from grading.drift.lanes import against_others
from grading.monitor.girth import girth_table
from grading.monitor.series import NO_TIME
from service.evidence import counted
from service.lane_views import LANE_LEAST, lane_table_of
from service.lots import MINUTE, LotState
from service.watch.quantities import LANES, LEVELS, SHARES

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

DAY_MS: Final = 24 * 3_600_000
LATE_MS: Final = 5_000
"""Fruit of a minute are waited for so long after its end; later ones make findings anew."""
QUIET_MS: Final = 60_000
"""A minute without a successor is closed so long after its end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Minute:
    """One lot's minute (Unix milliseconds // 60,000). rule: changes of the rule before it. shares:
    fruit counted, by name. levels: of the whole line with their standard errors. lanes: one-column
    tables by measure."""

    index: int
    lot: str
    rule: int = 0
    n: int
    shares: Mapping[str, int]
    levels: Mapping[str, tuple[float, float]]
    lanes: Mapping[str, LaneTable]


def lots_of(ctx: Context, line: Line, *, now_ms: int) -> list[LotState]:
    """The lots that a line has packed within a day, in their order; never the holding lot."""
    turns = list(line.turns)  # the event loop may add one meanwhile
    ends = [*(t.at_ms for t in turns[1:]), now_ms + DAY_MS]
    # Before its first turn a line has one end more than it has turns.
    ids = [t.lot for t, end_ms in zip(turns, ends, strict=False)
           if t.lot is not None and end_ms > now_ms - DAY_MS]
    return [ctx.lots.get(lot_id) for lot_id in dict.fromkeys(ids)]


def counts_of(ctx: Context, line: Line, *, now_ms: int) -> dict[tuple[int, str], int]:
    """(minute, lot) of every closed minute, in time order, to its fruit."""
    found: dict[tuple[int, str], int] = {}
    order = {}
    for place, lot in enumerate(lots_of(ctx, line, now_ms=now_ms)):
        order[lot.id] = place
        for index, figures in lot.windows(reader=ctx.store.reader).figures.items():
            if index != NO_TIME // MINUTE.size and index * MINUTE.size > now_ms - DAY_MS:
                found[index, lot.id] = figures.fruit
    newest = max((index for index, _ in found), default=0)
    closed = {key: n for key, n in found.items() if n and _closed(key[0], newest, now_ms)}
    return dict(sorted(closed.items(), key=lambda item: (item[0][0], order[item[0][1]])))


def _closed(index: int, newest: int, now_ms: int) -> bool:
    past_ms = now_ms - (index + 1) * MINUTE.size
    return past_ms >= (LATE_MS if index < newest else QUIET_MS)


def minute_of(ctx: Context, *, index: int, lot: LotState, rule: int) -> Minute:
    """One lot's minute, from its windows."""
    reader = ctx.store.reader
    state = lot.windows(reader=reader).windows[index]
    girth = lot.girth(reader=reader).minutes.get(index)
    lanes: dict[str, LaneTable] = {}
    for measure in LANES:
        table = (lane_table_of(states={index: (state,)}, measure=measure) if measure != "girth"
                 else None if girth is None else girth_table(
                     minutes={index: girth}, least=LANE_LEAST))
        if table is not None and np.isfinite(table.centre).any():
            lanes[measure] = table
    return Minute(
        index=index, lot=lot.id, rule=rule, n=state.fruit, lanes=lanes, levels=dict(_levels(lanes)),
        shares={name: counted(lot, state, name) for name in SHARES})


def _levels(lanes: Mapping[str, LaneTable]) -> Iterator[tuple[str, tuple[float, float]]]:
    for measure in LEVELS:
        table = lanes.get(measure)
        if table is not None:
            common = against_others(centre=table.centre[:, 0], se=table.se[:, 0])
            yield measure, (common.common, common.common_se)
