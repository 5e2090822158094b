"""Colour conversions, hue and colour difference against published figures and other libraries."""

from __future__ import annotations

import itertools
import math
import warnings

import cv2
import numpy as np
import pytest
from scipy import stats

from grading.colour import (
    CHROMA_FLOOR,
    Hue,
    chroma,
    ciede2000,
    decode_lab8,
    ground_plausible,
    hue,
    hue_difference,
    hue_mean,
    hue_of,
    hue_sd,
    hunter_to_lab,
    srgb_to_lab,
)

with warnings.catch_warnings():
    # It says at import that its plotting part is not installed.
    warnings.filterwarnings("ignore", message='"Matplotlib" related API features')
    import colour

OBSERVER = "CIE 1931 2 Degree Standard Observer"
WHITE_C = colour.CCS_ILLUMINANTS[OBSERVER]["C"]
GRID = np.array(list(itertools.product(range(0, 256, 51), repeat=3)))

# sRGB, CIELAB (D65, 2 degrees), hue, tolerance of the coordinates, of the hue. Whites and greys:
# MathWorks rgb2lab manual page ("white is 100, 0, 0") and Y of the IEC 61966-2-1 decode. The
# others: arithmetic from the constants of IEC 61966-2-1:1999 and CIE 15, done apart from this
# code with the four-decimal matrix and with the exact one.
SRGB = [
    ((255, 255, 255), (100.0, 0.0, 0.0), None, 0.02, 0.0),
    ((255, 0, 0), (53.24, 80.09, 67.20), 40.00, 0.05, 0.05),
    ((0, 255, 0), (87.74, -86.18, 83.19), 136.0, 0.05, 0.1),
    ((0, 0, 255), (32.30, 79.20, -107.86), 306.3, 0.05, 0.1),
    ((128, 128, 128), (53.585, 0.0, 0.0), None, 0.02, 0.0),
    ((119, 119, 119), (50.034, 0.0, 0.0), None, 0.02, 0.0),
    ((200, 190, 90), (75.97, -9.42, 50.95), 100.5, 0.05, 0.1),
    ((210, 185, 80), (75.44, -3.36, 55.17), 93.5, 0.05, 0.1),
    ((225, 180, 75), (75.55, 5.32, 57.92), 84.8, 0.05, 0.1),
    ((150, 30, 45), (33.14, 49.16, 22.77), 24.9, 0.05, 0.1),
    ((231, 199, 31), (80.70, -3.67, 77.55), 92.7, 0.05, 0.1),
    ((157, 188, 64), (71.90, -28.11, 56.96), 116.3, 0.05, 0.1),
]

# Sharma, Wu, Dalal, Color Research and Application 30:21 (2005), table 1, all 34 pairs.
SHARMA = [
    (50, 2.6772, -79.7751, 50, 0, -82.7485, 2.0425),
    (50, 3.1571, -77.2803, 50, 0, -82.7485, 2.8615),
    (50, 2.8361, -74.0200, 50, 0, -82.7485, 3.4412),
    (50, -1.3802, -84.2814, 50, 0, -82.7485, 1.0000),
    (50, -1.1848, -84.8006, 50, 0, -82.7485, 1.0000),
    (50, -0.9009, -85.5211, 50, 0, -82.7485, 1.0000),
    (50, 0, 0, 50, -1, 2, 2.3669),
    (50, -1, 2, 50, 0, 0, 2.3669),
    (50, 2.49, -0.001, 50, -2.49, 0.0009, 7.1792),
    (50, 2.49, -0.001, 50, -2.49, 0.0010, 7.1792),
    (50, 2.49, -0.001, 50, -2.49, 0.0011, 7.2195),
    (50, 2.49, -0.001, 50, -2.49, 0.0012, 7.2195),
    (50, -0.001, 2.49, 50, 0.0009, -2.49, 4.8045),
    (50, -0.001, 2.49, 50, 0.0010, -2.49, 4.8045),
    (50, -0.001, 2.49, 50, 0.0011, -2.49, 4.7461),
    (50, 2.5, 0, 50, 0, -2.5, 4.3065),
    (50, 2.5, 0, 73, 25, -18, 27.1492),
    (50, 2.5, 0, 61, -5, 29, 22.8977),
    (50, 2.5, 0, 56, -27, -3, 31.9030),
    (50, 2.5, 0, 58, 24, 15, 19.4535),
    (50, 2.5, 0, 50, 3.1736, 0.5854, 1.0000),
    (50, 2.5, 0, 50, 3.2972, 0, 1.0000),
    (50, 2.5, 0, 50, 1.8634, 0.5757, 1.0000),
    (50, 2.5, 0, 50, 3.2592, 0.3350, 1.0000),
    (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
    (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630),
    (61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731),
    (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
    (22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373),
    (36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
    (90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441),
    (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
    (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
    (2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082),
]


@pytest.mark.parametrize(("rgb", "lab", "angle", "tolerance", "hue_tolerance"), SRGB)
def test_srgb_to_lab(
    rgb: tuple[int, ...], lab: tuple[float, ...], angle: float | None,
    tolerance: float, hue_tolerance: float,
) -> None:
    # Sources: see SRGB above.
    found = srgb_to_lab(rgb=rgb)
    assert found == pytest.approx(lab, abs=tolerance)
    unit = srgb_to_lab(rgb=np.array(rgb) / 255.0, full_scale=1.0)
    assert unit == pytest.approx(found, abs=1e-9)
    degrees = hue_of(a=found[1], b=found[2])
    if angle is None:
        assert degrees is None
    else:
        assert degrees == pytest.approx(angle, abs=hue_tolerance)


def test_unit_srgb_of_a_printed_pair() -> None:
    # MathWorks lab2rgb manual page: L*a*b* 70, 5, 10 prints as 0.7359 0.6566 0.6010.
    assert srgb_to_lab(rgb=(0.7359, 0.6566, 0.6010), full_scale=1.0) == pytest.approx(
        (70.0, 5.0, 10.0), abs=0.01)


def test_srgb_to_lab_over_the_cube_against_colour_science() -> None:
    # colour-science 0.4: sRGB_to_XYZ and XYZ_to_Lab. It uses the four-decimal matrix of IEC
    # 61966-2-1 and a white in four decimals, which alone give its greys a* 0.008: tolerance 0.03.
    xyz = colour.sRGB_to_XYZ(GRID / 255.0)
    expected = colour.XYZ_to_Lab(xyz, colour.CCS_ILLUMINANTS[OBSERVER]["D65"])
    assert np.abs(srgb_to_lab(rgb=GRID) - expected).max() < 0.03


def test_srgb_to_lab_over_the_cube_against_opencv() -> None:
    # OpenCV's float Lab goes through look-up tables and a matrix of its own (OpenCV documentation,
    # colour conversions), so the tolerance is wide.
    picture = (GRID / 255.0).astype(np.float32)[np.newaxis]
    expected = cv2.cvtColor(picture, cv2.COLOR_RGB2Lab)[0]
    off = np.abs(srgb_to_lab(rgb=GRID) - expected)
    assert off[:, 0].max() < 0.2
    assert off[:, 1:].max() < 0.6


@pytest.mark.parametrize(
    ("rgb", "full_scale"),
    [((256, 0, 0), 255.0), ((-1, 0, 0), 255.0), ((1.01, 0, 0), 1.0), ((math.nan, 0, 0), 255.0)])
def test_srgb_out_of_range_is_refused(rgb: tuple[float, ...], full_scale: float) -> None:
    # Range of the code values: IEC 61966-2-1.
    with pytest.raises(ValueError, match="sRGB values must lie from 0"):
        srgb_to_lab(rgb=rgb, full_scale=full_scale)


@pytest.mark.parametrize("shape", [(), (2,), (3, 4)])
def test_an_array_without_three_coordinates_is_refused(shape: tuple[int, ...]) -> None:
    # A colour has three coordinates (CIE 15).
    with pytest.raises(ValueError, match="three coordinates"):
        srgb_to_lab(rgb=np.zeros(shape))


@pytest.mark.parametrize(
    ("a", "b", "degrees"),
    [
        # CIE 15: h = atan2(b*, a*), +360 if negative. Angles from tables of the arc tangent.
        (-6.2, 40.3, 98.75), (0.0, 42.0, 90.00), (5.0, 45.0, 83.66), (-10.0, 42.0, 103.39),
        (40.0, -5.0, 352.87), (-40.0, 0.0, 180.0), (0.0, -40.0, 270.0),
    ])
def test_hue_angle(a: float, b: float, degrees: float) -> None:
    assert hue_of(a=a, b=b) == pytest.approx(degrees, abs=0.01)


def test_chroma() -> None:
    # CIE 15: C* = sqrt(a*^2 + b*^2); the 3-4-5 and 5-12-13 triangles.
    assert chroma(a=[3.0, -5.0, 0.0], b=[4.0, 12.0, 0.0]).tolist() == [5.0, 13.0, 0.0]


def test_hue_is_missing_where_the_colour_is_near_grey() -> None:
    # A floor under which hue says nothing: house choice, chroma 2; grey has no hue at all (CIE 15).
    found = hue(a=[1.9, 2.0, 0.0, math.nan], b=[0.0, 0.0, 0.0, 1.0])
    assert CHROMA_FLOOR == 2.0
    assert found.defined.tolist() == [False, True, False, False]
    assert found.deg.tolist() == [0.0, 0.0, 0.0, 0.0]
    assert hue_of(a=0.0, b=0.0, chroma_floor=0.0) is None
    assert hue_of(a=1e-3, b=0.0, chroma_floor=0.0) == 0.0


def test_a_hue_a_hair_below_zero_stays_under_360() -> None:
    # Definition of the range: 0 <= h < 360.
    found = hue(a=[40.0], b=[-1e-18])
    assert found.deg.tolist() == [0.0]


@pytest.mark.parametrize(
    ("chip", "degrees"),
    [
        # Munsell renotation (Newhall, Nickerson, Judd 1943) as carried by colour-science 0.4.7;
        # illuminant C; angles computed beforehand by that library's own Lab and LCHab functions.
        ("5R 4/10", 26.81), ("10R 6/10", 46.79), ("5YR 7/10", 64.66), ("10YR 8/8", 80.34),
        ("5Y 8/10", 93.41), ("10Y 8/8", 103.30), ("5GY 7/8", 116.34),
    ])
def test_hue_of_munsell_chips(chip: str, degrees: float) -> None:
    xyz = colour.xyY_to_XYZ(colour.munsell_colour_to_xyY(chip))
    _, a, b = colour.XYZ_to_Lab(xyz, WHITE_C)
    assert hue_of(a=a, b=b) == pytest.approx(degrees, abs=0.02)


def test_threshold_maturity_from_hunter_readings() -> None:
    # Hunter L 61.2, a -5.4, b 26.8, mean of 13 cultivars: Delwiche and Baumgardner 1983, abstract
    # "Ground color measurements of peach" (author and year from memory). Its CIELAB: arithmetic
    # from Hunter's formulas for illuminant C, Ka 175 and Kb 70 (from memory).
    lab = hunter_to_lab(hunter=(61.2, -5.4, 26.8))
    assert lab == pytest.approx((67.62, -6.16, 40.26), abs=0.02)
    assert hue_of(a=lab[1], b=lab[2]) == pytest.approx(98.70, abs=0.02)


def test_hunter_to_lab_against_colour_science() -> None:
    # colour-science 0.4: XYZ_to_Hunter_Lab and XYZ_to_Lab of the same stimuli, both under C.
    white = colour.xy_to_XYZ(WHITE_C)
    xyz = colour.sRGB_to_XYZ(GRID[1:] / 255.0) * 0.9
    hunter = colour.XYZ_to_Hunter_Lab(xyz * 100.0, white * 100.0, np.array([175.0, 70.0]))
    expected = colour.XYZ_to_Lab(xyz, WHITE_C)
    assert hunter_to_lab(hunter=hunter) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("lightness", [-0.1, 100.1, math.nan])
def test_a_hunter_lightness_out_of_range_is_refused(lightness: float) -> None:
    # Hunter L is 100 sqrt(Y / Yn), so it runs from 0 to 100.
    with pytest.raises(ValueError, match="Hunter L"):
        hunter_to_lab(hunter=(lightness, 0.0, 0.0))


def test_eight_bit_lab_is_decoded() -> None:
    # OpenCV documentation, colour conversions: L x 255/100, a + 128, b + 128.
    found = decode_lab8(lab8=np.array([193, 125, 183], np.uint8))
    assert found == pytest.approx((193 / 2.55, -3.0, 55.0), abs=1e-12)
    with pytest.raises(ValueError, match="uint8"):
        decode_lab8(lab8=np.array([193, 125, 183], np.int32))  # type: ignore[arg-type]


def test_eight_bit_lab_of_fruit_colours_against_opencv() -> None:
    # OpenCV's own 8-bit conversion of the fruit colours of SRGB above; its steps and tables cost up
    # to 0.6 in a coordinate and 0.6 degrees of hue.
    fruit = np.array([rgb for rgb, *_ in SRGB[6:]], np.uint8)
    found = decode_lab8(lab8=cv2.cvtColor(fruit[np.newaxis], cv2.COLOR_RGB2Lab)[0])
    exact = srgb_to_lab(rgb=fruit)
    assert np.abs(found - exact).max() <= 0.6
    off = hue_difference(deg=hue(a=found[:, 1], b=found[:, 2]).deg,
                         reference_deg=hue(a=exact[:, 1], b=exact[:, 2]).deg)
    assert np.abs(off).max() <= 0.6


def test_a_frame_with_red_and_blue_swapped_is_noticed() -> None:
    # Ground colours of yellow fruit lie at hues 60 to 130; swapped they come out near 223.5
    # (arithmetic from the constants of IEC 61966-2-1 and CIE 15).
    frame = np.array([[210, 185, 80], [200, 190, 90], [225, 180, 75]])
    lab, swapped = srgb_to_lab(rgb=frame), srgb_to_lab(rgb=frame[:, ::-1])
    assert ground_plausible(found=hue(a=lab[:, 1], b=lab[:, 2])).all()
    wrong = hue(a=swapped[:, 1], b=swapped[:, 2])
    assert wrong.deg[0] == pytest.approx(223.5, abs=0.5)
    assert not ground_plausible(found=wrong).any()
    assert not ground_plausible(found=hue(a=[0.0], b=[0.5])).any()


@pytest.mark.parametrize("pair", SHARMA)
def test_ciede2000_published_pairs(pair: tuple[float, ...]) -> None:
    # Sharma, Wu, Dalal 2005, table 1.
    one, two, expected = pair[:3], pair[3:6], pair[6]
    assert ciede2000(lab=one, reference=two) == pytest.approx(expected, abs=1e-4)
    assert ciede2000(lab=two, reference=one) == pytest.approx(expected, abs=1e-4)


def test_ciede2000_against_colour_science() -> None:
    # colour-science 0.4: delta_E_CIE2000 over pairs of colours of the sRGB cube.
    lab = srgb_to_lab(rgb=GRID[GRID.std(axis=1) > 0])
    expected = colour.delta_E(lab[:, np.newaxis], lab[np.newaxis, :], method="CIE 2000")
    found = ciede2000(lab=lab[:, np.newaxis], reference=lab[np.newaxis, :])
    assert found.shape == (len(lab), len(lab))
    assert np.abs(found - expected).max() < 1e-6


def test_ciede2000_from_grey() -> None:
    # With one colour grey the hue term vanishes (Sharma, Wu, Dalal 2005, section 2); the value
    # is colour-science's.
    found = ciede2000(lab=(50.0, 0.0, 0.0), reference=(60.0, 20.0, -30.0))
    expected = colour.delta_E((50.0, 0.0, 0.0), (60.0, 20.0, -30.0), method="CIE 2000")
    assert found == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("deg", "reference", "apart"),
    [
        # The short way round a circle, by hand.
        (10.0, 350.0, 20.0), (350.0, 10.0, -20.0), (90.0, 90.0, 0.0), (180.0, 0.0, 180.0),
        (0.0, 180.0, 180.0), (181.0, 0.0, -179.0), (359.9, 0.1, -0.2),
    ])
def test_hue_difference(deg: float, reference: float, apart: float) -> None:
    assert hue_difference(deg=deg, reference_deg=reference) == pytest.approx(apart, abs=1e-9)


def _hues(deg: list[float]) -> Hue:
    return Hue(np.array(deg), np.ones(len(deg), np.bool_))


@pytest.mark.parametrize(
    "deg", [[350.0, 10.0, 20.0], [90.0, 95.0, 101.5, 88.0], [179.0, 181.0], [5.0], [0.0, 119.0]])
def test_circular_mean_and_spread_against_scipy(deg: list[float]) -> None:
    # scipy.stats.circmean and circstd (Mardia's sqrt(-2 ln R)).
    mean, sd = hue_mean(found=_hues(deg)), hue_sd(found=_hues(deg))
    assert mean == pytest.approx(stats.circmean(deg, high=360.0), abs=1e-9)
    assert sd == pytest.approx(stats.circstd(deg, high=360.0), abs=1e-6)


def test_circular_mean_across_zero() -> None:
    # By hand: 350 and 20 lie 30 apart, 5 is half way; their plain mean, 185, is on the far side.
    assert hue_mean(found=_hues([350.0, 20.0])) == pytest.approx(5.0, abs=1e-9)


def test_undefined_hues_do_not_count() -> None:
    # By hand: the second angle is masked.
    found = Hue(np.array([10.0, 200.0, 350.0]), np.array([True, False, True]))
    assert hue_difference(deg=hue_mean(found=found) or 0.0, reference_deg=0.0) == pytest.approx(
        0.0, abs=1e-9)
    assert hue_sd(found=found) == pytest.approx(stats.circstd([10.0, 350.0], high=360.0))


@pytest.mark.parametrize("found", [
    Hue(np.array([]), np.array([], np.bool_)), Hue(np.array([5.0]), np.array([False])),
    _hues([0.0, 180.0]), _hues([0.0, 120.0, 240.0])])
def test_no_mean_without_hues_or_when_they_cancel(found: Hue) -> None:
    # The mean direction is undefined when the resultant is zero (Mardia 1972).
    assert hue_mean(found=found) is None
    assert hue_sd(found=found) is None
