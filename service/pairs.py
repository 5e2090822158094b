"""Fruit measured both ways: those of a pull that name the line's record of themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from grading.quantities import MEASURES
from grading.record import FruitBatch
from service.context import Context
from service.evidence import UNSORTED, Stretch
from service.lines import Line
from service.store.group import PULL
from service.store.pulls import PULLS, Pull
from service.store.reader import chunk_rows

PAIRS_MOST: Final = 1_000


@dataclass(frozen=True, slots=True)
class Pair:
    """One fruit, in the measure's unit; hues as the line's way round from the hand's."""

    line: float
    hand: float
    lane: int
    lot: str
    sorted: bool
    source: str


@dataclass(slots=True)
class Paired:
    """Pulls with pairs of a measure, the newest first as far as `PAIRS_MOST`, and the pairs."""

    pulls: list[str] = field(default_factory=list)
    pairs: list[Pair] = field(default_factory=list)


def paired(
    ctx: Context, *, line: Line, stretch: Stretch, measures: Sequence[str]
) -> dict[str, Paired]:
    """The pairs of each measure from the pulls of a stretch. Reads the store: call it on a worker
    thread."""
    lots = {t.lot for t in line.turns if t.lot is not None} | {line.row.holding}
    with ctx.store.reader.connection() as conn:
        found = [p for p in PULLS.select(
            conn, where="drawn_ms >= ? AND drawn_ms < ? ORDER BY drawn_ms DESC, id",
            params=(stretch.from_ms, stretch.until_ms)) if p.lot in lots]
    seen = {name: Paired() for name in measures}
    for pull in found:
        wanted = [name for name in measures if len(seen[name].pairs) < PAIRS_MOST]
        if not wanted:
            break
        for name, pair in _pairs(ctx, pull, wanted):
            of = seen[name]
            if pull.id not in of.pulls[-1:]:
                of.pulls.append(pull.id)
            of.pairs.append(pair)
    return seen


def _pairs(ctx: Context, pull: Pull, measures: Sequence[str]) -> Iterator[tuple[str, Pair]]:
    twins = {k: f["line_fruit"] for k, f in enumerate(pull.body["fruit"]) if f.get("line_fruit")}
    if not twins:
        return
    by_hand = _hand(ctx, pull, measures)
    for k, twin in twins.items():
        found = ctx.store.reader.fruit(
            source=twin["source"], run=twin["run"], seq=twin["seq"]) if by_hand.get(k) else None
        if found is None:
            continue
        for measure, hand in by_hand[k].items():
            value = _value(found.batch, 0, measure)
            if value is not None:
                gap = value - hand
                if measure == "hue":
                    gap = (gap + 180.0) % 360.0 - 180.0
                yield measure, Pair(hand + gap, hand, int(found.batch.lane[0]), found.lot,
                                    pull.purpose not in UNSORTED, twin["source"])


def _hand(ctx: Context, pull: Pull, measures: Sequence[str]) -> dict[int, dict[str, float]]:
    """What was read of the pull's fruit, by position and measure."""
    found: dict[int, dict[str, float]] = {}
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        for chunk in chunk_rows(conn=conn, lot=pull.lot, kind=PULL):
            if chunk.source == f"pull:{pull.id}":
                batch, _ = chunk.decode()
                for row, k in enumerate(batch.seq.tolist()):
                    values = {name: _value(batch, row, name) for name in measures}
                    found[k] = {name: v for name, v in values.items() if v is not None}
    return found


def _value(batch: FruitBatch, row: int, measure: str) -> float | None:
    column = batch.measures.get(measure)
    if column is None or not column.present[row]:
        return None
    return MEASURES[measure].value(quanta=int(column.values[row]))
