"""Shipped standards load and say what they rest on; a wrong one is refused, readably."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from grading.errors import StandardError
from grading.kernel import Compiled
from grading.numbers import EVIDENCE_TITLES
from grading.profile import load_profile
from grading.proofs import open_points
from grading.standard import PackStandard, load_standard
from service.library import Library, shipped_standards

FOLDER = Path(__file__).parents[2] / "grading"
FILES = sorted((FOLDER / "standards").glob("*.toml"))
CELLS_WANTED = 20_000

GOOD = """
schema = 1
id = "trial"
edition = "1"
title = "Trial"
body = "Larkspur Bench Packing"
produce = ["peach"]
in_force_from = 2026-05-01
verified = true

[[sizing]]
basis = "diameter"
unit = "mm"
source = "size chart"
evidence = "R"
bands = [{ code = "S", low = "50", high = "60" }, { code = "L", low = "60", high = "70" }]

[maturity]
classes = ["green", "ripe"]
combine = "first"
[[maturity.by]]
measure = "firmness"
unit = "lbf"
source = "firmness chart"
evidence = "house"
steps = [{ maturity = "ripe" }, { maturity = "green", low = "8" }]

[[grade]]
id = "one"
title = "One"
free_from = ["decay"]
requires = [
  { size = ["S", "L"], source = "size chart", evidence = "R" },
  { maturity = ["ripe"], source = "firmness chart", evidence = "house" },
  { measure = "sugar", at_least = "10.5", unit = "brix", source = "sweetness", evidence = "house" },
]

[[pack]]
id = "tray"
title = "Tray"
sizes = ["L"]

[[defect]]
kind = "decay"
title = "Decay"
permanence = "condition"

[[tolerance]]
id = "total"
title = "Total"
percent = "10"
source = "tolerances"
evidence = "house"
[[tolerance]]
id = "decay"
title = "Decay"
percent = "1"
within = "total"
counts = { kinds = ["decay"] }
source = "tolerances"
evidence = "house"

[[count_mark]]
id = "count"
title = "Count"
pack_forms = ["tray"]
within_fruit = 0
source = "pack rules"
evidence = "house"
[[package_share]]
id = "pack"
title = "Packs out of rule"
percent = "10"
of = ["count"]
source = "pack rules"
evidence = "house"

[[season_ban]]
id = "summer"
title = "Small fruit in summer"
basis = "diameter"
sizes = ["S"]
from_day = "07-01"
to_day = "10-31"
source = "calendar"
evidence = "house"
"""


def refusal(old: str, new: str) -> StandardError:
    """What the loader says after one change to a good standard."""
    assert old in GOOD
    with pytest.raises(StandardError) as caught:
        load_standard(text=GOOD.replace(old, new, 1))
    return caught.value


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_shipped_standard_loads_and_is_named_by_its_file(path: Path) -> None:
    standard = load_standard(text=path.read_text(encoding="utf-8"), name=path.name)
    assert path.stem == f"{standard.id}-{standard.edition}"


@pytest.mark.parametrize("standard", shipped_standards(), ids=lambda s: s.name)
def test_a_shipped_standard_keeps_its_identity_when_written_out_and_read_again(
    standard: PackStandard,
) -> None:
    again = PackStandard.model_validate_json(standard.canonical())
    assert again == standard
    assert again.digest() == standard.digest()
    assert re.fullmatch(r"[0-9a-f]{64}", standard.digest())


@pytest.mark.parametrize("standard", shipped_standards(), ids=lambda s: s.name)
def test_shipped_standards_stay_small_enough_to_be_quick(standard: PackStandard) -> None:
    for profile in (None, *Library().profiles()):
        for table in standard.sizing:
            compiled = Compiled(standard=standard, profile=profile, basis=table.basis)
            assert compiled.cells <= CELLS_WANTED


@pytest.mark.parametrize("standard", shipped_standards(), ids=lambda s: s.name)
def test_shipped_standards_say_what_is_not_covered_and_what_rests_on_memory(
    standard: PackStandard,
) -> None:
    assert "ot covered" in standard.note or "ot read" in standard.note
    evidence = standard.evidence()
    assert set(evidence) <= set(EVIDENCE_TITLES)
    if any(tag.startswith("M") for tag in evidence):
        assert not standard.verified


def test_digests_differ_between_shipped_standards() -> None:
    digests = [s.digest() for s in shipped_standards()]
    assert len(set(digests)) == len(digests) == len(FILES)


def test_evidence_lists_the_places_that_rest_on_each_tag() -> None:
    evidence = load_standard(text=GOOD).evidence()
    assert evidence["R"] == ["/sizing/0", "/grade/0/requires/0"]
    assert "/tolerance/1" in evidence["house"]
    assert not any(tag.startswith("M") for tag in evidence)


def test_points_left_to_a_person_are_listed() -> None:
    fancy = next(s for s in shipped_standards() if s.id == "us-peaches")
    assert {p.person for p in open_points(standard=fancy, grade_id="us_fancy")} == {
        "mature", "well_formed"}
    assert open_points(standard=fancy, grade_id="no_such_grade") == ()


def test_the_example_of_the_guide_is_a_standard() -> None:
    guide = (FOLDER.parent / "docs" / "adding-a-standard.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)
    assert load_standard(text=example).name == "stand-peaches@1"


@pytest.mark.parametrize(("old", "new", "code", "words"), [
    ('low = "60", high = "70"', 'low = "61", high = "70"', "band_not_joined", "a gap between 'S'"),
    ('low = "60", high = "70"', 'low = "59", high = "70"', "band_not_joined", "an overlap between"),
    ('low = "50", high = "60"', 'low = "50"', "open_band", "open in the middle"),
    ('low = "60", high = "70"', 'low = "60", high = "60"', "empty_band", "ends at or before"),
    ('code = "L"', 'code = "S"', "band_twice", "'S' is listed twice"),
    ('unit = "mm"\n', 'unit = "mm"\nclosed = "both"\n', "closed_both", "two sizes"),
    ('size = ["S", "L"]', 'size = ["S", "XL"]', "unknown_class", "Use one of L, S"),
    ('maturity = ["ripe"]', 'maturity = ["rpie"]', "unknown_class", "Use one of green, ripe"),
    ('free_from = ["decay"]', 'requires_ = []\nfree_from = ["decay"]', "extra_forbidden",
     "Extra inputs are not permitted"),
    ('sizes = ["L"]', 'sizes = ["Q"]', "unknown_class", "'Q' is not one of"),
    ('free_from = ["decay"]', 'free_from = ["rot"]', "unknown_defect", "Add a [[defect]]"),
    ('within = "total"', 'within = "all"', "unknown_tolerance", "'all' is not a tolerance"),
    ('id = "decay"\n', 'id = "total"\n', "named_twice", "given twice for one at destination"),
    ('percent = "10"', 'percent = "110"', "out_of_range", "0 to 100 percent"),
    ('counts = { kinds = ["decay"]', 'counts = { kinds = ["rot"]', "unknown_name",
     "'rot' is not a defect of this standard"),
    ('of = ["count"]', 'of = ["cuont"]', "unknown_name", "Use one of count"),
    ('sizes = ["S"]', 'sizes = ["D"]', "unknown_name", "'D' is not a size of this standard"),
    ('basis = "diameter"\nsizes', 'basis = "mass"\nsizes', "unknown_name", "is not a basis"),
    ('"green", low = "8"', '"grean", low = "8"', "unknown_class", "not a maturity class"),
    ('evidence = "R"\nbands', 'evidence = "M-m"\nbands', "not_verified", "rest on memory"),
    ('evidence = "house"\nsteps', 'evidence = "house"\nwhen = { skin = ["red"] }\nsteps',
     "unknown_trait", "'skin' is not a trait"),
    ('"ripe" }, { maturity = "green", low = "8" }',
     '"ripe" }, { maturity = "green", low = "8" }, { maturity = "ripe", low = "4" }',
     "step_order", "not in rising order"),
    ('measure = "sugar", at_least = "10.5", unit = "brix"',
     'measure = "pulp", at_least = "10", unit = "deg"', "not_a_grade_measure", "pulp is not"),
    ('within = "total"', 'within = "total"\ngrades = ["two"]', "unknown_grade", "Use one of one"),
    ('kind = "decay"\ntitle = "Decay"\npermanence = "condition"\n',
     'kind = "decay"\ntitle = "Decay"\npermanence = "condition"\n[[defect]]\nkind = "decay"\n'
     'title = "Rot"\npermanence = "condition"\n', "named_twice", "'decay' is listed twice"),
    ('low = "60", high = "70"', 'low = "60", high = "70000"', "limit_out_of_range",
     "Check the unit"),
    ('id = "one"', 'id = "cull"', "reserved_name", "Choose another grade id"),
    ('{ maturity = "ripe" }, ', '{ maturity = "ripe", low = "2" }, ', "step_bounds",
     "first step must have no `low`"),
])
def test_proofs_refuse_what_cannot_be_right(old: str, new: str, code: str, words: str) -> None:
    error = refusal(old, new)
    assert code in {f.code for f in error.findings}
    assert words in str(error)


@pytest.mark.parametrize(("old", "new", "words"), [
    ('at_least = "10.5"', "at_least = 10.5", 'write the number in quotes, "10.5"'),
    ('percent = "10"', "percent = 10", "write the number in quotes"),
    ('at_least = "10.5"', 'at_least = "10,5"', 'is not a number such as "63.5"'),
    ('unit = "brix"', 'unit = "mm"', "sugar is not stated in 'mm': use brix"),
    ('unit = "mm"', 'unit = "lbf"', "diameter is not stated in 'lbf': use mm or in"),
    ('measure = "sugar"', 'measure = "suger"', "unknown measure 'suger'"),
    ('unit = "brix",', 'unit = "brix", at_most = "20",', "state exactly one of at_least"),
    ('title = "Trial"', 'title = "Trial"\ncolour = "red"', "Extra inputs are not permitted"),
    ('source = "size chart"\n', "", "Field required"),
    ('evidence = "R"\nbands', 'evidence = "hearsay"\nbands', "'M-h'"),
    ('title = "Trial"', "title = Trial", "Mend the file's syntax"),
])
def test_the_file_format_refuses_what_it_cannot_read(old: str, new: str, words: str) -> None:
    assert words in str(refusal(old, new))


def test_limits_that_cut_too_finely_are_refused() -> None:
    extra = "".join(
        f'{{ any_of = [{", ".join(leaves)}] }},\n' for leaves in (
            [f'{{ measure = "{measure}", at_least = "{i}", unit = "{unit}", source = "chart",'
             ' evidence = "house" }' for i in range(1, 60)]
            for measure, unit in (("hue", "deg"), ("mass", "g"), ("firmness", "N"))))
    error = refusal("requires = [\n", "requires = [\n" + extra)
    assert [f.code for f in error.findings] == ["cannot_compile"]
    assert "give measures fewer limits" in str(error)


def test_findings_carry_the_place_inside_the_file() -> None:
    error = refusal('low = "60", high = "70"', 'low = "61", high = "70"')
    (finding,) = error.findings
    assert finding.pointer == "/sizing/0/bands/1"
    assert finding.remedy == "Let each band start where the one before ends."


def test_a_profile_that_cannot_be_read_says_so() -> None:
    with pytest.raises(StandardError, match="Field required"):
        load_profile(text="schema = 1")
    with pytest.raises(StandardError, match="Mend the file's syntax"):
        load_profile(text="schema = ")
