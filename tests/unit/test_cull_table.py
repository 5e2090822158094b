"""The counts behind cull reports against a plain recount, fruit by fruit."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from grading.reasons import reasons_of
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts
from service.cull_table import CULLS, FRUIT, NO_MINUTE, NOTHING, Counts, CullTable, counts_of
from tests.support.windows import CULL, codes, fruit


def plain(batch: FruitBatch, verdicts: Verdicts) -> Counter[tuple[int, int, str]]:
    found: Counter[tuple[int, int, str]] = Counter()
    for i in range(len(batch)):
        minute = int(batch.time_ms.values[i]) // 60_000 if batch.time_ms.present[i] else NO_MINUTE
        at = (minute, int(batch.lane[i]))
        found[*at, "fruit"] += 1
        if verdicts.grade[i] == CULL:
            found[*at, "culls"] += 1
            for reason in reasons_of(bits=int(verdicts.reasons[i])):
                found[*at, f"any {int(reason)}"] += 1
            if verdicts.decisive[i]:
                found[*at, f"decisive {int(verdicts.decisive[i])}"] += 1
    return found


def listed(counts: Counts) -> Counter[tuple[int, int, str]]:
    names = {FRUIT: "fruit", CULLS: "culls"} | {100 + r: f"any {r}" for r in range(1, 32)} | {
        200 + r: f"decisive {r}" for r in range(1, 32)}
    return Counter({(m, lane, names[code]): int(n) for code, column in counts.columns.items()
                    for m, lane, n in zip(counts.minutes.tolist(), counts.lanes.tolist(), column,
                                          strict=True) if n})


@pytest.mark.parametrize("undated", [0.0, 0.3])
def test_a_table_is_a_recount_in_any_parts(undated: float) -> None:
    batch, verdicts = fruit(n=4000, seed=3), codes(n=4000, seed=3)
    told = np.random.default_rng(1).random(4000) >= undated
    batch = replace(batch, time_ms=Column(np.where(told, batch.time_ms.values, 0), told))
    wanted = plain(batch, verdicts)
    assert listed(counts_of(batch=batch, verdicts=verdicts, cull=CULL)) == wanted
    table = CullTable()
    for rows in np.array_split(np.random.default_rng(2).permutation(4000), 7):
        table = table.add(batch=batch.take(rows=rows), verdicts=verdicts.take(rows=rows), cull=CULL)
    (counts,) = table.by_source.values()
    assert listed(counts) == wanted
    assert (np.diff(counts.keys) > 0).all()
    assert counts.any_n() == {r: sum(n for (_, _, what), n in wanted.items()
                                     if what == f"any {int(r)}") for r in counts.any_n()}
    assert sum(counts.decisive_n().values()) == counts.column(CULLS).sum()


def test_sources_stay_apart_and_nothing_adds_nothing() -> None:
    batch, verdicts = fruit(n=50, seed=1), codes(n=50, seed=1)
    table = CullTable().add(batch=batch, verdicts=verdicts, cull=CULL)
    table = table.add(batch=replace(batch, source="line-2"), verdicts=verdicts, cull=CULL)
    assert sorted(table.by_source) == ["line-1", "line-2"]
    none = np.zeros(0, np.int64)
    blank = counts_of(batch=batch.take(rows=none), verdicts=verdicts.take(rows=none), cull=CULL)
    assert len(blank.keys) == 0
    assert NOTHING.merge(blank).column(FRUIT).sum() == 0
