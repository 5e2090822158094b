"""Minutes of an invented line for the watch: levels, shares and lanes with known changes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from grading.drift.cells import LaneTable
from service.watch.minutes import Minute

FIRST = 30_000_000
"""Number of the first minute since 1970."""
LANES = tuple(range(1, 9))
Shift = Callable[[int], float]


def still(_: int) -> float:
    return 0.0


def table(measure: str, rng: np.random.Generator, level: float, se: float,
          off: dict[int, float]) -> LaneTable:
    centre = np.array([[level + off.get(lane, 0.0) + se * rng.normal()] for lane in LANES])
    return LaneTable(measure, LANES, np.full((8, 1), 240), centre, np.full((8, 1), se))


def minutes(
    *, count: int, seed: int = 1, hue: Shift = still, diameter: Shift = still,
    culls: Shift = still, lane: dict[int, Shift] | None = None, weighed: bool = True,
    lot: Callable[[int], str] = lambda k: "L-0417", rule: Callable[[int], int] = lambda k: 0,
    fruit: Callable[[int], int] = lambda k: 1_920, first: int = FIRST,
) -> list[Minute]:
    """Minute by minute; functions of the minute's number from 0 add to what it would be. lane:
    millimetres that a lane reads more."""
    rng = np.random.default_rng(seed)
    found = []
    for k in range(count):
        off = {number: of(k) for number, of in (lane or {}).items()}
        hue_level = 99.0 + 0.6 * rng.normal() + hue(k)
        size_level = 68.0 + 0.3 * rng.normal() + diameter(k)
        lanes = {"diameter": table("diameter", rng, size_level, 0.27, off),
                 "hue": table("hue", rng, hue_level, 0.3, {})}
        if weighed:
            lanes["girth"] = table("girth", rng, 66.0, 0.05, off)
        n = fruit(k)
        share = 0.12 + 0.01 * rng.normal() + culls(k)
        found.append(Minute(
            index=first + k, lot=lot(k), rule=rule(k), n=n, lanes=lanes,
            levels={"hue": (hue_level, 0.1), "diameter": (size_level, 0.1)},
            shares={"culls": round(n * share), "defects": round(n * 0.06)}))
    return found
