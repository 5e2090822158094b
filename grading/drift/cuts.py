"""What an error of the line does at a cut, and in the box.

A reading too large by the bias sends the fruit between (cut - bias) and cut one class too high.
In a box marked from the cut up they are undersize; in a box of a closed class they weigh more, as
the box holds fewer fruit. A cut moved by hand does the same as a bias: bias = declared - used.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from grading.monitor.special import normal_cdf, normal_pdf
from grading.quantities import Floats

PANELS: Final = 24
NODES: Final = 16
REACH: Final = 9.0
"""Normal tails are followed this many standard deviations: what is beyond is under 1e-18."""


@dataclass(frozen=True, slots=True)
class AtCut:
    """Shares, 0 to 1. too_high: of the lot, read at or over the cut though under it; too_low: the
    other way. undersize_up: of the fruit read at or over the cut, those under it. undersize,
    oversize: of the fruit read inside the closed class [cut, upper), those under cut, at or over
    upper; None without `upper`. too_high_low, too_high_high: too_high at the ends of the bias's
    interval, where one was given.
    """

    cut: float
    bias: float
    too_high: float
    too_low: float
    undersize_up: float
    undersize: float | None
    oversize: float | None
    too_high_low: float | None = None
    too_high_high: float | None = None


def _integral(f: Callable[[Floats], Floats], low: float, high: float, bends: Any) -> float:
    """Gauss-Legendre in panels that do not straddle a bend."""
    if high <= low:
        return 0.0
    edges = np.unique(np.clip([low, *bends, high], low, high))
    node, weight = np.polynomial.legendre.leggauss(NODES)
    total = 0.0
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        grid = np.linspace(a, b, PANELS + 1)
        half = 0.5 * np.diff(grid)[:, None]
        x = grid[:-1, None] + half * (1.0 + node)
        total += float((half * weight * f(x)).sum())
    return total


def _divide(part: float, whole: float) -> float:
    return part / whole if whole > 0.0 else 0.0


def normal_at_cut(
    *, mean: float, sd: float, cut: float, bias: float, upper: float | None = None,
    noise_sd: float = 0.0, bias_low: float | None = None, bias_high: float | None = None,
) -> AtCut:
    """A lot of true sizes N(mean, sd) read with this bias and, if given, a random error.

    Everything in the unit of the measure; sd above 0; noise_sd the sd of one reading's random
    error. bias_low, bias_high: interval of the bias, carried to `too_high`. Near-normal, ungraded
    fruit only: a graded lot has lost its tails (use the histogram).
    """
    if sd <= 0.0 or noise_sd < 0.0 or (upper is not None and upper <= cut):
        raise ValueError("the spread must be above 0, the noise 0 or more, the class not empty")

    def share(true_low: float, true_high: float, read_low: float, read_high: float) -> float:
        """P(true inside and reading inside), half-open."""
        if noise_sd < 1e-9 * sd:
            low, high = max(true_low, read_low - bias), min(true_high, read_high - bias)
            ends = normal_cdf(x=(np.array((low, max(low, high))) - mean) / sd)
            return float(ends[1] - ends[0])

        def f(t: Floats) -> Floats:
            seen = (normal_cdf(x=(read_high - bias - t) / noise_sd)
                    - normal_cdf(x=(read_low - bias - t) / noise_sd))
            product: Floats = normal_pdf(x=(t - mean) / sd) / sd * seen
            return product

        bends = [edge - bias + k * noise_sd for edge in (read_low, read_high)
                 if math.isfinite(edge) for k in (-8.0, 0.0, 8.0)]
        return _integral(f, max(true_low, mean - REACH * sd), min(true_high, mean + REACH * sd),
                         bends)

    inf = math.inf
    too_high = share(-inf, cut, cut, inf)
    up = too_high + share(cut, inf, cut, inf)
    undersize = oversize = None
    if upper is not None:
        under, over = share(-inf, cut, cut, upper), share(upper, inf, cut, upper)
        inside = under + share(cut, upper, cut, upper) + over
        undersize, oversize = _divide(under, inside), _divide(over, inside)
    ends = [None if b is None else normal_at_cut(
        mean=mean, sd=sd, cut=cut, bias=b, noise_sd=noise_sd).too_high
        for b in (bias_low, bias_high)]
    return AtCut(cut, bias, too_high, share(cut, inf, -inf, cut), _divide(too_high, up),
                 undersize, oversize, ends[0], ends[1])


def counts_at_cut(
    *, counts: Any, low: float, width: float, cut: float, bias: float, upper: float | None = None,
    bias_low: float | None = None, bias_high: float | None = None,
) -> AtCut:
    """The same from a histogram of readings, as they were made: true = reading - bias.

    counts: (bins,) fruit; bin k covers [low + k width, low + (k + 1) width), its fruit taken as
    spread evenly. The random error is left as it is in the readings: in a wide class it nearly
    cancels, in a narrow one `normal_at_cut` with its noise says more.
    """
    n = np.asarray(counts, np.float64)
    if n.sum() <= 0.0 or width <= 0.0 or (upper is not None and upper <= cut):
        raise ValueError("the histogram holds no fruit, or its bins or the class are empty")
    edges = low + width * np.arange(len(n) + 1)
    upto = np.append(0.0, np.cumsum(n)) / n.sum()

    def share(a: float, b: float) -> float:
        """Share of readings in [a, b)."""
        ends = np.interp((a, max(a, b)), edges, upto)
        return float(ends[1] - ends[0])

    inf = math.inf
    too_high = share(cut, cut + bias)
    undersize = oversize = None
    if upper is not None:
        inside = share(cut, upper)
        undersize = _divide(share(cut, min(cut + bias, upper)), inside)
        oversize = _divide(share(max(upper + bias, cut), upper), inside)
    ends = [None if b is None else share(cut, cut + b) for b in (bias_low, bias_high)]
    return AtCut(cut, bias, too_high, share(cut + bias, cut), _divide(too_high, share(cut, inf)),
                 undersize, oversize, ends[0], ends[1])


def moved_cut(
    *, mean: float, sd: float, declared: float, used: float, upper: float | None = None
) -> AtCut:
    """Fruit of true sizes N(mean, sd) cut at `used` but marked as cut at `declared`.

    The other end of a closed class stays where it was. bias: what error of the line would have
    let the same fruit past the declared cut.
    """
    if sd <= 0.0 or (upper is not None and upper <= max(declared, used)):
        raise ValueError("the spread must be above 0 and the class not empty")
    marks = (np.array((declared, used, math.inf if upper is None else upper)) - mean) / sd
    at_declared, at_used, at_upper = normal_cdf(x=marks).tolist()
    too_high, too_low = max(at_declared - at_used, 0.0), max(at_used - at_declared, 0.0)
    closed = None if upper is None else _divide(too_high, at_upper - at_used)
    return AtCut(declared, declared - used, too_high, too_low, _divide(too_high, 1.0 - at_used),
                 closed, None if upper is None else 0.0)
