"""A line with one registered source and a lot, and minutes of invented fruit for it."""

from __future__ import annotations

import random
from typing import Any

LANES = 8
PER_LANE_MINUTE = 60


def minutes(
    *, count: int, start_ms: int, seed: int = 5, shift: dict[int, float] | None = None,
    shift_from: int = 0, soft_from: int | None = None, seq: int = 0,
) -> list[dict[str, Any]]:
    """Fruit of `count` minutes, 60 a lane and minute. shift: millimetres added to what a lane
    reads from minute `shift_from` on. soft_from: minute from which a third of the fruit is far
    too small."""
    draw = random.Random(seed)
    found = []
    n = LANES * PER_LANE_MINUTE
    for k in range(count * n):
        minute, lane = k // n, 1 + k % LANES
        diameter = draw.gauss(68, 3)
        if soft_from is not None and minute >= soft_from and draw.random() < 1 / 3:
            diameter = 45.0
        if minute >= shift_from:
            diameter += (shift or {}).get(lane, 0.0)
        found.append({
            "seq": seq + k, "lane": lane, "time_unix_ms": start_ms + minute * 60_000
            + (k % n) * 60_000 // n,
            "diameter_mm": round(diameter, 2), "ground_hue_deg": round(draw.gauss(98, 3), 1),
            "ground_chroma": 40.0, "ground_fraction": 0.3})
    return found


def register(post: Any, *, line: str = "line-1", lot: str = "L-0417") -> dict[str, str]:
    """Line, source and lot by `post(path, body) -> answer`; the source's header."""
    post("/v1/lines", {"id": line, "holding": {
        "standard": "house-long-distance", "cultivar": "ember-lass"}})
    key = post("/v1/sources", {"id": f"belt-{line}", "line": line, "lanes": LANES})["key"]
    post("/v1/lots", {"id": lot, "grower": "Tolliver Ridge", "block": "TR-07", "pick": 1,
                      "cultivar": "ember-lass", "standard": "house-long-distance", "line": line})
    post(f"/v1/lines/{line}/lot", {"lot": lot, "person": "M. Orrin"})
    return {"Authorization": f"Bearer {key}"}
