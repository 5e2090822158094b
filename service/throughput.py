"""Fruit of each registered line: counted as they are stored, for the metrics and for alarms."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from service.lines import Lines
from service.lots import Lots
from service.metrics import Metrics
from service.store.group import LINE, Stored

RESULTS: Final = ("undecided", "packed", "culled")


class Throughput:
    """Told of every commit on the writer thread; read from the event loop."""

    def __init__(self, *, lots: Lots, lines: Lines, metrics: Metrics) -> None:
        self._lots = lots
        self._lines = lines
        self._metrics = metrics
        self._held: Counter[str] = Counter()

    def committed(self, *, stored: Sequence[Stored]) -> None:
        for part in stored:
            lot = self._lots.find(part.lot)
            if part.kind != LINE or lot is None:
                continue
            line = self._lines.get(lot.row.line)
            if line is None:
                continue  # any text may stand there, and metrics keep to few labels
            if line.row.holding == lot.id:
                self._held[line.row.id] += len(part.batch)
            grades = part.verdicts.grade
            culled = int((grades == len(lot.binding.compiled.grade_names) - 1).sum())
            undecided = int((grades == 0).sum())
            counts = (undecided, len(grades) - undecided - culled, culled)
            for result, n in zip(RESULTS, counts, strict=True):
                self._metrics.fruit.labels(line.row.id, result).inc(n)

    def held(self, *, line: str) -> int:
        """Fruit that have gone to the line's holding lot since the start."""
        return self._held[line]
