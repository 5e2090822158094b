"""Shifts drawn at random for scoring: one change of one cause, or none, with or without the
pulls and checks that could tell."""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np

from service.simulator.chance import PLAN, stream
from service.simulator.plan import Plan

Wanted = Literal["none", "fruit", "measurement", "rule"]
CAUSES: Final[tuple[Wanted, ...]] = ("none", "fruit", "measurement", "rule")

_HOUSES: Final = (  # grower, block, cultivar, standard
    ("Tolliver Ridge", "TR-07", "ember-lass", "house-long-distance"),
    ("Anselm Brothers", "AB-02", "pale-meridian", "house-long-distance"),
    ("Quarry Creek Farm", "QC-11", "tansy-flare", "house-long-distance"),
    ("Tolliver Ridge", "TR-12", "cobble-gold", "house-long-distance"),
)
_FRUIT: Final = (("riper", 0.6, 1.4, True), ("larger", 1.2, 3.0, True),
                 ("more_defects", 2.5, 4.0, False))
_MEASUREMENT: Final = (  # kind, measure, least and most size, either sign, of one lane
    ("lane_offset", "diameter", 0.6, 1.8, True, True),
    ("lane_offset", "hue", 2.0, 5.0, True, True),
    ("lane_offset", "diameter", 0.8, 1.8, True, False),
    ("lane_scale", "diameter", 0.012, 0.03, True, True),
    ("lamp_ageing", None, 3.0, 6.0, True, False),
    ("dirty_lens", None, 3.0, 6.0, True, True),
)


def random_plan(
    *, seed: int, cause: Wanted | None = None, hours: float = 3.0, lines: int = 1,
    evidence: bool | None = None, trouble: bool = True,
) -> Plan:
    """A shift whose first event, if it has one, is the change to be explained.

    cause: what that is; None draws one of the four with equal chances, "none" is a quiet shift.
    evidence: whether checks with reference objects and paired pulls are made before and after it;
    None leaves it to chance (two of three shifts have them). trouble: cables, stops and the like
    happen too. All of it on line-1; other lines are quiet. The plan's own seed is `seed`.
    """
    rng = stream(seed=seed, line=0, purpose=PLAN)
    draws = {name: float(rng.random()) for name in ("cause", "evidence", "start", "lot", "trouble")}
    wanted = CAUSES[int(draws["cause"] * len(CAUSES))] if cause is None else cause
    told = draws["evidence"] < 2 / 3 if evidence is None else evidence
    start_min = (0.35 + 0.3 * draws["start"]) * 60 * hours
    listed = [_line(rng, number, hours) for number in range(lines)]
    events: list[dict[str, Any]] = []
    if wanted == "fruit":
        events.append(_fruit(rng, listed[0], start_min))
    elif wanted == "measurement":
        events.append(_measurement(rng, start_min, lanes=8))
    elif wanted == "rule":
        events.append({"kind": "cut_change", "line": "line-1", "start_min": start_min,
                       "size": float(rng.choice([-2.0, -1.5, -1.0, 1.0, 1.5]))})
    if told:
        every = float(rng.choice([20.0, 30.0]))
        listed[0]["pulls"] = [{"first_min": every, "every_min": every, "n": 30}]
        listed[0]["checks"] = [{"first_min": 0.0, "every_min": 60.0}]
    if trouble and draws["trouble"] < 0.5:
        events += _trouble(rng, hours)
        listed[0]["stops"] = [{"at_min": float(rng.uniform(10, 60 * hours)),
                               "seconds": float(rng.uniform(30, 300))}]
    return Plan.model_validate({
        "name": f"random-{seed}", "title": _title(wanted, told), "hours": hours,
        "seed": seed, "line": listed, "event": events})


def _title(cause: Wanted, told: bool) -> str:
    what = "quiet" if cause == "none" else f"one change of the {cause}"
    return f"Drawn at random: {what}, {'with' if told else 'without'} pulls and checks"


def _line(rng: np.random.Generator, number: int, hours: float) -> dict[str, Any]:
    """Lots of 40 to 110 minutes until the shift is full."""
    lots: list[dict[str, Any]] = []
    minutes = 0.0
    while minutes < 60 * hours:
        grower, block, cultivar, standard = _HOUSES[int(rng.integers(len(_HOUSES)))]
        bins = int(rng.integers(32, 88))
        lots.append({
            "id": f"L-{417 + 100 * number + len(lots):04d}", "grower": grower, "block": block,
            "cultivar": cultivar, "standard": standard, "pick": int(rng.integers(1, 4)),
            "bins": bins,
            "bin_size_sd_mm": float(rng.uniform(0.2, 0.7)),
            "bin_ripeness_sd": float(rng.uniform(0.1, 0.35)),
            "wander_size_sd_mm": float(rng.uniform(0.1, 0.4)),
            "wander_ripeness_sd": float(rng.uniform(0.05, 0.2))})
        minutes += bins * 2_400 / 32 / 60 + 1.5
    return {"id": f"line-{number + 1}", "lots": lots}


def _fruit(rng: np.random.Generator, line: dict[str, Any], start_min: float) -> dict[str, Any]:
    """A change that begins at a bin inside the lot that runs at a time, not at its first."""
    minutes, chosen = 0.0, line["lots"][0]
    for chosen in line["lots"]:
        length = chosen["bins"] * 2_400 / 32 / 60
        if minutes + length > start_min:
            break
        minutes += length + 1.5
    begins = min(max(int((start_min - minutes) * 60 * 32 / 2_400), 8), chosen["bins"] - 8)
    kind, least, most, signed = _FRUIT[int(rng.integers(len(_FRUIT)))]
    return {"kind": kind, "line": "line-1", "lot": chosen["id"], "from_bin": begins + 1,
            "size": _size(rng, least, most, signed)}


def _measurement(rng: np.random.Generator, start_min: float, *, lanes: int) -> dict[str, Any]:
    kind, measure, least, most, signed, of_lane = _MEASUREMENT[int(rng.integers(len(_MEASUREMENT)))]
    event: dict[str, Any] = {"kind": kind, "line": "line-1", "start_min": start_min,
                             "size": _size(rng, least, most, signed)}
    if measure is not None:
        event["measure"] = measure
    if of_lane:
        event["lanes"] = [int(rng.integers(1, lanes + 1))]
    return event


def _size(rng: np.random.Generator, least: float, most: float, signed: bool) -> float:
    sign = -1.0 if signed and rng.random() < 0.5 else 1.0
    return round(sign * float(rng.uniform(least, most)), 3)


def _trouble(rng: np.random.Generator, hours: float) -> list[dict[str, Any]]:
    starts = rng.uniform(5, 60 * hours - 20, 3)
    return [
        {"kind": "network_break", "line": "line-1", "start_min": float(starts[0]),
         "end_min": float(starts[0] + rng.uniform(0.5, 6)), "size": float(rng.integers(0, 400))},
        {"kind": "out_of_order", "line": "line-1", "start_min": float(starts[1]),
         "end_min": float(starts[1] + 10), "size": float(rng.integers(2, 60))},
        {"kind": "sensor_restart", "line": "line-1", "start_min": float(starts[2])},
    ]
