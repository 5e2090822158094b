"""The watch of the running service: every line looked at as its minutes close.

What it costs is bounded: a closed minute is stepped once, fruit that come late make the watch go
back by no more than a few times as much as they are late, and a finding is asked about a handful of
times. All of it happens on worker threads; the event loop and the writer never wait for it.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from grading.drift.swing import Moved
from service.background import background
from service.priority import let_fruit_pass
from service.store.reader import Reader
from service.watch.ask import about, ask, asked_at, stretches
from service.watch.detect import Detector
from service.watch.finding import MINUTE_MS, Answered, Finding, Why
from service.watch.hands import Hands
from service.watch.minutes import DAY_MS, counts_of, minute_of
from service.watch.outside import (
    Outside,
    RuleChange,
    bias_findings,
    mark_of,
    outside_of,
    rule_changes,
    rule_findings,
)
from service.watch.steps import Steps

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

EVERY_S: Final = 5.0
_LOG: Final = logging.getLogger(__name__)
_Asked = tuple[Finding, int, int]
"""A finding as it was dated, the moment it was asked for, and how many pulls and checks spoke."""


@dataclass(frozen=True, slots=True)
class View:
    """A line as the watch last saw it. findings: oldest first. upto_ms: end of the last minute
    that was judged. looks: levels and shares worth a look, by name."""

    findings: tuple[Answered, ...] = ()
    upto_ms: int = 0
    looks: dict[str, Moved] = field(default_factory=dict)

    def open(self) -> list[Answered]:
        """What calls for action now, the newest first."""
        return [a for a in reversed(self.findings) if a.finding.open and a.level == "act"]


@dataclass(slots=True)
class _LineWatch:
    """One line's last day."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    steps: Steps = field(default_factory=Steps)
    outside: Outside | None = None
    answers: dict[_Asked, Why | None] = field(default_factory=dict)
    view: View = field(default_factory=View)

    @property
    def detector(self) -> Detector:
        return self.steps.detector


class Watch:
    """Every line's findings. `hands`: pulled fruit beside the line's records of them."""

    def __init__(self, *, reader: Reader) -> None:
        self.hands = Hands(reader=reader)
        self._lines: dict[str, _LineWatch] = {}

    def view(self, line_id: str) -> View:
        """What was last found, at once."""
        known = self._lines.get(line_id)
        return known.view if known is not None else View()

    def look(self, ctx: Context, line: Line, *, wait: bool = True) -> View:
        """What is found now. Reads the store: call it on a worker thread. wait: until another
        look that is under way is done; else what was last found."""
        own = self._lines.setdefault(line.row.id, _LineWatch())
        if not own.lock.acquire(blocking=wait):
            return own.view
        try:
            own.view = _looked(ctx, line, own, ctx.clock.now_ms())
        finally:
            own.lock.release()
        return own.view

    def at(self, ctx: Context, line: Line, *, at_ms: int) -> View:
        """What was found by a moment of the past, from the fruit of the day before it and from the
        pulls and checks that were there. Reads the store: call it on a worker thread."""
        return _looked(ctx, line, _LineWatch(), at_ms)


def _looked(ctx: Context, line: Line, own: _LineWatch, now_ms: int) -> View:
    stepped = _step(ctx, line, own, now_ms)
    mark = mark_of(ctx, line, now_ms=now_ms)
    if own.outside is None or own.outside.newest != mark or stepped:
        own.outside = outside_of(ctx, line, now_ms=now_ms)
    elif own.view.findings == () and not own.steps.fruit:
        return own.view
    changes = rule_changes(ctx, line, now_ms=now_ms)
    upto_ms = 0 if own.detector.last is None else (own.detector.last + 1) * MINUTE_MS
    found = _all_findings(line, own, changes, upto_ms)
    keys = {f.key for f in found}
    own.answers = {asked: why for asked, why in own.answers.items() if asked[0].key in keys}
    return View(tuple(_answer(ctx, line, own, f, found, changes, upto_ms) for f in found), upto_ms,
                dict(own.detector.looks()))


def _step(ctx: Context, line: Line, own: _LineWatch, now_ms: int) -> bool:
    """Step the minutes that have closed, and those again to which fruit came late; whether there
    were any."""
    counts = counts_of(ctx, line, now_ms=now_ms)
    due = own.steps.due(counts)
    if not due:
        return False
    moments = sorted(c.at_ms for c in rule_changes(ctx, line, now_ms=now_ms)) + sorted(
        c.until_ms for c in rule_changes(ctx, line, now_ms=now_ms) if c.until_ms is not None)
    for index, lot_id in due:
        let_fruit_pass()
        rule = sum(m < (index + 1) * MINUTE_MS for m in moments)
        own.detector.step(minute_of(ctx, index=index, lot=ctx.lots.get(lot_id), rule=rule))
        own.steps.stepped((index, lot_id), counts[index, lot_id])
    own.detector.forget(before_ms=now_ms - DAY_MS)
    return True


def _all_findings(
    line: Line, own: _LineWatch, changes: Sequence[RuleChange], upto_ms: int
) -> list[Finding]:
    """Of all kinds, oldest first. A bias that an open change of the same level shows already is
    the same thing."""
    def lot_at(ms: int) -> str:
        return next((t.lot or "" for t in reversed(line.turns) if t.at_ms <= ms), "")

    assert own.outside is not None
    inside = own.detector.found
    biases = [b for b in bias_findings(
        own.outside, lot_at=lot_at, levels=own.detector.levels,
        warm_ms=own.detector.warm_from * MINUTE_MS) if b.found_ms <= upto_ms
              and not any(f.kind == "level" and f.what == b.what and f.found_ms <= b.found_ms
                          and (f.ended_ms is None or f.ended_ms > b.found_ms) for f in inside)]
    rules = rule_findings(changes, now_ms=upto_ms)
    return sorted([*inside, *biases, *rules], key=lambda f: (f.found_ms, f.key))


def _answer(
    ctx: Context, line: Line, own: _LineWatch, finding: Finding, found: Sequence[Finding],
    changes: Sequence[RuleChange], upto_ms: int,
) -> Answered:
    """The finding with its answer, asked for if it is due."""
    assert own.outside is not None
    times = own.outside.times
    as_of_ms = asked_at(finding, times=times, now_ms=upto_ms)
    spoke = sum(t <= as_of_ms for t in times)
    key = (_dated(finding), as_of_ms, spoke)
    if key not in own.answers:
        for old in [k for k in own.answers if k[0].key == finding.key]:
            del own.answers[old]
        own.answers[key] = _why(ctx, line, own, finding, found, changes, as_of_ms)
    return Answered(finding=finding, why=own.answers[key])


def _dated(finding: Finding) -> Finding:
    """What an answer depends on: not how far over its limit the finding is at the moment."""
    return replace(finding, ratio=0.0)


def _why(
    ctx: Context, line: Line, own: _LineWatch, finding: Finding, found: Sequence[Finding],
    changes: Sequence[RuleChange], as_of_ms: int,
) -> Why | None:
    assert own.outside is not None
    asked = stretches(finding, judged=own.detector.judged, times=own.outside.times,
                      as_of_ms=as_of_ms)
    if asked is None:
        return None
    holds = max((f.ended_ms for f in found if f.kind == "bias" and f.ended_ms is not None
                 and f.ended_ms <= finding.best_ms), default=0)
    holds = max(holds, own.detector.warm_from * MINUTE_MS)
    before_lot = next((c.before_lot for c in changes if finding.kind == "rule"
                       and c.at_ms == finding.best_ms), "")
    return ask(ctx, line, before=asked[0], after=asked[1], as_of_ms=as_of_ms,
               of=about(finding, holds_from_ms=holds, before_lot=before_lot))


@asynccontextmanager
async def watched_lines(ctx: Context, *, every_s: float = EVERY_S) -> AsyncIterator[None]:
    """Look at every line as long as the service runs."""

    async def watch() -> None:
        while True:
            for line in ctx.lines.all():
                try:
                    await asyncio.to_thread(ctx.watch.look, ctx, line)
                except Exception:
                    _LOG.exception("line %s could not be watched", line.row.id)
            await asyncio.sleep(every_s)

    async with background(watch()):
        yield
