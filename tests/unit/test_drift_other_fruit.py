"""Comparisons in which the line's own level has no say: other fruit, or lanes alone."""

from __future__ import annotations

from typing import Any

from grading.drift.answer import explain_change
from grading.drift.evidence import (
    ChangeFacts,
    Estimate,
    LaneLevel,
    LaneOffset,
    MeasureFacts,
    RuleFacts,
    Side,
)

UNASKED = RuleFacts(a="", b="")


def side(level: float, *, lane_5: float = 0.0, **more: Any) -> Side:
    return Side(lanes=tuple(LaneLevel(lane=k, centre=level + lane_5 * (k == 5), se=0.05)
                            for k in range(1, 9)), **more)


def facts(a: Side, b: Side, level: Any, measure: str = "diameter") -> ChangeFacts:
    return ChangeFacts(rule=UNASKED, measures=(MeasureFacts(
        measure=measure, unit="mm", a=a, b=b, margin=0.4, allowance=0.1, level=level),))


def test_other_fruit_are_no_change_of_fruit() -> None:
    """Three millimetres between two lots say nothing; three that pairs show are the sensor."""
    found = explain_change(facts=facts(side(66.0), side(69.0), "other fruit"))
    assert (found.verdict, found.causes) == ("no change", ())
    assert "level is not compared" in found.text()
    assert "The rule has no part in this" in found.text()
    paired = Estimate(value=3.0, se=0.12, n=30)
    found = explain_change(facts=facts(
        side(66.0, hand=paired), side(69.0, paired=paired, hand=paired), "other fruit"))
    assert (found.verdict, found.causes) == ("measurement", ("measurement",))


def test_lanes_alone_tell_of_lanes_alone() -> None:
    same = explain_change(facts=facts(side(66.0), side(69.0), "lanes only", "girth"))
    assert same.verdict == "no change"
    steady = tuple(LaneOffset(lane=k, offset=0.0, se=0.02) for k in range(1, 9))
    off = tuple(LaneOffset(lane=k, offset=0.6 * (k == 5), se=0.02) for k in range(1, 9))
    found = explain_change(facts=facts(side(66.0, checks=steady),
                                       side(69.0, lane_5=0.6, checks=off), "lanes only", "girth"))
    assert found.verdict == "measurement"
    assert "Diameter at like weight, lane 5" in found.text()
    assert "paired" not in found.text().split("Check")[0].split("recalibrate")[0]
