"""What the fruit of a cultivar are like, before anything measures them.

All figures are invented for invented cultivars, except the weight of a sphere (0.924 g per cm3 of
greatest diameter, from a published pair of 56 mm and 85 g) and the order of the spreads: fruit of
one pick differ by 2 to 4 lbf in firmness (from memory, weak). Later picks are riper, larger and
sweeter; how much is invented too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

G_PER_CM3: Final = 0.924
DEFECTS: Final[tuple[tuple[str, float, float], ...]] = (
    # kind, share of the fruit with a defect, median diameter of the circle in mm (0: no extent)
    ("scab", 0.34, 9.0), ("bruise", 0.24, 9.0), ("limb_rub", 0.18, 11.0), ("hail", 0.10, 6.0),
    ("split_pit", 0.08, 0.0), ("decay", 0.06, 12.0),
)


@dataclass(frozen=True, slots=True)
class Cultivar:
    """Means of a first pick, spreads of fruit inside a bin, and what one unit of ripeness moves.

    Ripeness is a number without unit: 0 on average in a first pick, 1 the spread inside a bin.
    hue in CIELAB degrees, firmness in N on an 8 mm tip, sugar in degrees Brix, blush a share.
    """

    diameter_mm: float
    diameter_sd_mm: float
    hue_deg: float
    hue_per_ripeness: float
    hue_sd_deg: float
    chroma: float
    chroma_sd: float
    firmness_n: float
    firmness_log_per_ripeness: float
    firmness_log_sd: float
    sugar_brix: float
    sugar_per_ripeness: float
    sugar_sd_brix: float
    blush: float
    blush_logit_sd: float
    defect_share: float
    size_ripeness: float = 0.25
    """Correlation of size and ripeness inside a bin: larger fruit are riper."""
    ripeness_per_pick: float = 0.6
    diameter_per_pick_mm: float = 1.2
    sugar_per_pick_brix: float = 0.3


CULTIVARS: Final[dict[str, Cultivar]] = {
    "ember-lass": Cultivar(
        diameter_mm=68.5, diameter_sd_mm=4.2, hue_deg=99.5, hue_per_ripeness=-4.0,
        hue_sd_deg=2.0, chroma=42.0, chroma_sd=3.0, firmness_n=58.0,
        firmness_log_per_ripeness=-0.13, firmness_log_sd=0.10, sugar_brix=11.9,
        sugar_per_ripeness=0.6, sugar_sd_brix=0.9, blush=0.55, blush_logit_sd=0.8,
        defect_share=0.06),
    "rosalind-red": Cultivar(
        diameter_mm=70.0, diameter_sd_mm=4.0, hue_deg=96.0, hue_per_ripeness=-3.0,
        hue_sd_deg=3.0, chroma=38.0, chroma_sd=4.0, firmness_n=56.0,
        firmness_log_per_ripeness=-0.15, firmness_log_sd=0.11, sugar_brix=12.4,
        sugar_per_ripeness=0.6, sugar_sd_brix=0.9, blush=0.93, blush_logit_sd=0.6,
        defect_share=0.05),
    "pale-meridian": Cultivar(
        diameter_mm=70.5, diameter_sd_mm=4.4, hue_deg=104.5, hue_per_ripeness=-3.5,
        hue_sd_deg=2.0, chroma=30.0, chroma_sd=3.0, firmness_n=57.0,
        firmness_log_per_ripeness=-0.14, firmness_log_sd=0.10, sugar_brix=12.4,
        sugar_per_ripeness=0.5, sugar_sd_brix=0.9, blush=0.60, blush_logit_sd=0.8,
        defect_share=0.07),
    "cobble-gold": Cultivar(
        diameter_mm=69.0, diameter_sd_mm=4.0, hue_deg=98.5, hue_per_ripeness=-3.5,
        hue_sd_deg=2.0, chroma=46.0, chroma_sd=3.0, firmness_n=66.0,
        firmness_log_per_ripeness=-0.07, firmness_log_sd=0.09, sugar_brix=12.2,
        sugar_per_ripeness=0.5, sugar_sd_brix=0.8, blush=0.45, blush_logit_sd=0.8,
        defect_share=0.05),
    "tansy-flare": Cultivar(
        diameter_mm=67.0, diameter_sd_mm=3.8, hue_deg=97.5, hue_per_ripeness=-4.0,
        hue_sd_deg=2.0, chroma=44.0, chroma_sd=3.0, firmness_n=55.0,
        firmness_log_per_ripeness=-0.14, firmness_log_sd=0.10, sugar_brix=12.8,
        sugar_per_ripeness=0.7, sugar_sd_brix=0.9, blush=0.65, blush_logit_sd=0.8,
        defect_share=0.07),
}
