"""Laws of hue, circular statistics and colour difference for any colour.

Angles live on a circle, so turning every one by the same amount must turn the mean and leave the
spread (Mardia, Statistics of Directional Data, 1972); the rest follows from the definitions of
CIE 15 and IEC 61966-2-1.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from grading.colour import (
    Hue,
    chroma,
    ciede2000,
    decode_lab8,
    hue,
    hue_difference,
    hue_mean,
    hue_of,
    hue_sd,
    hunter_to_lab,
    srgb_to_lab,
)

ANGLES = st.floats(0.0, 360.0, exclude_max=True)
TURNS = st.floats(-720.0, 720.0)
CHROMAS = st.floats(2.5, 150.0)
CODES = st.tuples(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
LABS = st.tuples(st.floats(0.0, 100.0), st.floats(-128.0, 127.0), st.floats(-128.0, 127.0))
SPREADS = st.lists(st.floats(-80.0, 80.0), min_size=1, max_size=30)


def hues(deg: list[float]) -> Hue:
    """Defined hues at these angles, brought into 0 to 360."""
    turned = [d % 360.0 % 360.0 for d in deg]
    return Hue(np.array(turned), np.ones(len(turned), np.bool_))


def apart(one: float | None, other: float) -> float:
    """Size of the angle between two directions, from the cosine rule on the unit circle."""
    assert one is not None
    a, b = math.radians(one), math.radians(other)
    return math.degrees(2.0 * math.asin(min(
        1.0, math.hypot(math.cos(a) - math.cos(b), math.sin(a) - math.sin(b)) / 2.0)))


@given(ANGLES, CHROMAS)
def test_hue_and_chroma_give_the_colour_back(deg: float, strength: float) -> None:
    a, b = strength * math.cos(math.radians(deg)), strength * math.sin(math.radians(deg))
    found = hue_of(a=a, b=b)
    assert found is not None
    assert 0.0 <= found < 360.0
    assert apart(found, deg) < 1e-9
    assert float(chroma(a=a, b=b)) == pytest.approx(strength)


@given(ANGLES, CHROMAS, TURNS)
def test_turning_the_plane_turns_the_hue(deg: float, strength: float, turn: float) -> None:
    angle = math.radians(deg + turn)
    turned = hue_of(a=strength * math.cos(angle), b=strength * math.sin(angle))
    assert apart(turned, deg + turn) < 1e-9


@given(st.floats(-200.0, 200.0), st.floats(-200.0, 200.0), st.floats(0.0, 50.0))
def test_hue_is_defined_exactly_from_the_floor_on(a: float, b: float, floor: float) -> None:
    strength = float(chroma(a=a, b=b))
    found = hue(a=[a], b=[b], chroma_floor=floor)
    assert bool(found.defined[0]) == (strength >= floor and strength > 0.0)
    assert 0.0 <= found.deg[0] < 360.0
    assert found.defined[0] or found.deg[0] == 0.0


@given(ANGLES, SPREADS)
def test_the_mean_of_hues_placed_evenly_about_an_angle_is_that_angle(
    middle: float, offsets: list[float]
) -> None:
    # Wherever 0/360 falls among them.
    found = hues([middle + o for o in offsets] + [middle - o for o in offsets])
    assert apart(hue_mean(found=found), middle) < 1e-6


@given(ANGLES, SPREADS, TURNS)
def test_turning_every_hue_turns_the_mean_and_leaves_the_spread(
    middle: float, offsets: list[float], turn: float
) -> None:
    before = hues([middle + o for o in offsets])
    after = hues([middle + o + turn for o in offsets])
    mean = hue_mean(found=before)
    assert mean is not None
    assert apart(hue_mean(found=after), mean + turn) < 1e-6
    assert hue_sd(found=after) == pytest.approx(hue_sd(found=before), abs=1e-6)


@given(ANGLES, st.lists(st.floats(-2.0, 2.0), min_size=2, max_size=30))
def test_close_hues_spread_as_on_a_straight_line(middle: float, offsets: list[float]) -> None:
    # Within a few degrees the circle is as good as straight (Mardia 1972): third-order error.
    found = hues([middle + o for o in offsets])
    assert hue_sd(found=found) == pytest.approx(float(np.std(offsets)), abs=2e-3)
    assert apart(hue_mean(found=found), middle + float(np.mean(offsets))) < 2e-3


@given(SPREADS, st.lists(ANGLES, max_size=10))
def test_undefined_hues_change_nothing(offsets: list[float], ghosts: list[float]) -> None:
    seen = hues(offsets)
    both = Hue(np.concatenate((seen.deg, np.array(ghosts))),
               np.concatenate((seen.defined, np.zeros(len(ghosts), np.bool_))))
    assert hue_mean(found=both) == hue_mean(found=seen)
    assert hue_sd(found=both) == hue_sd(found=seen)


@given(ANGLES, ANGLES, st.integers(-3, 3), st.integers(-3, 3))
def test_a_difference_goes_the_short_way_and_arrives(
    deg: float, reference: float, laps: int, more: int
) -> None:
    way = float(hue_difference(deg=deg + 360.0 * laps, reference_deg=reference + 360.0 * more))
    assert -180.0 < way <= 180.0
    assert apart(reference + way, deg) < 1e-9
    assert abs(way) == pytest.approx(apart(deg, reference), abs=1e-5)


@given(ANGLES, ANGLES)
def test_the_way_back_is_the_way_there_reversed(one: float, other: float) -> None:
    assume(abs(abs(one - other) - 180.0) > 1e-9)
    there = float(hue_difference(deg=one, reference_deg=other))
    back = float(hue_difference(deg=other, reference_deg=one))
    assert there == pytest.approx(-back, abs=1e-9)


@given(st.integers(0, 255))
def test_equal_red_green_and_blue_are_neutral(code: int) -> None:
    lightness, a, b = srgb_to_lab(rgb=(code, code, code))
    assert abs(a) < 1e-9
    assert abs(b) < 1e-9
    assert 0.0 <= lightness <= 100.0 + 1e-9


@given(CODES, st.integers(0, 2))
def test_more_of_any_light_is_lighter(code: tuple[int, int, int], channel: int) -> None:
    assume(code[channel] < 255)
    more = list(code)
    more[channel] += 1
    assert srgb_to_lab(rgb=more)[0] > srgb_to_lab(rgb=code)[0]


@given(st.lists(CODES, min_size=1, max_size=12))
def test_a_picture_converts_pixel_by_pixel(codes: list[tuple[int, int, int]]) -> None:
    whole = srgb_to_lab(rgb=[codes])
    assert whole.shape == (1, len(codes), 3)
    for i, code in enumerate(codes):
        assert whole[0, i] == pytest.approx(srgb_to_lab(rgb=code), abs=1e-12)


@given(st.floats(0.0, 100.0))
def test_hunter_neutrals_stay_neutral(lightness: float) -> None:
    found = hunter_to_lab(hunter=(lightness, 0.0, 0.0))
    assert found[1:] == pytest.approx((0.0, 0.0), abs=1e-9)
    y = (lightness / 100.0) ** 2
    if y > 216 / 24389:
        assert found[0] == pytest.approx(116.0 * y ** (1.0 / 3.0) - 16.0)


@given(CODES)
def test_eight_bit_lab_encodes_back_to_itself(code: tuple[int, int, int]) -> None:
    # The coding of the OpenCV documentation, written out: L x 255/100, a + 128, b + 128.
    lightness, a, b = decode_lab8(lab8=np.array(code, np.uint8))
    assert (round(lightness * 2.55), round(a + 128.0), round(b + 128.0)) == code


@given(LABS, LABS)
def test_a_colour_difference_is_symmetric_and_not_negative(
    one: tuple[float, float, float], other: tuple[float, float, float]
) -> None:
    there = float(ciede2000(lab=one, reference=other))
    assert there >= 0.0
    assert float(ciede2000(lab=other, reference=one)) == pytest.approx(there, abs=1e-7)
    assert float(ciede2000(lab=one, reference=one)) == 0.0


@given(st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_between_greys_only_lightness_counts(one: float, other: float) -> None:
    # Sharma, Wu, Dalal 2005: with both chromas zero the formula is |dL| / S_L.
    off = ((one + other) / 2.0 - 50.0) ** 2
    weight = 1.0 + 0.015 * off / math.sqrt(20.0 + off)
    found = float(ciede2000(lab=(one, 0.0, 0.0), reference=(other, 0.0, 0.0)))
    assert found == pytest.approx(abs(one - other) / weight, abs=1e-12)
