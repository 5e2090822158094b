"""Colour as numbers: sRGB and Hunter readings to CIELAB, hue and chroma, colour difference.

Coordinates are arrays whose last axis holds the three of them. Hue is an angle on a circle and
is undefined near grey, so it comes with a mask, and its mean, spread and difference are circular.
Sources: IEC 61966-2-1:1999 (sRGB), CIE 15 (CIELAB, hue, chroma). D65 and 2 degrees unless said:
a hue under illuminant C is not on the same scale, expect about a degree between the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from grading.quantities import Flags, Floats

CHROMA_FLOOR: Final = 2.0
"""Below this chroma a hue says nothing (house choice)."""
GROUND_HUE_DEG: Final = (60.0, 130.0)
"""Hues that the ground colour of a peach or nectarine can have (house choice)."""

WHITE_D65: Final = np.array([0.95047, 1.0, 1.08883])
_EPSILON: Final = 216 / 24389
_KAPPA: Final = 24389 / 27
_HUNTER_KA_C: Final = 175.0
_HUNTER_KB_C: Final = 70.0


def _rgb_to_xyz() -> Floats:
    """Matrix of the sRGB primaries, scaled so that equal red, green and blue give the white."""
    xy = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
    primaries = np.column_stack((xy, 1.0 - xy.sum(axis=1))).T
    return np.asarray(primaries * np.linalg.solve(primaries, WHITE_D65), np.float64)


_RGB_TO_XYZ: Final = _rgb_to_xyz()


def _coordinates(values: npt.ArrayLike) -> Floats:
    array = np.asarray(values, np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise ValueError(f"the last axis must hold three coordinates, not shape {array.shape}")
    return array


def srgb_to_lab(*, rgb: npt.ArrayLike, full_scale: float = 255.0) -> Floats:
    """CIELAB of sRGB values, red first, each from 0 to `full_scale` (255, or 1 for unit values).

    Raises ValueError outside that range. The matrix comes from the primaries, so equal red, green
    and blue are exactly neutral; the printed four-decimal matrix differs by at most 0.02.
    """
    code = _coordinates(rgb) / full_scale
    if not ((code >= 0.0) & (code <= 1.0)).all():
        raise ValueError(f"sRGB values must lie from 0 to {full_scale:g}")
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return _relative_to_lab(linear @ _RGB_TO_XYZ.T / WHITE_D65)


def _relative_to_lab(ratio: Floats) -> Floats:
    """CIELAB of X/Xn, Y/Yn, Z/Zn."""
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack((116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)), axis=-1)


def hunter_to_lab(*, hunter: npt.ArrayLike) -> Floats:
    """CIELAB under illuminant C of Hunter L, a, b read under illuminant C, 2 degrees.

    Hunter's constants for C are Ka 175 and Kb 70 (from memory). L must lie from 0 to 100.
    """
    lab = _coordinates(hunter)
    root = lab[..., 0] / 100.0
    if not ((root >= 0.0) & (root <= 1.0)).all():
        raise ValueError("Hunter L must lie from 0 to 100")
    y = root * root
    return _relative_to_lab(np.stack((
        y + lab[..., 1] * root / _HUNTER_KA_C, y, y - lab[..., 2] * root / _HUNTER_KB_C), axis=-1))


def decode_lab8(*, lab8: npt.NDArray[np.uint8]) -> Floats:
    """CIELAB of an 8-bit Lab picture as OpenCV codes it: L x 255/100, a + 128, b + 128.

    The steps of that coding cost up to 0.5 degrees of hue at chroma 50.
    """
    if lab8.dtype != np.uint8:
        raise ValueError(f"8-bit Lab must be uint8, not {lab8.dtype}")
    return (_coordinates(lab8) - [0.0, 128.0, 128.0]) * [100.0 / 255.0, 1.0, 1.0]


@dataclass(frozen=True, slots=True)
class Hue:
    """Hue angles in degrees, 0 <= deg < 360, and where they are defined (deg is 0 elsewhere)."""

    deg: Floats
    defined: Flags


def chroma(*, a: npt.ArrayLike, b: npt.ArrayLike) -> Floats:
    """CIELAB chroma C*."""
    return np.asarray(np.hypot(a, b), np.float64)


def hue(*, a: npt.ArrayLike, b: npt.ArrayLike, chroma_floor: float = CHROMA_FLOOR) -> Hue:
    """CIELAB hue angle of a* and b*, undefined where the chroma is below the floor or zero."""
    strength = chroma(a=a, b=b)
    defined = np.asarray((strength >= chroma_floor) & (strength > 0.0))
    return Hue(np.where(defined, _turn(np.degrees(np.arctan2(b, a))), 0.0), defined)


def hue_of(*, a: float, b: float, chroma_floor: float = CHROMA_FLOOR) -> float | None:
    """Hue angle of one colour in degrees, None where undefined."""
    found = hue(a=a, b=b, chroma_floor=chroma_floor)
    return float(found.deg) if found.defined else None


def ground_plausible(*, found: Hue) -> Flags:
    """Whether hues can belong to ground colour: a frame read with red and blue swapped cannot."""
    low, high = GROUND_HUE_DEG
    return found.defined & (found.deg >= low) & (found.deg <= high)


def _turn(deg: Any) -> Floats:
    """Angles brought into 0 <= deg < 360."""
    turned = np.mod(np.asarray(deg, np.float64), 360.0)
    # A tiny negative angle comes out of the division as 360 itself.
    return np.where(turned == 360.0, 0.0, turned)


def hue_difference(*, deg: npt.ArrayLike, reference_deg: npt.ArrayLike) -> Floats:
    """Degrees from the reference to `deg` the short way round: -180 < difference <= 180."""
    apart = np.asarray(deg, np.float64) - np.asarray(reference_deg, np.float64)
    return 180.0 - _turn(180.0 - apart)


def _resultant(found: Hue) -> tuple[complex, int]:
    """Mean of the unit vectors of the defined hues, and how many there are."""
    angles = np.radians(found.deg[found.defined])
    if not angles.size:
        return 0j, 0
    return complex(np.cos(angles).mean(), np.sin(angles).mean()), angles.size


def hue_mean(*, found: Hue) -> float | None:
    """Circular mean in degrees; None without defined hues or when they cancel out."""
    mean, n = _resultant(found)
    if n == 0 or abs(mean) < 1e-12:
        return None
    return float(_turn(np.degrees(np.angle(mean))))


def hue_sd(*, found: Hue) -> float | None:
    """Circular standard deviation sqrt(-2 ln R) in degrees (Mardia, Statistics of Directional
    Data, 1972); None without defined hues or when they cancel out."""
    mean, n = _resultant(found)
    length = abs(mean)
    if n == 0 or length < 1e-12:
        return None
    # 1 - R as a mean of squares keeps its digits where the hues are close together.
    off = np.radians(found.deg[found.defined]) - np.angle(mean)
    gap = float(np.mean(2.0 * np.sin(off / 2.0) ** 2))
    return float(np.degrees(np.sqrt(-2.0 * np.log1p(-gap))))


def ciede2000(*, lab: npt.ArrayLike, reference: npt.ArrayLike) -> Floats:
    """CIEDE2000 colour difference, kL = kC = kH = 1 (Sharma, Wu, Dalal, Color Research and
    Application 30:21, 2005). The arrays broadcast; the result lacks the last axis."""
    one, two = _coordinates(lab), _coordinates(reference)
    l1, a1, b1 = one[..., 0], one[..., 1], one[..., 2]
    l2, a2, b2 = two[..., 0], two[..., 1], two[..., 2]
    g = 1.5 - 0.5 * _seventh((chroma(a=a1, b=b1) + chroma(a=a2, b=b2)) / 2.0)
    c1, c2 = chroma(a=g * a1, b=b1), chroma(a=g * a2, b=b2)
    h1, h2 = _turn(np.degrees(np.arctan2(b1, g * a1))), _turn(np.degrees(np.arctan2(b2, g * a2)))
    grey = c1 * c2 == 0.0

    apart = h2 - h1
    # Opposite hues stay opposite whatever the last bit of an angle says.
    far = ~grey & (np.abs(apart) > 180.0 + 1e-9)
    turn = np.where(grey, 0.0, np.where(far, apart - np.copysign(360.0, apart), apart))
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2.0))

    l_mean, c_mean, total = (l1 + l2) / 2.0, (c1 + c2) / 2.0, h1 + h2
    h_mean = np.where(grey, total, np.where(
        far, (total + np.where(total < 360.0, 360.0, -360.0)) / 2.0, total / 2.0))

    t = (1.0 - 0.17 * _cos(h_mean - 30.0) + 0.24 * _cos(2.0 * h_mean)
         + 0.32 * _cos(3.0 * h_mean + 6.0) - 0.20 * _cos(4.0 * h_mean - 63.0))
    off = (l_mean - 50.0) ** 2
    s_l = 1.0 + 0.015 * off / np.sqrt(20.0 + off)
    s_c, s_h = 1.0 + 0.045 * c_mean, 1.0 + 0.015 * c_mean * t
    rotation = 60.0 * np.exp(-(((h_mean - 275.0) / 25.0) ** 2))
    r_t = -2.0 * _seventh(c_mean) * np.sin(np.radians(rotation))
    l_part, c_part, h_part = d_l / s_l, d_c / s_c, d_h / s_h
    return np.asarray(np.sqrt(
        l_part**2 + c_part**2 + h_part**2 + r_t * c_part * h_part), np.float64)


def _seventh(c: Floats) -> Floats:
    """sqrt(C^7 / (C^7 + 25^7))."""
    power = c**7
    return np.sqrt(power / (power + 25.0**7))


def _cos(deg: Floats) -> Floats:
    return np.cos(np.radians(deg))
