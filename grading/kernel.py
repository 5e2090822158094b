"""The grading kernel: a standard compiled to one table, fruit looked up in it.

The limits of a standard cut each measure into a few intervals; a fruit without defects or
judgements is settled by the intervals its measures fall in. So the rules run once over one
representative of every cell, and a batch costs one comparison a limit, a mixed-radix index and
one look-up. Fruit with defects or judgements take the rules themselves (`decide.Decider`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np

from grading.decide import Decider, Frame
from grading.firmness import same_head
from grading.profile import CultivarProfile
from grading.quantities import MEASURES, Flags, Integers
from grading.reasons import Reason
from grading.record import Column, FruitBatch
from grading.standard import PackStandard
from grading.verdicts import Verdicts

CELLS_MAX: Final = 1 << 20
CUTS_MAX: Final = 250
"""Limits on one measure: interval and class numbers are single bytes."""
SMALL: Final = 1 << 13
"""Up to so many fruit, the calls cost more than the work: one look-up a measure is faster."""
CHUNK: Final = 1 << 17
"""Fruit worked on at once: large enough to hide the cost of a call, small enough to stay cached."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One measure's thresholds; code 0 is missing, 1 + #(value >= threshold) otherwise."""

    measure: str
    thresholds: tuple[int, ...]
    stride: int

    @property
    def radix(self) -> int:
        return len(self.thresholds) + 2


class Compiled:
    """A standard compiled for one cultivar profile and size basis.

    The name tuples (`size_names`, `maturity_names`, `grade_names`, `pack_names`) index the codes
    of the verdicts it gives. Raises ValueError when the basis has no size table, the limits cut
    the measures into more than 2^20 cells, or one measure has more than 250 limits.
    """

    def __init__(
        self, *, standard: PackStandard, profile: CultivarProfile | None, basis: str
    ) -> None:
        self.standard = standard
        self.profile = profile
        self.basis = basis
        self.decider = Decider(standard=standard, profile=profile, basis=basis)
        self.size_names = self.decider.size_names
        self.maturity_names = self.decider.maturity_names
        self.grade_names = self.decider.grade_names
        self.pack_names = self.decider.pack_names
        self.tip_q = round(standard.tip_mm * 100)
        axes, cells = [], 1
        for measure, cuts in self.decider.measures_used().items():
            if len(cuts) > CUTS_MAX:
                raise ValueError(f"{standard.name}: {len(cuts)} limits cut {measure}, "
                                 f"more than {CUTS_MAX}")
            axes.append(Axis(measure, tuple(cuts), cells))
            cells *= len(cuts) + 2
        if cells > CELLS_MAX:
            raise ValueError(
                f"{standard.name}: the limits make {cells} cells, more than {CELLS_MAX}; "
                "give measures fewer limits")
        self.axes = tuple(axes)
        self.cells = cells
        verdicts = self.decider.decide(frame=self._representatives())
        self._codes = np.stack(
            [verdicts.size, verdicts.maturity, verdicts.grade, verdicts.pack], axis=1
        ).astype(np.uint8).reshape(-1).view(np.uint32)
        self._whys = (verdicts.reasons.astype(np.uint64)
                      | (verdicts.decisive.astype(np.uint64) << np.uint64(32)))

    @property
    def tables(self) -> tuple[Integers, Integers]:
        """By cell: size, maturity, grade and pack as the bytes of a uint32, lowest first; the
        reason set as the low half of a uint64, the decisive reason above it."""
        return self._codes, self._whys

    def _representatives(self) -> Frame:
        """One fruit for every cell, at the lowest value of each interval."""
        index = np.arange(self.cells)
        measures = {}
        for axis in self.axes:
            code = (index // axis.stride) % axis.radix
            lowest = (axis.thresholds[0] - 1 if axis.thresholds else 0, *axis.thresholds)
            values = np.array((0, *lowest), np.int64)[code]
            measures[axis.measure] = Column(values, code > 0)
        return Frame(self.cells, measures, np.zeros(self.cells, np.uint32))

    def usable(self, *, batch: FruitBatch) -> Frame:
        """The batch as the rules may see it: unreadable hue and foreign-tip firmness masked.

        Hue needs chroma: below the profile's floor, or with too little ground colour in view, a
        hue angle is noise. Force does not convert between plunger tips.
        """
        n = len(batch)
        flags = np.broadcast_to(np.uint32(0), n)  # one zero seen n times, until a flag is set
        measures = dict(batch.measures)
        firmness, tip = measures.get("firmness"), measures.get("tip")
        if firmness is not None:
            # A tip that is not stated is as good as a foreign one.
            tips = np.zeros(n, np.uint16) if tip is None else tip.values
            rows = np.flatnonzero((tips != self.tip_q) & firmness.present)
            if len(rows):
                foreign = [t for t in np.unique(tips[rows]).tolist() if not same_head(
                    tip_a_mm=t / 100, tip_b_mm=self.tip_q / 100)]
                rows = rows[np.isin(tips[rows], foreign)]
            if len(rows):
                flags = flags.copy()
                flags[rows] |= Reason.WRONG_TIP.bit
                usable = firmness.present.copy()
                usable[rows] = False
                measures["firmness"] = Column(firmness.values, usable)
        hue = measures.get("hue")
        if hue is not None and self.profile is not None:
            blind = self._blind(measures, n) & hue.present
            if blind.any():
                flags = flags.copy()
                flags[blind] |= Reason.HUE_NOT_OBSERVABLE.bit
                measures["hue"] = Column(hue.values, hue.present & ~blind)
        return Frame(n, measures, flags, batch.defects, batch.judged)

    def _blind(self, measures: dict[str, Column], n: int) -> Flags:
        blind = np.zeros(n, np.bool_)
        assert self.profile is not None
        for name, floor in (("chroma", self.profile.chroma_floor),
                            ("ground", self.profile.ground_floor)):
            column = measures.get(name)
            if column is not None:
                mark = round(floor / MEASURES[name].quantum)
                blind |= column.present & (column.values < mark)
        return blind

    def grade(self, *, batch: FruitBatch) -> Verdicts:
        """Verdicts of a batch, in its order."""
        frame = self.usable(batch=batch)
        codes, whys = self._look_up(frame)
        parts = codes.view(np.uint8).reshape(-1, 4)
        # Views, not copies: the low half of each word is the reason set, its fifth byte the
        # decisive reason (the tables are made for a little-endian machine, as is all of Arrow).
        verdicts = Verdicts(
            parts[:, 0], parts[:, 1], parts[:, 2], parts[:, 3],
            whys.view(np.uint32)[::2], whys.view(np.uint8)[4::8])
        if frame.flags.flags.writeable:  # a copy was made, so some flag is set
            np.bitwise_or(verdicts.reasons, frame.flags, out=verdicts.reasons)
        special = sorted(set(frame.defects) | set(frame.judged))
        if special:
            self._regrade(frame, verdicts, np.array(special, np.int64))
        return verdicts

    def _look_up(self, frame: Frame) -> tuple[Integers, Integers]:
        if frame.n <= SMALL:
            cell = self._cell(frame)
            return self._codes.take(cell, mode="clip"), self._whys.take(cell, mode="clip")
        codes = np.empty(frame.n, np.uint32)
        whys = np.empty(frame.n, np.uint64)
        work = _Work(min(CHUNK, frame.n), self.cells)
        columns = [(a, frame.measures.get(a.measure)) for a in self.axes]
        for start in range(0, frame.n, CHUNK):
            stop = min(start + CHUNK, frame.n)
            index = self._index(columns, start, stop, work)
            np.take(self._codes, index, out=codes[start:stop], mode="clip")
            np.take(self._whys, index, out=whys[start:stop], mode="clip")
        return codes, whys

    def _cell(self, frame: Frame) -> Integers:
        """Cell number of each of a few fruit."""
        cell = np.zeros(frame.n, np.int64)
        for axis, table in zip(self.axes, self._steps, strict=True):
            column = frame.measures.get(axis.measure)
            if column is None:
                continue
            # A negative value stands where its bits as a positive one would.
            values = column.values.astype(MEASURES[axis.measure].dtype, copy=False)
            step = table.take(values.view(np.uint16), mode="clip")
            if not column.present.all():
                step *= column.present
            cell += step
        return cell

    @cached_property
    def _steps(self) -> list[Integers]:
        """By axis: how far each value of a measure moves the cell number."""
        tables = []
        for axis in self.axes:
            values = np.arange(1 << 16, dtype=np.uint16).view(MEASURES[axis.measure].dtype)
            marks = np.sort(np.array(axis.thresholds, values.dtype))
            code = 1 + np.searchsorted(marks, values, side="right")
            tables.append((code * axis.stride).astype(np.int32))
        return tables

    def _index(
        self, columns: list[tuple[Axis, Column | None]], start: int, stop: int, work: _Work
    ) -> Integers:
        """Cell number of each fruit of a chunk, in the narrowest integers that hold it."""
        n = stop - start
        cell, code, hit, wide = work.cell[:n], work.code[:n], work.hit[:n], work.wide[:n]
        hits = hit.view(np.uint8)
        cell.fill(0)
        for axis, column in columns:
            if column is None:
                continue
            values, present = column.values[start:stop], column.present[start:stop]
            code.fill(1)
            for mark in axis.thresholds:
                np.greater_equal(values, values.dtype.type(mark), out=hit)
                np.add(code, hits, out=code)
            if not present.all():
                np.multiply(code, present.view(np.uint8), out=code)
            np.copyto(wide, code)
            if axis.stride > 1:
                np.multiply(wide, wide.dtype.type(axis.stride), out=wide)
            np.add(cell, wide, out=cell)
        index = work.index[:n]
        np.copyto(index, cell)
        return index

    def _regrade(self, frame: Frame, verdicts: Verdicts, rows: Integers) -> None:
        """Send the rows with defects or judgements through the rules, in place."""
        where = {int(r): i for i, r in enumerate(rows)}
        part = Frame(
            len(rows),
            {k: c.take(rows) for k, c in frame.measures.items()},
            frame.flags[rows],
            {where[r]: d for r, d in frame.defects.items()},
            {where[r]: j for r, j in frame.judged.items()},
        )
        fresh = self.decider.decide(frame=part)
        for name in ("size", "maturity", "grade", "pack", "reasons", "decisive"):
            getattr(verdicts, name)[rows] = getattr(fresh, name)


class _Work:
    """Scratch arrays of one call, reused from chunk to chunk."""

    def __init__(self, n: int, cells: int) -> None:
        narrow = np.uint16 if cells <= 1 << 16 else np.uint32
        self.cell = np.empty(n, narrow)
        self.wide = np.empty(n, narrow)
        self.index = np.empty(n, np.intp)
        self.code = np.empty(n, np.uint8)
        self.hit = np.empty(n, np.bool_)


@lru_cache(maxsize=256)
def _compiled(standard: str, profile: str, basis: str) -> Compiled:
    return Compiled(
        standard=PackStandard.model_validate_json(standard),
        profile=CultivarProfile.model_validate_json(profile) if profile else None,
        basis=basis)


def compile_standard(
    *, standard: PackStandard, profile: CultivarProfile | None = None, basis: str = "diameter"
) -> Compiled:
    """The compiled standard, kept for the next call with the same content."""
    return _compiled(standard.canonical(), profile.canonical() if profile else "", basis)


def grade(
    *,
    batch: FruitBatch,
    standard: PackStandard,
    profile: CultivarProfile | None = None,
    basis: str = "diameter",
) -> Verdicts:
    """Size, maturity, grade, pack, reasons and decisive reason of every fruit of a batch."""
    return compile_standard(standard=standard, profile=profile, basis=basis).grade(batch=batch)
