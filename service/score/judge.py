"""The answer that was given to a shift, against the right one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.score.truth import Truth
from service.watch.finding import MINUTE_MS, Answered

EARLY_MS = 10 * MINUTE_MS
"""A finding that began so much earlier and called before the change did is not about it."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One shift. right: None where no answer counts. causes: named by what called for action about
    the change; open: something about it was answered "not separable". wrong: causes named that
    were not there. onset_off: minutes of the finding that names the cause from the true start;
    found_after: minutes from the start until something called for action. said: findings in
    words."""

    seed: int
    truth: Truth
    right: bool | None
    causes: tuple[str, ...]
    open: bool
    wrong: tuple[str, ...]
    onset_off: int | None
    found_after: float | None
    false: int
    said: tuple[str, ...]


def judge(
    *, seed: int, truth: Truth, findings: Sequence[Answered], start_ms: int
) -> Judged:
    """findings: all of a line, as they stood at the end."""
    acting = [one for one in findings if one.level == "act"]
    about = [one for one in acting if _about(one, truth, start_ms)]
    causes = tuple(sorted({c for one in about if one.why is not None for c in one.why.causes}))
    open_ = any(one.why is not None and one.why.verdict == "not separable" for one in about)
    wrong = tuple(c for c in causes if c != truth.cause)
    naming = [one for one in about if one.why is not None and truth.cause in one.why.causes
              and _place(one, truth)]
    right: bool | None = None
    if truth.class_ == "quiet":
        right = not acting
    elif truth.class_ == "separable":
        right = causes == (truth.cause,) and bool(naming)
    elif truth.class_ == "not separable":
        right = open_ and not causes
    off = found = None
    if truth.onset_s is not None:
        onset = start_ms + round(1000 * truth.onset_s)
        offs = [one.finding.best_ms // MINUTE_MS - onset // MINUTE_MS for one in naming]
        off = min(offs, key=abs, default=None)
        called = [one.finding.found_ms for one in (naming or about)]
        found = (min(called) - onset) / MINUTE_MS if called else None
    return Judged(
        seed, truth, right, causes, open_, wrong, off, found, len(acting) - len(about),
        tuple(_said(one, start_ms) for one in findings))


def _about(one: Answered, truth: Truth, start_ms: int) -> bool:
    if truth.onset_s is None or truth.end_s is None:
        return False
    onset, end = (start_ms + round(1000 * s) for s in (truth.onset_s, truth.end_s))
    f = one.finding
    if f.ended_ms is not None and f.ended_ms <= onset:
        return False
    earlier = f.found_ms < onset and f.best_ms < onset - EARLY_MS
    return f.best_ms <= end and not earlier


def _place(one: Answered, truth: Truth) -> bool:
    """Does a finding of one lane's sensor name that lane and measure?"""
    return not truth.lane or (one.finding.kind == "lane" and one.finding.lane == truth.lane
                              and one.finding.what == truth.measure)


def _said(one: Answered, start_ms: int) -> str:
    f = one.finding

    def minute(ms: int | None) -> str:
        return "-" if ms is None else f"{(ms - start_ms) / MINUTE_MS:.0f}"

    where = f" lane {f.lane}" if f.lane else ""
    why = "not asked" if one.why is None else (
        f"{one.why.verdict} ({', '.join(one.why.causes) or 'no cause'})")
    return (f"{f.kind} {f.what}{where} {f.size:+.2f} {f.shape} from {minute(f.best_ms)} "
            f"({minute(f.from_ms)} to {minute(f.until_ms)}), found {minute(f.found_ms)}, ended "
            f"{minute(f.ended_ms)}, {one.level}: {why}")
