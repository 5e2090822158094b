"""Small simulated shifts for tests: half an hour of one line of eight lanes, 57,600 fruit."""

from __future__ import annotations

from typing import Any

import numpy as np

from service.simulator import LineShift, Plan, Shift, Slice

LOT: dict[str, Any] = {
    "id": "L-0417", "grower": "Tolliver Ridge", "block": "TR-07", "cultivar": "ember-lass",
    "bins": 30}


def plan_of(*events: dict[str, Any], hours: float = 0.5, lot: dict[str, Any] | None = None,
            **line: Any) -> Plan:
    """One line, `line-1`, with one lot unless `lots` are given; events are on that line."""
    return Plan.model_validate({
        "name": "test", "hours": hours, "seed": 11,
        "line": [{"id": "line-1", "lots": [{**LOT, **(lot or {})}], **line}],
        "event": [{"line": "line-1", **e} for e in events]})


def line_of(*events: dict[str, Any], **more: Any) -> LineShift:
    return Shift(plan=plan_of(*events, **more)).lines["line-1"]


def whole(line: LineShift) -> Slice:
    """The one slice of a line with one lot, run and rule."""
    (part,) = line.slices(fruit=len(line))
    return part


def read(part: Slice, measure: str) -> Any:
    """Readings in the measure's unit, NaN where there are none."""
    unit = {"mass": 10, "blush": 1000}.get(measure, 100)
    here = part.readings.present.get(measure, part.sent) & part.sent
    return np.where(here, part.readings.quanta[measure] / unit, np.nan)
