"""Pulls, checks and their dating; which stretches are compared, and when: on invented values."""

from __future__ import annotations

import numpy as np
import pytest

from grading.drift.shown import Told
from service.evidence import Stretch
from service.watch.ask import about, asked_at, stretches
from service.watch.dating import Level, dated
from service.watch.finding import MINUTE_MS, Answered, Finding, Why
from service.watch.outside import Outside, bias_findings
from service.watch.words import finding_json, sentence

M = MINUTE_MS


def finding(**of: object) -> Finding:
    base: dict[str, object] = {
        "kind": "level", "what": "hue", "lot": "L-0417", "best_ms": 80 * M, "from_ms": 79 * M,
        "until_ms": 81 * M, "size": -3.0, "unit": "deg", "ratio": 1.4, "found_ms": 90 * M}
    return Finding(**{**base, **of})  # type: ignore[arg-type]


def told(*values: tuple[int, float], se: float = 0.2) -> tuple[Told, ...]:
    return tuple(Told(at_ms=at * M, value=v, se=se, n=30) for at, v in values)


def outside(pulls: tuple[Told, ...] = (), checks: tuple[Told, ...] = ()) -> Outside:
    return Outside(pulls={"hue": pulls, "diameter": ()}, checks={"hue": checks, "diameter": ()},
                   times=(), newest=(0, 0))


def biases(**of: tuple[Told, ...]) -> list[Finding]:
    return bias_findings(outside(**of), lot_at=lambda ms: "L-0417",
                         levels={"hue": [], "diameter": []})


def test_pulls_that_begin_to_differ() -> None:
    (found,) = biases(pulls=told((20, 0.1), (50, 0.0), (80, 2.4), (110, 2.6)))
    assert (found.kind, found.what, found.found_ms, found.open) == ("bias", "hue", 80 * M, True)
    assert found.told == (50 * M, 80 * M)
    assert found.size == pytest.approx(2.35, abs=0.01)


def test_a_line_put_right_ends_it_and_may_err_again() -> None:
    first, second = biases(pulls=told((20, 0.0), (50, 3.0), (80, 0.1), (110, 0.0), (140, 3.0)))
    assert (first.found_ms, first.ended_ms) == (50 * M, 80 * M)
    assert second.open
    assert second.told == (110 * M, 140 * M)


def test_pulls_and_checks_of_one_step_are_one_finding() -> None:
    (found,) = biases(pulls=told((20, 0.0), (50, 0.1), (80, 3.0)),
                      checks=told((0, 0.0), (60, 3.1), (120, 3.0)))
    assert found.found_ms == 60 * M
    assert (found.from_ms, found.until_ms) == (50 * M, 60 * M)


def test_a_cold_line_s_checks_say_nothing() -> None:
    cold = outside(checks=told((0, 4.0), (60, 0.0), (120, 0.1)))
    assert bias_findings(cold, lot_at=lambda ms: "L-0417", levels={"hue": [], "diameter": []},
                         warm_ms=30 * M) == []


def test_steps_apart_stay_apart() -> None:
    found = biases(pulls=told((20, 0.0), (40, 3.0), (60, 0.0)),
                   checks=told((0, 0.0), (70, 0.0), (100, 3.0)))
    assert [f.found_ms for f in found] == [40 * M, 100 * M]


def level(onset: int, size: float, *, slow: bool = False, lots: int = 1, seed: int = 1
          ) -> list[Level]:
    rng = np.random.default_rng(seed)
    found = []
    for k in range(30, 150):
        lot = k * lots // 150
        moved = size * (k >= onset) if not slow else size * max(0.0, (k - onset) / (120 - onset))
        found.append(Level(k, f"L-{lot}", 99.0 - 2 * lot + moved + 0.4 * rng.normal()))
    return found


def test_the_level_dates_a_step_between_two_pulls() -> None:
    bias = finding(kind="bias", size=3.0, from_ms=60 * M, until_ms=90 * M, best_ms=90 * M)
    for lots in (1, 3):
        found = dated(bias, levels=level(73, 3.0, lots=lots), last_ms=120 * M, last_size=3.0)
        assert abs(found.best_ms // M - 73) <= 1
        assert found.shape == "step"
        assert found.from_ms <= 73 * M <= found.until_ms
        assert found.until_ms - found.from_ms < 15 * M


def test_the_level_dates_a_slow_error() -> None:
    bias = finding(kind="bias", size=2.0, from_ms=60 * M, until_ms=100 * M, best_ms=100 * M)
    found = dated(bias, levels=level(50, 5.0, slow=True), last_ms=120 * M, last_size=5.0)
    assert found.shape == "ramp"
    assert abs(found.best_ms // M - 50) <= 5


def test_a_level_that_shows_nothing_dates_nothing() -> None:
    bias = finding(kind="bias", size=3.0, from_ms=60 * M, until_ms=90 * M, best_ms=90 * M)
    assert dated(bias, levels=level(0, 0.0), last_ms=120 * M, last_size=3.0) == bias
    assert dated(bias, levels=level(0, 0.0)[:5], last_ms=120 * M, last_size=3.0) == bias


JUDGED = [(k, "L-0417") for k in range(30, 200)]


def test_a_level_is_compared_inside_its_lot() -> None:
    judged = [(k, "L-0416" if k < 60 else "L-0417") for k in range(30, 200)]
    asked = stretches(finding(), judged=judged, times=(), as_of_ms=100 * M)
    assert asked == (Stretch(60 * M, 79 * M), Stretch(81 * M, 100 * M))
    assert stretches(finding(), judged=judged, times=(), as_of_ms=83 * M) is None
    assert stretches(finding(from_ms=61 * M), judged=judged, times=(), as_of_ms=100 * M) is None


def test_lanes_are_compared_across_lots_for_an_hour_at_most() -> None:
    asked = stretches(finding(kind="lane", from_ms=150 * M, until_ms=152 * M), judged=JUDGED,
                      times=(), as_of_ms=190 * M)
    assert asked == (Stretch(90 * M, 150 * M), Stretch(152 * M, 190 * M))


def test_a_slow_change_is_compared_about_its_newest_check() -> None:
    slow = finding(shape="ramp")
    with_check = stretches(slow, judged=JUDGED, times=(85 * M, 120 * M), as_of_ms=150 * M)
    without = stretches(slow, judged=JUDGED, times=(), as_of_ms=150 * M)
    assert with_check is not None
    assert without is not None
    assert with_check[1] == Stretch(112 * M, 128 * M)
    assert without[1] == Stretch(134 * M, 150 * M)


def test_a_bias_is_compared_before_the_good_and_after_the_bad() -> None:
    bias = finding(kind="bias", told=(60 * M, 90 * M))
    asked = stretches(bias, judged=JUDGED, times=(), as_of_ms=100 * M)
    assert asked == (Stretch(30 * M, 60 * M + 1), Stretch(90 * M, 100 * M))
    never = finding(kind="bias", told=(90 * M, 90 * M))
    asked = stretches(never, judged=JUDGED, times=(), as_of_ms=100 * M)
    assert asked == (Stretch(30 * M, 90 * M), Stretch(90 * M, 100 * M))


def test_it_is_asked_about_at_declared_times_and_after_each_pull() -> None:
    assert asked_at(finding(), times=(), now_ms=90 * M) == 90 * M
    assert asked_at(finding(), times=(), now_ms=99 * M) == 95 * M
    assert asked_at(finding(), times=(97 * M,), now_ms=99 * M) == 98 * M
    assert asked_at(finding(), times=(70 * M,), now_ms=99 * M) == 95 * M
    over = finding(ended_ms=112 * M)
    assert asked_at(over, times=(150 * M,), now_ms=200 * M) == 112 * M
    assert asked_at(finding(), times=(), now_ms=10 * M) == 90 * M


def test_what_is_asked_for() -> None:
    lane = about(finding(kind="lane"), holds_from_ms=5)
    assert (lane.same_fruit, lane.rule, lane.outcome, lane.holds_from_ms) == (False, False, "", 5)
    rule = about(finding(kind="rule"), holds_from_ms=0, before_lot="L-0416")
    assert rule.lots == {"L-0416", "L-0417"}
    assert rule.rule
    assert about(finding(kind="share", what="defects"), holds_from_ms=0).outcome == "defects"
    assert about(finding(), holds_from_ms=0).outcome == "culls"


@pytest.mark.parametrize(("of", "words"), [
    ({"kind": "lane", "lane": 5, "what": "diameter", "unit": "mm", "size": 0.52},
     "Lane 5 reads diameter 0.52 mm more than the others since 01:20 UTC."),
    ({}, "Hue of the whole line went down by 3.0 deg since 01:20 UTC."),
    ({"kind": "share", "what": "culls", "unit": "share", "size": 0.071},
     "The share of culls went up by 7.1 points since 01:20 UTC."),
    ({"kind": "bias"}, "The line reads hue 3.0 deg less than before since 01:20 UTC."),
    ({"kind": "rule", "what": "rule"},
     "The fruit are graded under another rule since 01:20 UTC."),
])
def test_sentences(of: dict[str, object], words: str) -> None:
    assert sentence(Answered(finding=finding(**of))) == words


def test_a_finding_on_the_wire() -> None:
    why = Why(asked_ms=95 * M, before=(60 * M, 79 * M), after=(81 * M, 95 * M),
              verdict="not separable", causes=(), open=("hue",), next_action="Post.", pairs=30)
    told_ = finding_json(Answered(finding=finding(), why=why))
    assert told_["sentence"].endswith("since 01:20 UTC: fruit or measurement: not separable.")
    assert told_["why"]["paired_fruit_needed"] == 30
    assert told_["lane"] is None
    assert finding_json(Answered(finding=finding()))["why"] is None


def test_when_a_finding_calls_for_action() -> None:
    why = Why(asked_ms=0, before=(0, 1), after=(1, 2), verdict="no change", causes=())
    assert Answered(finding=finding()).level == "act"
    assert Answered(finding=finding(), why=why).level == "look"
    assert Answered(finding=finding(kind="rule")).level == "look"
