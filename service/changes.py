"""Why is this stretch of a line unlike that one: the three-way answer.

The answer itself is `grading.drift.explain_change`; the facts come from the store (`evidence`):
the rule from the lots that were packed, the measurement from lanes, reference checks and paired
pulls, the fruit from hand pulls and from where lots begin. So the same question gets the same
answer months later.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from grading.drift.answer import Answer, explain_change
from grading.drift.evidence import Boundary, ChangeFacts, Consequence, RuleFacts
from grading.drift.lanes import against_others
from grading.drift.onset import Onset, find_onset
from grading.drift.undo import Offset, what_drift_did
from grading.kernel import Compiled
from service.evidence import (
    MEASURED,
    ONSET_CHANCE,
    About,
    Stretch,
    Window,
    fruit_of,
    measure_facts,
    share_sd,
    table_of,
    window_of,
)
from service.lots import MINUTE
from service.rule_facts import rule_facts

if TYPE_CHECKING:
    from service.context import Context
    from service.lines import Line

OUTCOMES: Final = {"culls": "cull share", "defects": "share of fruit with defects"}


@dataclass(frozen=True, slots=True)
class Began:
    """When a measure began to differ, in Unix milliseconds, with the interval: of one lane
    against the others, or of the whole line (lane None)."""

    measure: str
    lane: int | None
    best_ms: int
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Explained:
    """The answer, and the onsets that are more than chance, in time."""

    answer: Answer
    began: tuple[Began, ...]


def explain(
    ctx: Context, *, line: Line, before: Stretch, after: Stretch, about: About | None = None
) -> Explained:
    """The three-way answer for two stretches of a line. Reads the store: call it on a worker
    thread."""
    asked = about or About()
    a, b = (window_of(ctx, line, s, asked.lots) for s in (before, after))
    sources = [s.id for s in ctx.sources.on_line(line.row.id)]
    minutes = range(before.minutes().start, after.minutes().stop)
    found = (measure_facts(ctx, line, name, of, a, b, (before, after), sources, asked)
             for name, of in MEASURED.items())
    outcome = asked.outcome
    facts = ChangeFacts(
        rule=(rule_facts(ctx, a, b, before, after, outcome) if asked.rule
              else RuleFacts(a="", b="")),
        outcome=OUTCOMES.get(outcome, ""),
        outcome_a=a.share(outcome) if outcome else None,
        outcome_b=b.share(outcome) if outcome else None,
        ordinary_share_sd=share_sd(a, b, outcome) if outcome else 0.0,
        measures=tuple(m for m in found if m is not None),
        boundaries=_boundaries(line, minutes), windows=len(minutes))
    answer = explain_change(facts=facts)
    moved = _lane_offsets(answer)
    if moved:
        answer = explain_change(facts=replace(
            facts, consequence=_consequence(ctx, b, after, moved)))
    return Explained(answer, tuple(_began(ctx, answer, facts, a, b)))


def _began(
    ctx: Context, answer: Answer, facts: ChangeFacts, a: Window, b: Window
) -> Iterator[Began]:
    """Onsets of what the answer found moved: a lane against the others, or the whole line."""
    both = Window(tuple(sorted((*a.parts, *b.parts), key=lambda p: (p[1], p[0].id))))
    for m in facts.measures:
        split = answer.splits[m.measure]
        table = table_of(ctx, both, m.measure)
        for lane in split.lanes:
            row = table.lanes.index(lane.lane)
            found = [against_others(centre=table.centre[:, w], se=table.se[:, w])
                     for w in range(table.centre.shape[1])]
            if len(found) == len(both.minutes()):
                yield from _in_time(m.measure, lane.lane, find_onset(
                    values=[f.effect[row] for f in found], se=[f.se[row] for f in found]),
                    both.minutes())
        if not split.lanes:
            yield from _in_time(m.measure, None, m.onset, both.minutes())


def _in_time(
    measure: str, lane: int | None, onset: Onset | None, minutes: Sequence[int]
) -> Iterator[Began]:
    if onset is not None and onset.chance < ONSET_CHANCE:
        size = MINUTE.size
        yield Began(measure, lane, minutes[onset.window] * size,
                    minutes[max(onset.low - 1, 0)] * size, (minutes[onset.high] + 1) * size)


def _boundaries(line: Line, minutes: range) -> tuple[Boundary, ...]:
    return tuple(
        Boundary(kind="lot", name=turn.lot or line.row.holding,
                 window=turn.at_ms // MINUTE.size - minutes.start)
        for turn in line.turns if turn.at_ms // MINUTE.size in minutes)


def _lane_offsets(answer: Answer) -> dict[str, dict[int, Offset]]:
    """By measure, how much too large each lane reads that moved by itself. Girth, which is finer,
    speaks for the diameter."""
    found: dict[str, dict[int, Offset]] = {}
    for name, split in answer.splits.items():
        measure = MEASURED[name].checked_by or name
        lanes = {m.lane: Offset(m.effect.value, m.effect.low, m.effect.high)
                 for m in split.lanes if m.reading != "feed"}
        if split.common is not None and split.common.moved:
            c = split.common
            lanes = {lane: Offset(c.value, c.low, c.high) for lane in range(256)} | lanes
        if lanes and not split.diverge:
            found[measure] = found.get(measure, {}) | lanes
    return found


def _consequence(
    ctx: Context, b: Window, after: Stretch, moved: dict[str, dict[int, Offset]]
) -> Consequence:
    """Fruit of the later stretch that got another class than without the offsets."""
    changed = low = high = n = 0
    packs: dict[str, int] = {}
    for lot in b.lots():
        compiled: Compiled = lot.binding.compiled
        for batch, _ in fruit_of(ctx, lot, after):
            n += len(batch)
            for measure, offsets in moved.items():
                undone = what_drift_did(batch=batch, compiled=compiled, measure=measure,
                                        offsets=offsets)
                changed, low = changed + undone.changed, low + undone.changed_low
                high += undone.changed_high
                for code, count in enumerate(undone.affected.tolist()):
                    if count:
                        name = f"{compiled.pack_names[code]} of {lot.id}"
                        packs[name] = packs.get(name, 0) + count
    listed = sorted(packs.items(), key=lambda item: -item[1])
    return Consequence(changed=changed, n=n, changed_low=low, changed_high=high,
                       boxes=tuple(f"{name}: {count}" for name, count in listed))
