"""What is known from outside a line's fruit: pulls and checks in time, and changes of its rule."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from grading.drift.lanes import against_others
from grading.drift.shown import Told, find_step
from grading.quantities import MEASURES
from service.evidence import offsets_of
from service.store.checks import CheckRow, checks_between
from service.store.pulls import PULLS, Pull
from service.watch.dating import Level, dated
from service.watch.finding import MINUTE_MS, Finding
from service.watch.minutes import DAY_MS, lots_of
from service.watch.quantities import LEVELS, UNITS

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

PASS_MS: Final = 10 * MINUTE_MS
"""Readings of one source that lie closer together are one passing of reference objects."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """pulls, checks: by measure, what each says of the line's error, in time order. times: of all
    of them. newest: a mark that changes when another one is stored."""

    pulls: dict[str, tuple[Told, ...]]
    checks: dict[str, tuple[Told, ...]]
    times: tuple[int, ...]
    newest: tuple[int, int]


def mark_of(ctx: Context, line: Line, *, now_ms: int) -> tuple[int, int]:
    """A mark that changes when a pull or check of the line's day is stored."""
    lots = [lot.id for lot in lots_of(ctx, line, now_ms=now_ms)]
    sources = [s.id for s in ctx.sources.on_line(line.row.id)]
    with ctx.store.reader.connection() as conn:
        return (_count(conn, "pull", "lot", "drawn_ms", lots, now_ms),
                _count(conn, "reference_check", "source", "at_ms", sources, now_ms))


def _count(conn: Any, table: str, column: str, at: str, names: Sequence[str], now_ms: int) -> int:
    marks = ", ".join("?" * len(names))
    return int(conn.execute(
        f"SELECT count(*) FROM {table} WHERE {column} IN ({marks}) AND {at} > ? AND {at} <= ?",
        (*names, now_ms - DAY_MS, now_ms)).fetchone()[0])


def outside_of(ctx: Context, line: Line, *, now_ms: int) -> Outside:
    """Everything of a line's day so far. Reads the store: call it on a worker thread."""
    newest = mark_of(ctx, line, now_ms=now_ms)
    lots = [lot.id for lot in lots_of(ctx, line, now_ms=now_ms)]
    with ctx.store.reader.connection() as conn:
        rows = [r for s in ctx.sources.on_line(line.row.id) for r in checks_between(
            conn, source=s.id, from_ms=now_ms - DAY_MS, until_ms=now_ms + 1)]
        pulls = pulls_between(conn, lots=lots, from_ms=now_ms - DAY_MS, until_ms=now_ms + 1)
    passed = list(_passes(rows))
    return Outside(
        pulls={m: tuple(_told_by_pulls(ctx, pulls, m)) for m in LEVELS},
        checks={m: tuple(_told_by_checks(passed, m)) for m in LEVELS},
        times=tuple(sorted({p.drawn_ms for p in pulls} | {one[-1].at_ms for one in passed})),
        newest=newest)


def pulls_between(
    conn: Any, *, lots: Sequence[str], from_ms: int, until_ms: int
) -> list[Pull]:
    """The pulls of some lots that were drawn in a stretch of time, oldest first."""
    marks = ", ".join("?" * len(lots))
    return PULLS.select(
        conn, params=(*lots, from_ms, until_ms),
        where=f"lot IN ({marks}) AND drawn_ms >= ? AND drawn_ms < ? ORDER BY drawn_ms, id")


def _passes(rows: Iterable[CheckRow]) -> Iterator[list[CheckRow]]:
    """Readings taken together."""
    passed: list[CheckRow] = []
    for row in sorted(rows, key=lambda r: (r.source, r.at_ms)):
        if passed and (row.source != passed[-1].source
                       or row.at_ms - passed[0].at_ms > PASS_MS):
            yield passed
            passed = []
        passed.append(row)
    if passed:
        yield passed


def _told_by_checks(passed: list[list[CheckRow]], measure: str) -> Iterator[Told]:
    for rows in sorted(passed, key=lambda one: one[-1].at_ms):
        offsets = offsets_of(rows, measure)
        if offsets:
            common = against_others(centre=np.array([o.offset for o in offsets]),
                                    se=np.array([o.se for o in offsets]))
            n = sum(r.measure == measure for r in rows)
            yield Told(at_ms=rows[-1].at_ms, value=common.common, se=common.common_se, n=max(n, 2))


def _told_by_pulls(ctx: Context, pulls: Iterable[Pull], measure: str) -> Iterator[Told]:
    quantum = float(MEASURES[measure].quantum)
    for pull in pulls:
        apart = np.array(ctx.watch.hands.of(pull).get(measure, ((), ()))[0])
        if len(apart) > 2:
            sd = max(float(apart.std(ddof=1)), quantum)
            yield Told(at_ms=pull.drawn_ms, value=float(apart.mean()),
                       se=sd / len(apart) ** 0.5, n=len(apart))


def bias_findings(
    outside: Outside, *, lot_at: Any, levels: Mapping[str, Sequence[Level]], warm_ms: int = 0
) -> list[Finding]:
    """Steps of the line's error that pulls or checks show, in time order.

    lot_at: Unix milliseconds to the lot packed then. levels: of the line, by measure. warm_ms:
    pulls and checks of a line that was still cold say nothing of it.
    """
    found: list[Finding] = []
    for measure in LEVELS:
        for all_told in (outside.pulls[measure], outside.checks[measure]):
            told = [t for t in all_told if t.at_ms >= warm_ms]
            for finding, base in _steps(told, measure, lot_at):
                end_ms = finding.ended_ms or told[-1].at_ms + 1
                last = [t for t in told if t.at_ms < end_ms][-1]
                _join(found, dated(finding, levels=levels[measure], last_ms=last.at_ms,
                                   last_size=last.value - base))
    return sorted(found, key=lambda f: f.found_ms)


def _steps(
    told: Sequence[Told], measure: str, lot_at: Any
) -> Iterator[tuple[Finding, float]]:
    """Findings, each with the error that was taken for right."""
    margin, first = LEVELS[measure].margin, 0
    open_: Finding | None = None
    before = 0.0
    for end in range(1, len(told) + 1):
        now = told[end - 1]
        if open_ is not None:
            if abs(now.value - before) < max(margin, 3.0 * now.se) and (
                    abs(now.value - before) < abs(open_.size) / 2):
                yield replace(open_, ended_ms=now.at_ms), before
                open_, first = None, end - 1
            continue
        step = find_step(told=told[first:end], margin=margin)
        if step is not None and step.ratio > 1.0:
            good = [t for t in told[first:end] if t.at_ms < step.bad_ms]
            weights = [1.0 / t.se**2 for t in good]
            before = float(np.average([t.value for t in good], weights=weights)) if good else 0.0
            from_ms = step.bad_ms if step.good_ms is None else step.good_ms
            open_ = Finding(
                kind="bias", what=measure, lot=lot_at(now.at_ms), best_ms=step.bad_ms,
                from_ms=from_ms, until_ms=step.bad_ms, size=step.size, unit=UNITS[measure],
                ratio=step.ratio, found_ms=now.at_ms, told=(from_ms, step.bad_ms))
    if open_ is not None:
        yield open_, before


def _join(found: list[Finding], new: Finding) -> None:
    """Pulls and checks that show one step are one finding."""
    for place, known in enumerate(found):
        if known.what == new.what and (known.ended_ms is None or known.ended_ms > new.from_ms) and (
                new.ended_ms is None or new.ended_ms > known.from_ms):
            first = min(known, new, key=lambda f: f.found_ms)
            ended = (None if known.ended_ms is None or new.ended_ms is None
                     else max(known.ended_ms, new.ended_ms))
            from_ms, until_ms = max(known.from_ms, new.from_ms), min(known.until_ms, new.until_ms)
            if from_ms > until_ms:
                from_ms, until_ms = first.from_ms, first.until_ms
            found[place] = replace(first, ended_ms=ended, from_ms=from_ms, until_ms=until_ms,
                                   best_ms=min(max(first.best_ms, from_ms), until_ms))
            return
    found.append(new)


# --- changes of the rule -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleChange:
    """Another rule for the same fruit, from at_ms on. until_ms: when it changed again or the fruit
    ended, None while it holds. before_lot: the lot just before it, where that is another one."""

    at_ms: int
    lot: str
    before_lot: str
    until_ms: int | None


def rule_changes(ctx: Context, line: Line, *, now_ms: int) -> list[RuleChange]:
    """Changes of the rule inside a lot, and from one lot to the next of the same fruit."""
    found = [*_by_cuts(ctx, line, now_ms), *_by_lots(ctx, line, now_ms)]
    return sorted((c for c in found if c.at_ms > now_ms - DAY_MS), key=lambda c: c.at_ms)


def _by_cuts(ctx: Context, line: Line, now_ms: int) -> Iterator[RuleChange]:
    packed = {lot.id for lot in lots_of(ctx, line, now_ms=now_ms)}
    for row in ctx.cuts.of_line(line.row.id):
        if row.lot not in packed or row.from_ms > now_ms:
            continue
        over_ms = row.ended_ms
        if over_ms is None and row.until_ms <= now_ms:
            over_ms = row.until_ms
        yield RuleChange(at_ms=row.from_ms, lot=row.lot, before_lot=row.lot, until_ms=over_ms)


def _by_lots(ctx: Context, line: Line, now_ms: int) -> Iterator[RuleChange]:
    turns = [t for t in line.turns if t.at_ms <= now_ms]
    for k in range(1, len(turns)):
        old, new = turns[k - 1].lot, turns[k].lot
        if old is None or new is None:
            continue
        a, b = ctx.lots.get(old), ctx.lots.get(new)
        alike = all(getattr(a.row, name) == getattr(b.row, name)
                    for name in ("grower", "block", "cultivar", "pick"))
        if alike and a.binding.digest != b.binding.digest:
            yield RuleChange(at_ms=turns[k].at_ms, lot=new, before_lot=old,
                             until_ms=turns[k + 1].at_ms if k + 1 < len(turns) else None)


def rule_findings(changes: Iterable[RuleChange], *, now_ms: int) -> list[Finding]:
    """A finding for each change, once some minutes of fruit have been graded under it."""
    return [Finding(
        kind="rule", what="rule", lot=c.lot, best_ms=c.at_ms, from_ms=c.at_ms, until_ms=c.at_ms,
        size=0.0, unit="", ratio=1.0, found_ms=c.at_ms + RULE_AFTER_MS, ended_ms=c.until_ms)
        for c in changes if c.at_ms + RULE_AFTER_MS <= now_ms]


RULE_AFTER_MS: Final = 3 * MINUTE_MS
"""Fruit enough under a new rule to say what it does."""
