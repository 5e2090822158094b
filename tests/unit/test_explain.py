"""Explanations: margins, words, and trees of requirements through kernel, explain and oracle."""

from __future__ import annotations

import json
from fractions import Fraction
from itertools import product

import pytest

from grading.explain import Explanation, explain, plain, sentences
from grading.record import Defect
from tests.support.fruit import (
    LONG_DISTANCE,
    assert_three_agree,
    batch_of,
    compiled,
    compiled_text,
    oracle_of,
)
from tests.support.mini import (
    FIRMNESS_STEPS,
    HEAD,
    HUE_STEPS,
    SIZING,
    defect,
    grade,
    leaf,
    level,
    maturity,
)

SUGAR = leaf('measure="sugar",at_least="11",unit="brix"')
BLUSH = leaf('measure="blush",above="0.3",unit="fraction"')
FORCE = leaf('measure="firmness",at_most="50",unit="N"')
LIGHT = leaf('measure="mass",below="200",unit="g",if_missing="undecided"')
STRICT = leaf('measure="sugar",at_least="9",unit="brix",if_missing="fails"')
FIRM = leaf('maturity=["firm","ready"]')
MEDIUM = leaf('size=["M"]')
SHAPE = leaf('person="well_formed",text="The shape is that of its variety."')


def told(text: str, *, judged: dict[str, bool] | None = None,
         spots: tuple[Defect, ...] = (), **quanta: int) -> Explanation:
    return explain(
        batch=batch_of([quanta], defects={0: spots}, judged={0: judged} if judged else None),
        row=0, compiled=compiled_text(text))


TREES = [
    SUGAR, BLUSH, FORCE, LIGHT, STRICT, FIRM, MEDIUM, SHAPE,
    f"{{all_of=[{SUGAR},{LIGHT}]}}", f"{{any_of=[{SUGAR},{BLUSH}]}}",
    f"{{any_of=[{STRICT},{LIGHT}]}}", f"{{at_least_k=2,of=[{SUGAR},{BLUSH},{LIGHT}]}}",
    f"{{not={SUGAR}}}", f"{{not={BLUSH}}}", f"{{not={FORCE}}}", f"{{not={STRICT}}}",
    f"{{not={LIGHT}}}", f"{{not={FIRM}}}", f"{{not={MEDIUM}}}", f"{{not={SHAPE}}}",
    f"{{not={{any_of=[{STRICT},{FIRM},{{not={SHAPE}}}]}}}}",
    f"{{all_of=[{{not={{all_of=[{SUGAR},{MEDIUM}]}}}},{{any_of=[{SHAPE},{LIGHT}]}}]}}",
]


@pytest.mark.parametrize("tree", TREES)
def test_trees_agree_three_ways(tree: str) -> None:
    """Three-valued logic over every mix of low, high and missing (Kleene's strong tables)."""
    text = (HEAD + SIZING + maturity() + FIRMNESS_STEPS + HUE_STEPS + grade(tree)
            + grade(SUGAR, name="two"))
    values = {"sugar": (None, 850, 1100), "blush": (300, 301, None), "mass": (1999, 2000, None),
              "firmness": (3000, 6500, None), "diameter": (5500, 6500, 8500, None)}
    rows = [dict(zip(values, case, strict=True)) for case in product(*values.values())]
    answers: list[dict[str, bool]] = [{}, {"well_formed": True}, {"well_formed": False}]
    fruit = [dict(row, tip=800) for row in rows for _ in answers]
    judged = dict(enumerate(answers * len(rows)))
    batch = batch_of(fruit, judged=judged)
    rules = compiled_text(text)
    assert_three_agree(batch=batch, fruit=fruit, rules=rules, judge=oracle_of(text))
    for row in range(0, len(fruit), 3):
        assert all(line.endswith(".") for line in
                   sentences(explain(batch=batch, row=row, compiled=rules)))


@pytest.mark.parametrize(("tree", "quanta", "reason"), [
    (f"{{not={SUGAR}}}", {"sugar": 1200}, "high_sugar"),
    (SUGAR, {"sugar": 1000}, "low_sugar"),
    (f"{{not={FORCE}}}", {"firmness": 3000, "tip": 800}, "too_soft"),
    ("{not=" + leaf('maturity=["green"]') + "}", {"firmness": 7000, "tip": 800}, "too_green"),
    ("{not=" + leaf('maturity=["soft"]') + "}", {"firmness": 1000, "tip": 800}, "too_soft"),
    ("{not=" + leaf('size=["S"]') + "}", {"diameter": 5500}, "below_size"),
    ("{not=" + leaf('size=["L"]') + "}", {"diameter": 7500}, "above_size"),
])
def test_a_negated_leaf_names_the_right_side(
    tree: str, quanta: dict[str, int], reason: str
) -> None:
    rules = compiled_text(HEAD + SIZING + maturity() + FIRMNESS_STEPS + grade(tree))
    result = explain(batch=batch_of([quanta]), row=0, compiled=rules)
    assert result.decisive.word == reason


def test_the_house_standard_in_words() -> None:
    """Limits as the house standard's file states them: 11 °Bx for Select, 1/3 blush."""
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    quanta = {"diameter": 6240, "sugar": 1020, "blush": 400, "hue": 9700, "firmness": 5783,
              "tip": 800}
    result = explain(batch=batch_of([quanta]), row=0, compiled=rules)
    said = sentences(result)
    assert said[0] == "Diameter 62.40 mm is size S (57.15 up to under 63.5 mm)."
    assert any(s.startswith("Sugar 10.2 °Bx is 0.8 below the 11 °Bx that Select asks (house rule; ")
               for s in said)
    assert any(s.startswith("Blush share 0.4 is 0.067 above the 1/3 that Select asks")
               for s in said)
    assert said[-1].startswith("Its grade is Value; what settled it: undersize")
    sugar = next(r for r in result.steps[0].requirements if r.measure == "sugar")
    assert (sugar.value, sugar.limit, sugar.margin) == (
        Fraction("10.2"), Fraction(11), Fraction("-0.8"))
    assert (sugar.answer, sugar.evidence, sugar.policy) == ("fails", "house", "open")
    assert [s.result for s in result.steps] == ["failed", "failed", "given"]


@pytest.mark.parametrize(("closed", "diameter", "words"), [
    ("low", 4900, "below scale (under 50 mm)"), ("low", 8000, "above scale (80 mm and over)"),
    ("high", 5000, "below scale (up to and including 50 mm)"),
    ("high", 5001, "size S (over 50 up to and including 60 mm)"),
    ("high", 8001, "above scale (over 80 mm)")])
def test_bands_in_words(closed: str, diameter: int, words: str) -> None:
    text = HEAD + SIZING + f'closed = "{closed}"\n' + grade()
    assert sentences(told(text, diameter=diameter))[0].endswith(f"mm is {words}.")


def said(text: str, part: str, **more: object) -> bool:
    return any(part in line for line in sentences(told(text, **more)))  # type: ignore[arg-type]


def test_requirements_in_words() -> None:
    def rules(tree: str) -> str:
        return HEAD + SIZING + maturity() + FIRMNESS_STEPS + grade(tree)

    assert said(rules(SUGAR), "Sugar 11 °Bx is exactly at the limit, One asks at least 11 °Bx: "
                "holds", sugar=1100)
    assert said(rules(BLUSH), "One asks more than 0.3: fails", blush=300)
    assert said(rules(FORCE), "Firmness 60 N is 10 above the 50 N that One allows at most",
                firmness=6000, tip=800)
    assert said(rules(f"{{not={SUGAR}}}"),
                "Sugar 12 °Bx is 1 above 11 °Bx; One refuses at least 11 °Bx", sugar=1200)
    assert said(rules(SUGAR), "One asks at least 11 °Bx: the grade stands as not contradicted")
    assert said(rules(STRICT), "which counts as failing")
    assert said(rules(LIGHT), "no grade is given without it")
    assert said(rules(LIGHT), "No grade is given; what settled it: weight not measured")
    assert said(rules(FIRM), "Maturity is not measured; One takes firm, ready")
    assert said(rules(f"{{not={MEDIUM}}}"), "Size M is among those that One refuses: M",
                diameter=6500)
    assert said(rules(f"{{not={MEDIUM}}}"), "Size L is not among those that One refuses: M",
                diameter=7500)
    assert said(rules(SHAPE), "Not judged yet")
    assert said(rules(SHAPE), "Judged: holds", judged={"well_formed": True})
    assert said(rules(SHAPE), "Judged: does not hold", judged={"well_formed": False})
    assert said(rules(f"{{not={SHAPE}}}"), "Judged: holds", judged={"well_formed": True})
    assert said(rules(f"{{any_of=[{SUGAR},{BLUSH}]}}"), "of which 1 of 2 must hold", sugar=900)


def test_inches_and_defects_in_words() -> None:
    trigger = '{all_of=[{flag="healed",is=false},{any_of=[{attribute="depth",above="1/8",' \
              'unit="in"},{attribute="length",unit="in",above_by_diameter={slope="1/12"}}]}]}'
    text = (HEAD + SIZING.replace('unit = "mm"', 'unit = "in"').replace('"50"', '"2"').replace(
        '"60"', '"2 1/2"').replace('"70"', '"2 3/4"').replace('"80"', '"3"')
        + grade(more='no_defect_at = "damage"\nfree_from = ["rot_spot"]')
        + defect("mark", level("damage", trigger)) + defect("rot_spot", level(
            "serious", "{always=true}")))
    spot = Defect(kind="mark", depth_mm=4, length_mm=9, circle_mm=3, surface_fraction=0.01,
                  healed=False, in_stem_cavity=True)
    result = told(text, spots=(spot, Defect(kind="rot_spot"), Defect(kind="mark"),
                               Defect(kind="mark", severity="injury", in_stem_cavity=None,
                                      depth_mm=1)), diameter=6350)
    lines = sentences(result)
    assert lines[0] == "Diameter 2.500 in is size M (2.5 up to under 2.75 in)."
    assert any("not healed and depth above 0.125 in or length above the limit for its diameter"
               in line and "in the stem cavity" in line for line in lines)
    assert any("any at all" in line and "extent not assessed" in line for line in lines)
    assert any("injury, as a person judged" in line for line in lines)
    assert any("One is not given: mark, rot spot." in line for line in lines)
    open_text = told(text, spots=(Defect(kind="mark"),))
    assert any("no limit reached; it may be worse" in line for line in sentences(open_text))
    assert result.defects[0].bars == ("One",)


def test_missing_size_and_no_size_table() -> None:
    assert sentences(told(HEAD + SIZING + grade()))[0] == (
        "Diameter was not measured, so there is no size class.")
    bare = told(HEAD + grade(SUGAR), sugar=1200, diameter=6000)
    assert bare.size is None
    assert bare.maturity is None
    assert sentences(bare)[-1] == "Its grade is One. It goes to: by hand."


def test_open_bands_have_one_bound() -> None:
    text = (HEAD + SIZING.replace('low="50",', "").replace(',high="80"', "") + grade())
    assert "(under 60 mm)" in sentences(told(text, diameter=3000))[0]
    assert "(70 mm and over)" in sentences(told(text, diameter=9000))[0]


def test_measures_of_other_cultivars_and_ground_colour_not_usable() -> None:
    steps = FIRMNESS_STEPS + 'when = { melting = ["non_melting"] }\n' + HUE_STEPS
    text = HEAD + SIZING + maturity() + steps + grade()
    assert said(text, "no steps of this measure for this cultivar", firmness=3000, tip=800)
    profile = compiled_text(text, "solid-red")
    assert profile.profile is not None
    profile.profile = profile.profile.model_copy(update={"red_coverage": "partial"})
    result = explain(batch=batch_of([{"hue": 9000}]), row=0, compiled=profile)
    assert any("not usable on this cultivar" in line for line in sentences(result))


def test_plain_is_json_and_rows_are_checked() -> None:
    rules = compiled(LONG_DISTANCE, "yellow", "diameter")
    batch = batch_of([{"diameter": 7000, "sugar": 1150}])
    shape = json.loads(json.dumps(plain(explain(batch=batch, row=0, compiled=rules))))
    assert shape["size"]["value"] == 70.0
    assert shape["decisive"] == "maturity_not_measured"
    assert shape["outcome"]["grade"] == 0
    for row in (-1, 1):
        with pytest.raises(IndexError):
            explain(batch=batch, row=row, compiled=rules)
