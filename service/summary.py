"""What a lot's counts say: packout, culls and histograms, ready for JSON and for pages.

Every share is a sum of counts over a sum of counts, with n and its exact 95 % interval.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from grading.intervals import clopper_pearson_many
from grading.kernel import Compiled
from grading.quantities import MEASURES
from grading.reasons import Reason
from grading.tally import SHOWN, Tally

NOTICE = "House record, not an official certificate."
AXES = ("size", "maturity", "grade", "pack")


def names(*, compiled: Compiled, axis: str) -> tuple[str, ...]:
    """Class names of an axis by code."""
    return {"size": compiled.size_names, "maturity": compiled.maturity_names,
            "grade": compiled.grade_names, "pack": compiled.pack_names}[axis]


def titles(*, compiled: Compiled, axis: str) -> tuple[str, ...]:
    """What to show for each class of an axis, by code."""
    standard = compiled.standard
    if axis == "grade":
        return ("undecided", *(g.title for g in standard.grade), standard.cull_title)
    if axis == "pack":
        return ("by hand", *(p.title for p in standard.pack), "culls")
    if axis == "maturity" and standard.maturity:
        return ("not measured",
                *(standard.maturity.titles.get(c, c) for c in standard.maturity.classes))
    return names(compiled=compiled, axis=axis)


def shares(*, counts: Any, n: int) -> list[dict[str, Any]]:
    """count, n, share and its exact 95 % interval for each entry."""
    found = np.asarray(counts, np.int64)
    low, high = clopper_pearson_many(x=found, n=n)
    return [
        {"count": int(c), "n": n, "share": c / n if n else None,
         "low": float(lo), "high": float(hi)}
        for c, lo, hi in zip(found.tolist(), low, high, strict=True)
    ]


def packout(*, tally: Tally, compiled: Compiled) -> dict[str, Any]:
    """Shares along every axis and the full table of size x maturity x grade x pack."""
    axes = {}
    for i, axis in enumerate(AXES):
        counts = tally.along(i)
        mass_n, mass_q = (a.sum(axis=tuple(j for j in range(4) if j != i))
                          for a in (tally.mass_n, tally.mass_q))
        axes[f"by_{axis}"] = [
            {"code": code, "title": title, **share,
             "weighed": int(mass_n[k]), "mass_g": mass_q[k].item() / 10}
            for k, (code, title, share) in enumerate(zip(
                names(compiled=compiled, axis=axis), titles(compiled=compiled, axis=axis),
                shares(counts=counts, n=tally.n), strict=True))
        ]
    return {
        "n": tally.n,
        "weighed": int(tally.mass_n.sum()),
        "mass_g": tally.mass_q.sum().item() / 10,
        **axes,
        "cells": _cells(tally, compiled),
        "level": 0.95,
        "notice": NOTICE,
    }


def _cells(tally: Tally, compiled: Compiled) -> list[dict[str, Any]]:
    where = np.argwhere(tally.counts)
    counts = tally.counts[tuple(where.T)]
    labels = [names(compiled=compiled, axis=a) for a in AXES]
    return [
        {**{axis: labels[i][code] for i, (axis, code) in enumerate(zip(AXES, row, strict=True))},
         **share,
         "weighed": int(tally.mass_n[tuple(row)]), "mass_g": tally.mass_q[tuple(row)].item() / 10}
        for row, share in zip(where.tolist(), shares(counts=counts, n=tally.n), strict=True)
    ]


def culls(*, tally: Tally, compiled: Compiled) -> dict[str, Any]:
    """Culls by the reason that settled it (sums to all culls) and by any reason (may exceed it).

    Shares are of the culls; `of_lot` is the culls' share of all fruit.
    """
    code = len(compiled.grade_names) - 1
    n = int(tally.along(2)[code])

    def table(counts: Any) -> list[dict[str, Any]]:
        rows = [(r, int(counts[r])) for r in Reason if r is not Reason.NONE and counts[r]]
        rows.sort(key=lambda item: -item[1])
        listed = shares(counts=[c for _, c in rows], n=n)
        return [{"reason": r.word, "title": r.title, **share}
                for (r, _), share in zip(rows, listed, strict=True)]

    return {
        "culls": n,
        "of_lot": shares(counts=[n], n=tally.n)[0],
        "decisive": table(tally.decisive[code]),
        "any": table(tally.any_reason[code]),
        "below_best": [
            {"grade": name, "title": title, "decisive": _reasons(tally.decisive[k])}
            for k, (name, title) in enumerate(zip(
                compiled.grade_names, titles(compiled=compiled, axis="grade"), strict=True))
            if k not in {1, code}
        ],
        "notice": NOTICE,
    }


def _reasons(counts: Any) -> list[dict[str, Any]]:
    rows = [(r, int(counts[r])) for r in Reason if r is not Reason.NONE and counts[r]]
    return [{"reason": r.word, "title": r.title, "count": c}
            for r, c in sorted(rows, key=lambda item: -item[1])]


def histograms(*, tally: Tally, compiled: Compiled) -> dict[str, Any]:
    """Counts in fixed bins of every measure, its cut-points, mean and spread.

    Only the bins from the first to the last filled one are listed; `start` is the lower edge of
    the first of them and every bin has the width `bin`.
    """
    cuts = compiled.decider.measures_used()
    found = {}
    for name in SHOWN:
        measure = MEASURES[name]
        counts = tally.histograms[name]
        filled = np.flatnonzero(counts)
        first, last = (int(filled[0]), int(filled[-1]) + 1) if len(filled) else (0, 0)
        moments = tally.moments[name]
        sd = moments.sd()
        found[name] = {
            "title": measure.title,
            "unit": measure.unit,
            "bin": measure.value(quanta=measure.bin_q),
            "start": measure.value(quanta=measure.low_q + first * measure.bin_q),
            "counts": counts[first:last].tolist(),
            "cuts": [measure.value(quanta=c) for c in cuts.get(name, [])],
            "n": moments.n,
            "not_measured": tally.missing[name],
            "mean": measure.value(quanta=1) * moments.mean if moments.n else None,
            "sd": None if sd is None else measure.value(quanta=1) * sd,
        }
    return {"n": tally.n, "measures": found, "notice": NOTICE}


def standing(*, compiled: Compiled) -> dict[str, Any]:
    """Which standard speaks and what it leaves open; part of every answer about a lot."""
    standard, profile = compiled.standard, compiled.profile
    return {
        "standard": standard.name,
        "title": standard.title,
        "digest": standard.digest(),
        "verified": standard.verified,
        "cultivar": profile.id if profile else None,
        "basis": compiled.basis,
        "hue_used": not compiled.decider.maturity.hue_unused,
    }
