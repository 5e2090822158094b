"""What people do beside a line: hand pulls, and reference objects passed over it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from grading.quantities import N_PER_LBF, Floats, Integers
from service.simulator.chance import CHECK, PULL, stream
from service.simulator.plan import Checks, Lot, Pulls
from service.simulator.shift import LineShift
from service.simulator.slices import PER_UNIT, TIP_MM, Slice
from service.simulator.truth import Truth

HAND: Final[Mapping[str, tuple[float, float]]] = {
    # measure: error of one reading by hand, and its step, in the field's unit
    "diameter_mm": (0.3, 0.1), "mass_g": (0.5, 1.0), "ground_hue_deg": (1.0, 1.0),
    "blush_fraction": (0.03, 0.01), "sugar_brix": (0.2, 0.1), "firmness_lbf": (1.0, 0.1),
}
"""Firmness: cheek to cheek of one fruit, 0.7 to 1.5 lbf (from memory, weak); a hand refractometer
is good to 0.2 degrees Brix (read, weak); the rest is invented."""
LBF_PER_N: Final = 1 / float(N_PER_LBF)
ROUND: Final = 0.25
"""Noise of a reference object against that of a fruit: it is round and of one colour; invented."""
AFTER_S: Final = 1.0
"""A pull is drawn so long after its last fruit has passed the sensors."""


@dataclass(frozen=True)
class Pull:
    """A hand pull of fruit in a row, taken before they were sorted.

    fruit: numbers on the line (n,). run: of the records. seq: (n,) of each fruit's record, 0 where
    it gave none. truth: the fruit as they are. hand: field of a pulled fruit to readings (n,), two
    cheeks (n, 2) for firmness. line: measure to what the line had read, NaN where it had not.
    """

    line: str
    source: str
    lot: Lot
    number: int
    seconds: float
    paired: bool
    person: str
    fruit: Integers
    run: int
    seq: Integers
    truth: Truth
    hand: Mapping[str, Floats]
    line_read: Mapping[str, Floats]

    def body(self, *, drawn_at: datetime, run: str = "") -> dict[str, Any]:
        """The body that posts it; `run` is the name that the records were sent under."""
        listed = []
        for row in range(len(self.fruit)):
            one: dict[str, Any] = {
                name: values[row].tolist() for name, values in self.hand.items()}
            one["sugar_temp_c"] = 20.0
            if self.paired and self.seq[row]:
                one["line_fruit"] = {"source": self.source, "run": run or f"r{self.run}",
                                     "seq": int(self.seq[row])}
            listed.append(one)
        return {
            "id": f"{self.line}-{run or 'r'}-{self.number}", "purpose": "line_check",
            "person": self.person, "drawn_at": drawn_at.isoformat(timespec="milliseconds"),
            "how_drawn": f"{len(listed)} in a row from the belt before the sizer",
            "tip_mm": TIP_MM, "fruit": listed}


@dataclass(frozen=True)
class Check:
    """Reference objects on a line: one row for each lane and object.

    Lanes that sent nothing have no row. Readings are means of the passes.
    """

    line: str
    source: str
    seconds: float
    person: str
    lane: Integers
    measure: tuple[str, ...]
    object: tuple[str, ...]
    known: Floats
    reading: Floats

    def body(self, *, at: datetime) -> dict[str, Any]:
        """The body that posts it."""
        return {"at": at.isoformat(timespec="milliseconds"), "person": self.person, "readings": [
            {"lane": lane, "measure": measure, "object": name, "known": known, "reading": reading}
            for lane, measure, name, known, reading in zip(
                self.lane.tolist(), self.measure, self.object, self.known.tolist(),
                self.reading.tolist(), strict=True)]}


def pulls_of(*, line: LineShift, end_s: float) -> Iterator[Pull]:
    """The pulls of a line, by time."""
    times = sorted((s, i) for i, p in enumerate(line.plan.pulls) for s in _times(p, end_s))
    for number, (seconds, which) in enumerate(times):
        pull = pull_at(line=line, seconds=seconds, how=line.plan.pulls[which], number=number)
        if pull is not None:
            yield pull


def pull_at(*, line: LineShift, seconds: float, how: Pulls, number: int) -> Pull | None:
    """The last n fruit that had passed by a time; None where the lot has not had so many yet."""
    after = line.schedule.next_at(seconds=seconds - AFTER_S)
    first = after - how.n
    if first < 0 or line.schedule.lot_of(fruit=first) != line.schedule.lot_of(fruit=after - 1):
        return None
    parts = list(line.slices(start=first, stop=after))
    if len(parts) > 1:  # the sensors began a new run between two of them, or the rule changed
        return None
    return _drawn(parts[0], line, seconds, how, number)


def _drawn(part: Slice, line: LineShift, seconds: float, how: Pulls, number: int) -> Pull:
    rng = stream(seed=line.seed, line=line.number, purpose=PULL, block=number)
    truth, n = part.truth, len(part)
    true = {"diameter_mm": truth.diameter_mm, "mass_g": truth.mass_g,
            "ground_hue_deg": truth.hue_deg, "blush_fraction": truth.blush,
            "sugar_brix": truth.sugar_brix,
            "firmness_lbf": np.repeat(truth.firmness_n[:, None] * LBF_PER_N, 2, axis=1)}
    hand: dict[str, Floats] = {}
    for name, values in true.items():
        sd, step = HAND[name]
        read: Floats = np.array(values + sd * rng.standard_normal(values.shape), np.float64)
        np.rint(read / step, out=read)
        high = 1.0 if name == "blush_fraction" else math.inf
        low = 0.0 if name == "blush_fraction" else step
        read *= step
        np.clip(read, low, high, out=read)
        hand[name] = np.round(read, 2)
    line_read = {}
    for measure, quanta in part.readings.quanta.items():
        here = part.readings.present.get(measure, part.sent) & part.sent
        line_read[measure] = np.where(here, quanta / PER_UNIT[measure], np.nan)
    return Pull(
        line=line.id, source=line.source, lot=part.lot, number=number, seconds=seconds,
        paired=how.paired, person=how.person, fruit=np.arange(part.first, part.first + n),
        run=part.run, seq=part.seq, truth=truth, hand=hand, line_read=line_read)


def checks_of(*, line: LineShift, end_s: float) -> Iterator[Check]:
    """The checks of a line, by time."""
    times = sorted((s, i) for i, c in enumerate(line.plan.checks) for s in _times(c, end_s))
    for number, (seconds, which) in enumerate(times):
        yield check_at(line=line, seconds=seconds, how=line.plan.checks[which], number=number)


def check_at(*, line: LineShift, seconds: float, how: Checks, number: int) -> Check:
    """What every lane says of every object at a time."""
    lanes = np.arange(1, line.plan.lanes + 1)
    at = np.full(len(lanes), seconds)
    active = line.sensors.active(seconds=at)
    silent = np.zeros(len(lanes), np.bool_)
    for placed in active:
        if placed.event.kind == "silent_lane":
            silent |= placed.acts(seconds=at, lane=lanes)
    rng = stream(seed=line.seed, line=line.number, purpose=CHECK, block=number)
    told = []
    for one in how.objects:
        values = line.sensors.bent(measure=one.measure, values=np.full(len(lanes), one.known),
                                   seconds=at, lane=lanes, objects=True, active=active)
        noise = rng.standard_normal(len(lanes)) * ROUND / math.sqrt(how.passes)
        factor = line.sensors.noisier(measure=one.measure, seconds=at, lane=lanes, active=active)
        sd = line.plan.sensor(one.measure).noise_sd
        values += sd * noise if factor is None else sd * factor * noise
        line.sensors.stick(measure=one.measure, told=values, seconds=at, lane=lanes, active=active)
        told.append(np.round(values[~silent], 2))
    kept, count = lanes[~silent], int((~silent).sum())
    return Check(
        line=line.id, source=line.source, seconds=seconds, person=how.person,
        lane=np.tile(kept, len(how.objects)),
        measure=tuple(o.measure for o in how.objects for _ in range(count)),
        object=tuple(o.object for o in how.objects for _ in range(count)),
        known=np.repeat([o.known for o in how.objects], count),
        reading=np.concatenate(told) if told else np.empty(0))


def _times(how: Pulls | Checks, end_s: float) -> list[float]:
    first, every = 60 * how.first_min, how.every_min
    if first >= end_s:
        return []
    return [first] if every is None else np.arange(first, end_s, 60 * every).tolist()


def moment(*, start_ms: int, seconds: float, speed: float = 1.0) -> datetime:
    """The clock time of a second of the shift."""
    return datetime.fromtimestamp(start_ms / 1000, UTC) + timedelta(seconds=seconds / speed)


