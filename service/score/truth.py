"""The right answer to a simulated shift, told from its plan alone.

A shift has at most one change to be explained. What can be told of it, and so what counts:

    quiet           nothing changed: nothing may call for action
    separable       the cause must be named, and no other
    not separable   the answer must be "not separable", naming no cause
    too small       no answer is counted: the change hides in what the plan's own fruit do anyway,
                    or the people's evidence falls on the edge of what matters

Decided so, with nothing but the plan and its seed:

- A rule is known exactly: separable, if at least 1 % of the fruit after it would be in another
  class under the old one, and it has 10 minutes of the lot before and after it.
- One lane's sensor is told by the other lanes: separable, if for 10 minutes it is off by what
  matters (0.4 mm, 1.5 degrees).
- What moves the whole line, sensor or fruit, can be told apart by paired pulls and by checks only.
  It is distinct where the level inside some lot moves by 6 standard deviations of what the plan's
  bins and wander do to the best split of that lot's minutes into before and after.
  - A sensor common to all lanes is separable if a pull or check shows the error: it is off then by
    what matters and by 3 standard errors of that pull or check beyond it. If none was made while
    it was off by more than half of what matters, a distinct one is not separable.
  - Fruit are separable if the change is distinct and a pull or check was made in it, 2 minutes or
    more after it began; without any, a distinct one is not separable.
  - Defects are not scored in simulated pulls and reference objects have none: a distinct change of
    their share is not separable.

The first 30 minutes of a shift, in which a cold line settles, count for none of this.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from grading.quantities import Floats
from service.simulator import Happening, LineShift, Shift
from service.simulator.fruit import Cultivar
from service.simulator.hand import HAND, ROUND
from service.simulator.truth import cultivar_of

Class = Literal["quiet", "separable", "not separable", "too small"]
MATTERS: Final = {"diameter": 0.4, "hue": 1.5}
"""mm, degrees."""
DISTINCT: Final = 6.0
BEYOND: Final = 3.0
RULE_SHARE: Final = 0.01
SETTLE_MIN: Final = 30
LEAST_MIN: Final = 10
AFTER_S: Final = 120.0
BIN_MIN: Final = 2_400 / 32 / 60


@dataclass(frozen=True, slots=True)
class Truth:
    """class_: see the module. cause: "none" on a quiet shift. measure: that moves, "" for shares
    and rules. lane: 0 for the whole line. onset_s: seconds after the start of the shift. slow: it
    grows from nothing. why: the reason for the class, in words."""

    class_: Class
    cause: Literal["none", "rule", "measurement", "fruit"]
    kind: str
    size: float
    measure: str = ""
    lane: int = 0
    onset_s: float | None = None
    end_s: float | None = None
    slow: bool = False
    why: str = ""


def truth_of(shift: Shift, *, line_id: str) -> Truth:
    """Of the first change on a line; a plan has one at most."""
    line = shift.lines[line_id]
    change = next((e for e in shift.events if e.line == line_id and e.cause != "none"), None)
    if change is None:
        return Truth("quiet", "none", "quiet", 0.0)
    class_, why = _class(shift, line, change)
    lanes = change.lanes if len(change.lanes) < line.plan.lanes else ()
    assert change.cause != "none"
    return Truth(class_, change.cause, change.kind, change.size, _measure(change),
                 lanes[0] if len(lanes) == 1 else 0, change.start_s, change.end_s,
                 change.shape == "ramp", why)


def _measure(change: Happening) -> str:
    return {"riper": "hue", "larger": "diameter", "lamp_ageing": "hue", "dirty_lens": "hue",
            "warm_up": "hue", "cut_change": "", "more_defects": ""}.get(
                change.kind, change.measure or "diameter")


def _class(shift: Shift, line: LineShift, change: Happening) -> tuple[Class, str]:
    if change.cause == "rule":
        return _rule(shift, line, change)
    if change.kind == "more_defects":
        z = max((_best_split(*m) for m in _moved(line, change)), default=0.0)
        return _by(z), f"defects, {z:.1f} sd, no pull scores them"
    if 0 < len(change.lanes) < line.plan.lanes:
        return _lane(line, change)
    z = max((_best_split(*m) for m in _moved(line, change)), default=0.0)
    if change.cause == "fruit":
        told = [s for s in _evidence(shift, line.id)
                if change.start_s + AFTER_S <= s <= change.end_s]
        if z < DISTINCT:
            return "too small", f"{z:.1f} sd"
        return ("separable" if told else "not separable",
                f"{z:.1f} sd, {len(told)} pulls and checks in it")
    return _common(shift, line, change, z)


def _by(z: float) -> Class:
    return "not separable" if z >= DISTINCT else "too small"


def _rule(shift: Shift, line: LineShift, change: Happening) -> tuple[Class, str]:
    lot = line.schedule.lot_of(fruit=min(change.first, len(line) - 1))
    begun, over = (float(line.schedule.seconds(fruit=min(f, len(line) - 1)))
                   for f in line.schedule.lot_first[lot:lot + 2].tolist())
    if change.start_s - max(begun, 60 * SETTLE_MIN) < 60 * LEAST_MIN or (
            over - change.start_s < 60 * LEAST_MIN):
        return "too small", "at the edge of its lot"
    n = changed = 0
    for part in line.slices(start=change.first, stop=change.first + 19_200):
        if part.lot.id != line.plan.lots[lot].id:
            break
        a, b = (shift.compiled(part, as_opened=o).grade(batch=part.batch) for o in (False, True))
        changed += int(((a.size != b.size) | (a.grade != b.grade) | (a.pack != b.pack)).sum())
        n += len(part.batch)
    share = changed / max(n, 1)
    return "separable" if share >= RULE_SHARE else "too small", f"{100 * share:.1f} % change class"


def _lane(line: LineShift, change: Happening) -> tuple[Class, str]:
    times = np.arange(max(change.start_s, 60 * SETTLE_MIN), change.end_s, 60.0)
    off = np.abs(_error(line, change, times))
    minutes = int((off >= MATTERS[_measure(change)]).sum())
    return ("separable" if minutes >= LEAST_MIN else "too small",
            f"off by what matters for {minutes} min")


def _error(line: LineShift, change: Happening, seconds: Floats) -> Floats:
    """Of a sensor at times, 0 before it began, in the measure's unit."""
    placed = next(p for p in line.placed if p.number == change.number)
    inside = (seconds >= change.start_s) & (seconds < change.end_s)
    size = np.where(inside, placed.level(seconds=seconds), 0.0)
    if change.kind == "lane_scale":
        size = size * cultivar_of(line.lots[0]).diameter_mm
    return np.asarray(size, np.float64)


def _common(
    shift: Shift, line: LineShift, change: Happening, z: float
) -> tuple[Class, str]:
    measure = _measure(change)
    matters, most = MATTERS[measure], 0.0
    for at_s, se in _told(shift, line, measure):
        off = abs(float(_error(line, change, np.array([at_s]))[0]))
        if at_s >= change.start_s + AFTER_S and off >= matters + BEYOND * se:
            return "separable", f"{off:.2f} at a pull or check"
        most = max(most, off)
    if most <= matters / 2:
        return _by(z), f"{z:.1f} sd, at most {most:.2f} at a pull or check"
    return "too small", f"{most:.2f} at a pull or check, neither much nor little"


def _evidence(shift: Shift, line_id: str) -> list[float]:
    return sorted([p.seconds for p in shift.pulls if p.line == line_id and p.paired]
                  + [c.seconds for c in shift.checks if c.line == line_id])


def _told(shift: Shift, line: LineShift, measure: str) -> Iterator[tuple[float, float]]:
    """(time, standard error) of each pull's and check's word on a measure."""
    sensor = line.plan.sensor(measure)
    hand = HAND["diameter_mm" if measure == "diameter" else "ground_hue_deg"]
    single = float(np.hypot(sensor.noise_sd, np.hypot(hand[0], hand[1] / 12**0.5)))
    for pull in shift.pulls:
        if pull.line == line.id and pull.paired:
            yield pull.seconds, single / len(pull.fruit) ** 0.5
    for check in shift.checks:
        n = sum(m == measure for m in check.measure)
        if check.line == line.id and n:
            yield check.seconds, sensor.noise_sd * ROUND / n**0.5


# --- distinct or not -------------------------------------------------------------------------

Split = tuple[Floats, Floats, float, float, float]


def _moved(line: LineShift, change: Happening) -> Iterator[Split]:
    """By lot: minutes, what the change does to the level in each, and the plan's own spreads of
    a minute (bins, wander) with the memory of the wander in minutes."""
    schedule = line.schedule
    for k, lot in enumerate(line.lots):
        first, after = schedule.lot_first[k:k + 2].tolist()
        begin = float(schedule.seconds(fruit=first))
        end = float(schedule.seconds(fruit=after - 1))
        at = np.arange(max(begin, 60 * SETTLE_MIN), end - 60, 60.0) + 30
        if len(at) < 9:
            continue
        of = cultivar_of(lot)
        if change.cause == "measurement":
            effect = _error(line, change, at)
        else:
            inside = (at >= change.start_s) & (at < change.end_s)
            effect = np.where(inside, _size(change, of), 0.0)
        own, wander = _spreads(change, line, k, of)
        yield at / 60.0, effect, own, wander, line.plan.wander_min


def _size(change: Happening, of: Cultivar) -> float:
    return {"riper": change.size * of.hue_per_ripeness, "larger": change.size,
            "more_defects": float(np.log(max(change.size, 1e-9)))}[change.kind]


def _spreads(change: Happening, line: LineShift, k: int, of: Cultivar) -> tuple[float, float]:
    """Of one minute: independent (bins), and wandering."""
    lot = line.lots[k]
    if change.kind == "more_defects":
        chance = 1.0 / (of.defect_share * 60 * line.plan.rate) ** 0.5
        return (float(np.hypot(lot.bin_defect_log_sd * BIN_MIN**0.5, chance)),
                lot.wander_defect_log_sd)
    if _measure(change) == "hue":
        per = abs(of.hue_per_ripeness)
        return lot.bin_ripeness_sd * per * BIN_MIN**0.5, lot.wander_ripeness_sd * per
    return lot.bin_size_sd_mm * BIN_MIN**0.5, lot.wander_size_sd_mm


def _best_split(at: Floats, effect: Floats, own: float, wander: float, memory: float) -> float:
    """The clearest of all splits into before and after, in standard deviations."""
    n = len(at)
    alike = np.exp(-np.abs(at[:, None] - at[None, :]) / memory)
    best = 0.0
    for k in range(6, n - 2):
        weight = np.where(np.arange(n) < k, -1.0 / k, 1.0 / (n - k))
        sd = np.sqrt(own**2 * float(weight @ weight) + wander**2 * float(weight @ alike @ weight))
        best = max(best, abs(float(weight @ effect)) / max(float(sd), 1e-9))
    return best
