"""One fruit graded by itself, at once: what a drop on the line needs.

The same whole quanta (`columns`) and the same table (`kernel`) as a batch, in plain Python: for
one fruit the arrays of a batch cost more than its arithmetic. Tests hold the two ways together,
number for number.
"""

from __future__ import annotations

from bisect import bisect_right
from datetime import datetime, timedelta
from typing import Final

from msgspec.structs import astuple

from grading.columns import EPOCH
from grading.firmness import same_head
from grading.kernel import Compiled
from grading.quantities import MEASURES, UNIT_FIELDS
from grading.reasons import Reason
from grading.record import TIME_HIGH_MS, TIME_LOW_MS, FruitRecord
from grading.walk import Outcome, Walker, classify_one

_FULL_CIRCLE: Final = 36000
_FIRST: Final = FruitRecord.__struct_fields__.index(next(iter(UNIT_FIELDS)))
_READINGS: Final = slice(_FIRST, _FIRST + len(UNIT_FIELDS))
assert FruitRecord.__struct_fields__[_READINGS] == tuple(UNIT_FIELDS)
_PLANS: Final = tuple(
    # A millionth of a quantum: readings are snapped there first, see `quantities.quantise`.
    (u.measure, float(u.per_quantum()) * 1e6, MEASURES[u.measure].low_q,
     _FULL_CIRCLE if u.measure == "hue" else MEASURES[u.measure].high_q)
    for u in UNIT_FIELDS.values()
)
# A time is rounded to the millisecond half to even before it is held against its range.
_HALF_MS: Final = timedelta(microseconds=500)
_EARLIEST: Final = EPOCH + timedelta(milliseconds=TIME_LOW_MS) - _HALF_MS
_TOO_LATE: Final = EPOCH + timedelta(milliseconds=TIME_HIGH_MS) - _HALF_MS


class Single:
    """A compiled standard for one fruit at a time.

    tip_mm: the source's plunger tip, for firmness that comes without one.
    """

    def __init__(self, *, compiled: Compiled, tip_mm: float | None = None) -> None:
        self.compiled = compiled
        self._tip_q = None if tip_mm is None else round(
            tip_mm * UNIT_FIELDS["tip_mm"].per_quantum())
        self._axes = tuple((a.measure, a.thresholds, a.stride) for a in compiled.axes)
        codes, whys = compiled.tables
        self._codes, self._whys = codes.data, whys.data
        self._foreign: dict[int, bool] = {}
        self._floors = tuple(
            (name, round(floor / MEASURES[name].quantum))
            for name, floor in (("chroma", compiled.profile.chroma_floor),
                                ("ground", compiled.profile.ground_floor))
        ) if compiled.profile is not None else ()
        self._walker = Walker(standard=compiled.standard, profile=compiled.profile,
                              basis=compiled.basis)

    def grade(self, *, record: FruitRecord) -> Outcome | None:
        """The codes, reasons and decisive reason that a batch would give the record.

        None for a record that `columns.to_batch` would refuse, and for one with a reading that
        is not a number (JSON has none; where another format brings one, it is to be refused).
        """
        seen: dict[str, int] = {}
        for (measure, scale, low, high), reading in zip(
                _PLANS, astuple(record)[_READINGS], strict=True):
            if reading is None:
                continue
            try:
                quanta = round(round(reading * scale) / 1e6)
            except (OverflowError, ValueError):  # infinite, not a number
                return None
            if not low <= quanta <= high or measure in seen:
                return None
            seen[measure] = quanta
        if not _timed(record.time, record.time_unix_ms):
            return None
        if seen.get("hue") == _FULL_CIRCLE:
            seen["hue"] = 0
        if "firmness" in seen and "tip" not in seen:
            if self._tip_q is None:
                return None
            seen["tip"] = self._tip_q
        if record.defects or record.judged:
            return self._walk(record, seen)
        return self._look_up(seen)

    def _look_up(self, seen: dict[str, int]) -> Outcome:
        flags = 0
        if "firmness" in seen and self._is_foreign(seen["tip"]):
            flags = Reason.WRONG_TIP.bit
            del seen["firmness"]
        if "hue" in seen:
            for name, floor in self._floors:
                if seen.get(name, floor) < floor:
                    flags |= Reason.HUE_NOT_OBSERVABLE.bit
                    del seen["hue"]
                    break
        cell = 0
        for measure, thresholds, stride in self._axes:
            value = seen.get(measure)
            if value is not None:
                cell += (1 + bisect_right(thresholds, value)) * stride
        codes, why = self._codes[cell], self._whys[cell]
        return Outcome(codes & 255, codes >> 8 & 255, codes >> 16 & 255, codes >> 24,
                       why & 0xFFFFFFFF | flags, why >> 32)

    def _walk(self, record: FruitRecord, seen: dict[str, int]) -> Outcome | None:
        """Defects and judgements are no cells of a table; the walk sets readings aside itself."""
        defects = record.defects or ()
        if any(d.circle_mm is not None and d.area_mm2 is not None for d in defects):
            return None
        return classify_one(walker=self._walker, values=seen, defects=defects,
                            judged=record.judged or {})

    def _is_foreign(self, tip_q: int) -> bool:
        found = self._foreign.get(tip_q)
        if found is None:
            found = self._foreign[tip_q] = not same_head(
                tip_a_mm=tip_q / 100, tip_b_mm=self.compiled.tip_q / 100)
        return found


def _timed(time: datetime | None, time_unix_ms: int | None) -> bool:
    """Whether the record's time, if any, is given once and inside 2000 to 2100."""
    if time is None:
        return True
    return time_unix_ms is None and _EARLIEST <= time < _TOO_LATE
