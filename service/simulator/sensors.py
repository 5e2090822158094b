"""What the sensors of a line say of fruit and of reference objects.

A reading is the true value, bent by the lane's own offset and by the events in force, with the
noise of one reading on top, rounded to the sensor's step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.quantities import MEASURES, Flags, Floats, Integers
from service.simulator.chance import BLOCK, FREEZE, LANES, READING
from service.simulator.effects import Belt, Placed
from service.simulator.events import READ
from service.simulator.feed import Fed
from service.simulator.fruit import G_PER_CM3
from service.simulator.truth import Truth, cultivar_of

SEEN_ON_ALL: Final = READ[:5]
ON_SOME: Final = READ[5:]
FIELDS: Final = dict(zip(READ, ("diameter_mm", "mass_g", "hue_deg", "chroma", "blush",
                                "sugar_brix", "firmness_n"), strict=True))
"""The field of `Truth` that each measure reads."""
SENT: Final = {m: (round(float(MEASURES[m].low_q * MEASURES[m].quantum), 6),
                   math.inf if m == "diameter" else float(MEASURES[m].high_q * MEASURES[m].quantum))
               for m in READ}
"""What a sensor can send at all; an impossible diameter is sent as it was seen."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read of fruit (n,), in quanta (`grading.quantities.MEASURES`).

    present: the measures read on a part of the fruit only. seen: defects that the cameras found.
    """

    quanta: Mapping[str, Integers]
    present: Mapping[str, Flags]
    seen: Flags

    def take(self, rows: Any) -> Readings:
        return Readings({m: q[rows] for m, q in self.quanta.items()},
                        {m: p[rows] for m, p in self.present.items()}, self.seen[rows])


class Sensors:
    """The sensors of one line."""

    def __init__(self, *, belt: Belt) -> None:
        self._belt, self._line, self._schedule = belt, belt.line, belt.schedule
        self._bending = [p for p in belt.placed if p.event.about().cause == "measurement"]
        line = belt.line
        z = belt.stream(purpose=LANES).standard_normal((len(READ), line.lanes))
        self.offsets: dict[str, Floats] = {
            m: np.concatenate([[0.0], line.sensor(m).lane_sd * z[i]]) for i, m in enumerate(READ)}
        """Fixed offset of each lane, (lanes + 1,), by measure; place 0 is no lane."""
        self._frozen = {p.number: self._stuck(p) for p in self._bending if p.event.kind == "frozen"}

    def _stuck(self, placed: Placed) -> Floats:
        """(lanes + 1,): the value that each lane repeats, one that its fruit could have."""
        rng = self._belt.stream(purpose=FREEZE, block=placed.number)
        z = rng.standard_normal(self._line.lanes + 1)
        fruit = min(self._schedule.next_at(seconds=placed.start_s), self._schedule.fruit - 1)
        of = cultivar_of(self._line.lots[self._schedule.lot_of(fruit=fruit)])
        measure = placed.event.measured() or READ[0]
        if measure == "mass":
            return np.asarray(G_PER_CM3 * math.pi / 6000 * of.diameter_mm**3 * (1 + 0.1 * z))
        return np.asarray(getattr(of, FIELDS[measure]) * (1 + 0.02 * z))

    def active(self, *, seconds: Floats) -> list[Placed]:
        """The events of the measurement that overlap a stretch of time."""
        if not len(seconds):
            return []
        return [p for p in self._bending
                if p.overlaps(from_s=float(seconds[0]), until_s=float(seconds[-1]))]

    def bent(
        self, *, measure: str, values: Floats, seconds: Floats, lane: Integers, objects: bool,
        active: Sequence[Placed],
    ) -> Floats:
        """What lanes would say of true values, shape (n,), without noise; a new array."""
        told: Floats = values + self.offsets[measure][lane]
        for placed in active:
            if objects and not placed.event.about().on_objects:
                continue
            rows = np.flatnonzero(placed.acts(seconds=seconds, lane=lane))
            if len(rows):
                _bend(placed, measure, told, rows, seconds)
        return told

    def stick(
        self, *, measure: str, told: Floats, seconds: Floats, lane: Integers,
        active: Sequence[Placed],
    ) -> None:
        """Put the stuck value where a lane is frozen, whatever passes it."""
        for placed in active:
            if placed.event.kind == "frozen" and placed.event.measured() == measure:
                acts = placed.acts(seconds=seconds, lane=lane)
                told[acts] = self._frozen[placed.number][lane[acts]]

    def noisier(
        self, *, measure: str, seconds: Floats, lane: Integers, active: Sequence[Placed]
    ) -> Floats | None:
        """Factor on the noise (n,), where dirt on a lens makes it larger."""
        factor: Floats | None = None
        for placed in active:
            if placed.event.kind == "dirty_lens" and measure in ("hue", "chroma", "blush"):
                acts = placed.acts(seconds=seconds, lane=lane)
                factor = np.ones(len(lane)) if factor is None else factor
                factor += np.where(acts, np.abs(placed.level(seconds=seconds)) / 2, 0.0)
        return factor

    def read(self, *, fed: Fed, truth: Truth) -> Readings:
        """The readings of one whole block."""
        line, n = self._line, len(fed)
        rng = self._belt.stream(purpose=READING, block=fed.first // BLOCK)
        chance = rng.random((4, BLOCK))
        noise = rng.standard_normal((len(SEEN_ON_ALL), BLOCK))
        active = self.active(seconds=fed.seconds)
        true = {m: getattr(truth, f) for m, f in FIELDS.items()}
        if fed.partner is not None:
            true = _as_one(true, fed.partner, chance[3, :n])
        quanta: dict[str, Integers] = {}
        present: dict[str, Flags] = {}
        for i, measure in enumerate(READ):
            sensor = line.sensor(measure)
            if measure in ON_SOME:
                read = chance[i - len(SEEN_ON_ALL)] < sensor.share
                z = np.zeros(BLOCK)
                z[read] = rng.standard_normal(int(read.sum()))
                present[measure] = read[:n]
            else:
                z = noise[i]
            told = self.bent(measure=measure, values=true[measure], seconds=fed.seconds,
                             lane=fed.lane, objects=False, active=active)
            factor = self.noisier(measure=measure, seconds=fed.seconds, lane=fed.lane,
                                  active=active)
            told += sensor.noise_sd * z[:n] if factor is None else sensor.noise_sd * factor * z[:n]
            for placed in active:
                _repeat(placed, told, fed)
            self.stick(measure=measure, told=told, seconds=fed.seconds, lane=fed.lane,
                       active=active)
            quanta[measure] = quanta_of(measure=measure, told=told, step=sensor.step)
        return Readings(quanta, present, chance[2, :n] < line.defects_seen)


def quanta_of(*, measure: str, told: Floats, step: float) -> Integers:
    """Readings (n,) at the sensor's step, within what it can send, as whole quanta."""
    low, high = SENT[measure]
    np.clip(told, low, high, out=told)
    steps = round(step / float(MEASURES[measure].quantum))
    told /= step
    return (np.rint(told, out=told) * steps).astype(np.int32)


def _bend(placed: Placed, measure: str, told: Floats, rows: Integers, seconds: Floats) -> None:
    event = placed.event
    if event.kind in ("lane_offset", "lane_scale"):
        if event.measured() == measure:
            told[rows] = (told[rows] + event.size if event.kind == "lane_offset"
                          else told[rows] * (1 + event.size))
        return
    per_size = _PER_SIZE.get(event.kind, {}).get(measure)
    if per_size is not None:
        told[rows] += per_size * placed.level(seconds=seconds[rows])


_PER_SIZE: Final[dict[str, dict[str, float]]] = {
    "lamp_ageing": {"hue": 1.0, "chroma": -0.5},
    "warm_up": {"hue": 1.0, "chroma": -0.5},
    "dirty_lens": {"hue": 1.0, "blush": -0.005},
    "wet_fruit": {"blush": 1.0, "hue": -20.0, "chroma": 20.0},
}
"""What one unit of an event's size adds to each measure, in its unit."""


def _as_one(
    true: Mapping[str, Floats], partner: Integers, chance: Floats
) -> dict[str, Floats]:
    """Two fruit seen as one: both weights, the two widths partly behind each other, mean colour."""
    rows = np.flatnonzero(partner >= 0)
    other = partner[rows]
    joined = {m: values.copy() for m, values in true.items()}
    for measure, values in true.items():
        if measure == "mass":
            joined[measure][rows] += values[other]
        elif measure == "diameter":
            joined[measure][rows] += (0.4 + 0.85 * chance[rows]) * values[other]
        else:
            joined[measure][rows] = (values[rows] + values[other]) / 2
    return joined


def _repeat(placed: Placed, told: Floats, fed: Fed) -> None:
    """Give fruit in a row of one lane the reading of the first, or their mean."""
    kind = placed.event.kind
    if kind not in ("duplicated", "smoothed"):
        return
    acts = placed.acts(seconds=fed.seconds, lane=fed.lane)
    together = int(placed.event.size)
    for lane in np.unique(fed.lane[acts]).tolist():
        rows = np.flatnonzero(acts & (fed.lane == lane))
        group = np.arange(len(rows)) // together
        if kind == "duplicated":
            told[rows] = told[rows[group * together]]
        else:
            told[rows] = (np.bincount(group, told[rows]) / np.bincount(group))[group]
