"""Line against hand: fruit measured both ways, what the difference is, and what it does at a cut.

Every fruit of a pull that names the line's record of itself is a pair. Nothing is corrected here:
an error that is shown is a finding, and what to do about it is decided by a person.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np

from grading.drift.cuts import AtCut, counts_at_cut
from grading.drift.fits import Fit, deming, passing_bablok
from grading.drift.pairs import (
    LEAST,
    Bias,
    Decision,
    bland_altman,
    concordance,
    judge,
    pairs_needed,
    selection_bias,
)
from grading.quantities import MEASURES, Floats
from service.context import Context
from service.evidence import Stretch
from service.lines import Line
from service.lots import LotState
from service.pairs import Pair, Paired, paired

MARGINS: Final = {"diameter": 0.5, "hue": 2.0, "mass": 2.0, "blush": 0.05, "sugar": 0.5,
                  "firmness": 3.0}
"""Difference that nobody would act on, in the measure's unit: for diameter a twelfth of a class
of 1/4 in, for hue a quarter of a class; common practice, no source."""
LEAST_PART: Final = 0.5
"""Part of the margin that a difference must exceed to be called one."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Pairs out of sorted fruit lean by their choice. expected: line less hand that a perfect
    line would show on them; None where the source does not say how well it reads."""

    pairs: int
    expected: float | None


@dataclass(frozen=True, slots=True)
class LaneBias:
    lane: int
    n: int
    mean: float
    se: float | None


@dataclass(frozen=True, slots=True)
class CutEffect:
    """What the bias does at one cut. fruit: of the lots with pairs; upper: the next cut."""

    at: AtCut
    upper: float | None
    fruit: int
    tolerance: float | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """bias None with under 3 pairs. needed: pairs that would tell, where the decision is open."""

    measure: str
    pairs: tuple[Pair, ...]
    pulls: tuple[str, ...]
    bias: Bias | None
    decision: Decision
    margin: float
    least: float
    needed: int | None
    deming: Fit | None
    passing_bablok: Fit | None
    concordance: tuple[float, float, float] | None
    lanes: tuple[LaneBias, ...]
    selection: Selection | None
    cuts: tuple[CutEffect, ...]
    diameters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """cut, upper: one more class to look at, in the measure's unit. error_ratio: error variance
    of the line divided by error variance of the hand."""

    measure: str
    stretch: Stretch
    margin: float | None = None
    error_ratio: float = 1.0
    cut: float | None = None
    upper: float | None = None


def agreement(ctx: Context, *, line: Line, asked: Asked) -> Agreement:
    """Line against hand in a stretch of pulls. Reads the store: call it on a worker thread."""
    return _judged(ctx, asked, paired(
        ctx, line=line, stretch=asked.stretch, measures=[asked.measure])[asked.measure])


def agreements(ctx: Context, *, line: Line, asked: Asked) -> dict[str, Agreement]:
    """The same for every measure, the one asked for with what was asked of it. Reads the store:
    call it on a worker thread."""
    found = paired(ctx, line=line, stretch=asked.stretch, measures=list(MARGINS))
    return {name: _judged(ctx, asked if name == asked.measure else Asked(name, asked.stretch), seen)
            for name, seen in found.items()}


def _judged(ctx: Context, asked: Asked, seen: Paired) -> Agreement:
    pulls, pairs = seen.pulls, seen.pairs
    margin = MARGINS[asked.measure] if asked.margin is None else asked.margin
    least = LEAST_PART * margin
    y, x = np.array([p.line for p in pairs]), np.array([p.hand for p in pairs])
    bias = bland_altman(line=y, hand=x) if len(pairs) >= LEAST else None
    decision: Decision = "undecided"
    if bias is not None:
        decision = judge(bias=bias.bias, se=bias.se, df=bias.n - 1, margin=margin, least=least)
    needed = None
    if decision == "undecided":
        needed = pairs_needed(bias=margin, sd=bias.sd, power=.95) if (
            bias is not None and bias.sd > 0.0) else 30
    lots = [ctx.lots.get(name) for name in dict.fromkeys(p.lot for p in pairs)]
    sources = {p.source: ctx.sources.get(p.source) for p in pairs}
    return Agreement(
        asked.measure, tuple(pairs), tuple(pulls), bias, decision, margin, least,
        needed, _fit(lambda: deming(line=y, hand=x, error_ratio=asked.error_ratio)),
        _fit(lambda: passing_bablok(line=y, hand=x)), _concordance(y, x), tuple(_lanes(pairs)),
        _selection(ctx, pairs, lots, asked.measure),
        tuple(_cuts(ctx, lots, asked, bias)) if bias is not None else (),
        tuple(sorted({s.is_.diameter for s in sources.values() if s is not None})))


def _fit(fit: Callable[[], Fit]) -> Fit | None:
    """A line through the pairs; None for too few, or readings that do not vary."""
    try:
        return fit()
    except ValueError:
        return None


def _concordance(y: Floats, x: Floats) -> tuple[float, float, float] | None:
    try:
        found = concordance(line=y, hand=x)
    except ValueError:
        return None
    return found.value, found.low, found.high


def _lanes(pairs: Sequence[Pair]) -> Iterator[LaneBias]:
    for lane in sorted({p.lane for p in pairs}):
        d = np.array([p.line - p.hand for p in pairs if p.lane == lane])
        yield LaneBias(lane, len(d), float(d.mean()),
                       float(d.std(ddof=1)) / math.sqrt(len(d)) if len(d) > 1 else None)


def _selection(
    ctx: Context, pairs: Sequence[Pair], lots: Sequence[LotState], measure: str
) -> Selection | None:
    chosen = [p for p in pairs if p.sorted]
    if not chosen:
        return None
    known = [ctx.sources.get(p.source) for p in chosen]
    said = [s.is_.measures[measure].uncertainty for s in known
            if s is not None and measure in s.is_.measures]
    u = max((v for v in said if v is not None), default=None)
    counts, width, low = _histogram(ctx, lots, measure)
    middles = low + width * (np.arange(len(counts)) + .5)
    mean = float(counts @ middles) / float(counts.sum())
    seen = float(counts @ (middles - mean) ** 2) / float(counts.sum())
    if u is None or seen <= u * u:
        return Selection(len(chosen), None)
    return Selection(len(chosen), selection_bias(
        class_mean=float(np.mean([p.line for p in chosen])), lot_mean=mean,
        sd=math.sqrt(seen - u * u), u=u))


# --- at the cuts -------------------------------------------------------------------------------


def _histogram(ctx: Context, lots: Sequence[LotState], measure: str) -> tuple[Floats, float, float]:
    """(fruit by bin, width, low end) of what the line read of the lots."""
    about = MEASURES[measure]
    counts = np.asarray(np.sum([lot.counts(reader=ctx.store.reader).histograms[measure]
                                for lot in lots], axis=0), np.float64)
    return counts, about.value(quanta=about.bin_q), about.value(quanta=about.low_q)


def _cuts(
    ctx: Context, lots: Sequence[LotState], asked: Asked, bias: Bias
) -> Iterator[CutEffect]:
    """The bias at each cut of the lots' standards that fruit lie near, and at the one asked."""
    counts, width, low = _histogram(ctx, lots, asked.measure)
    about, classes = MEASURES[asked.measure], set[tuple[float, float | None]]()
    tolerances: list[Fraction] = []
    for lot in lots:
        compiled = lot.binding.compiled
        edges = [about.value(quanta=q) for q in
                 compiled.decider.measures_used().get(asked.measure, [])]
        classes |= set(zip(edges, [*edges[1:], None], strict=True)) if edges else set()
        if asked.measure == compiled.basis:
            tolerances += [t.percent for t in compiled.standard.tolerance
                           if "undersize" in t.counts.groups]
    if asked.cut is not None:
        classes = {c for c in classes if c[0] != asked.cut} | {(asked.cut, asked.upper)}
    tolerance = float(min(tolerances)) / 100.0 if tolerances else None
    for cut, upper in sorted(classes, key=lambda c: c[0]):
        at = counts_at_cut(counts=counts, low=low, width=width, cut=cut, bias=bias.bias,
                           upper=upper, bias_low=bias.low, bias_high=bias.high)
        if at.too_high or at.too_low or cut == asked.cut:
            yield CutEffect(at, upper, int(counts.sum()), tolerance)
