"""Conditions that fruit tell: too many culls, and readings that drift."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from service.alarms.model import Reading
from service.lots import Lots
from service.store.group import LINE, Stored

if TYPE_CHECKING:
    from service.context import Context
    from service.watch.finding import Answered

SPAN: Final = 200
"""Fruit of each lane that the share of culls is followed over: an EWMA of weight 2 / (span + 1),
50 s at 4 fruit/s a lane. Over all lanes together it would be 6 s, less than a bin."""
NO_DRIFT: Final = ("fruit", "rule", "no change")
"""Answers after which nothing is wrong with the readings."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Culls of a line's lot: decayed counts of culls and of fruit, lanes seen, and fruit in
    all."""

    lot: str
    culls: float = 0.0
    fruit: float = 0.0
    lanes: int = 1
    n: int = 0

    def add(self, culled: np.ndarray, *, lanes: int) -> Rate:
        """With some more fruit, in the order they came. lanes: the highest number among them."""
        most = max(self.lanes, lanes)
        keep = 1.0 - 2.0 / (SPAN * most + 1)
        weights = keep ** np.arange(len(culled) - 1, -1, -1)
        left = keep ** len(culled)
        return Rate(self.lot, self.culls * left + float(weights @ culled),
                    self.fruit * left + float(weights.sum()), most, self.n + len(culled))

    @property
    def share(self) -> float:
        return self.culls / self.fruit


class Rejects:
    """Told of every commit on the writer thread; read from the event loop."""

    def __init__(self, *, lots: Lots) -> None:
        self._lots = lots
        self._rates: dict[str, Rate] = {}

    def committed(self, *, stored: Sequence[Stored]) -> None:
        for part in stored:
            lot = self._lots.find(part.lot)
            if part.kind != LINE or lot is None or lot.row.line is None:
                continue
            rate = self._rates.get(lot.row.line)
            if rate is None or rate.lot != lot.id:
                rate = Rate(lot.id)
            self._rates[lot.row.line] = rate.add(
                (part.verdicts.grade == lot.cull).astype(np.float64),
                lanes=int(part.batch.lane.max(initial=1)))

    def rate(self, line_id: str) -> Rate | None:
        return self._rates.get(line_id)


class Watched:
    """The share of culls of every line that packs a lot, and what the watch found to drift."""

    def __init__(self, *, ctx: Context) -> None:
        self._ctx = ctx

    def __call__(self, steady_ms: int) -> Iterator[Reading]:
        for line in self._ctx.lines.all():
            rate = self._ctx.rejects.rate(line.row.id)
            if rate is not None and rate.lot == line.lot and rate.n >= SPAN:
                yield Reading(kind="reject_share", subject=line.row.id, value=rate.share,
                              line=line.row.id, lot=rate.lot)
            found: dict[str, Reading] = {}
            for one in self._ctx.watch.view(line.row.id).open():
                reading = _drift(one, line.row.id)
                if reading is not None and (
                        reading.subject not in found
                        or found[reading.subject].value < reading.value):
                    found[reading.subject] = reading
            yield from found.values()


def _drift(one: Answered, line: str) -> Reading | None:
    f = one.finding
    if f.kind not in ("lane", "level", "bias") or (
            one.why is not None and one.why.verdict in NO_DRIFT):
        return None
    where = f"{line} lane {f.lane}" if f.lane else line
    return Reading(kind="drift", subject=f"{where} {f.what}", value=f.ratio, line=line, lot=f.lot)
