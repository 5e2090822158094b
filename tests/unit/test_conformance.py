"""The corners of lot verdicts: what is missing, what is open, what a rule does not cover."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from grading.conformance import Assessment, assess, highest_grade
from grading.declared import Declared, Package, declared_minimum
from grading.faults import SampleFruit, sample_fruit
from grading.lot_rules import (
    Acceptance,
    CountMark,
    Filter,
    FruitSample,
    LotShare,
    Marking,
    OpenPackages,
    PackageLimit,
    SampleMean,
    SeasonBan,
    Spread,
    Tolerance,
    Window,
)
from grading.packages import fruit_outside
from grading.part import percent_text
from grading.rules import Measured
from grading.sampling import accepts, least_fruit, packages_for_sample, packages_to_open
from grading.season import ban_applies, marking_problem
from grading.standard import Band, Grade, PackStandard, SizeTable
from tests.support.sample import batch, compiled, defect, fault, plain_fruit, pull, synthetic

SAID: dict[str, Any] = {"source": "test", "evidence": "house"}
SOUND = plain_fruit()


def build(basis: str = "diameter", **rules: Any) -> Any:
    from grading.kernel import compile_standard

    body: dict[str, Any] = {
        "schema": 1, "id": "house-test", "edition": "1", "title": "Test", "body": "house",
        "produce": ("peach",), "in_force_from": date(2024, 1, 1), "verified": False,
        "grade": (Grade(id="first", title="First"), Grade(id="second", title="Second")), **rules}
    return compile_standard(standard=PackStandard.model_validate(body), basis=basis)


def look(rules: dict[str, Any], fruit: list[tuple[int, SampleFruit]],
         packages: tuple[Package, ...] = (), basis: str = "diameter", **said: Any) -> Assessment:
    return assess(compiled=build(**rules), declared=Declared(
        **{"grade": "first", "basis": basis, **said}), fruit=synthetic(fruit), packages=packages)


def tolerance(**fields: Any) -> Tolerance:
    return Tolerance(**{"id": "total", "title": "Total", "percent": "10", **SAID, **fields})


def leaf(measure: str = "sugar", unit: str = "brix", **limits: Any) -> Measured:
    return Measured(measure=measure, unit=unit, **{**SAID, **limits})


def test_nothing_looked_at_cannot_tell() -> None:
    found = pull(compiled("us-peaches-2004"), Declared(grade="us_no1"), [])
    assert found.verdict == "cannot tell yet"
    assert found.part("total").verdict == "cannot tell yet"
    assert found.text == "cannot tell yet: no fruit looked at"
    assert found.part("total").n == 0
    with pytest.raises(KeyError):
        found.part("nothing")


def test_unknown_grade_and_uneven_packages_are_refused() -> None:
    peach, (fruit, _) = compiled("us-peaches-2004"), batch([(2, {})])
    with pytest.raises(ValueError, match="has no grade 'best'"):
        sample_fruit(batch=fruit, compiled=peach, declared=Declared(grade="best"))
    with pytest.raises(ValueError, match="2 fruit, but packages of 1"):
        sample_fruit(batch=fruit, compiled=peach, declared=Declared(grade="us_no1"),
                     packages=["b1"])


def test_an_open_defect_withholds_the_verdict_only_where_it_matters() -> None:
    unsure = plain_fruit(fault("scar", open=True))
    few = look({"tolerance": (tolerance(),)}, [(1, unsure), (49, SOUND)])
    assert few.part("total").verdict == "meets"
    many = look({"tolerance": (tolerance(),)}, [(6, unsure), (44, SOUND)])
    assert many.part("total").verdict == "cannot tell yet"
    assert "6 more fruit not settled" in many.part("total").sentence
    assert many.part("total").sentence in many.warnings


def test_a_share_is_shown_on_its_side_of_the_limit() -> None:
    scar = plain_fruit(fault("scar"))
    inside = look({"tolerance": (tolerance(),)}, [(1, scar), (499, SOUND)]).part("total")
    assert (inside.verdict, inside.evidence, inside.more_fruit) == ("meets", "shown", 0)
    outside = look({"tolerance": (tolerance(),)}, [(90, scar), (10, SOUND)]).part("total")
    assert (outside.verdict, outside.evidence) == ("fails", "shown")
    close = look({"tolerance": (tolerance(),)}, [(6, scar), (44, SOUND)]).part("total")
    assert (close.verdict, close.evidence) == ("fails", "not shown")
    assert "do not show that the lot is over 10 %" in close.sentence
    assert percent_text(Fraction(1, 200)) == "0.5"


def test_filters_name_groups_kinds_and_permanence() -> None:
    worn = plain_fruit(fault("bruise", permanence="condition"))
    small = plain_fruit(fault("undersize", "undersize", "none", "condition"))
    rules = {"tolerance": (
        tolerance(), tolerance(id="permanent", within="total",
                               counts=Filter(permanence="permanent")),
        tolerance(id="other", counts=Filter(kinds=("scar",))),
        tolerance(id="small", counts=Filter(kinds=("undersize",))),
        tolerance(id="elsewhere", grades=("second",)))}
    found = look(rules, [(3, worn), (2, small), (45, SOUND)])
    assert {p.id: p.x for p in found.parts} == {"total": 3, "permanent": 0, "other": 0, "small": 2}


def test_a_part_counts_in_the_whole_and_circles_end() -> None:
    rules = {"tolerance": (
        tolerance(counts=Filter(kinds=("scar",)), within="below"),
        tolerance(id="below", counts=Filter(below_grade="second"), within="total"))}
    fallen = plain_fruit(fault("bruise"))
    found = look(rules, [(2, fallen), (8, plain_fruit(meets=frozenset({"second"})))])
    assert (found.part("total").x, found.part("below").x) == (2, 2)


def test_any_single_kind_without_faults_names_none() -> None:
    rules = {"tolerance": (tolerance(any_single_kind=True),)}
    assert look(rules, [(50, SOUND)]).part("total").title == "Total"


def test_size_tolerances_need_a_size_to_go_by() -> None:
    sizes = (SizeTable(basis="diameter", unit="mm", bands=(
        Band(code="S", low="50", high="60"), Band(code="L", low="60", high="70")), **SAID),)
    rules: dict[str, Any] = {"sizing": sizes, "tolerance": (
        tolerance(id="under", counts=Filter(groups=("undersize",))),
        tolerance(id="over", counts=Filter(groups=("oversize",))))}
    bare = look(rules, [(50, SOUND)])
    assert {p.verdict for p in bare.parts} == {"does not apply"}
    house = build(**rules)
    groups = [(1, {"diameter_mm": 45.0}), (1, {"diameter_mm": 65.0}), (1, {}),
              (47, {"diameter_mm": 55.0})]
    by_code = pull(house, Declared(grade="first", size="S"), groups)
    assert (by_code.part("under").x, by_code.part("over").x) == (1, 1)
    by_top = pull(house, Declared(grade="first", max_diameter=Fraction(60)), groups)
    assert by_top.part("under").verdict == "does not apply"
    assert by_top.part("over").x == 1
    assert pull(house, Declared(grade="first", size="XL"), groups).part("under").x == 0
    graded = {**rules, "grade": (Grade(id="first", title="First", requires=(
        leaf("diameter", "mm", at_least="50"),)),)}
    assert pull(build(**graded), Declared(grade="first"), groups).part("under").x == 1


def test_requirements_sort_their_faults() -> None:
    grade = Grade(id="first", title="First", requires=(
        leaf(at_least="8", if_missing="undecided"), leaf("mass", "g", at_least="100"),
        leaf("firmness", "N", at_least="30", if_missing="fails"),
        {"all_of": (leaf("mass", "g", at_least="50"), leaf("mass", "g", at_least="95"))},
        {"person": "fair", "text": "Fair.", **SAID}))
    house = build(grade=(grade,))
    fruit, _ = batch([(1, {"mass_g": 90.0, "judged": {"fair": False}}),
                      (1, {"sugar_brix": 9.0, "firmness_n": 20.0, "tip_mm": 8.0, "mass_g": 120.0})])
    first, second = sample_fruit(batch=fruit, compiled=house, declared=Declared(grade="first"))
    assert [(f.group, f.kind, f.open) for f in first.faults] == [
        ("sugar", "sugar_not_measured", True), ("weight", "below_size", False),
        ("maturity", "firmness_not_measured", False), ("weight", "below_size", False),
        ("judged", "fair", False)]
    assert [(f.group, f.kind) for f in second.faults] == [("maturity", "soft")]
    assert second.firmness_n == 20.0
    assert "1 of 2 fruit were not judged: Fair." in assess(
        compiled=house, declared=Declared(grade="first"), fruit=(first, second)).warnings


def test_serious_and_unknown_defects_are_faults() -> None:
    house, first = build(), Declared(grade="first")
    fruit, _ = batch([(1, defect("scar", "serious")), (1, defect("scar", None)),
                      (1, defect("scar", "injury"))])
    found = sample_fruit(batch=fruit, compiled=house, declared=first)
    assert [[(f.kind, f.severity, f.permanence, f.open) for f in one.faults] for one in found] == [
        [("scar", "serious", "permanent", False)], [("scar", "none", "permanent", True)], []]


def test_lot_shares_leave_open_what_was_not_measured() -> None:
    share = LotShare(id="sweet", title="Sweet", grades=("first",), rule=leaf(at_least="10"),
                     at_least_percent="50", package_at_least_percent="40", **SAID)
    house = build(lot_share=(share,))
    groups = [(20, {"sugar_brix": 11.0}), (30, {})]
    found = pull(house, Declared(grade="first"), groups)
    assert found.part("sweet").verdict == "cannot tell yet"
    assert found.part("sweet/package").sentence.endswith("not told apart by package")
    assert pull(house, Declared(grade="second"), groups).parts == ()
    sure = pull(house, Declared(grade="first"), [(50, {"sugar_brix": 11.0})]).part("sweet")
    assert (sure.verdict, sure.evidence) == ("meets", "shown")
    none = pull(house, Declared(grade="first"), [(50, {"sugar_brix": 9.0})]).part("sweet")
    assert (none.verdict, none.evidence) == ("fails", "shown")
    with pytest.raises(ValueError, match="rule or meets_grade"):
        LotShare(id="x2", title="X", grades=("first",), at_least_percent="1", **SAID)
    with pytest.raises(ValueError, match="at_least_percent or at_most_percent"):
        LotShare(id="x2", title="X", grades=("first",), meets_grade="first", **SAID)
    with pytest.raises(ValueError, match="at_least or below"):
        SampleMean(id="m2", title="M", measure="sugar", unit="brix", **SAID)


def limit(**fields: Any) -> PackageLimit:
    return PackageLimit(**{"id": "box", "title": "Box", **SAID, **fields})


def test_package_limits_say_what_is_missing() -> None:
    rules: dict[str, Any] = {"tolerance": (tolerance(),), "package_limit": (
        limit(factor_at_or_above="2", heavier_than_g="1000"),)}
    scar, unsure = plain_fruit(fault("scar"), package="b1"), plain_fruit(
        fault("scar", open=True), package="b1")
    inside = plain_fruit(package="b1")
    rest = (180, SOUND)
    boxes = {"none": None, "light": 900, "heavy": 2000}
    words = {name: look(rules, [(2, scar), (18, inside), rest], (Package("b1", g),)).part("box")
             for name, g in boxes.items()}
    assert [p.verdict for p in words.values()] == ["cannot tell yet", "does not apply", "meets"]
    heavy = (Package("b1", 2000),)
    assert look(rules, [(5, scar), (15, inside), rest], heavy).verdict == "fails"
    maybe = look(rules, [(4, scar), (1, unsure), (15, inside), rest], heavy)
    assert maybe.part("box").verdict == "cannot tell yet"
    assert look(rules, [rest], heavy).part("box").sentence.endswith("none of its fruit "
                                                                   "were looked at")
    plain = {**rules, "package_limit": (limit(factor_from_percent="20", factor_below="1"),)}
    assert look(plain, [(3, scar), (17, inside), rest]).part("box").verdict == "fails"
    free = {**rules, "package_limit": (limit(
        at_most={"count": 0, "kinds": (), "serious_kinds": ("scar",)}),)}
    assert look(free, [(3, scar), (17, inside), rest]).part("box").verdict == "meets"


def mark(**fields: Any) -> dict[str, Any]:
    return {"count_mark": (CountMark(**{
        "id": "mark", "title": "Mark", "pack_forms": ("tray",), "within_fruit": 0, **SAID,
        **fields}),)}


@pytest.mark.parametrize(("fields", "package", "verdict"), [
    ({}, Package("b1", marked_count=5), "cannot tell yet"),
    ({}, Package("b1", pack_form="tray"), "does not apply"),
    ({}, Package("b1", None, 5, "loose"), "does not apply"),
    ({}, Package("b1", None, 5, "tray"), "cannot tell yet"),
    ({}, Package("b1", None, 3, "tray"), "fails"),
    ({}, Package("b1", None, 5, "tray", 5), "meets"),
    ({"only_over": True}, Package("b1", None, 5, "tray", 0), "meets"),
    ({"sample_g": "7257"}, Package("b1", None, 5, "tray", 5), "cannot tell yet"),
    ({"sample_g": "7257"}, Package("b1", 7000, 5, "tray", 5), "cannot tell yet"),
])
def test_count_marks(fields: dict[str, Any], package: Package, verdict: str) -> None:
    found = look(mark(**fields), [(4, plain_fruit(package="b1"))], (package,))
    assert found.part("mark").verdict == verdict


def boxed(*values: float, measure: str = "diameter_mm") -> list[tuple[int, SampleFruit]]:
    return [(1, plain_fruit(package="b1", **{measure: v})) for v in values]


@pytest.mark.parametrize(("key", "verdict"), [
    ("smallest", "fails"), ("mean", "meets"), ("largest", "meets"), ("whole_package",
                                                                   "cannot tell yet")])
def test_the_key_of_a_spread_settles_a_straddle(key: str, verdict: str) -> None:
    rule = Spread(id="spread", title="Spread", measure="diameter", unit="mm", key=key, steps=(
        {"to": "70", "at_most": "5"}, {"at_most": "10"}), **SAID)
    found = look({"spread": (rule,)}, boxed(68, 74, 74))
    assert found.part("spread").verdict == verdict


def test_spreads_and_windows_need_measures_and_a_step() -> None:
    rule = Spread(id="spread", title="Spread", measure="diameter", unit="mm", key="smallest",
                  steps=({"to": "60", "at_most": "5"},), **SAID)
    window = Window(id="window", title="Window", unit="mm", outside_percent="5",
                    widths=({"to": "60", "at_most": "5"},), **SAID)
    rules = {"spread": (rule,), "window": (window,)}

    def words(found: Assessment) -> list[str]:
        return [p.verdict for p in found.parts]

    assert words(look(rules, boxed(65, 66))) == ["does not apply"] * 2
    assert words(look(rules, [(2, plain_fruit(package="b1"))])) == ["cannot tell yet"] * 2
    assert words(look(rules, boxed(50, 52), basis="mass")) == ["does not apply", "meets"]
    assert words(look(rules, boxed(60, 60))) == ["does not apply", "meets"]
    assert words(look(rules, boxed(50, 58))) == ["fails", "fails"]
    assert fruit_outside(values=[1, 5, 6, 7, 20], width=2) == 2


def test_shares_of_packages_leave_out_those_the_rule_is_not_for() -> None:
    rules: dict[str, Any] = {**mark(), "package_share": (
        {"id": "pack", "title": "Out of pack", "percent": "10", "of": ("mark",), **SAID},)}
    boxes = (Package("b1", None, 5, "tray", 5), Package("b2", None, 5, "loose", 4),
             Package("b3", None, 5, "tray"))
    found = look(rules, [(10, SOUND)], boxes)
    assert (found.part("pack").n, found.part("pack").verdict) == (2, "cannot tell yet")
    none = look(rules, [(10, SOUND)], boxes[1:2])
    assert none.part("pack").sentence == ("Out of pack: does not apply; "
                                          "no opened package is under it")


def test_means_ask_for_readings() -> None:
    eu = compiled("eu-peaches-2023")
    bare = pull(eu, Declared(grade="class_1"), [(50, {})])
    assert bare.part("sugar_mean").sentence.endswith("0 of 10 fruit")
    sized = pull(eu, Declared(grade="class_1", size="3/B"), [(50, {})])
    assert sized.part("sugar_mean/3/B").n == 0


def test_sampling_plans() -> None:
    rows = OpenPackages(id="open", rows=((10, 2), (None, 4)), **SAID)
    assert [packages_to_open(plan=rows, lot_packages=n) for n in (1, 10, 11)] == [1, 2, 4]
    plan = FruitSample(id="sample", fruit=50, fallback_fruit=25, **SAID)
    assert [least_fruit(plan=plan, fruit_per_package=n) for n in (None, 50, 49)] == [50, 50, 25]
    with pytest.raises(ValueError, match="at least one"):
        packages_for_sample(plan=plan, fruit_per_package=0)
    found = look({"fruit_sample": (plan,)}, [(20, SOUND)], marked_count=30)
    assert found.warnings == ("20 fruit are fewer than the 25 the sampling plan asks for",)


def test_plans_of_whole_samples() -> None:
    plan = Acceptance(id="plan", title="Plan", unit_fruit=2, rows=(
        {"samples": 2, "accept": 1},), **SAID)
    assert accepts(plan=plan, counts=[9]) is None
    rules = {"acceptance": (plan,)}
    pair = [(2, plain_fruit(package="s1"))]
    assert look(rules, [(2, SOUND)]).part("plan").sentence.endswith(
        "0 of 0 samples are not of 2 fruit")
    assert look(rules, pair).part("plan").sentence.endswith("fewer than the smallest plan asks")
    assert look(rules, [*pair, (1, plain_fruit(package="s2"))]).part(
        "plan").verdict == "cannot tell yet"
    assert look(rules, [*pair, (2, plain_fruit(package="s2"))]).part("plan").verdict == "meets"


def ban(**fields: Any) -> SeasonBan:
    return SeasonBan(**{"id": "ban", "title": "Ban", "basis": "diameter", "smaller_than": "56",
                        "from_day": "07-01", "to_day": "10-31", **SAID, **fields})


def test_bans_know_hemisphere_year_and_turn_of_the_year() -> None:
    summer = date(2024, 8, 1)
    assert ban_applies(ban=ban(), day=summer) is True
    assert ban_applies(ban=ban(suspended_years=(2024,)), day=summer) is False
    assert ban_applies(ban=ban(hemisphere="north"), day=summer) is None
    assert ban_applies(ban=ban(hemisphere="north"), day=date(2024, 5, 1)) is False
    assert ban_applies(ban=ban(hemisphere="north"), day=summer, hemisphere="south") is False
    assert ban_applies(ban=ban(hemisphere="north"), day=summer, hemisphere="north") is True
    over = ban(from_day="12-01", to_day="02-28")
    assert [ban_applies(ban=over, day=d) for d in (
        date(2024, 12, 31), date(2024, 1, 1), date(2024, 6, 1))] == [True, True, False]


@pytest.mark.parametrize(("said", "verdict"), [
    ({}, "cannot tell yet"),
    ({"min_diameter": Fraction(60)}, "meets"),
    ({"min_diameter": Fraction(50)}, "cannot tell yet"),
    ({"min_diameter": Fraction(50), "dispatch": date(2024, 8, 1)}, "cannot tell yet"),
    ({"min_diameter": Fraction(50), "dispatch": date(2024, 8, 1), "hemisphere": "north"}, "fails"),
    ({"min_diameter": Fraction(50), "dispatch": date(2024, 5, 1)}, "meets"),
    ({"basis": "mass"}, "meets"),
])
def test_season_verdicts(said: dict[str, Any], verdict: str) -> None:
    found = look({"season_ban": (ban(hemisphere="north"),)}, [(1, SOUND)], **said)
    assert found.part("ban").verdict == verdict


def test_smallest_size_of_a_grade() -> None:
    eu, fruit = compiled("eu-peaches-2023"), [(1, {"diameter_mm": 57.0})]

    def word(**said: Any) -> str:
        return pull(eu, Declared(grade="extra", **said), fruit).part("smallest_diameter").verdict

    assert word() == "cannot tell yet"
    assert word(size="1/D") == "fails"
    assert word(size="2/C") == "meets"
    open_band = build(sizing=(SizeTable(basis="diameter", unit="mm", bands=(
        Band(code="S", high="60"), Band(code="L", low="60")), **SAID),)).standard
    for said in ({"size": "S"}, {"size": "XL"}, {"basis": "mass", "size": "S"}, {}):
        assert declared_minimum(standard=open_band, declared=Declared(
            grade="first", **said)) is None  # type: ignore[arg-type]  # fields of two types


def test_marks() -> None:
    inch = Marking(id="mark", diameter_step="1/8", **SAID)
    for text in ("53.98 mm", "57.15 mm and up", "no size", "2 1/2 inch"):
        assert marking_problem(marking=inch, text=text) is None
    assert marking_problem(marking=inch, text="55 mm") == "55 mm is not a whole number of 1/8 in"
    assert marking_problem(marking=inch, text="2 1/2 1/2 in") == "'2 1/2 1/2' is not a size"
    free = Marking(id="free", **SAID)
    assert marking_problem(marking=free, text="2.55 inches") is None
    needs = Marking(id="needs", without_count_needs=("minimum_diameter", "net_weight"), **SAID)
    rules = {"marking": (needs,)}
    assert look(rules, [(1, SOUND)]).part("needs").verdict == "cannot tell yet"
    assert look(rules, [(1, SOUND)], marked_count=80).part("needs").verdict == "meets"
    assert look(rules, [(1, SOUND)], net_weight_g=11340, min_diameter=Fraction(60)).part(
        "needs").verdict == "meets"


def test_no_grade_may_be_left() -> None:
    fruit, _ = batch([(50, defect("scar", "serious"))])
    house = build(tolerance=(tolerance(),))
    assert highest_grade(compiled=house, declared=Declared(grade="first"), batch=fruit) is None
