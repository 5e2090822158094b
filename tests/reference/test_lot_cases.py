"""Published check cases about lots, packages and samples, each through the whole of `assess`.

Sources: the texts named in the standard files (7 CFR 51.1210-51.1223 peaches, 51.3145 ff.
nectarines, WAC 16-436, Reg. (EC) 1580/2007, Reg. (EU) 543/2011 and 2023/2429, OECD scheme 2018,
Codex STAN 233 and 7 CFR 52.38) and, for other produce, in tests/reference/standards. The counts
are exact arithmetic on the percentages printed there.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from fractions import Fraction
from typing import Any, TypeVar

import pytest
from scipy.stats import binomtest

from grading.conformance import Assessment, highest_grade
from grading.declared import Declared, Package
from grading.faults import sample_fruit
from grading.sampling import accepts, packages_for_sample, packages_to_open
from grading.season import marking_problem
from grading.standard import Decision, Rounding
from tests.support.sample import batch, compiled, defect, pull, standard

CASES: dict[str, str] = {}
Test = TypeVar("Test", bound=Callable[..., None])
Groups = list[tuple[int, dict[str, Any]]]

INCH = Fraction(254, 10)
DECAY = {"defects": defect("decay", None)["defects"]}
SCAR, SERIOUS_SCAR = defect("scab"), defect("scab", "serious")
BRUISE, SERIOUS_BRUISE = defect("bruise"), defect("bruise", "serious")
SOUND: dict[str, Any] = {}


def case(*ids: str) -> Callable[[Test], Test]:
    def register(test: Test) -> Test:
        CASES.update(dict.fromkeys(ids, test.__name__))
        return test
    return register


def peaches(groups: Groups, grade: str = "us_no1", packages: tuple[Package, ...] = (),
            **said: Any) -> Assessment:
    return pull(compiled("us-peaches-2004"), Declared(grade=grade, **said), groups, packages)


def failed(assessment: Assessment) -> set[str]:
    return {p.id for p in assessment.parts if p.verdict == "fails" and p.counts}


@case("US-P2", "US-P3")
@pytest.mark.parametrize(("groups", "fails"), [
    ([(1, DECAY), (4, SERIOUS_SCAR), (5, SCAR), (90, SOUND)], set()),
    ([(1, DECAY), (4, SERIOUS_SCAR), (6, SCAR), (89, SOUND)], {"total"}),
    ([(1, DECAY), (5, SERIOUS_SCAR), (4, SCAR), (90, SOUND)], {"serious"}),
    ([(2, DECAY), (3, SERIOUS_SCAR), (5, SCAR), (90, SOUND)], {"decay"}),
])
def test_nested_limits_are_met_at_equality_and_fail_alone(groups: Groups, fails: set[str]) -> None:
    found = peaches(groups)
    assert failed(found) == fails
    assert found.verdict == ("fails" if fails else "meets")


@case("US-P4", "US-P5")
@pytest.mark.parametrize(("groups", "fails"), [
    ([(2, DECAY), (5, SERIOUS_SCAR), (5, SCAR), (2, BRUISE), (86, SOUND)], set()),
    ([(2, DECAY), (5, SERIOUS_SCAR), (6, SCAR), (1, BRUISE), (86, SOUND)], {"permanent"}),
])
def test_destination_has_its_own_limits(groups: Groups, fails: set[str]) -> None:
    found = peaches(groups, stage="destination")
    assert failed(found) == fails
    assert (found.part("total").x, found.part("serious").x) == (14, 7)


@case("US-P6")
def test_one_decayed_of_fifty_fails_alone_and_passes_with_a_second_clean_fifty() -> None:
    assert failed(peaches([(1, DECAY), (49, SOUND)])) == {"decay"}
    assert failed(peaches([(1, DECAY), (99, SOUND)])) == set()


@case("US-P7")
@pytest.mark.parametrize(("box", "verdict"), [
    ([(1, DECAY), (3, SERIOUS_SCAR), (2, SCAR), (34, SOUND)], "meets"),
    ([(7, SCAR), (33, SOUND)], "fails"),
    ([(5, SERIOUS_SCAR), (35, SOUND)], "fails"),
    ([(2, DECAY), (38, SOUND)], "fails"),
])
def test_box_of_more_than_ten_pounds(box: Groups, verdict: str) -> None:
    groups = [(n, {**f, "package": "b1"}) for n, f in box]
    found = peaches([*groups, (160, SOUND)], packages=(Package("b1", net_weight_g=5000),))
    assert found.part("over_10_lb").verdict == verdict
    assert found.part("up_to_10_lb").verdict == "does not apply"


@case("US-P8")
@pytest.mark.parametrize(("decayed", "verdict"), [(1, "meets"), (2, "fails")])
def test_box_of_eight_pounds(decayed: int, verdict: str) -> None:
    box = [(decayed, {**DECAY, "package": "b1"}), (6 - decayed, {**SCAR, "package": "b1"}),
           (14, {"package": "b1"})]
    found = peaches([*box, (180, SOUND)], packages=(Package("b1", net_weight_g=3629),))
    assert found.part("up_to_10_lb").verdict == verdict
    alone = peaches(box, packages=(Package("b1", net_weight_g=3629),))
    assert "total" in failed(alone)
    assert alone.part("up_to_10_lb").verdict == "does not apply"


@case("US-P9")
@pytest.mark.parametrize(("last", "verdict", "average"), [
    (19, "fails", Fraction(253, 500)), (20, "meets", Fraction(254, 500))])
def test_colour_share_with_a_floor_for_each_package(
    last: int, verdict: str, average: Fraction
) -> None:
    red, pale = {"blush_fraction": 0.25}, {"blush_fraction": 0.2}
    groups: Groups = []
    for i, good in enumerate([26] * 9 + [last]):
        groups += [(good, {**red, "package": f"b{i}"}), (50 - good, {**pale, "package": f"b{i}"})]
    found = peaches(groups, grade="us_extra_no1", net_weight_g=5000)
    assert found.part("extra_colour").share == average
    assert found.part("extra_colour").verdict == "meets"
    assert found.part("extra_colour/package").verdict == verdict
    assert found.part("extra_colour/package").package == "b9"
    assert found.verdict == verdict


@case("US-P11")
@pytest.mark.parametrize(("counts", "out", "verdict"), [
    ([84] * 10, 0, "meets"), ([85] + [80] * 9, 1, "meets"), ([85, 75] + [80] * 8, 2, "fails")])
def test_count_of_western_boxes(counts: list[int], out: int, verdict: str) -> None:
    boxes = tuple(Package(f"b{i}", marked_count=80, pack_form="western_box", fruit_count=n)
                  for i, n in enumerate(counts))
    found = peaches([(100, SOUND)], packages=boxes)
    assert (found.part("pack").x, found.part("pack").verdict) == (out, verdict)
    assert found.verdict == verdict


@case("US-P12")
def test_a_quarter_blush_is_extra_no_1_but_not_fancy() -> None:
    fruit, _ = batch([(60, {"blush_fraction": 0.25})])
    peach = compiled("us-peaches-2004")
    assert peaches([(60, {"blush_fraction": 0.25})], "us_fancy").part("colour").x == 60
    best = highest_grade(compiled=peach, declared=Declared(grade="us_fancy"), batch=fruit)
    assert best is not None
    assert best.declared.grade == "us_extra_no1"
    assert best.part("extra_colour").share == 1


@case("US-N5")
@pytest.mark.parametrize(("form", "count", "verdict"), [
    ("tray", 55, "fails"), ("tray", 56, "meets"), ("loose", 54, "meets"), ("loose", 53, "fails")])
def test_nectarine_counts(form: str, count: int, verdict: str) -> None:
    box = Package("b1", marked_count=56, pack_form=form, fruit_count=count)
    found = pull(compiled("us-nectarines-2004"), Declared(grade="us_no1"), [(50, SOUND)], (box,))
    assert {p.verdict for p in found.parts if p.id in ("tray_count", "loose_count")} == {
        verdict, "does not apply"}
    assert found.verdict == verdict


@case("US-N6")
@pytest.mark.parametrize(("outside", "verdict"), [(2, "meets"), (3, "fails")])
def test_quarter_inch_window(outside: int, verdict: str) -> None:
    core = [(20, {"diameter_in": 1.90, "package": "b1"}),
            (20 - outside, {"diameter_in": 2.05, "package": "b1"})]
    found = pull(compiled("us-nectarines-2004"), Declared(grade="us_no1"),
                 [*core, (outside, {"diameter_in": 2.2, "package": "b1"})])
    assert found.part("uniform").verdict == verdict
    assert f"{outside} of 40 outside" in found.part("uniform").sentence


@case("US-N7")
@pytest.mark.parametrize(("decayed", "fails"), [(2, set()), (3, {"decay"})])
def test_nectarines_at_destination(decayed: int, fails: set[str]) -> None:
    groups = [(decayed, DECAY), (4, SERIOUS_SCAR), (4, SCAR), (4 - decayed, BRUISE), (88, SOUND)]
    found = pull(compiled("us-nectarines-2004"),
                 Declared(grade="us_no1", stage="destination"), groups)
    assert found.part("total").x == 12
    assert failed(found) - {"serious"} == fails
    assert ("serious" in failed(found)) == (decayed > 2)


@case("US-I1")
def test_five_serious_of_99_depend_on_the_rounding_rule() -> None:
    groups = [(5, SERIOUS_SCAR), (94, SOUND)]
    assert failed(peaches(groups)) == {"serious"}
    whole = compiled("us-peaches-2004", rounding=Rounding(shares="rounded", share_digits=0))
    assert failed(pull(whole, Declared(grade="us_no1"), groups)) == set()


@case("US-I2")
def test_packages_of_18_need_a_second_one() -> None:
    plan = standard("us-peaches-2004").fruit_sample[0]
    assert packages_for_sample(plan=plan, fruit_per_package=18) * 18 == 36
    assert packages_for_sample(plan=plan, fruit_per_package=25) == 1
    assert packages_for_sample(plan=plan, fruit_per_package=80) == 1


@case("US-I3")
def test_decay_is_a_condition_defect_with_a_limit_for_each_stage() -> None:
    groups = [(2, DECAY), (98, SOUND)]
    assert failed(peaches(groups)) == {"decay"}
    there = peaches(groups, stage="destination")
    assert failed(there) == set()
    assert there.part("permanent").x == 0


@case("WA-3")
@pytest.mark.parametrize(("scarred", "fails"), [(15, set()), (16, {"total"})])
def test_washington_fancy(scarred: int, fails: set[str]) -> None:
    groups = [(1, DECAY), (4, SERIOUS_SCAR), (scarred, SCAR), (80 - scarred + 15, SOUND)]
    found = pull(compiled("wa-peaches-2007"), Declared(grade="wa_fancy"), groups)
    assert found.n == 100
    assert failed(found) == fails


@case("WA-4")
@pytest.mark.parametrize(("soft", "fails"), [(2, set()), (1, {"total"}), (0, {"total"})])
def test_the_extra_two_percent_is_for_soft_fruit_only(soft: int, fails: set[str]) -> None:
    groups = [(soft, defect("soft_overripe", "damage")), (22 - soft, SCAR), (78, SOUND)]
    found = pull(compiled("wa-peaches-2007"),
                 Declared(grade="wa_fancy", stage="destination"), groups)
    assert failed(found) == fails
    shipped = pull(compiled("wa-peaches-2007"), Declared(grade="wa_fancy"), groups)
    assert failed(shipped) == {"total"}


@case("WA-5")
@pytest.mark.parametrize(("short", "fails"), [(10, set()), (11, {"undersize"})])
def test_ten_of_a_hundred_below_the_marked_minimum(short: int, fails: set[str]) -> None:
    declared = Declared(grade="wa_fancy", min_diameter=Fraction(5, 2) * INCH, net_weight_g=11340)
    groups = [(short, {"diameter_mm": 63.4}), (100 - short, {"diameter_mm": 63.5})]
    found = pull(compiled("wa-peaches-2007"), declared, groups)
    assert found.part("undersize").x == short
    assert failed(found) == fails


@case("WA-6")
def test_sizes_are_marked_in_eighths() -> None:
    marking = standard("wa-peaches-2007").marking[0]
    assert marking_problem(marking=marking, text="2.55 inches minimum") is not None
    for text in ("2 1/2 inches minimum", "2-3/8 in min", "2 1/4 in to 2 1/2 in", '3" min'):
        assert marking_problem(marking=marking, text=text) is None
    odd = Declared(grade="wa_fancy", min_diameter=Fraction(255, 100) * INCH, net_weight_g=11340)
    found = pull(compiled("wa-peaches-2007"), odd, [(50, {"diameter_mm": 70.0})])
    assert failed(found) == {"size_mark"}


@case("EU-3")
@pytest.mark.parametrize(("day", "verdict"), [
    (date(2011, 6, 30), "meets"), (date(2011, 7, 1), "fails"),
    (date(2011, 10, 31), "fails"), (date(2011, 11, 1), "meets")])
def test_size_d_is_barred_in_high_season(day: date, verdict: str) -> None:
    declared = Declared(grade="class_1", size="D", dispatch=day)
    found = pull(compiled("eu-peaches-2011"), declared, [(50, {"diameter_mm": 53.0})])
    assert found.part("size_d_diameter").verdict == verdict
    assert found.verdict == verdict


@case("EU-6")
def test_sugar_is_decided_on_the_mean() -> None:
    groups = [(3, {"sugar_brix": 7.2}), (4, {"sugar_brix": 8.3}), (3, {"sugar_brix": 8.4})]
    found = pull(compiled("eu-peaches-2023"), Declared(grade="class_1"), groups)
    assert found.part("sugar_mean").verdict == "meets"
    assert "mean of 10 fruit 8.00" in found.part("sugar_mean").sentence
    assert found.verdict == "meets"


@case("EU-7")
def test_a_mean_of_7_96_depends_on_the_rounding_rule() -> None:
    groups = [(6, {"sugar_brix": 8.0}), (4, {"sugar_brix": 7.9})]
    found = pull(compiled("eu-peaches-2023"), Declared(grade="class_1"), groups)
    assert found.part("sugar_mean").verdict == "fails"
    tenth = compiled("eu-peaches-2023", rounding=Rounding(means="rounded", mean_digits=1))
    assert pull(tenth, Declared(grade="class_1"), groups).part("sugar_mean").verdict == "meets"


@case("EU-8")
@pytest.mark.parametrize(("kgf", "verdict"), [(6.5, "fails"), (6.49, "meets")])
def test_firmness_must_be_lower_than_the_limit(kgf: float, verdict: str) -> None:
    found = pull(compiled("eu-peaches-2011"), Declared(grade="class_1"),
                 [(10, {"firmness_kgf": kgf, "tip_mm": 8.0})])
    assert found.part("firmness_mean").verdict == verdict


@case("EU-9")
@pytest.mark.parametrize(("class_1", "class_2", "fails"), [
    (10, 0, set()), (11, 0, {"quality"}), (8, 2, {"below_next"}), (9, 1, set())])
def test_extra_falls_through_to_class_1_only(class_1: int, class_2: int, fails: set[str]) -> None:
    groups = [(class_1, {"judged": {"only_very_slight_defects": False}}),
              (class_2, defect("skin_elongated", None, length_mm=20.0)),
              (200 - class_1 - class_2, SOUND)]
    found = pull(compiled("eu-peaches-2023"), Declared(grade="extra"), groups)
    assert failed(found) == fails


@case("EU-10")
@pytest.mark.parametrize(("low", "high", "verdict"), [
    (64.0, 69.5, "fails"), (70.0, 80.0, "meets"), (68.0, 74.0, "cannot tell yet")])
def test_uniformity_steps_at_70_mm(low: float, high: float, verdict: str) -> None:
    groups = [(10, {"diameter_mm": low, "package": "b1"}),
              (10, {"diameter_mm": high, "package": "b1"})]
    found = pull(compiled("eu-peaches-2023"), Declared(grade="class_1"), groups)
    assert found.part("uniform_diameter").verdict == verdict
    optional = pull(compiled("eu-peaches-2023"), Declared(grade="class_2"), groups)
    assert optional.part("uniform_diameter").verdict == "does not apply"


@case("EU-11")
def test_the_declared_basis_decides_the_ban() -> None:
    day = date(2024, 8, 1)
    by_size = Declared(grade="class_1", min_diameter=Fraction(565, 10), dispatch=day,
                       hemisphere="north")
    fruit = [(50, {"diameter_mm": 56.5, "mass_g": 84.0})]
    assert pull(compiled("eu-peaches-2023"), by_size, fruit).verdict == "meets"
    by_weight = Declared(grade="class_1", size="1/D", basis="mass", dispatch=day,
                         hemisphere="north")
    assert failed(pull(compiled("eu-peaches-2023", "mass"), by_weight, fruit)) == {
        "small_mass_north"}


@case("EU-12")
@pytest.mark.parametrize(("short", "fails"), [(10, set()), (11, {"size"})])
def test_size_tolerance(short: int, fails: set[str]) -> None:
    declared = Declared(grade="class_1", size="3/B")
    groups = [(short, {"diameter_mm": 60.9}), (100 - short, {"diameter_mm": 64.0})]
    assert failed(pull(compiled("eu-peaches-2023"), declared, groups)) == fails


@case("OE-1")
@pytest.mark.parametrize(("lot", "opened"), [
    (100, 5), (101, 7), (300, 7), (301, 9), (1000, 10), (1001, 15)])
def test_packages_to_open(lot: int, opened: int) -> None:
    plan = standard("eu-peaches-2023").open_packages[0]
    assert packages_to_open(plan=plan, lot_packages=lot) == opened


@case("OE-2")
def test_each_size_has_its_own_mean() -> None:
    groups = [(10, {"diameter_mm": 64.0, "sugar_brix": 8.5}),
              (10, {"diameter_mm": 70.0, "sugar_brix": 7.9})]
    found = pull(compiled("eu-peaches-2011"), Declared(grade="class_1", size="B"), groups)
    assert found.part("sugar_mean/B").verdict == "meets"
    assert found.part("sugar_mean/A").verdict == "fails"
    few = pull(compiled("eu-peaches-2011"), Declared(grade="class_1", size="B"),
               [(10, groups[0][1]), (9, groups[1][1])])
    assert few.part("sugar_mean/A").sentence.endswith("cannot tell yet; 9 of 10 fruit")


TEN = [7.0, 7.4, 7.8, 8.0, 8.0, 8.2, 8.2, 8.4, 8.4, 8.6]


@case("OE-3")
def test_ten_published_readings_average_8_00() -> None:
    found = pull(compiled("eu-peaches-2023"), Declared(grade="class_1"),
                 [(1, {"sugar_brix": b}) for b in TEN])
    assert found.part("sugar_mean").verdict == "meets"
    assert "mean of 10 fruit 8.00 brix" in found.part("sugar_mean").sentence


@case("OE-4")
def test_a_scorched_fruit_is_replaced_not_dropped() -> None:
    rule = standard("eu-peaches-2023").sample_mean[0].model_copy(
        update={"without_kinds": ("sunburn",)})
    sound_only = compiled("eu-peaches-2023", sample_mean=(rule,))
    groups = [(1, {"sugar_brix": b}) for b in TEN[1:]]
    scorched = (1, {"sugar_brix": TEN[0], **defect("sunburn")})
    found = pull(sound_only, Declared(grade="class_1"), [*groups, scorched])
    assert found.part("sugar_mean").verdict == "cannot tell yet"
    assert "9 of 10 fruit; 1 with sunburn must be replaced" in found.part("sugar_mean").sentence


@case("OE-5")
def test_the_lines_estimate_is_recorded_not_used() -> None:
    found = pull(compiled("eu-peaches-2023"), Declared(grade="class_1"),
                 [(10, {"sugar_brix": 7.8})], line_means={"sugar": 8.1})
    assert found.part("sugar_mean").verdict == "fails"
    assert "7.80 brix" in found.part("sugar_mean").sentence
    assert "estimate 8.1 is not used" in found.part("sugar_mean").sentence


@case("CX-1", "CX-2", "CX-3")
@pytest.mark.parametrize(("n", "bad", "verdict"), [
    (13, 2, "meets"), (13, 3, "fails"), (48, 6, "meets"), (48, 7, "fails"), (25, 3, "meets"),
    (25, 4, "fails"), (2, 0, "cannot tell yet")])
def test_fixed_number_plans(n: int, bad: int, verdict: str) -> None:
    found = pull(compiled("fixed-plans"), Declared(grade="conforming"),
                 [(bad, defect("scar")), (n - bad, SOUND)])
    assert found.part("plan").verdict == verdict


@case("CX-4")
def test_an_unwholesome_fruit_stands_outside_the_plan() -> None:
    found = pull(compiled("fixed-plans"), Declared(grade="conforming"),
                 [(1, defect("mould")), (12, SOUND)])
    assert found.part("plan").verdict == "meets"
    assert "1 fruit with mould stand outside" in found.part("plan").sentence
    assert failed(found) == {"unwholesome"}


@case("CA-2")
def test_a_ring_is_tried_by_a_person_whatever_the_gauge_says() -> None:
    apples = compiled("apples-ring")
    edge = {"diameter_mm": 57.15}
    untried = pull(apples, Declared(grade="sized"), [(50, edge)])
    assert untried.verdict == "meets"
    assert untried.open_points == ("The fruit does not pass a 2 1/4 in ring.",)
    assert "nobody judged" in untried.text
    groups = [(n, {**edge, "judged": {"held_by_ring": held}}) for n, held in ((47, True),
                                                                            (3, False))]
    tried = pull(apples, Declared(grade="sized"), groups)
    assert failed(tried) == {"ring"}
    assert tried.open_points == ()


@case("CA-3")
def test_a_cap_for_one_cause_inside_the_total() -> None:
    found = pull(compiled("limes"), Declared(grade="sound"),
                 [(6, defect("scar")), (3, defect("decay")), (91, SOUND)])
    assert failed(found) == {"one_cause"}
    assert found.part("total").x == 9
    assert "(scar) 6 of 100" in found.part("one_cause").sentence


@case("CA-4")
@pytest.mark.parametrize(("count", "verdict"), [(72, "meets"), (73, "fails"), (60, "meets")])
def test_fruit_in_a_sample_of_sixteen_pounds(count: int, verdict: str) -> None:
    sample = Package("s1", net_weight_g=Fraction(7257), marked_count=72, pack_form="loose",
                     fruit_count=count)
    found = pull(compiled("loose-16-lb"), Declared(grade="packed"), [(count, SOUND)], (sample,))
    assert found.part("weight_count").verdict == verdict


@case("CA-5")
def test_too_much_good_fruit_fails_a_utility_pack() -> None:
    found = pull(compiled("utility"), Declared(grade="utility"), [(50, SOUND)])
    assert failed(found) == {"better"}
    mixed = pull(compiled("utility"), Declared(grade="utility"), [(20, SOUND), (30, SCAR_UTILITY)])
    assert failed(mixed) == set()


SCAR_UTILITY = defect("scar")


@case("OT-3")
@pytest.mark.parametrize(("counts", "old", "new"), [
    ((5, 4, 4), "fails", "fails"), ((4, 4, 4), "meets", "fails"), ((6, 0, 0), "fails", "meets")])
def test_one_section_number_two_editions(counts: tuple[int, ...], old: str, new: str) -> None:
    groups: Groups = []
    for i, bad in enumerate(counts):
        groups += [(bad, {**defect("scar"), "package": f"s{i}"}),
                   (33 - bad, {"package": f"s{i}"})]
    declared = Declared(grade="no1")
    assert pull(compiled("grapefruit-old"), declared, groups).verdict == old
    assert pull(compiled("grapefruit-new"), declared, groups).verdict == new
    plan = standard("grapefruit-old").acceptance[0]
    assert accepts(plan=plan, counts=counts) is (old == "meets")


@case("OT-4")
@pytest.mark.parametrize(("wide", "verdict"), [(2, "meets"), (3, "fails")])
def test_a_tenth_of_the_samples_may_spread(wide: int, verdict: str) -> None:
    groups: Groups = []
    for i in range(20):
        largest = 1.5 + (5 / 16 if i < wide else 1 / 4)
        groups += [(1, {"diameter_in": 1.5, "package": f"s{i}"}),
                   (1, {"diameter_in": largest, "package": f"s{i}"})]
    found = pull(compiled("apricots"), Declared(grade="no1"), groups)
    assert (found.part("samples_outside").x, found.verdict) == (wide, verdict)


@case("OT-5")
@pytest.mark.parametrize(("low", "high", "verdict"), [
    (100.0, 135.0, "meets"), (136.0, 206.0, "meets"), (136.0, 207.0, "fails"),
    (99.0, 135.0, "fails")])
def test_spread_by_weight(low: float, high: float, verdict: str) -> None:
    groups = [(5, {"mass_g": low, "package": "b1"}), (5, {"mass_g": high, "package": "b1"})]
    found = pull(compiled("ffv-50-apples", "mass"),
                 Declared(grade="class_1", basis="mass"), groups)
    assert found.part("uniform_mass").verdict == verdict


# Two moments of a packing day. The intervals are the exact ones of Clopper and Pearson,
# Biometrika 26:404 (1934), held against SciPy's.

def test_first_box_release() -> None:
    declared = Declared(grade="us_no1", min_diameter=Fraction(5, 2) * INCH)
    fine = {"diameter_mm": 66.0, "package": "b1"}
    groups = [(4, {**fine, "diameter_mm": 62.0}), (2, {**fine, **SCAR}),
              (1, {**fine, **SERIOUS_SCAR}), (43, fine)]
    found = pull(compiled("us-peaches-2004"), declared, groups, (Package("b1", 11521),))
    small, total = found.part("undersize"), found.part("total")
    assert found.verdict == "meets"
    assert small.sentence.endswith(
        "4 of 50 = 8.0 % (2.2-19.2), limit 10 %: meets; "
        "50 fruit do not show that the lot is under 10 %")
    assert (small.x, small.n, small.share, small.limit, small.rule, small.evidence) == (
        4, 50, Fraction(2, 25), Fraction(1, 10), "point", "not shown")
    assert small.more_fruit is not None
    assert small.more_fruit > 0
    assert total.share == Fraction(6, 100)
    assert "all fruit told by package come from one package" in found.warnings
    assert small.sentence in found.warnings


def test_a_lot_at_the_edge() -> None:
    groups = [(2, DECAY), (4, SERIOUS_SCAR), (14, SCAR), (180, SOUND)]
    found = peaches(groups)
    assert found.verdict == "meets"
    bounds = {name: "({:.1f}-{:.1f})".format(*(100 * b for b in (p.interval.low, p.interval.high)))
              for name in ("total", "serious", "decay")
              if (p := found.part(name)).interval is not None}
    assert bounds == {"total": "(6.2-15.0)", "serious": "(1.1-6.4)", "decay": "(0.1-3.6)"}
    for name, x in (("total", 20), ("serious", 6), ("decay", 2)):
        theirs = binomtest(x, 200).proportion_ci(method="exact")
        ours = found.part(name).interval
        assert ours is not None
        assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)
    assert found.part("total").more_fruit is None
    nectarines = pull(compiled("us-nectarines-2004"), Declared(grade="us_no1"), groups)
    assert failed(nectarines) == {"total", "decay"}


def test_the_same_count_under_three_decision_rules() -> None:
    """5 of 50 against 10 percent: exact binomial figures of the three named rules (largest counts
    accepted 5, 9 and 1; exact arithmetic, common practice)."""
    for rule, most in (("point", 5), ("aql", 9), ("confidence", 1)):
        ruled = compiled("us-peaches-2004", decision=Decision(rule=rule))
        for bad, verdict in ((most, "meets"), (most + 1, "fails")):
            found = pull(ruled, Declared(grade="us_no1"), [(bad, SCAR), (50 - bad, SOUND)])
            assert found.part("total").verdict == verdict


def test_every_part_names_its_source_and_evidence() -> None:
    found = peaches([(50, {"diameter_mm": 66.0})], min_diameter=Fraction(5, 2) * INCH)
    assert all(p.source and p.tag and p.sentence for p in found.parts)


def test_faults_of_real_fruit() -> None:
    peach, declared = compiled("us-peaches-2004"), Declared(grade="us_fancy")
    fruit, boxes = batch([(1, {**DECAY, "blush_fraction": 0.2, "package": "b1"})])
    one, = sample_fruit(batch=fruit, compiled=peach, declared=declared, packages=boxes)
    assert [(f.group, f.kind, f.severity, f.permanence) for f in one.faults] == [
        ("colour", "low_blush", "none", "condition"),
        ("defect", "decay", "serious", "condition")]
    assert one.meets == frozenset()
    assert one.kinds == {"decay"}
    assert one.unjudged == {"mature", "well_formed"}
