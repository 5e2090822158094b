"""Which stretches of a line tell why something moved, and the three-way answer to them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from service.changes import explain
from service.evidence import About, Stretch
from service.watch.finding import MINUTE_MS, Finding, Why
from service.watch.quantities import ASKED

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

Judged = Sequence[tuple[int, str]]
LEAST: Final = 3
"""Minutes of fruit that a stretch needs."""
REACH_MS: Final = {"lane": 60 * MINUTE_MS, "level": 90 * MINUTE_MS, "share": 90 * MINUTE_MS,
                   "bias": 120 * MINUTE_MS, "rule": 30 * MINUTE_MS}
"""How long a stretch is at most, by kind of finding."""
NEAR_MS: Final = 8 * MINUTE_MS
"""Of a slow drift only the time about the newest pull or check is compared: the line's level goes
on, and what the check says holds for its own time."""


def asked_at(finding: Finding, *, times: Sequence[int], now_ms: int) -> int:
    """The last moment up to now at which the finding was to be asked about: some minutes after it
    was found, a minute after each pull or check, and at its end."""
    over_ms = now_ms if finding.ended_ms is None else min(finding.ended_ms, now_ms)
    moments = [finding.found_ms + k * MINUTE_MS for k in ASKED]
    moments += [t + MINUTE_MS for t in times if t > finding.until_ms]
    if finding.ended_ms is not None:
        moments.append(finding.ended_ms)
    return max((m for m in moments if finding.found_ms <= m <= over_ms), default=finding.found_ms)


def stretches(
    finding: Finding, *, judged: Judged, times: Sequence[int], as_of_ms: int
) -> tuple[Stretch, Stretch] | None:
    """(before, after), or None while either has too few judged minutes."""
    reach = REACH_MS[finding.kind]
    of_lot = finding.kind in ("level", "share")
    minutes = [m * MINUTE_MS for m, lot in judged if not of_lot or lot == finding.lot]
    until, start = finding.from_ms, finding.until_ms
    if finding.told is not None:
        good, bad = finding.told
        until, start = (good + 1 if good < bad else bad), bad // MINUTE_MS * MINUTE_MS
    earlier = [m for m in minutes if until - reach <= m <= until - MINUTE_MS]
    end = min(as_of_ms, start + reach)
    if finding.shape == "ramp" and finding.told is None:
        near = [t for t in times if start < t <= as_of_ms]
        if near:
            start, end = max(start, near[-1] - NEAR_MS), min(as_of_ms, near[-1] + NEAR_MS)
        else:
            start, end = max(start, as_of_ms - 2 * NEAR_MS), as_of_ms
    later = [m for m in minutes if start <= m <= end - MINUTE_MS]
    if min(len(earlier), len(later)) < LEAST:
        return None
    return Stretch(earlier[0], until), Stretch(start, end)


def about(finding: Finding, *, holds_from_ms: int, before_lot: str = "") -> About:
    """What is asked: lanes and checks carry over from lot to lot, the line's level does not."""
    if finding.kind in ("lane", "bias"):
        return About(same_fruit=False, outcome="", rule=False, holds_from_ms=holds_from_ms)
    lots = frozenset(x for x in (finding.lot, before_lot) if x)
    if finding.kind == "rule":
        return About(lots=lots, same_fruit=False, holds_from_ms=holds_from_ms)
    outcome = finding.what if finding.kind == "share" else "culls"
    return About(lots=lots, outcome=outcome, holds_from_ms=holds_from_ms)


def ask(
    ctx: Context, line: Line, *, before: Stretch, after: Stretch, of: About, as_of_ms: int
) -> Why:
    """The answer. Reads the store: call it on a worker thread."""
    answer = explain(ctx, line=line, before=before, after=after, about=of).answer
    return Why(
        asked_ms=as_of_ms, before=(before.from_ms, before.until_ms),
        after=(after.from_ms, after.until_ms), verdict=answer.verdict, causes=answer.causes,
        evidence=answer.evidence, open=answer.open, consequence=answer.consequence,
        next_action=answer.next_action, pairs=answer.pairs)
