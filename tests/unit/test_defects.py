"""Defects: several spots together, flags, limits by diameter, and what a person says."""

from __future__ import annotations

from fractions import Fraction

import pytest

from grading.defects import severities, tabulate
from grading.explain import explain, sentences
from grading.kernel import Compiled
from grading.reasons import Reason
from grading.record import Defect
from grading.verdicts import Verdicts
from tests.support.fruit import (
    assert_three_agree,
    batch_of,
    compiled,
    compiled_text,
    oracle,
    oracle_of,
    outcome,
)
from tests.support.mini import HEAD, SIZING, defect, grade, level

US = "us-peaches-2004"
QUARTER_MM, THREE_EIGHTHS_MM = 6.35, 9.525


def us(*spots: Defect) -> str:
    """The grade of a blushed fruit that a person found mature and well formed."""
    rules = compiled(US, "none", "diameter")
    fruit = [{"diameter": 6600, "blush": 500}]
    batch = batch_of(fruit, defects={0: spots}, judged={
        0: {"mature": True, "well_formed": True, "not_badly_misshapen": True}})
    verdicts = assert_three_agree(batch=batch, fruit=fruit, rules=rules,
                                  judge=oracle(US, "none", "diameter"))
    return rules.grade_names[int(verdicts.grade[0])]


def scab(**known: object) -> Defect:
    return Defect(kind="scab", cracked=False, **known)  # type: ignore[arg-type]


def test_spots_add_up_as_circles_of_equal_area() -> None:
    """Two 1/4 in scab spots equal a 0.354 in circle and pass the 3/8 in limit of damage, three
    equal 0.433 in and do not (7 CFR 51.1221; area reading: Canadian Grade Compendium, volume 2)."""
    spot = scab(circle_mm=QUARTER_MM)
    assert us(spot, spot) == "us_extra_no1"
    assert us(spot, spot, spot) == "us_no2"
    together = explain(
        batch=batch_of([{}], defects={0: [spot, spot]}), row=0,
        compiled=compiled(US, "none", "diameter")).defects[0].circle_mm
    assert together == Fraction(898, 100)  # 0.3536 in


def test_exactly_at_the_limit_is_not_beyond() -> None:
    """"More than 3/8 inch" (7 CFR 51.1221). 9.525 mm is half a quantum: it rounds as the limit."""
    assert us(scab(circle_mm=THREE_EIGHTHS_MM)) == "us_extra_no1"
    assert us(scab(circle_mm=9.53)) == "us_no2"


AREA = level("damage", '{attribute="circle",above="2",unit="cm2"}')


def mini(severity: str, more: str = 'no_defect_at = "damage"') -> str:
    return (HEAD + SIZING + grade(more=more) + grade(name="two", more='no_defect_at = "serious"')
            + defect("mark", severity))


def graded(text: str, *spots: Defect, diameter: int | None = 6600) -> str:
    rules = compiled_text(text)
    fruit: list[dict[str, int | None]] = [{"diameter": diameter}]
    batch = batch_of(fruit, defects={0: spots})
    verdicts: Verdicts = assert_three_agree(
        batch=batch, fruit=fruit, rules=rules, judge=oracle_of(text))
    unsure = bool(outcome(verdicts, 0).reasons & Reason.DEFECT_EXTENT_OPEN.bit)
    assert all(sentences(explain(batch=batch, row=0, compiled=rules)))
    return rules.grade_names[int(verdicts.grade[0])] + (" unsure" if unsure else "")


def test_areas_add_up_before_they_become_a_circle() -> None:
    one_cm2 = Defect(kind="mark", area_mm2=100)
    assert graded(mini(AREA), one_cm2, one_cm2) == "one"
    assert graded(mini(AREA), one_cm2, Defect(kind="mark", area_mm2=100.001)) == "two"
    # A 1 cm2 circle has 11.2838 mm (area = pi / 4 x diameter squared).
    assert graded(mini(AREA), one_cm2, Defect(kind="mark", circle_mm=11.29)) == "two"
    assert graded(mini(AREA), one_cm2, Defect(kind="mark", circle_mm=11.28)) == "one"


def test_a_spot_not_assessed_leaves_the_sum_open() -> None:
    bare = Defect(kind="mark")
    assert graded(mini(AREA), bare) == "one unsure"
    assert graded(mini(AREA), bare, Defect(kind="mark", area_mm2=100)) == "one unsure"
    assert graded(mini(AREA), bare, Defect(kind="mark", area_mm2=201)) == "two"


@pytest.mark.parametrize(("trigger", "spot", "wanted"), [
    ('{attribute="length",above="10",unit="mm"}', {"length_mm": 10.0}, "one"),
    ('{attribute="length",above="10",unit="mm"}', {"length_mm": 10.01}, "two"),
    ('{attribute="depth",above="1/8",unit="in"}', {"depth_mm": 3.18}, "one"),
    ('{attribute="depth",above="1/8",unit="in"}', {"depth_mm": 3.19}, "two"),
    ('{attribute="share",above="3",unit="percent"}', {"surface_fraction": 0.03}, "one"),
    ('{attribute="share",above="3",unit="percent"}', {"surface_fraction": 0.031}, "two"),
    ('{attribute="count",above="1",unit="count"}', {"count": 1}, "one"),
    ('{attribute="count",above="1",unit="count"}', {"count": 2}, "two"),
    ('{flag="healed",is=false}', {"healed": False}, "two"),
    ('{flag="healed",is=false}', {"healed": True}, "one"),
    ('{flag="healed",is=false}', {}, "one unsure"),
    ('{always=true}', {}, "two"),
    ('{all_of=[{flag="cracked",is=true},{flag="healed",is=false}]}',
     {"cracked": True, "healed": True}, "one"),
    ('{all_of=[{flag="cracked",is=true},{flag="healed",is=false}]}',
     {"cracked": True}, "one unsure"),
    ('{any_of=[{flag="cracked",is=true},{flag="light",is=false}]}',
     {"cracked": False, "light": False}, "two"),
])
def test_triggers(trigger: str, spot: dict[str, object], wanted: str) -> None:
    """1/8 in is 3.175 mm, 318 hundredths at the nearest even (half to even by definition)."""
    one = Defect(kind="mark", **spot)  # type: ignore[arg-type]
    assert graded(mini(level("damage", trigger)), one) == wanted


def test_the_answer_against_the_fruit_wins_among_spots() -> None:
    text = mini(level("damage", '{flag="smooth",is=false}'))
    smooth, rough, unsaid = (Defect(kind="mark", smooth=s) for s in (True, False, None))
    assert graded(text, smooth, smooth) == "one"
    assert graded(text, smooth, rough) == "two"
    assert graded(text, smooth, unsaid) == "one unsure"
    assert graded(text, unsaid, rough) == "two"


def test_stem_cavity_spots_are_a_place_of_their_own() -> None:
    text = mini(AREA)
    inside = Defect(kind="mark", area_mm2=150, in_stem_cavity=True)
    assert graded(text, inside, Defect(kind="mark", area_mm2=150)) == "one"
    assert graded(text, inside, inside) == "two"


STEPS = ('{attribute="circle",unit="in",above_by_diameter='
         '{steps=[{to="2",limit="1/8"},{limit="1/4"}]}}')
SLOPE = ('{attribute="depth",unit="in",above_by_diameter='
         '{slope="1/12",floor="3/16",ceiling="1/4"}}')


@pytest.mark.parametrize(("trigger", "diameter", "spot", "wanted"), [
    # Step at 2 in: 1/8 in up to 2 in, 1/4 in above (7 CFR 51.3157, nectarines).
    (STEPS, 5080, {"circle_mm": 3.18}, "one"), (STEPS, 5080, {"circle_mm": 3.19}, "two"),
    (STEPS, 5081, {"circle_mm": 3.19}, "one"), (STEPS, 5081, {"circle_mm": 6.36}, "two"),
    (STEPS, None, {"circle_mm": 3.19}, "one unsure"),
    # A twelfth of the diameter: 3 in gives 1/4 in = 6.35 mm; floor 3/16 in = 4.7625 mm.
    (SLOPE, 5080, {"depth_mm": 4.76}, "one"), (SLOPE, 5080, {"depth_mm": 4.77}, "two"),
    (SLOPE, 6600, {"depth_mm": 5.5}, "one"), (SLOPE, 6600, {"depth_mm": 5.51}, "two"),
    (SLOPE, 9000, {"depth_mm": 6.35}, "one"), (SLOPE, 9000, {"depth_mm": 6.36}, "two"),
])
def test_limits_by_diameter(
    trigger: str, diameter: int | None, spot: dict[str, float], wanted: str
) -> None:
    one = Defect(kind="mark", **spot)  # type: ignore[arg-type]
    assert graded(mini(level("damage", trigger)), one, diameter=diameter) == wanted


def test_limits_by_diameter_stay_open_without_a_diameter_column() -> None:
    rules = compiled_text(mini(level("damage", STEPS)))
    table = tabulate(defects={0: [Defect(kind="mark", circle_mm=9)]}, diameter_q=None)
    level_, unsure = severities(table=table, standard=rules.standard)
    assert (level_.tolist(), unsure.tolist()) == ([0], [True])
    verdict = outcome(rules.grade(batch=batch_of([{"mass": 1500}], defects={
        0: [Defect(kind="mark", circle_mm=9)]})), 0)
    assert verdict.reasons & Reason.DEFECT_EXTENT_OPEN.bit


def test_unknown_kinds_and_kinds_without_limits_are_open() -> None:
    assert graded(mini(AREA), Defect(kind="never_heard_of", circle_mm=30)) == "one unsure"
    assert graded(mini(""), Defect(kind="mark", circle_mm=30)) == "one unsure"


def test_what_a_person_states_is_taken() -> None:
    big = {"kind": "mark", "area_mm2": 1000}
    assert graded(mini(AREA), Defect(**big, severity="none")) == "one"  # type: ignore[arg-type]
    assert graded(mini(AREA), Defect(kind="mark", severity="serious")) == "cull"
    assert graded(mini(AREA), Defect(kind="other", severity="damage")) == "two"


def decisive(rules: Compiled, *spots: Defect, **quanta: int) -> tuple[str, Reason]:
    batch = batch_of([quanta], defects={0: spots})
    result = outcome(rules.grade(batch=batch), 0)
    told = explain(batch=batch, row=0, compiled=rules)
    assert told.outcome == result
    return rules.grade_names[result.grade], Reason(result.decisive)


def test_decay_and_serious_defects_settle_before_measures() -> None:
    text = (HEAD + SIZING
            + grade('{measure="sugar",at_least="11",unit="brix",source="house",evidence="house"}',
                    more='no_defect_at = "damage"\nfree_from = ["decay"]')
            + grade(name="two", more='no_defect_at = "serious"\nfree_from = ["decay"]')
            + defect("decay", level("damage", "{always=true}"), "condition") + defect("mark", AREA))
    rules = compiled_text(text)
    damage = Defect(kind="mark", area_mm2=300)
    serious = Defect(kind="mark", severity="serious")
    rot = Defect(kind="decay")
    assert decisive(rules, damage, sugar=1200) == ("two", Reason.DEFECT)
    assert decisive(rules, damage, sugar=1000) == ("two", Reason.LOW_SUGAR)
    assert decisive(rules, serious, sugar=1000) == ("cull", Reason.SERIOUS_DEFECT)
    assert decisive(rules, rot, serious, sugar=1000) == ("cull", Reason.DECAY)
    assert decisive(rules, serious, rot, sugar=1200) == ("cull", Reason.DECAY)


def test_a_better_grade_that_allows_the_defect_is_still_given() -> None:
    """Each grade bars what it names, whatever the grades below it say."""
    text = (HEAD + SIZING + grade(more='no_defect_at = "serious"')
            + grade(name="two", more='no_defect_at = "damage"') + defect("mark", AREA))
    assert graded(text, Defect(kind="mark", area_mm2=300)) == "one"
    assert graded(text, Defect(kind="mark", severity="serious")) == "cull"
