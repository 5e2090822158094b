"""Pulled fruit beside the line's records of them, read once a pull."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from grading.quantities import MEASURES
from grading.record import FruitBatch
from service.store.pulls import Pull
from service.store.reader import Reader

KEPT: Final = 512
RUN: Final = "1"
Read = tuple[list[float], list[float]]
"""(line less hand of fruit measured both ways, hand readings)."""


class Hands:
    """By pull, what its fruit say in each measure. Thread-safe."""

    def __init__(self, *, reader: Reader) -> None:
        self._reader = reader
        self._known: OrderedDict[str, Mapping[str, Read]] = OrderedDict()

    def of(self, pull: Pull) -> Mapping[str, Read]:
        """By measure. Kept once every fruit that names the line's record has found it."""
        known = self._known.get(pull.id)
        if known is not None:
            return known
        found, whole = self._read(pull)
        if whole:
            self._known[pull.id] = found
            while len(self._known) > KEPT:
                self._known.popitem(last=False)
        return found

    def _read(self, pull: Pull) -> tuple[dict[str, Read], bool]:
        hand = self._values(f"pull:{pull.id}", RUN, range(len(pull.body["fruit"])))
        twins = {k: one["line_fruit"] for k, one in enumerate(pull.body["fruit"])
                 if one.get("line_fruit")}
        line: dict[int, dict[str, float]] = {}
        for source, run in {(str(t["source"]), str(t["run"])) for t in twins.values()}:
            mine = {k: int(t["seq"]) for k, t in twins.items()
                    if (str(t["source"]), str(t["run"])) == (source, run)}
            values = self._values(source, run, mine.values())
            line |= {k: values[seq] for k, seq in mine.items() if seq in values}
        found: dict[str, Read] = {}
        for k, measured in sorted(hand.items()):
            for measure, value in measured.items():
                apart, read = found.setdefault(measure, ([], []))
                read.append(value)
                if measure in line.get(k, {}):
                    apart.append(_apart(line[k][measure], value, measure))
        return found, len(line) == len(twins) and bool(hand)

    def _values(self, source: str, run: str, seqs: Iterable[int]) -> dict[int, dict[str, float]]:
        """By seq and measure, in the measure's unit."""
        wanted = np.array(sorted(seqs), np.int64)
        if not len(wanted):
            return {}
        found: dict[int, dict[str, float]] = {}
        for batch in self._reader.batches(source=source, run=run, low=int(wanted[0]),
                                          high=int(wanted[-1])):
            rows = np.flatnonzero(np.isin(batch.seq, wanted))
            for row in rows.tolist():
                found[int(batch.seq[row])] = dict(_measured(batch, row))
        return found


def _measured(batch: FruitBatch, row: int) -> Iterable[tuple[str, float]]:
    for measure, column in batch.measures.items():
        if column.present[row]:
            yield measure, MEASURES[measure].value(quanta=int(column.values[row]))


def _apart(line: float, hand: float, measure: str) -> float:
    """Line less hand; hues the short way round."""
    gap = line - hand
    return (gap + 180.0) % 360.0 - 180.0 if measure == "hue" else gap


