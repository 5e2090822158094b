"""Culls by cause of any part of the season: by lot, block, pick, grower, line, lane or hour.

Counts are summed, never percentages averaged. Every share has its exact binomial interval, which
says what the counted fruit tell of a steady stream; where enough windows stand behind it, also
the interval that windows of this size really need, because windows differ by more than chance
(`grading.monitor.shares.Spread`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from grading.intervals import clopper_pearson
from grading.monitor.causes import counted_causes, estimate
from grading.monitor.shares import FRUIT_MIN, Spread, p_chart
from grading.reasons import Reason
from service.context import Context
from service.cull_table import (
    CULLS,
    FRUIT,
    NO_MINUTE,
    NOTHING,
    Counts,
    any_column,
    decisive_column,
)
from service.lots import LotState
from service.rows import utc

By = Literal["lot", "block", "pick", "grower", "line", "lane", "hour"]
Key = tuple[tuple[str, str | int | None], ...]
SPREAD_DF: Final = 12
"""Windows less lots that must stand behind a spread before it is used; as the line's chart."""
STEPS: Final = (1, 10)
"""Lengths of windows in minutes: the shortest that gives enough of them."""
HOUR_MS: Final = 3_600_000
GROUPS_MOST: Final = 1_000


class TooManyGroups(Exception):
    """More groups than an answer holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which fruit. minutes: of their own time, or all, those without a time included."""

    by: By
    minutes: range | None = None
    lot: str | None = None
    line: str | None = None
    grower: str | None = None
    block: str | None = None
    pick: int | None = None
    lane: int | None = None


@dataclass(slots=True)
class Group:
    """Counts of one group, and the same cut by lot, from which its spread is told."""

    key: Key
    total: Counts = NOTHING
    by_lot: dict[str, Counts] = field(default_factory=dict)

    def add(self, *, lot: str, counts: Counts) -> None:
        self.by_lot[lot] = self.by_lot.get(lot, NOTHING).merge(counts)
        self.total = self.total.merge(counts)


@dataclass(frozen=True, slots=True)
class Culled:
    """groups, largest first (hours and lanes in their order). undated: fruit without a time, in
    the counts unless a stretch or hours were asked for. reruns: lots whose fruit passed again,
    which stay counted in their first pass."""

    groups: tuple[Group, ...]
    total: Group
    undated: int
    reruns: tuple[str, ...]


def culls_by(ctx: Context, *, wanted: Wanted) -> Culled:
    """Everything counted. Reads the store: call it on a worker thread. Raises TooManyGroups."""
    groups: dict[Key, Group] = {}
    total, undated = Group(()), 0
    reruns: list[str] = []
    of_origin = wanted.by in ("lot", "block", "pick", "grower")
    for lot in ctx.lots.all():
        if not _is_wanted(lot, wanted):
            continue
        again = lot.row.rerun_of is not None and of_origin and wanted.lot is None
        if again:
            reruns.append(lot.id)
        for line, counts in by_line(ctx, lot):
            if wanted.line not in (None, line):
                continue
            chosen, without = _chosen(counts, wanted)
            undated += without
            if again and wanted.by != "lot":
                continue
            for key, part in _split(lot, line, chosen, wanted.by):
                if len(groups) >= GROUPS_MOST and key not in groups:
                    raise TooManyGroups
                groups.setdefault(key, Group(key)).add(lot=lot.id, counts=part)
                if not again:
                    total.add(lot=lot.id, counts=part)
    listed = [g for g in groups.values() if len(g.total.keys)]
    if wanted.by in ("lane", "hour"):
        listed.sort(key=lambda g: [str(v or "").rjust(4) for _, v in g.key])
    else:
        listed.sort(key=lambda g: (-int(g.total.column(FRUIT).sum()), str(g.key)))
    return Culled(tuple(listed), total, undated, tuple(reruns))


def _is_wanted(lot: LotState, wanted: Wanted) -> bool:
    row = lot.row
    return all(asked in (None, has) for asked, has in (
        (wanted.lot, row.id), (wanted.grower, row.grower), (wanted.block, row.block),
        (wanted.pick, row.pick)))


def line_of(ctx: Context, lot: LotState) -> Callable[[str], str]:
    """Source to the line on which it sent the lot's fruit ("" where nothing says which): the only
    line that packed the lot, else the source's own, else the one the lot was opened for."""
    lines = [line.row.id for line in ctx.lines.all()
             if line.row.holding == lot.id or any(t.lot == lot.id for t in line.turns)]

    def found(source: str) -> str:
        known = ctx.sources.get(source)
        of_source = None if known is None else known.is_.line
        return lines[0] if len(lines) == 1 else of_source or lot.row.line or ""

    return found


def by_line(ctx: Context, lot: LotState) -> list[tuple[str, Counts]]:
    """A lot's counts by the line that packed it."""
    line, found = line_of(ctx, lot), dict[str, Counts]()
    for source, counts in lot.culls(reader=ctx.store.reader).by_source.items():
        found[line(source)] = found.get(line(source), NOTHING).merge(counts)
    return sorted(found.items())


def _chosen(counts: Counts, wanted: Wanted) -> tuple[Counts, int]:
    """(rows asked for, fruit left out because they have no time)."""
    rows = np.ones(len(counts.keys), np.bool_)
    if wanted.lane is not None:
        rows &= counts.lanes == wanted.lane
    dated = counts.minutes != NO_MINUTE
    without = int(counts.column(FRUIT)[rows & ~dated].sum())
    if wanted.minutes is not None:
        rows &= dated & (counts.minutes >= wanted.minutes.start) & (
            counts.minutes < wanted.minutes.stop)
    elif wanted.by == "hour":
        rows &= dated
    return counts.take(rows), without


def _split(lot: LotState, line: str, counts: Counts, by: By) -> Iterator[tuple[Key, Counts]]:
    row = lot.row
    origin: dict[str, tuple[tuple[str, str | int | None], ...]] = {
        "lot": (("lot", row.id),), "grower": (("grower", row.grower),),
        "block": (("grower", row.grower), ("block", row.block)),
        "pick": (("grower", row.grower), ("block", row.block), ("pick", row.pick)),
        "line": (("line", line or None),)}
    if by in origin:
        yield origin[by], counts
        return
    label = counts.lanes if by == "lane" else counts.minutes // 60
    for value in np.unique(label).tolist():
        part = counts.take(label == value)
        if by == "lane":
            yield (("line", line or None), ("lane", value or None)), part
        else:
            yield (("hour", utc(value * HOUR_MS)),), part


# --- shares ------------------------------------------------------------------------------------


def _spread(group: Group, column: int, step: int) -> Spread:
    """The spread of a column's share between a group's windows, lots pooled."""
    found = Spread()
    for counts in group.by_lot.values():
        dated = counts.take(counts.minutes != NO_MINUTE)
        windows, at = np.unique(dated.minutes // step, return_inverse=True)
        n, x = (np.bincount(at, weights=dated.column(c), minlength=len(windows))
                for c in (FRUIT, column))
        enough = n >= FRUIT_MIN
        if enough.sum() > 1:
            found = found.merge(p_chart(x=x[enough], n=n[enough]).spread)
    return found


def spread_of(group: Group, column: int) -> float | None:
    """How much wider than binomial chance the interval of a whole group has to be: the spread
    between windows, and that neighbours are alike. None with too few windows."""
    for step in STEPS:
        found = _spread(group, column, step)
        if found.df >= SPREAD_DF:
            return found.used * math.sqrt((1.0 + found.phi) / (1.0 - found.phi))
    return None


def share_json(*, x: int, n: int) -> dict[str, Any]:
    """count, n, share and exact 95 % interval."""
    interval = clopper_pearson(x=x, n=n) if n else None
    return {"count": x, "n": n, "share": x / n if n else None,
            "low": interval.low if interval else None,
            "high": interval.high if interval else None}


def wide_json(group: Group, column: int) -> dict[str, Any] | None:
    """The interval of a share of all fruit with the spread between windows; None where too few
    windows say what it is."""
    spread = spread_of(group, column)
    n = int(group.total.column(FRUIT).sum())
    if spread is None:
        return None
    found = estimate(x=int(group.total.column(column).sum()), n=n, spread=spread)
    return {"low": found.low, "high": found.high, "spread": spread}


def group_json(group: Group) -> dict[str, Any]:
    """A group on the wire."""
    total = group.total
    fruit, culls = (int(total.column(c).sum()) for c in (FRUIT, CULLS))
    found = counted_causes(fruit=fruit, culls=culls, any_n=total.any_n(),
                           decisive_n=total.decisive_n())
    return {
        **dict(group.key), "lots": len(group.by_lot), "fruit": fruit,
        "culls": {**share_json(x=culls, n=fruit), "wide": wide_json(group, CULLS)},
        "marks": found.marks,
        "causes": [{
            "reason": c.reason.word, "title": c.reason.title,
            "any": _cause(group, any_column(c.reason), c.any_n, culls),
            "decisive": _cause(group, decisive_column(c.reason), c.decisive_n, culls),
        } for c in found.causes],
    }


def _cause(group: Group, column: int, count: int, culls: int) -> dict[str, Any]:
    fruit = int(group.total.column(FRUIT).sum())
    return {**share_json(x=count, n=culls),
            "of_fruit": {**share_json(x=count, n=fruit), "wide": wide_json(group, column)}}


def reasons_of_interest() -> tuple[Reason, ...]:
    """Reasons that say something of the fruit, not of what was measured."""
    return tuple(r for r in Reason if r is not Reason.NONE and "not_measured" not in r.word
                 and r not in (Reason.WRONG_TIP, Reason.HUE_NOT_USED, Reason.HUE_NOT_OBSERVABLE,
                               Reason.PERSON_TO_JUDGE, Reason.MEASURES_DISAGREE))
