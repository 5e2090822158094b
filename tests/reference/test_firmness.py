"""Firmness units, tips and cheeks against definitions and published pairs."""

from __future__ import annotations

import math

import pytest

from grading.firmness import (
    HEADS,
    ForceUnit,
    cheek_sd,
    convert,
    mean_of_readings,
    nominal_head,
    same_head,
    tip_area_mm2,
)


def test_pound_force_and_kilogram_force_are_exact_by_definition() -> None:
    # 1 lbf = 0.45359237 x 9.80665 N, 1 kgf = 9.80665 N: NIST SP 811 appendix B (from memory).
    assert convert(value=1.0, unit="lbf", to="N") == 4.4482216152605
    assert convert(value=1.0, unit="kgf", to="N") == 9.80665
    assert convert(value=1.0, unit="kgf", to="lbf") == pytest.approx(2.2046226218, abs=1e-9)


@pytest.mark.parametrize(
    ("lbf", "newton"), [(6.0, 26.7), (8.0, 35.6), (2.0, 8.9), (3.0, 13.3)])
def test_published_pairs_of_pounds_and_newtons(lbf: float, newton: float) -> None:
    # "6-8 lbf (26.7-35.6 N)" ready to buy, "2-3 lbf (8.9-13.3 N)" ready to eat: Agronomy
    # 10(2):152, 2020, introduction.
    assert round(convert(value=lbf, unit="lbf", to="N"), 1) == newton


@pytest.mark.parametrize(("kgf", "lbf"), [(5.0, 11.0231), (6.5, 14.3300)])
def test_kilograms_force_in_pounds(kgf: float, lbf: float) -> None:
    # Arithmetic from the definitions of NIST SP 811 appendix B: 5 / 0.45359237, 6.5 / 0.45359237.
    assert convert(value=kgf, unit="kgf", to="lbf") == pytest.approx(lbf, abs=1e-3)


@pytest.mark.parametrize("unit", ["N", "lbf", "kgf"])
def test_a_unit_converts_to_itself_unchanged(unit: ForceUnit) -> None:
    # By definition of a unit.
    assert convert(value=13.37, unit=unit, to=unit) == 13.37


@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf])
def test_an_impossible_force_is_refused(value: float) -> None:
    # Common practice, no source.
    with pytest.raises(ValueError, match="must be a number of 0 or more"):
        convert(value=value, unit="lbf", to="N")


def test_tip_areas() -> None:
    # Area of a circle; 5/16 in = 7.9375 mm and 7/16 in = 11.1125 mm by 1 in = 25.4 mm (NIST SP
    # 811). Figures worked by hand: 16 pi, 30.25 pi, and (7.9375 / 8)^2.
    assert tip_area_mm2(tip_mm=8.0) == pytest.approx(50.2655, abs=1e-3)
    assert tip_area_mm2(tip_mm=11.0) == pytest.approx(95.033, abs=1e-3)
    assert tip_area_mm2(tip_mm=11.1125) == pytest.approx(96.987, abs=1e-3)
    assert tip_area_mm2(tip_mm=7.9375) / tip_area_mm2(tip_mm=8.0) == pytest.approx(
        0.98444, abs=1e-4)


@pytest.mark.parametrize("tip", [0.0, -8.0, math.nan, math.inf])
def test_an_impossible_tip_has_no_area(tip: float) -> None:
    # Common practice, no source.
    with pytest.raises(ValueError, match="must be above zero"):
        tip_area_mm2(tip_mm=tip)


def test_a_fruit_is_the_mean_of_two_opposite_cheeks() -> None:
    # Hortgro Science, Peach: flesh firmness (PE1): two opposite cheeks, mean recorded.
    assert mean_of_readings(readings=[10.0, 8.0]) == (9.0, 2.0)
    assert mean_of_readings(readings=[8.0, 10.0]) == (9.0, 2.0)


def test_one_reading_or_three_are_taken_as_they_come() -> None:
    # Arithmetic by hand: (9 + 10 + 12.5) / 3 and 12.5 - 9.
    assert mean_of_readings(readings=[7.5]) == (7.5, 0.0)
    assert mean_of_readings(readings=[9.0, 12.5, 10.0]) == (10.5, 3.5)
    with pytest.raises(ValueError, match="at least one reading"):
        mean_of_readings(readings=[])


def test_cheek_sd_from_pairs() -> None:
    # Dahlberg's formula sqrt(sum d^2 / 2n) for duplicates (from memory). Worked by hand:
    # differences 2, 1, 0, 3 give sqrt(14 / 4 / 2) = sqrt(1.75).
    pairs = [(10.0, 8.0), (7.0, 8.0), (9.0, 9.0), (5.0, 8.0)]
    assert cheek_sd(pairs=pairs) == pytest.approx(1.3228756555, abs=1e-9)
    assert cheek_sd(pairs=[]) is None


@pytest.mark.parametrize(
    ("tip", "name"),
    [
        # The two standard heads are 5/16 in and 7/16 in: Washington State University TFREC,
        # Measuring fruit firmness with a penetrometer; named 8 mm and 11 mm by Hortgro Science
        # PE1 and UC Davis Postharvest. Inch names in millimetres: 1 in = 25.4 mm (NIST SP 811),
        # written to 0.1 or 0.01, cut off or rounded.
        (8.0, "8 mm (5/16 in)"), (7.9375, "8 mm (5/16 in)"), (7.94, "8 mm (5/16 in)"),
        (7.93, "8 mm (5/16 in)"), (7.9, "8 mm (5/16 in)"),
        (11.0, "11 mm (7/16 in)"), (11.1125, "11 mm (7/16 in)"), (11.11, "11 mm (7/16 in)"),
        (11.12, "11 mm (7/16 in)"), (11.1, "11 mm (7/16 in)"),
        (7.89, None), (7.95, None), (8.05, None), (9.5, None), (10.95, None), (11.05, None),
        (11.13, None),
    ])
def test_nominal_heads(tip: float, name: str | None) -> None:
    head = nominal_head(tip_mm=tip)
    assert (head.name if head else None) == name


def test_the_two_heads_never_overlap() -> None:
    # 8 and 11 mm plungers are different instruments: Hortgro Science PE1 against UC Davis.
    tips = [t / 100 for t in range(300, 1501)]
    assert all(sum(head.fits(tip_mm=tip) for head in HEADS) <= 1 for tip in tips)


@pytest.mark.parametrize(
    ("tip", "standard", "same"),
    [
        # An 11 mm reading is refused against an 8 mm limit, never scaled: Hortgro Science PE1
        # measures peaches with 11 mm where Californian and Michigan sources use 5/16 in.
        (11.0, 8.0, False), (8.0, 11.0, False), (11.1125, 7.9375, False),
        (7.9375, 8.0, True), (8.0, 7.9375, True), (11.1125, 11.0, True), (8.0, 8.0, True),
        # A tip that is neither head fits only a standard that states that very tip.
        (9.5, 8.0, False), (8.0, 9.5, False), (9.5, 9.5, True), (9.5, 9.502, True),
        (9.5, 9.6, False), (9.5, 9.52, False), (8.06, 8.04, False),
    ])
def test_a_reading_fits_only_the_standards_own_tip(
    tip: float, standard: float, same: bool
) -> None:
    assert same_head(tip_a_mm=tip, tip_b_mm=standard) is same
    assert same_head(tip_a_mm=standard, tip_b_mm=tip) is same
