"""The three-way answer on stated cases: the trade scenarios, the table of readings, error rates.

Scenarios (grade drop, sensor against caliper, forgotten cut): common practice, no source; their
figures are checked by scipy in test_drift_cuts. The error rates that the decision rules claim are
counted on simulated sums of known truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from grading.drift.answer import Answer, explain_change, share_moved
from grading.drift.cuts import moved_cut, normal_at_cut
from grading.drift.evidence import (
    Boundary,
    ChangeFacts,
    Consequence,
    Estimate,
    LaneLevel,
    LaneOffset,
    MeasureFacts,
    Regraded,
    RuleFacts,
    SensorFlag,
    Share,
    Side,
)
from grading.drift.onset import find_onset
from grading.drift.separate import separate

SAME = RuleFacts(a="d1", b="d1")
LANES = tuple(range(1, 9))


def _lanes(level: float, se: float = 0.05, off: dict[int, float] | None = None,
           which: tuple[int, ...] = LANES) -> tuple[LaneLevel, ...]:
    return tuple(LaneLevel(lane=k, centre=level + (off or {}).get(k, 0.0), se=se) for k in which)


def _checks(offset: float, off: dict[int, float] | None = None,
            which: tuple[int, ...] = LANES) -> tuple[LaneOffset, ...]:
    return tuple(LaneOffset(lane=k, offset=offset + (off or {}).get(k, 0.0), se=0.05)
                 for k in which)


def _paired(bias: float, sd: float = 0.9, n: int = 30) -> Estimate:
    return Estimate(value=bias, se=sd / n**0.5, n=n)


def _diameter(a: Side, b: Side, **rest: object) -> MeasureFacts:
    return MeasureFacts(**{"measure": "diameter", "unit": "mm", "a": a, "b": b, "margin": 0.3,
                           "ordinary_sd": 0.1, "allowance": 0.1, **rest})  # type: ignore[arg-type]


def _explain(*measures: MeasureFacts, **rest: object) -> Answer:
    return explain_change(facts=ChangeFacts(
        **{"rule": SAME, "measures": measures, **rest}))  # type: ignore[arg-type]


# --- the trade scenarios -------------------------------------------------------------------------


def test_grade_drop_is_the_fruit() -> None:
    """No. 1 falls 81 to 69 %; rule the same; the pull agrees within 0.3 mm and 2 hue units; the
    fall starts at bin 31, a lot change. Verdict: fruit; do not touch the cuts."""
    onset = find_onset(values=np.r_[np.full(20, 96.0), np.full(12, 104.0)], se=np.full(32, 0.4))
    hue = MeasureFacts(
        measure="hue", unit="°", margin=2.0, ordinary_sd=0.8, allowance=0.3, onset=onset,
        a=Side(lanes=_lanes(96.0, 0.2), paired=Estimate(value=0.4, se=0.3, n=30)),
        b=Side(lanes=_lanes(104.0, 0.2), paired=Estimate(value=1.2, se=0.4, n=30)))
    size = _diameter(Side(lanes=_lanes(66.0), paired=_paired(0.1)),
                     Side(lanes=_lanes(65.9), paired=_paired(0.3)))
    found = _explain(
        hue, size, outcome="No. 1 share", outcome_a=Share(x=8100, n=10_000),
        outcome_b=Share(x=6900, n=10_000), windows=32,
        boundaries=(Boundary(kind="lot", name="L-0417", window=20),
                    Boundary(kind="bin", name="9", window=5)))
    assert found.verdict == "fruit" and found.causes == ("fruit",) and found.pairs == 0
    assert "begins to move at lot L-0417" in found.text()
    assert "do not touch the cuts" in found.next_action
    assert "step from window 20 (20 to 20)" in found.onset
    assert found.evidence[0].step == "rule"
    assert "The rule is the same in both windows." in found.text()
    assert any("no check with reference objects" in e.text for e in found.had_not)
    assert len(found.had) + len(found.had_not) == len(found.evidence)


def test_sensor_against_caliper_is_the_measurement() -> None:
    """30 fruit both ways, +1.1 mm, sd 0.9; nothing before. 9.5 % undersize nearly fills 10 %."""
    at = normal_at_cut(mean=66, sd=5, cut=63.5, bias=1.1, upper=69.85)
    facts = _diameter(Side(), Side(paired=_paired(1.1)))
    found = _explain(facts, consequence=Consequence(
        changed=round(10_000 * at.too_high), n=10_000, out_share=at.undersize_up, tolerance=0.10))
    assert found.verdict == "measurement"
    assert "728 of 10,000 fruit (7.3 %)" in found.consequence
    assert "9.5 % out of their mark, within the tolerance of 10.0 %, 0.5 % of" in found.consequence
    assert "none before: the line taken to have been right then" in found.text()
    assert "list the boxes since the last good check" in found.next_action
    assert any("no line readings" in e.text for e in found.had_not)
    closed = _explain(facts, consequence=Consequence(
        changed=728, n=10_000, changed_low=510, changed_high=960, out_share=at.undersize,
        tolerance=0.10, boxes=("417-088", "417-089")))
    assert "15.4 % out of their mark, over the tolerance of 10.0 % and under twice it" in (
        closed.consequence)
    assert "510 to 960" in closed.consequence and "417-088, 417-089" in closed.consequence


def test_a_forgotten_cut_is_the_rule() -> None:
    """63.5 lowered to 62.0 mm: 2,260 of 23,400 changed class; 12.3 %, over 10, under 20."""
    at = moved_cut(mean=66, sd=5, declared=63.5, used=62.0)
    changed = round(23_400 * at.too_high)
    rule = RuleFacts(a="v12", b="v13", change="10:42, order 88", regraded=Regraded(
        changed=changed, n=23_400, outcome=Share(x=16_146, n=23_400)))
    steady = _diameter(Side(lanes=_lanes(66.0), checks=_checks(0.0)),
                       Side(lanes=_lanes(66.0), checks=_checks(0.0)))
    found = _explain(steady, rule=rule, outcome="packed share",
                     outcome_a=Share(x=13_800, n=20_000), outcome_b=Share(x=18_408, n=23_400),
                     consequence=Consequence(changed=changed, n=23_400,
                                             out_share=at.undersize_up, tolerance=0.10))
    assert found.verdict == "rule"
    assert "(9.7 %)" in found.consequence and "12.3 %" in found.consequence
    assert "over the tolerance of 10.0 % and under twice it" in found.consequence
    assert "packed share 69.0 % before, 78.7 % now, 69.0 % now under the old rule" in found.text()
    assert "do not ship" in found.next_action


# --- the table of readings -----------------------------------------------------------------------

QUIET = Side(lanes=_lanes(66.0), checks=_checks(0.0), paired=_paired(0.0))


@pytest.mark.parametrize(("b", "verdict"), [
    (QUIET, "no change"),
    # common level moves, objects and hand steady: fruit
    (Side(lanes=_lanes(68.0), checks=_checks(0.0), paired=_paired(0.0)), "fruit"),
    (Side(lanes=_lanes(68.0), checks=_checks(0.0)), "fruit"),
    (Side(lanes=_lanes(68.0), paired=_paired(0.05)), "fruit"),
    # all lanes off on objects, all disagree with the hand: common sensor error
    (Side(lanes=_lanes(68.0), checks=_checks(2.0), paired=_paired(2.0)), "measurement"),
    (Side(lanes=_lanes(68.0), paired=_paired(2.0)), "measurement"),
    # objects steady, fruit disagree: the sensor's model of this cultivar
    (Side(lanes=_lanes(68.0), checks=_checks(0.0), paired=_paired(2.0)), "measurement"),
    # one lane, its object off too, or never checked: its sensor
    (Side(lanes=_lanes(66.0, off={3: 1.0}), checks=_checks(0.0, {3: 1.0})), "measurement"),
    (Side(lanes=_lanes(66.0, off={3: 1.0})), "measurement"),
    # one lane, its object steady: its feed
    (Side(lanes=_lanes(66.0, off={3: 1.0}), checks=_checks(0.0)), "fruit"),
    # half of each
    (Side(lanes=_lanes(68.0), checks=_checks(1.0), paired=_paired(1.0)), "several"),
    (Side(lanes=_lanes(66.0), checks=_checks(1.0), paired=_paired(1.0)), "several"),
    # nothing from outside
    (Side(lanes=_lanes(68.0)), "not separable"),
    # a sensor in a state no fruit explains
    (replace(QUIET, flags=(SensorFlag(lane=2, state="frozen"),)), "measurement"),
])
def test_readings(b: Side, verdict: str) -> None:
    assert _explain(_diameter(QUIET, b)).verdict == verdict


def test_hand_levels_alone_separate_a_large_change() -> None:
    """Unpaired pulls before and after: 3° of hue, riper fruit or lamps."""
    def hue(hand_b: float) -> MeasureFacts:
        return MeasureFacts(
            measure="hue", unit="°", margin=1.0, ordinary_sd=0.2,
            a=Side(lanes=_lanes(100.0), hand=Estimate(value=100.0, se=0.45, n=100)),
            b=Side(lanes=_lanes(97.0), hand=Estimate(value=hand_b, se=0.45, n=100)))

    assert _explain(hue(97.1)).verdict == "fruit"
    assert _explain(hue(99.9)).verdict == "measurement"


def test_what_it_asks_for_when_it_cannot_tell() -> None:
    found = _explain(_diameter(QUIET, Side(lanes=_lanes(67.0))))
    assert found.verdict == "not separable" and found.causes == ()
    assert found.open == ("diameter of the whole line: fruit or common sensor error",)
    assert found.next_action == f"Not separable: post {found.pairs} paired fruit."
    assert found.pairs >= 30
    small = _explain(_diameter(QUIET, Side(lanes=_lanes(66.5)), paired_sd=1.5))
    power = stats.norm.cdf(0.3 * small.pairs**0.5 / 1.5 - stats.norm.ppf(0.995))
    assert small.pairs > 30 and power > 0.93


def test_one_lane_and_an_unexplained_level() -> None:
    """The lane is shown, the level is not: the verdict does not hide it."""
    found = _explain(_diameter(QUIET, Side(lanes=_lanes(68.0, off={5: 1.0})),
                               lane_onset=find_onset(values=np.r_[np.zeros(9), np.ones(9)],
                                                     se=np.full(18, 0.2))))
    assert found.verdict == "not separable" and found.causes == ("measurement",)
    assert "lane 5" in found.next_action and "paired fruit" in found.next_action
    assert "diameter of the lane: step from window 9" in found.onset
    assert found.splits["diameter"].lanes[0].lane == 5


def test_a_bank_of_lanes_diverges() -> None:
    half = dict.fromkeys((5, 6, 7, 8), 1.0)
    found = _explain(_diameter(
        QUIET, Side(lanes=_lanes(66.0, off=half), checks=_checks(0.0, half))))
    assert "the lanes diverge" in found.text()
    assert found.verdict == "measurement"


def test_a_lanes_own_error_is_not_the_lines() -> None:
    """Two lanes 2 mm off, with their checks, paired fruit from all lanes: nothing common."""
    off = {1: 2.0, 2: 2.0}
    split = separate(risk=0.01, facts=_diameter(QUIET, Side(
        lanes=_lanes(66.0, off=off), checks=_checks(0.0, off), paired=_paired(0.5))))
    assert [m.lane for m in split.lanes] == [1, 2]
    assert split.common is not None and not split.common.moved
    assert split.common.value == pytest.approx(0.0, abs=0.05)
    assert split.fruit is not None and not split.fruit.moved


def test_a_check_of_the_only_lane_checked() -> None:
    """A lane's check that is neither off nor at odds with it decides nothing."""
    vague = (LaneOffset(lane=3, offset=0.4, se=0.6),)
    split = separate(risk=0.01, facts=_diameter(
        Side(lanes=_lanes(66.0)), Side(lanes=_lanes(66.0, off={3: 1.0}), checks=vague)))
    assert [(m.lane, m.reading) for m in split.lanes] == [(3, "not checked")]


def test_conflict_of_objects_and_fruit_is_said() -> None:
    found = _explain(_diameter(QUIET, Side(
        lanes=_lanes(68.0), checks=_checks(0.0), paired=_paired(2.0))))
    assert "may not fit this cultivar" in found.text()


def test_rule_and_measurement_are_several() -> None:
    rule = RuleFacts(a="v1", b="v2", regraded=Regraded(
        changed=900, n=10_000, outcome=Share(x=7000, n=10_000)))
    found = _explain(_diameter(QUIET, Side(lanes=_lanes(66.0, off={3: 1.0}))), rule=rule)
    assert found.verdict == "several" and found.causes == ("rule", "measurement")
    assert [e.step for e in found.evidence] == sorted(
        (e.step for e in found.evidence), key=["rule", "measurement", "fruit"].index)


def test_a_rule_that_moves_hardly_a_fruit_is_no_cause() -> None:
    rule = RuleFacts(a="v1", b="v2", regraded=Regraded(changed=3, n=10_000,
                                                       outcome=Share(x=7000, n=10_000)))
    assert _explain(_diameter(QUIET, QUIET), rule=rule).verdict == "no change"
    none = RuleFacts(a="v1", b="v2", regraded=Regraded(changed=0, n=0, outcome=Share(x=0, n=0)))
    assert _explain(_diameter(QUIET, QUIET), rule=none).verdict == "no change"


def test_rules_that_differ_without_a_regrade_stay_open() -> None:
    found = _explain(_diameter(QUIET, QUIET), rule=RuleFacts(a="v1", b="v2"))
    assert found.verdict == "not separable" and "Regrade the window" in found.next_action
    assert not found.evidence[0].had


def test_a_share_that_moved_while_nothing_measured_did() -> None:
    a, b = Share(x=8100, n=10_000), Share(x=6900, n=10_000)
    found = _explain(_diameter(QUIET, QUIET), outcome="No. 1 share", outcome_a=a, outcome_b=b)
    assert found.verdict == "not separable" and "No. 1 share" in found.open[0]
    assert _explain(_diameter(QUIET, QUIET), outcome_a=a, outcome_b=a).verdict == "no change"


def test_share_moved_is_the_two_sample_test() -> None:
    """Without ordinary spread: the pooled z test (scipy's chi-square without correction)."""
    for x in (7700, 7830, 7840, 7860, 7900):
        p = stats.chi2_contingency([[8000, 2000], [x, 10_000 - x]], correction=False).pvalue
        assert share_moved(a=Share(x=8000, n=10_000), b=Share(x=x, n=10_000), ordinary_sd=0.0,
                           material=0.001) == (p < 0.01)


def test_consequences_in_words() -> None:
    def words(**of: object) -> str:
        return _explain(_diameter(QUIET, QUIET), consequence=Consequence(
            **{"changed": 5, "n": 100, **of})).consequence  # type: ignore[arg-type]

    assert words() == "5 of 100 fruit (5.0 %) are in another class."
    assert words(out_share=0.25, tolerance=0.1).endswith("and over twice it.")
    assert words(out_share=0.25).endswith("25.0 % out of their mark.")
    assert words(changed=0, n=0).startswith("0 of 0 fruit (0.0 %)")


def test_onset_at_no_boundary_is_said() -> None:
    onset = find_onset(values=np.r_[np.zeros(10), np.ones(10) * 3], se=np.full(20, 0.2))
    found = _explain(_diameter(QUIET, Side(lanes=_lanes(69.0)), onset=onset), windows=20,
                     boundaries=(Boundary(kind="lot", name="L-0418", window=3),))
    assert "begins to move at no known change of fruit" in found.text()


def test_whole_line_states_and_quiet_answers() -> None:
    silent = replace(QUIET, flags=(SensorFlag(lane=0, state="silent"),))
    found = _explain(_diameter(QUIET, silent))
    assert "sensor of the whole line is silent" in found.text()
    assert "Check the whole line" in found.next_action
    assert _explain(_diameter(silent, silent)).verdict == "no change"
    assert _explain().next_action == "Nothing to do."


def test_feed_and_fruit_are_both_named() -> None:
    found = _explain(_diameter(QUIET, Side(
        lanes=_lanes(68.0, off={3: 1.0}), checks=_checks(0.0), paired=_paired(0.0))))
    assert found.verdict == "fruit"
    assert [e.step for e in found.evidence] == sorted(
        (e.step for e in found.evidence), key=["rule", "measurement", "fruit"].index)
    assert "feeds lane 3" in found.next_action and "adviser" in found.next_action


def test_refusals() -> None:
    with pytest.raises(ValueError, match="risk"):
        separate(facts=_diameter(QUIET, QUIET), risk=0.0)
    with pytest.raises(ValueError, match="2 or more"):
        _explain(_diameter(QUIET, Side(lanes=_lanes(66.0),
                                       paired=Estimate(value=0.0, se=0.1, n=1))))


# --- the error rates claimed ---------------------------------------------------------------------


def _draw(rng: np.random.Generator, fruit: float, sensor: float, outside: str) -> MeasureFacts:
    """Lane means se 0.15, paired fruit of 30 with sd 0.9, spheres good to 0.08 mm."""
    def side(level: float, bias: float) -> Side:
        lanes = tuple(LaneLevel(lane=k, centre=level + bias + rng.normal(0, 0.15), se=0.15)
                      for k in LANES)
        d = rng.normal(bias, 0.9, 30)
        return Side(
            lanes=lanes,
            paired=Estimate(value=d.mean(), se=d.std(ddof=1) / 30**0.5, n=30)
            if "paired" in outside else None,
            checks=tuple(LaneOffset(lane=k, offset=bias + rng.normal(0, 0.08), se=0.08)
                         for k in LANES) if "checks" in outside else ())

    return _diameter(side(66.0, 0.0), side(66.0 + fruit + rng.normal(0, 0.1), sensor))


@pytest.mark.parametrize(("fruit", "sensor", "outside", "verdict", "share"), [
    (2.0, 0.0, "paired", "fruit", 0.95), (0.0, 2.0, "paired", "measurement", 0.95),
    (1.0, 0.0, "checks", "fruit", 0.95), (0.0, 1.0, "checks", "measurement", 0.95),
    (1.5, 1.5, "paired and checks", "several", 0.95), (2.0, 0.0, "", "not separable", 0.95),
    (0.0, 2.0, "", "not separable", 0.95), (0.0, 0.0, "paired and checks", "no change", 0.97),
])
def test_rates(fruit: float, sensor: float, outside: str, verdict: str, share: float) -> None:
    rng = np.random.default_rng(21)
    found = [_explain(_draw(rng, fruit, sensor, outside)).verdict for _ in range(200)]
    assert np.mean([v == verdict for v in found]) >= share


def test_a_wrong_cause_is_rare_even_where_evidence_is_thin() -> None:
    """Changes of 0.8 mm told by 30 paired fruit only: often open, wrong in at most 2 %."""
    rng = np.random.default_rng(22)
    wrong = [_explain(_draw(rng, 0.8, 0.0, "paired")).causes.count("measurement")
             for _ in range(300)]
    wrong += [_explain(_draw(rng, 0.0, 0.8, "paired")).causes.count("fruit") for _ in range(300)]
    assert np.mean(wrong) <= 0.02


@pytest.mark.parametrize(("a", "b", "told"), [
    (0, 500, ("no line fruit in the earlier window",)),
    (500, 0, ("no line fruit in the later window",)),
    (500, 500, ())])
def test_a_window_without_fruit_tells_nothing(a: int, b: int, told: tuple[str, ...]) -> None:
    answer = _explain(outcome_a=Share(x=a // 10, n=a), outcome_b=Share(x=b // 10, n=b))
    assert answer.verdict == ("not separable" if told else "no change")
    assert answer.open == told
    assert answer.pairs == 0
    assert answer.next_action == (
        "Compare windows in which the line packed fruit." if told else "Nothing to do.")
