"""The fruit as they are, before anything measures them."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np

from grading.quantities import Flags, Floats, Integers
from service.simulator.chance import BLOCK, DEFECT, TRUTH, WANDER
from service.simulator.effects import Belt, Placed
from service.simulator.feed import Fed
from service.simulator.fruit import CULTIVARS, DEFECTS, G_PER_CM3, Cultivar
from service.simulator.plan import Lot

KNOT_S: Final = 30.0
_SHARES: Final = np.cumsum([share for _, share, _ in DEFECTS])[:-1]
_MEDIANS: Final = np.array([median for _, _, median in DEFECTS])
EXTENT_KNOWN: Final = 0.9
"""Part of the defects whose extent is measured; invented."""


@dataclass(frozen=True, slots=True)
class Truth:
    """Fruit (n,) as they are.

    diameter_mm: greatest across. ripeness: without unit (`fruit.Cultivar`). firmness_n: on an
    8 mm tip. defect: 0 none, else 1 + place in `fruit.DEFECTS`. circle_mm: its extent, NaN where
    it has none or nobody could measure it.
    """

    diameter_mm: Floats
    mass_g: Floats
    ripeness: Floats
    hue_deg: Floats
    chroma: Floats
    blush: Floats
    sugar_brix: Floats
    firmness_n: Floats
    defect: Integers
    circle_mm: Floats

    def take(self, rows: Any) -> Truth:
        return Truth(*(getattr(self, f.name)[rows] for f in fields(self)))


def cultivar_of(lot: Lot) -> Cultivar:
    """Means and spreads of a lot: its cultivar's, moved by its pick, with the lot's own."""
    base = CULTIVARS[lot.cultivar]
    later = lot.pick - 1
    moved = {
        "diameter_mm": base.diameter_mm + later * base.diameter_per_pick_mm,
        "sugar_brix": base.sugar_brix + later * base.sugar_per_pick_brix,
    }
    return Cultivar(**{f.name: getattr(base, f.name) for f in fields(base)} | moved | lot.fruit)


class Fruit:
    """The fruit of one line; those of a block from the block's own chance."""

    def __init__(self, *, belt: Belt) -> None:
        self._belt, self._schedule = belt, belt.schedule
        line, schedule = belt.line, belt.schedule
        self._changes = [p for p in belt.placed if p.bins is not None]
        lots = line.lots[:len(schedule.lot_bin) - 1]
        of = [cultivar_of(lot) for lot in lots]
        self._of = {f.name: np.array([getattr(c, f.name) for c in of]) for f in fields(Cultivar)}
        self._ripe = np.array([c.ripeness_per_pick * (lot.pick - 1)
                               for c, lot in zip(of, lots, strict=True)])
        spread = np.array([(lot.bin_size_sd_mm, lot.bin_ripeness_sd, lot.bin_defect_log_sd)
                           for lot in lots])
        self._bin_effects = schedule.bin_effects * spread[schedule.bin_lot]
        self._wander_sd = np.array([
            (lot.wander_size_sd_mm, lot.wander_ripeness_sd, lot.wander_defect_log_sd)
            for lot in lots])
        self._knot = max(int(KNOT_S * line.rate), 1)
        self._wander = self._knots(memory=math.exp(-self._knot / line.rate / 60 / line.wander_min))

    def _knots(self, *, memory: float) -> Floats:
        """(knots, 3): a first-order autoregression of unit spread, a value every half minute."""
        n = self._schedule.fruit // self._knot + 2
        steps = self._belt.stream(purpose=WANDER).standard_normal((n, 3))
        steps[1:] *= math.sqrt(1 - memory**2)
        for k in range(1, n):
            steps[k] += memory * steps[k - 1]
        return steps

    def of(self, *, fed: Fed) -> Truth:
        """The fruit of one whole block."""
        n, lot, of = len(fed), fed.lot, self._of
        rng = self._belt.stream(purpose=TRUTH, block=fed.first // BLOCK)
        z = rng.standard_normal((8, BLOCK))[:, :n]
        common = self._common(fed)
        link = of["size_ripeness"][lot]
        ripeness = self._ripe[lot] + common[1] + link * z[0] + np.sqrt(1 - link**2) * z[1]
        diameter = of["diameter_mm"][lot] + common[0] + of["diameter_sd_mm"][lot] * z[0]
        more = np.ones(n)
        for change in self._changes:
            acts = self.changed(change=change, bins=fed.bin)
            if not acts.any():
                continue
            if change.event.kind == "riper":
                ripeness += change.event.size * acts
            elif change.event.kind == "larger":
                diameter += change.event.size * acts
            else:
                more[acts] *= change.event.size
        np.clip(diameter, 35.0, 110.0, out=diameter)
        hue = of["hue_deg"][lot] + of["hue_per_ripeness"][lot] * ripeness
        hue += of["hue_sd_deg"][lot] * z[2]
        chroma = of["chroma"][lot] + of["chroma_sd"][lot] * z[3]
        firmness = of["firmness_n"][lot] * np.exp(
            of["firmness_log_per_ripeness"][lot] * ripeness + of["firmness_log_sd"][lot] * z[4])
        blush = of["blush"][lot]
        logit = np.log(blush / (1 - blush)) + of["blush_logit_sd"][lot] * z[5] + 0.2 * ripeness
        sugar = of["sugar_brix"][lot] + of["sugar_per_ripeness"][lot] * ripeness
        sugar += of["sugar_sd_brix"][lot] * z[6]
        mass = (G_PER_CM3 * math.pi / 6000) * (diameter * diameter * diameter) * (1 + 0.02 * z[7])
        defect, circle = self._defects(fed, of["defect_share"][lot] * np.exp(common[2]) * more)
        return Truth(
            diameter_mm=diameter, mass_g=mass, ripeness=ripeness,
            hue_deg=np.clip(hue, 40.0, 125.0, out=hue),
            chroma=np.clip(chroma, 5.0, 90.0, out=chroma), blush=1 / (1 + np.exp(-logit)),
            sugar_brix=np.clip(sugar, 6.0, 22.0, out=sugar),
            firmness_n=np.clip(firmness, 1.0, 130.0, out=firmness), defect=defect,
            circle_mm=circle)

    def changed(self, *, change: Placed, bins: Integers) -> Flags:
        """The fruit that a change of bins acts on, by their bins."""
        assert change.bins is not None
        acting: Flags = (bins >= change.bins[0]) & (bins < change.bins[1])
        return acting

    def _common(self, fed: Fed) -> Floats:
        """(3, n): what fruit of one bin and one time share, on size, ripeness and defects."""
        knot, past = np.divmod(np.arange(fed.first, fed.first + len(fed)), self._knot)
        base = knot[0]
        near = self._wander[base:knot[-1] + 2]
        part = past / self._knot
        knot -= base
        wander = near[knot].T
        wander = wander + part * (near[1:] - near[:-1])[knot].T
        return np.asarray(
            self._bin_effects[fed.bin].T + self._wander_sd[fed.lot].T.reshape(3, -1) * wander)

    def _defects(self, fed: Fed, share: Floats) -> tuple[Integers, Floats]:
        rng = self._belt.stream(purpose=DEFECT, block=fed.first // BLOCK)
        n = len(fed)
        rows = np.flatnonzero(rng.random(BLOCK)[:n] < share)
        # As many draws whatever happens, so that an event elsewhere changes no other fruit.
        which, known = rng.random((2, BLOCK))[:, rows]
        spread = rng.standard_normal(BLOCK)[rows]
        defect, circle = np.zeros(n, np.uint8), np.full(n, np.nan)
        kind = np.searchsorted(_SHARES, which, side="right")
        defect[rows] = kind + 1
        measured = (_MEDIANS[kind] > 0) & (known < EXTENT_KNOWN)
        circle[rows] = np.where(measured, np.maximum(
            np.round(_MEDIANS[kind] * np.exp(0.5 * spread), 1), 0.5), np.nan)
        return defect, circle
