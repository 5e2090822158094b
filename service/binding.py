"""Records bound to where they came from and where they go, before they are graded.

What a registered source promises is checked here (its lanes, its clock), and the fruit of a body
are split by the lot that each belongs to, which is nearly always one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from grading.columns import Parsed
from grading.errors import Finding
from grading.quantities import Integers
from grading.record import Column, FruitBatch
from grading.verdicts import Verdicts
from service.lines import AHEAD_MS, Line
from service.lots import Binding, LotState
from service.sources import Source

DOUBTFUL_MS: Final = 5 * 60_000
JUMP_SEQ: Final = 1_000
"""Numbers skipped at once that are worth telling the sender; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Whose records, and where they go: `lot`, or else what `line` packs.

    registered: None for a name that was never registered.
    """

    source: str
    run: str
    lot: LotState | None
    line: Line | None
    registered: Source | None

    @property
    def tip_mm(self) -> float | None:
        return None if self.registered is None else self.registered.is_.tip_mm

    @property
    def trusted(self) -> bool:
        return self.registered is not None and self.registered.is_.clock == "trusted"


@dataclass(frozen=True, slots=True)
class Part:
    """Fruit of a body that go to one lot. rows: their positions in the batch, None = all. rule:
    what they are graded under; its classes are those of the lot's own standard."""

    lot: LotState
    rule: Binding
    rows: Integers | None
    batch: FruitBatch
    verdicts: Verdicts


@dataclass(frozen=True, slots=True)
class Notes:
    """What is odd about usable records; they are kept all the same.

    ahead, doubtful: fruit dated more than 5 s, more than 5 min after they were received. late:
    dated more than 5 min before. skipped: numbers left out since the fruit before, if many.
    skew_ms: how far the newest of their times is ahead of when they were received.
    """

    ahead: int = 0
    doubtful: int = 0
    late: int = 0
    skipped: tuple[int, int] | None = None
    skew_ms: int | None = None

    def clock(self) -> dict[str, int]:
        """The counts of fruit with an odd time that are not zero."""
        counts = {"ahead": self.ahead, "doubtful": self.doubtful, "late": self.late}
        return {name: n for name, n in counts.items() if n}


@dataclass(frozen=True, slots=True)
class Bound:
    """Graded fruit on their way to the store, in one part for each lot."""

    parsed: Parsed
    parts: tuple[Part, ...]
    notes: Notes
    received_ms: int

    def lot_of(self, *, rows: slice) -> LotState | None:
        """Where the newest fruit of consecutive rows go."""
        for part in reversed(self.parts) if rows.start < rows.stop else ():
            if part.rows is None:
                return part.lot
            start, stop = np.searchsorted(part.rows, (rows.start, rows.stop))
            if start < stop:
                return part.lot
        return None


def known_lanes(*, parsed: Parsed, lanes: int) -> Parsed:
    """Refuses the fruit of lanes that the source does not have."""
    wrong = parsed.batch.lane > lanes
    if not wrong.any():
        return parsed
    refused = dict(parsed.refused)
    for row in np.flatnonzero(wrong).tolist():
        refused[int(parsed.kept[row])] = (Finding(
            "/lane", "unknown_lane", f"The source has no lane {int(parsed.batch.lane[row])}.",
            f"It is registered with lanes 1 to {lanes}; send one of them, or revise the source."),)
    rows = np.flatnonzero(~wrong)
    return Parsed(parsed.batch.take(rows=rows), parsed.kept[rows], dict(sorted(refused.items())))


def notes_on(
    *, seqs: Integers, times: Column, received_ms: int, highest: int | None
) -> Notes:
    """seqs (n,), n > 0, and times of fruit that came together. highest: the highest seq of the
    run so far."""
    ahead = doubtful = late = 0
    skew_ms = None
    off = times.values[times.present] - received_ms
    if len(off):
        skew_ms = int(off.max())
        if skew_ms > AHEAD_MS:
            ahead = int(np.count_nonzero(off > AHEAD_MS))
            doubtful = int(np.count_nonzero(off > DOUBTFUL_MS))
        if int(off.min()) < -DOUBTFUL_MS:
            late = int(np.count_nonzero(off < -DOUBTFUL_MS))
    skipped = None
    if highest is not None:
        low = int(seqs.min())
        if low - highest - 1 >= JUMP_SEQ:
            skipped = (highest + 1, low - 1)
    return Notes(ahead, doubtful, late, skipped, skew_ms)
