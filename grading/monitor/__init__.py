"""Monitoring of rejects, levels and sensors by window: pure arithmetic, no clock, no store.

Everything below is importable from `grading.monitor`.

**Windows** (`state`, `assemble`, `series`, `kept`, `packed`). One `WindowState` = one line over one
window, all lanes: exact whole-number counts and sums, merged in any order, never subtracted.

    shape  = Shape.of(compiled=compiled)
    series = WindowSeries(lot="L-0417", line="line-1", digest=..., shape=shape, span=TEN_MINUTES)
    series = series.add(batch=batch, verdicts=verdicts)      # also .merge(other), .total()
    Span(kind="fruit", size=2000)                            # by sequence number; name the `run`
    series.windows[index]: WindowState                       # index: time_ms or seq // size
    state.lane(number=3), state.together(), state.merge(other), merged(states=..., shape=shape)
    state.measures["diameter"].mean() / .sd() / .m2() / .quantile(share=.5)  # (lanes,), quanta
    series.lane_table(measure="diameter") -> LaneTable       # (windows, lanes) value, sd, n; units
    series.figures[index].fruit, .by_grade                   # closed windows are kept packed
    unpacked_window(packed_window(state))                    # the same window

Feed `add` some seconds of fruit at once (a call costs up to 1 ms whatever it holds), and let
closed windows be closed: late fruit merge into theirs.

**Rejects and levels, judged** (`tracks`, `budget`, `shares`).

    levels = levels_for(budget=Budget(charts=2 * quantities, windows_per_week=240))
    track  = Track(levels=levels)              # one per quantity and line, for all its lots
    state, point = track.step(state=track.start(), window=window)
    windows = series.share_windows(grades=(cull_code,), excluded={17: "why, by whom"})
    windows = series.level_windows(measure="diameter")       # medians with their own error
    state.to_plain(), TrackState.from_plain(plain)

`TrackPoint.status`: too_few (under 200 fruit), excluded (a person's reason is in the window),
learning (the lot's first windows set its centre), quiet, look (grey), act (red); `found` says
"window" (Laney limits) or "trend" (EWMA), `side` up or down; `baseline` holds centre, sigma_z,
sigma_long, phi; `look`, `act` are half-widths about the centre in the quantity's unit.
Only closed windows are stepped, once, in time order.

**Charts by themselves** (`charts`, `shares`): `p_chart`, `laney_chart`, `dispersion_test`,
`individuals`, `subgroups`, `Ewma`, `Cusum` (+ states with `step`), `standardised`.
**How often they cry wolf** (`arl`, `budget`): `shewhart_arl`, `ewma_arl`, `cusum_arl`,
`markov_arl`, `limit_for_arl`, `expected_false_alarms`, `chance_of_a_false_alarm`.

**Causes** (`causes`): `causes_of(state=, grades=)` -> `Causes` (any and decisive, exact intervals);
`difference(first=estimate(x=, n=, spread=), second=...)`; `came_in(received_x=, received_n=,
line=)` -> added_here / came_in / fewer_than_came_in / cannot_tell, and how many fruit would tell.

**Sensors** (`health`): `health(state=, before=)` -> findings silent, reads_less, frozen, too_even,
too_noisy, repeated, each with its chance; `impossible_share`; `sequence_test` for one lane's
readings in order; `dispersion_test(...).chance_under` for shares that are too even.
"""

from grading.monitor.arl import (
    cusum_arl,
    cusum_arl_one_sided,
    ewma_arl,
    limit_for_arl,
    markov_arl,
    shewhart_arl,
)
from grading.monitor.assemble import window_of
from grading.monitor.budget import (
    Budget,
    Levels,
    chance_of_a_false_alarm,
    expected_false_alarms,
    levels_for,
)
from grading.monitor.causes import (
    CameIn,
    Cause,
    Causes,
    Difference,
    Estimate,
    came_in,
    causes_of,
    counted_causes,
    difference,
    estimate,
)
from grading.monitor.charts import (
    Cusum,
    CusumState,
    Ewma,
    EwmaState,
    Individuals,
    Limits,
    Subgroups,
    individuals,
    subgroups,
)
from grading.monitor.health import (
    HealthFinding,
    SequenceTest,
    health,
    impossible_share,
    sequence_test,
)
from grading.monitor.packed import packed_window, unpacked_window
from grading.monitor.series import TEN_MINUTES, Figures, LaneTable, Span, WindowSeries
from grading.monitor.shares import (
    FRUIT_MIN,
    Dispersion,
    ShareChart,
    Spread,
    dispersion_test,
    laney_chart,
    p_chart,
)
from grading.monitor.state import MeasureState, Shape, WindowState, merged, no_fruit
from grading.monitor.tracks import Baseline, Track, TrackPoint, TrackState, TrackWindow

__all__ = [
    "FRUIT_MIN", "TEN_MINUTES", "Baseline", "Budget", "CameIn", "Cause", "Causes", "Cusum",
    "CusumState", "Difference", "Dispersion", "Estimate", "Ewma", "EwmaState", "Figures",
    "HealthFinding", "Individuals", "LaneTable", "Levels", "Limits", "MeasureState", "SequenceTest",
    "Shape", "ShareChart", "Span", "Spread", "Subgroups", "Track", "TrackPoint", "TrackState",
    "TrackWindow", "WindowSeries", "WindowState", "came_in", "causes_of", "chance_of_a_false_alarm",
    "counted_causes", "cusum_arl", "cusum_arl_one_sided", "difference", "dispersion_test",
    "estimate", "ewma_arl", "expected_false_alarms", "health", "impossible_share", "individuals",
    "laney_chart", "levels_for", "limit_for_arl", "markov_arl", "merged", "no_fruit", "p_chart",
    "packed_window", "sequence_test", "shewhart_arl", "subgroups", "unpacked_window", "window_of",
]
