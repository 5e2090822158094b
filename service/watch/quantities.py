"""What is followed on a line, and what fruit of one lot ordinarily do.

All figures here are what the house starts from (common practice, no source); the line's own
minutes widen the ordinary swings where they are larger (`grading.drift.swing`).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from grading.drift.follow import LaneRules, lane_rules
from grading.drift.swing import Limits, Swings, limits_for
from service.lots import WEEK_WINDOWS

LEVELS: Final = {
    "diameter": Swings(own_sd=0.5, wander_sd=0.33, margin=0.4),
    "hue": Swings(own_sd=1.0, wander_sd=0.6, margin=1.5),
}
"""Levels of the whole line, in mm and degrees."""
SHARES: Final = {
    "culls": Swings(own_sd=0.3, wander_sd=0.2, margin=0.02),
    "defects": Swings(own_sd=0.28, wander_sd=0.16, margin=0.02),
}
"""Shares of the fruit, followed as log odds; the margin is in shares."""
LANES: Final = {"girth": 0.1, "diameter": 0.15, "hue": 1.0}
"""Lanes against each other, and the distance that nobody would act on (mm, degrees). Girth, the
diameter with the fruit's mass taken out, shows a lane's change in minutes; what a lane has been
off all along shows in the diameter itself."""
UNITS: Final = {"diameter": "mm", "hue": "deg", "culls": "share", "defects": "share"}

WARM_UP: Final = 30
"""Minutes after a cold start that nothing is judged in: lamps and sensors settle in 20 to 30
(from memory)."""
COLD_AFTER: Final = 120
"""Minutes of rest after which a line starts cold."""
LEARN: Final = 15
"""Judged minutes of a day in which the lanes' standing distances in girth are learned."""
ASKED: Final = (0, 5, 10, 20, 40, 80, 160, 320)
"""Minutes after a finding at which it is dated, and asked about, anew."""
OVER: Final = 8
"""Minutes back where it was, after which a finding is over."""


@lru_cache(maxsize=1)
def limits() -> Limits:
    """Of levels and shares: one false finding a week for all of them together."""
    return limits_for(charts=len(LEVELS) + len(SHARES), windows_per_week=WEEK_WINDOWS)


@lru_cache(maxsize=64)
def rules_of(*, lanes: int, measure: str) -> LaneRules:
    return lane_rules(lanes=lanes, measures=len(LANES), windows_per_week=WEEK_WINDOWS,
                      allowance=LANES[measure])
