"""Maturity from several measures, by cultivar and by policy."""

from __future__ import annotations

import pytest

from grading.explain import Outcome, explain, sentences
from grading.kernel import Compiled
from grading.reasons import Reason, reasons_of
from tests.support.fruit import (
    LONG_DISTANCE,
    assert_three_agree,
    batch_of,
    compiled,
    compiled_text,
    oracle_of,
    outcome,
)
from tests.support.mini import FIRMNESS_STEPS, HEAD, HUE_STEPS, SIZING, grade, maturity

HEAD_N = {"tip": 800}


def one(rules: Compiled, **quanta: int) -> Outcome:
    batch = batch_of([quanta])
    verdict = outcome(rules.grade(batch=batch), 0)
    assert explain(batch=batch, row=0, compiled=rules).outcome == verdict
    return verdict


def klass(rules: Compiled, **quanta: int) -> str:
    return rules.maturity_names[one(rules, **quanta).maturity]


def reasons(result: Outcome) -> set[Reason]:
    return set(reasons_of(bits=result.reasons))


def test_solid_red_ignores_hue_and_says_so() -> None:
    """Red hides the ground colour on solid-red cultivars (UC Davis Postharvest, Nectarine & Peach
    fact sheet), so firmness alone speaks: 13 lbf is the window for long distance."""
    quanta = {"diameter": 7000, "hue": 8000, "chroma": 3000, "firmness": 5783, "tip": 800,
              "blush": 900, "sugar": 1200}
    solid = compiled(LONG_DISTANCE, "solid-red", "diameter")
    yellow = compiled(LONG_DISTANCE, "yellow", "diameter")
    assert klass(solid, **quanta) == "long_haul"
    assert klass(yellow, **quanta) == "display"
    result = one(solid, **quanta)
    assert solid.grade_names[result.grade] == "select"
    assert Reason.HUE_NOT_USED in reasons(result)
    assert Reason.HUE_NOT_MEASURED not in reasons(result)
    assert Reason.HUE_NOT_USED not in reasons(one(yellow, **quanta))
    said = sentences(explain(batch=batch_of([quanta]), row=0, compiled=solid))
    assert any("ground colour not used: solid-red cultivar" in line for line in said)
    unread = dict(quanta)
    del unread["firmness"]
    assert klass(solid, **unread) == "not measured"


def test_solid_red_hue_is_not_graded_either_where_rules_are_walked() -> None:
    """The same verdict with a judgement, which sends the fruit past the look-up table."""
    rules = compiled(LONG_DISTANCE, "solid-red", "diameter")
    quanta = {"diameter": 7000, "hue": 11500, "firmness": 5783, "tip": 800, "blush": 900,
              "sugar": 1200}
    batch = batch_of([quanta, quanta], judged={1: {"well_formed": True}})
    verdicts = rules.grade(batch=batch)
    assert outcome(verdicts, 0) == outcome(verdicts, 1)


def test_white_flesh_has_its_own_hue_steps() -> None:
    """House chart: long_haul from 96 degrees, from 100 on white flesh."""
    for hue, yellow, white in ((9599, "regional", "regional"), (9600, "long_haul", "regional"),
                               (9999, "long_haul", "regional"),
                               (10000, "long_haul", "long_haul")):
        assert klass(compiled(LONG_DISTANCE, "yellow", "diameter"), hue=hue) == yellow
        assert klass(compiled(LONG_DISTANCE, "white", "diameter"), hue=hue) == white


def test_non_melting_has_its_own_firmness_steps() -> None:
    """House table: 17 lbf (75.62 N) is green on melting flesh, long_haul on non-melting."""
    quanta = {"firmness": 7562, "tip": 800}
    assert klass(compiled(LONG_DISTANCE, "yellow", "diameter"), **quanta) == "green"
    assert klass(compiled(LONG_DISTANCE, "non-melting", "diameter"), **quanta) == "long_haul"


BOTH = FIRMNESS_STEPS + HUE_STEPS


@pytest.mark.parametrize(("combine", "wanted"), [
    ("softest", "ready"), ("firmest", "firm"), ("first", "firm")])
def test_policies_combine_two_indications(combine: str, wanted: str) -> None:
    text = HEAD + SIZING + maturity(combine) + BOTH + grade()
    rules = compiled_text(text)
    assert klass(rules, firmness=5000, tip=800, hue=8500) == wanted
    assert klass(rules, hue=8500) == "ready"
    assert klass(rules, firmness=5000, tip=800) == "firm"
    assert klass(rules) == "not measured"
    fruit = [{"firmness": f, "tip": 800, "hue": h} for f in (None, 1000, 2000, 4000, 6000)
             for h in (None, 7000, 8000, 9000, 10500)]
    assert_three_agree(batch=batch_of(fruit), fruit=fruit, rules=rules, judge=oracle_of(text))
    told = explain(batch=batch_of([{"firmness": 5000, "tip": 800, "hue": 8500}]), row=0,
                   compiled=rules).maturity
    assert told is not None
    assert [i.used for i in told.indications] == [True, combine != "first"]


def test_needs_and_required_withhold_the_class() -> None:
    needs = compiled_text(HEAD + SIZING + maturity(extra="needs = 2") + BOTH + grade())
    assert klass(needs, hue=8500) == "not measured"
    assert klass(needs, hue=8500, firmness=5000, tip=800) == "ready"
    assert Reason.MATURITY_NOT_MEASURED in reasons(one(needs, hue=8500))
    required = HEAD + SIZING + maturity() + FIRMNESS_STEPS + "required = true" + HUE_STEPS + grade()
    rules = compiled_text(required)
    assert klass(rules, hue=8500) == "not measured"
    assert klass(rules, firmness=5000, tip=800) == "firm"
    column_missing = batch_of([{"hue": 8500, "firmness": None, "tip": None}])
    assert outcome(rules.grade(batch=column_missing), 0) == one(rules, hue=8500)
    told = sentences(explain(batch=column_missing, row=0, compiled=rules))
    assert "Firmness was not measured; maturity needs it." in told


def test_measures_that_disagree_are_noted() -> None:
    """Two classes apart by default; one apart is ordinary."""
    rules = compiled_text(HEAD + SIZING + maturity() + BOTH + grade())
    apart = one(rules, firmness=7000, tip=800, hue=8500)
    assert Reason.MEASURES_DISAGREE in reasons(apart)
    near = one(rules, firmness=5000, tip=800, hue=8500)
    assert Reason.MEASURES_DISAGREE not in reasons(near)


def test_hue_steps_for_other_cultivars_only_leave_hue_unused() -> None:
    text = (HEAD + SIZING + maturity() + FIRMNESS_STEPS + HUE_STEPS
            + 'when = { flesh = ["white"] }\n' + grade())
    plain = compiled_text(text)
    result = one(plain, hue=8500)
    assert Reason.HUE_NOT_USED in reasons(result)
    said = sentences(explain(batch=batch_of([{"hue": 8500}]), row=0, compiled=plain))
    assert any("no hue steps for this cultivar" in line for line in said)
    assert klass(compiled_text(text, "white"), hue=8500) == "ready"
