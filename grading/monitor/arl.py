"""How many windows a chart runs before it signals, on average: exact, and the limits it gives.

The average run length (ARL) solves a linear integral equation, here by Gauss-Legendre nodes
(Fredholm equation of the second kind; Crowder, Technometrics 29:401 (1987) for the EWMA, Page,
Biometrika 41:100 (1954) for the CUSUM). Where a chart has finitely many states it is a Markov
chain (Brook and Evans, Biometrika 59:539 (1972)). Holds for independent normal values, a known
baseline, and charts that start at their target; shifts in units of sigma. An estimated baseline
or autocorrelation changes it (see `rejects` for what is done about both).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Any, Final, Literal

import numpy as np

from grading.monitor.special import normal_cdf, normal_pdf, normal_tail
from grading.quantities import Floats

Chart = Literal["shewhart", "ewma", "cusum"]
NODES: Final = 80
"""Enough for 6 digits of every ARL up to a million at lambda 0.03 and above."""


def markov_arl(*, moves: Any, start: int = 0) -> float:
    """Mean number of steps until a chain leaves its states.

    moves: (k, k) chances of going from state i to state j without a signal; rows sum to less
    than 1 for at least one state that can be reached.
    """
    q = np.asarray(moves, np.float64)
    return float(np.linalg.solve(np.eye(len(q)) - q, np.ones(len(q)))[start])


@lru_cache(maxsize=1)
def _unit_nodes() -> tuple[Floats, Floats]:
    x, w = np.polynomial.legendre.leggauss(NODES)
    return x, w


def _nodes(low: float, high: float) -> tuple[Floats, Floats]:
    x, w = _unit_nodes()
    half = (high - low) / 2.0
    return half * x + (low + high) / 2.0, half * w


def shewhart_arl(*, limit: float, shift: float = 0.0) -> float:
    """Two-sided chart: a value beyond `limit` sigma on either side signals."""
    return 1.0 / (normal_tail(z=limit - shift) + normal_tail(z=limit + shift))


def ewma_arl(*, weight: float, limit: float, shift: float = 0.0) -> float:
    """Two-sided EWMA from its target, limits at `limit` asymptotic sigma of the EWMA.

    weight: lambda, above 0 to 1. The exact limits of `charts.Ewma` are narrower in the first
    windows, so the chart signals a little sooner than this.
    """
    if not 0.0 < weight < 1.0:
        raise ValueError(f"EWMA weight {weight} must lie between 0 and 1")
    edge = limit * math.sqrt(weight / (2.0 - weight))
    at, w = _nodes(-edge, edge)
    kernel = normal_pdf(x=(at - (1.0 - weight) * at[:, None]) / weight - shift) / weight
    found = np.linalg.solve(np.eye(NODES) - kernel * w, np.ones(NODES))
    return float(1.0 + (w * normal_pdf(x=at / weight - shift) / weight) @ found)


def cusum_arl_one_sided(
    *, reference: float, decision: float, shift: float = 0.0, head_start: float = 0.0
) -> float:
    """Upper CUSUM: reference value k, decision interval h, head start 0 to h, all in sigma."""
    at, w = _nodes(0.0, decision)
    slack = reference - shift
    # Unknowns: the ARL from 0, then from every node.
    moves = np.empty((NODES + 1, NODES + 1))
    where = np.concatenate(([0.0], at))
    moves[:, 0] = normal_cdf(x=slack - where)
    moves[:, 1:] = w * normal_pdf(x=at + slack - where[:, None])
    found = np.linalg.solve(np.eye(NODES + 1) - moves, np.ones(NODES + 1))
    return float(1.0 + normal_cdf(x=slack - head_start) * found[0]
                 + (w * normal_pdf(x=at + slack - head_start)) @ found[1:])


def cusum_arl(
    *, reference: float, decision: float, shift: float = 0.0, head_start: float = 0.0
) -> float:
    """Two-sided CUSUM. With a head start on both sides: Lucas and Crosier, Technometrics 24:199
    (1982), good while 2 x head_start is below decision + 2 x reference."""

    def side(sign: float, start: float) -> float:
        return cusum_arl_one_sided(
            reference=reference, decision=decision, shift=sign * shift, head_start=start)

    up, down = side(1.0, 0.0), side(-1.0, 0.0)
    ahead_up, ahead_down = side(1.0, head_start), side(-1.0, head_start)
    return (ahead_up * down + ahead_down * up - up * down) / (up + down)


@lru_cache(maxsize=256)
def limit_for_arl(
    *, chart: Chart, arl0: float, weight: float = 0.2, reference: float = 0.5
) -> float:
    """The limit (L, h or z) that gives the in-control ARL `arl0`, 10 to 10 million windows.

    Two-sided charts. weight: the EWMA's lambda; reference: the CUSUM's k.
    """
    if not 10.0 <= arl0 <= 1e7:
        raise ValueError(f"ARL {arl0} must lie from 10 to 10 million windows")
    run: dict[Chart, Callable[[float], float]] = {
        "shewhart": lambda z: shewhart_arl(limit=z),
        "ewma": lambda z: ewma_arl(weight=weight, limit=z),
        "cusum": lambda h: cusum_arl(reference=reference, decision=h),
    }
    low, high = 0.5, 6.0
    while run[chart](high) < arl0:  # a CUSUM's interval is longer, the smaller its reference
        high *= 2.0
    while high - low > 1e-9:
        middle = (low + high) / 2.0
        low, high = (middle, high) if run[chart](middle) < arl0 else (low, middle)
    return (low + high) / 2.0
