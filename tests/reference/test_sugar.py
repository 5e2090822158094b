"""Refractive index, temperature correction and derived sugar figures against published tables."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from grading.sugar import (
    DEFAULT_TABLE,
    INDEX_BY_BRIX,
    Corrected,
    at_20c,
    brix_from_index,
    chance_at_least,
    corrected_brix,
    index_from_brix,
    sugar_acid_ratio,
    temperature_correction,
)

# OIV-MA-AS2-02 Table I: correction at 10, 15, 20 °Bx for 10 to 17 °C.
OIV = {
    10: (-0.59, -0.62, -0.65), 11: (-0.54, -0.57, -0.59), 12: (-0.49, -0.51, -0.53),
    13: (-0.43, -0.45, -0.47), 14: (-0.38, -0.39, -0.40), 15: (-0.32, -0.33, -0.34),
    16: (-0.26, -0.27, -0.28), 17: (-0.20, -0.20, -0.21),
}


@pytest.mark.parametrize(
    ("index", "brix"),
    [(1.33299, 0), (1.34026, 5), (1.34782, 10), (1.35568, 15), (1.36384, 20)])
def test_index_scale(index: float, brix: float) -> None:
    # ICUMSA 1974 scale, second-hand: list in chemicals/refractivity.py of the open chemicals
    # library. The 0 % point is also in GOST R 50546-93 (ISO 1743:1973).
    assert brix_from_index(refractive_index=index) == pytest.approx(brix, abs=0.01)
    assert index_from_brix(brix=brix) == pytest.approx(index, abs=1e-9)


def test_index_between_the_points() -> None:
    # 5.8 °Bx -> 1.341452: example printed in chemicals/refractivity.py. The other two are
    # straight lines drawn by hand between the same list's points.
    assert index_from_brix(brix=5.8) == pytest.approx(1.341452, abs=1e-6)
    assert brix_from_index(refractive_index=1.35000) == pytest.approx(11.40, abs=0.01)
    assert index_from_brix(brix=11.5) == pytest.approx(1.35015, abs=5e-6)


def test_the_steps_of_the_index_scale_grow_smoothly() -> None:
    # A mistyped entry would break the second differences. Differences taken by hand from the
    # printed ICUMSA 1974 list: 0 to 1, 11 to 12 and 19 to 20 °Bx.
    steps = [round((b - a) * 1e5) for a, b in pairwise(INDEX_BY_BRIX)]
    assert all(abs(b - a) <= 2 for a, b in pairwise(steps))
    assert (steps[0], steps[11], steps[19]) == (143, 156, 166)
    assert len(steps) == 20


@pytest.mark.parametrize("index", [1.33298, 1.36385, math.nan])
def test_an_index_outside_the_scale_is_refused(index: float) -> None:
    # Range of the list above.
    with pytest.raises(ValueError, match="outside the table"):
        brix_from_index(refractive_index=index)


@pytest.mark.parametrize("brix", [-0.1, 20.1])
def test_a_brix_outside_the_scale_is_refused(brix: float) -> None:
    # Range of the list above.
    with pytest.raises(ValueError, match="outside the table"):
        index_from_brix(brix=brix)


def test_the_glucose_syrup_scale_is_not_this_one() -> None:
    # ISO 1743 lists 10 % dry matter of glucose syrup as 1.34852 at 20 °C (GOST R 50546-93).
    assert abs(brix_from_index(refractive_index=1.34852) - 10.0) > 0.4


@pytest.mark.parametrize("temperature", sorted(OIV))
def test_correction_against_the_wine_table(temperature: int) -> None:
    # OIV-MA-AS2-02 Table I; the two published tables differ by at most 0.02 °Bx.
    for brix, expected in zip((10.0, 15.0, 20.0), OIV[temperature], strict=True):
        assert temperature_correction(brix=brix, temperature_c=temperature) == pytest.approx(
            expected, abs=0.0201)


@pytest.mark.parametrize(
    ("temperature", "brix", "expected"),
    [
        # National standard, annex A table A.1 (cntd.ru document 1200157922): printed entries.
        (21.0, 15.0, 0.07), (22.0, 15.0, 0.14), (10.0, 0.0, -0.50), (10.0, 25.0, -0.66),
        # Straight lines drawn by hand between entries of the same table: -0.31, -0.33 at 15 °C;
        # -0.48, -0.50 at 12 °C and -0.42, -0.44 at 13 °C.
        (15.0, 12.0, -0.318), (12.5, 12.0, -0.458),
    ])
def test_correction_in_the_national_table(
    temperature: float, brix: float, expected: float
) -> None:
    assert temperature_correction(brix=brix, temperature_c=temperature) == pytest.approx(
        expected, abs=1e-9)


@pytest.mark.parametrize("brix", [0.0, 3.3, 12.0, 25.0])
def test_no_correction_at_20_degrees(brix: float) -> None:
    # The scale is defined at 20 °C.
    assert temperature_correction(brix=brix, temperature_c=20.0) == 0.0


@pytest.mark.parametrize(("temperature", "expected"), [(25.0, 0.36), (30.0, 0.77)])
def test_correction_of_warm_readings(temperature: float, expected: float) -> None:
    # AOAC 932.14C (from memory), corroborated to 0.02 by the 20 to 30 °C shift of ISO 1743.
    assert temperature_correction(brix=12.0, temperature_c=temperature) == pytest.approx(
        expected, abs=0.02)


@pytest.mark.parametrize(
    ("brix", "shift"), [(0.0, 0.73), (10.5, 0.77), (16.7, 0.78)])
def test_warm_rows_against_the_glucose_table(brix: float, shift: float) -> None:
    # GOST R 50546-93 (ISO 1743:1973): its indices at 20 and 30 °C, as a shift in °Bx.
    assert temperature_correction(brix=brix, temperature_c=30.0) == pytest.approx(shift, abs=0.02)


def test_a_smooth_surface_runs_through_every_row() -> None:
    # Four-term surface fitted to the published rows: it misses none by more than 0.012 °Bx up to
    # 20 °Bx, so no entry is mistyped by more than about 0.02 (arithmetic on the table itself).
    worst = 0.0
    for i, row in enumerate(DEFAULT_TABLE.rows):
        d = DEFAULT_TABLE.first_c + i - 20
        for b, entry in zip(DEFAULT_TABLE.brix[:5], row, strict=False):
            fitted = d * (0.06128 + 0.000529 * b) + d * d * (0.001098 - 0.0000161 * b)
            worst = max(worst, abs(fitted - entry))
    assert worst <= 0.012
    assert (DEFAULT_TABLE.first_c, DEFAULT_TABLE.last_c) == (10, 30)


@pytest.mark.parametrize("temperature", [4.0, 9.99, 30.01, 31.0, math.nan])
def test_a_temperature_outside_the_table_is_refused(temperature: float) -> None:
    # Range of the table: 10 to 30 °C. OIV-MA-AS2-02 asks for 20 ± 5 °C.
    with pytest.raises(ValueError, match="temperature in °C"):
        at_20c(brix=12.0, temperature_c=temperature, atc=False)


@pytest.mark.parametrize("brix", [-0.1, 25.1])
def test_a_reading_outside_the_table_is_refused(brix: float) -> None:
    # Range of the table: 0 to 25 °Bx.
    with pytest.raises(ValueError, match="°Bx"):
        temperature_correction(brix=brix, temperature_c=15.0)


@pytest.mark.parametrize(("temperature", "brix"), [(15.0, 11.68), (25.0, 12.36)])
def test_a_reading_of_12_at_20_degrees(temperature: float, brix: float) -> None:
    # The corrections above (OIV-MA-AS2-02; the warm one from memory), added by hand.
    assert corrected_brix(reading_brix=12.0, temperature_c=temperature) == pytest.approx(
        brix, abs=0.02)
    found = at_20c(brix=12.0, temperature_c=temperature, atc=False)
    assert found.brix == pytest.approx(brix, abs=0.02)
    assert found.correction == pytest.approx(found.brix - 12.0)
    assert found.table == DEFAULT_TABLE.name


@pytest.mark.parametrize("temperature", [15.0, 31.0, None])
def test_a_compensating_instrument_is_not_corrected_twice(temperature: float | None) -> None:
    # Double correction: common practice, no source.
    assert at_20c(brix=12.0, temperature_c=temperature, atc=True) == Corrected(12.0, 0.0, "", False)


def test_the_short_form_corrects_the_same_and_says_what_to_do() -> None:
    # Range of the table: 10 to 30 °C, 0 to 25 °Bx; double correction: common practice, no source.
    assert corrected_brix(reading_brix=12.0, temperature_c=31.0, atc=True) == 12.0
    with pytest.raises(ValueError, match="10 to 30: bring juice and instrument inside it"):
        corrected_brix(reading_brix=12.0, temperature_c=31.0)
    with pytest.raises(ValueError, match="0 to 25: check the reading"):
        corrected_brix(reading_brix=25.1, temperature_c=15.0)


def test_a_reading_needs_its_temperature() -> None:
    # Common practice, no source.
    with pytest.raises(ValueError, match="needs its temperature"):
        at_20c(brix=12.0, temperature_c=None, atc=False)


@pytest.mark.parametrize(
    ("temperature", "memory"), [(10.0, False), (22.0, False), (22.1, True), (23.0, True)])
def test_figures_from_memory_say_so(temperature: float, memory: bool) -> None:
    # Rows 10 to 22 °C were read in print, rows 23 to 30 °C are from memory.
    assert at_20c(brix=12.0, temperature_c=temperature, atc=False).from_memory is memory


def test_sugar_acid_ratio() -> None:
    # Means of two cultivar groups, SSC 11.9, TA 0.77, printed ratio 15.4: figure page of
    # maxapress.com 68bf6deefa6c5824c89dc9b8.
    assert sugar_acid_ratio(brix=11.9, acid_percent=0.77) == pytest.approx(15.4, abs=0.1)
    with pytest.raises(ValueError, match="above zero"):
        sugar_acid_ratio(brix=11.9, acid_percent=0.0)


@pytest.mark.parametrize(
    ("brix", "sd", "limit", "chance"),
    [
        # Table of the normal law: Phi(-0.5) = 0.3085, Phi(-1) = 0.1587, Phi(1) = 0.8413.
        (10.5, 1.0, 11.0, 0.3085), (10.5, 0.5, 11.0, 0.1587), (11.5, 0.5, 11.0, 0.8413),
    ])
def test_chance_that_an_estimate_reaches_a_limit(
    brix: float, sd: float, limit: float, chance: float
) -> None:
    assert chance_at_least(brix=brix, sd=sd, limit=limit) == pytest.approx(chance, abs=1e-4)


def test_an_estimate_needs_an_error() -> None:
    # Common practice, no source.
    with pytest.raises(ValueError, match="standard deviation"):
        chance_at_least(brix=10.5, sd=0.0, limit=11.0)
