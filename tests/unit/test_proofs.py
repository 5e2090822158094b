"""What the loader refuses, in words a quality manager can act on."""

from __future__ import annotations

import numpy as np
import pytest

from grading.errors import StandardError
from grading.kernel import Compiled, compile_standard
from grading.kernel import grade as grade_batch
from grading.profile import load_profile
from grading.proofs import open_points
from grading.standard import load_standard
from tests.support.fruit import batch_of, shipped
from tests.support.mini import (
    FIRMNESS_STEPS,
    HEAD,
    SIZING,
    defect,
    grade,
    leaf,
    maturity,
)

PACK = '\n[[pack]]\nid = "tray"\ntitle = "Tray"\n'
TOLERANCE = ('\n[[tolerance]]\nid = "total"\ntitle = "Total"\npercent = "10"\n'
             'counts = { groups = ["defect"] }\nsource = "house"\nevidence = "house"\n')
RIPE = maturity() + FIRMNESS_STEPS


def bands(text: str) -> str:
    return SIZING[:SIZING.index("bands")] + f"bands = [{text}]\n"


def many(n: int) -> str:
    return bands(",".join(f'{{code="c{i}",low="{50 + i / 10:.1f}",high="{50 + (i + 1) / 10:.1f}"}}'
                          for i in range(n)))


def refused(text: str) -> list[tuple[str, str]]:
    with pytest.raises(StandardError) as error:
        load_standard(text=text, name="mini")
    assert str(error.value).startswith("mini: ")
    assert all(f.message for f in error.value.findings)
    return [(f.pointer, f.code) for f in error.value.findings]


@pytest.mark.parametrize(("text", "pointer", "code"), [
    ("schema = ", "", "not_toml"),
    (HEAD, "/grade", "missing"),
    (HEAD + "mood = 1\n" + grade(), "/mood", "extra_forbidden"),
    (HEAD + bands('{code="S",low="50",high="60"},{code="S",low="60",high="70"}') + grade(),
     "/sizing/0/bands", "band_twice"),
    (HEAD + bands('{code="S",low="50",high="60"},{code="M",high="70"}') + grade(),
     "/sizing/0/bands/1", "open_band"),
    (HEAD + bands('{code="S",low="50"},{code="M",low="60",high="70"}') + grade(),
     "/sizing/0/bands/0", "open_band"),
    (HEAD + bands('{code="S",low="60",high="60"}') + grade(), "/sizing/0/bands/0", "empty_band"),
    (HEAD + bands('{code="S",low="50",high="60"},{code="M",low="61",high="70"}') + grade(),
     "/sizing/0/bands/1", "band_not_joined"),
    (HEAD + bands('{code="S",low="50",high="60"},{code="M",low="59",high="70"}') + grade(),
     "/sizing/0/bands/1", "band_not_joined"),
    (HEAD + SIZING + SIZING + grade(), "/sizing", "named_twice"),
    (HEAD + SIZING + RIPE + 'when = { colour = ["red"] }\n' + grade(), "/maturity/by/0/when",
     "unknown_trait"),
    (HEAD + maturity() + FIRMNESS_STEPS.replace('low="20"', 'low="45"') + grade(),
     "/maturity/by/0/steps", "step_order"),
    (HEAD + maturity() + FIRMNESS_STEPS.replace('{maturity="soft"}', '{maturity="soft",low="5"}')
     + grade(), "/maturity/by/0/steps", "step_bounds"),
    (HEAD + maturity() + FIRMNESS_STEPS.replace('"ready"', '"mellow"') + grade(),
     "/maturity/by/0/steps", "unknown_class"),
    (HEAD + grade(name="cull"), "/grade/0/id", "reserved_name"),
    (HEAD + grade() + grade(), "/grade", "named_twice"),
    (HEAD + grade(more='free_from = ["rot"]'), "/grade/0/free_from", "unknown_defect"),
    (HEAD + RIPE + grade(leaf('maturity=["mellow"]')), "/grade/0/requires", "unknown_class"),
    (HEAD + SIZING + grade(leaf('size=["XL"]')), "/grade/0/requires", "unknown_class"),
    (HEAD + grade(leaf('measure="pulp",below="10",unit="deg"')), "/grade/0/requires",
     "not_a_grade_measure"),
    (HEAD + grade(leaf('measure="chroma",above="10",unit="fraction"')), "/grade/0/requires",
     "not_a_grade_measure"),
    (HEAD + grade(leaf('measure="diameter",below="700",unit="mm"')), "", "limit_out_of_range"),
    (HEAD + grade() + PACK + 'grades = ["best"]\n', "/pack/0/grades", "unknown_class"),
    (HEAD + grade() + PACK + 'sizes = ["XL"]\n', "/pack/0/sizes", "unknown_class"),
    (HEAD + grade() + PACK + 'maturities = ["x"]\n', "/pack/0/maturities", "unknown_class"),
    (HEAD + grade() + PACK + PACK, "/pack", "named_twice"),
    (HEAD + grade() + defect("mark") + defect("mark"), "/defect", "named_twice"),
    (HEAD + grade() + TOLERANCE + 'within = "all"\n', "/tolerance/0/within", "unknown_tolerance"),
    (HEAD + grade() + TOLERANCE + 'grades = ["best"]\n', "/tolerance/0", "unknown_grade"),
    (HEAD + grade() + TOLERANCE.replace('"10"', '"110"'), "/tolerance/0/percent", "out_of_range"),
    (HEAD + grade() + TOLERANCE + TOLERANCE, "/tolerance/1", "named_twice"),
    (HEAD + grade() + TOLERANCE.replace('groups = ["defect"]', 'kinds = ["rot"]'),
     "/tolerance/0", "unknown_name"),
    (HEAD + SIZING + 'closed = "both"\n' + grade(), "/sizing/0/closed", "closed_both"),
    (HEAD + SIZING.replace('"house"\nbands', '"M-h"\nbands') + grade(), "/verified",
     "not_verified"),
    (HEAD + many(260) + grade(), "/sizing", "cannot_compile"),
    (HEAD + many(200) + maturity() + FIRMNESS_STEPS + grade(",".join(
        leaf(f'measure="{m}",at_least="{i}",unit="{u}"') for m, u, scale in (
            ("sugar", "brix", 1), ("mass", "g", 1), ("hue", "deg", 1))
        for i in range(2, 34))), "/sizing", "cannot_compile"),
])
def test_findings(text: str, pointer: str, code: str) -> None:
    assert (pointer, code) in refused(text)


@pytest.mark.parametrize("rule", [
    '{measure="sugar",at_least=11,unit="brix",source="abc",evidence="house"}',
    leaf('measure="sugar",at_least="eleven",unit="brix"'),
    leaf('measure="sugar",at_least="11",below="12",unit="brix"'),
    leaf('measure="sugar",at_least="11",unit="mm"'), leaf('measure="taste",at_least="1",unit="N"'),
    '{at_least_k=3,of=[' + leaf('size=["M"]') + ']}', '{colour="red"}', '"sweet"',
])
def test_rules_that_cannot_be_read(rule: str) -> None:
    assert refused(HEAD + SIZING + grade(rule))


@pytest.mark.parametrize("when", [
    '{attribute="circle",unit="mm"}', '{attribute="circle",above="1",unit="percent"}',
    '{attribute="share",unit="percent",above_by_diameter={slope="1"}}', '{size="big"}', '"big"',
    '{attribute="circle",unit="mm",above_by_diameter={}}',
    '{attribute="circle",unit="mm",above_by_diameter={slope="1",steps=[{limit="1"}]}}',
    '{attribute="circle",unit="mm",above_by_diameter={steps=[{limit="1"},{limit="2"}]}}',
    '{attribute="circle",unit="mm",above_by_diameter={steps=[{to="1",limit="1"}]}}',
    '{attribute="circle",unit="mm",above_by_diameter={steps=[{to="2",limit="1"},'
    '{to="1",limit="1"},{limit="2"}]}}',
])
def test_triggers_that_cannot_be_read(when: str) -> None:
    severity = f'{{level="damage",when={when},source="abc",evidence="house"}}'
    assert refused(HEAD + grade() + defect("mark", severity))


def test_compiling_for_a_basis_without_a_table() -> None:
    with pytest.raises(ValueError, match="no size table by mass; it has: diameter"):
        Compiled(standard=load_standard(text=HEAD + SIZING + grade()), profile=None, basis="mass")


def test_the_public_way_to_grade_keeps_compiled_standards() -> None:
    standard = load_standard(text=HEAD + SIZING + grade())
    profile = load_profile(text='schema = 1\nid = "ember-lass"\ntitle = "Ember Lass"\n'
                                'produce = "peach"\nflesh = "yellow"\nmelting = "melting"\n'
                                'owner = "quality"\n')
    first = compile_standard(standard=standard, profile=profile)
    assert compile_standard(standard=standard, profile=profile) is first
    verdicts = grade_batch(batch=batch_of([{"diameter": 6500}, {}]), standard=standard)
    assert verdicts.size.tolist() == [3, 0]
    assert len(verdicts) == 2
    assert verdicts.take(rows=np.array([1])).size.tolist() == [0]
    assert standard.name == "mini@1"
    assert len(standard.digest()) == len(profile.digest()) == 64


@pytest.mark.parametrize("text", ["id = ", "schema = 1\n"])
def test_profiles_that_cannot_be_read(text: str) -> None:
    with pytest.raises(StandardError):
        load_profile(text=text)


def test_open_points_are_those_for_a_person() -> None:
    points = open_points(standard=shipped("us-peaches-2004"), grade_id="us_fancy")
    assert [p.person for p in points] == ["mature", "well_formed"]
    assert open_points(standard=shipped("us-peaches-2004"), grade_id="best") == ()
