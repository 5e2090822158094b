"""How often a board may cry wolf, and the limits that keep it to that.

One limit for one chart says nothing: 48 charts at an ARL of 370 windows show a false alarm about
every 8 windows. So limits are set from the false alarms wanted of the whole family of charts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from grading.monitor.arl import limit_for_arl


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """False alarms wanted of one line's charts together.

    charts: how many run at once (lanes x measures; a quantity with a Shewhart and an EWMA chart
    counts twice). windows_per_week: windows each chart sees, for instance 48 a shift x 5 shifts.
    act_per_week: false "act" alarms accepted a week of the whole line. look_arl0: windows
    between false "look" marks of one chart.
    """

    charts: int
    windows_per_week: float
    act_per_week: float = 1.0
    look_arl0: float = 500.0

    def __post_init__(self) -> None:
        if self.charts < 1 or self.windows_per_week <= 0 or self.act_per_week <= 0:
            raise ValueError("a budget needs at least one chart, and windows and alarms above 0")

    @property
    def act_arl0(self) -> float:
        """In-control windows of one chart between false "act" alarms; never below look_arl0."""
        return max(self.look_arl0, self.charts * self.windows_per_week / self.act_per_week)


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Limits of the two levels, in sigma: "look" is shown grey, "act" red."""

    look_z: float
    act_z: float
    look_ewma: float
    act_ewma: float
    weight: float


def levels_for(*, budget: Budget, weight: float = 0.2) -> Levels:
    """Shewhart and EWMA limits of both levels. ARLs above 10 million are cut to that."""
    look, act = min(budget.look_arl0, 1e7), min(budget.act_arl0, 1e7)
    return Levels(
        look_z=limit_for_arl(chart="shewhart", arl0=look),
        act_z=limit_for_arl(chart="shewhart", arl0=act),
        look_ewma=limit_for_arl(chart="ewma", arl0=look, weight=weight),
        act_ewma=limit_for_arl(chart="ewma", arl0=act, weight=weight),
        weight=weight)


def expected_false_alarms(*, arl0: float, charts: int, windows: float) -> float:
    """False alarms to expect of `charts` quiet charts over `windows` windows each."""
    return charts * windows / arl0


def chance_of_a_false_alarm(*, arl0: float, charts: int, windows: float) -> float:
    """Chance of at least one, the charts being independent and signals rare."""
    return -math.expm1(-expected_false_alarms(arl0=arl0, charts=charts, windows=windows))
