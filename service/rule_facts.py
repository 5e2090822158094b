"""Was the rule another one? What graded two stretches of a line, and the later stretch graded again
under what graded the earlier one.

A rule is told by the digest that every fruit is stored with, so a cut that was moved for a time is
found also where it was in force for a part of a stretch only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from grading.drift.evidence import Regraded, RuleFacts, Share
from grading.drift.undo import differs
from grading.kernel import Compiled
from grading.verdicts import Verdicts
from service.cuts import as_of, moves_of
from service.evidence import Stretch, Window, graded_in
from service.lots import LotState
from service.rows import utc
from service.store.cuts import CutRow

if TYPE_CHECKING:
    from service.context import Context


def rule_facts(
    ctx: Context, a: Window, b: Window, before: Stretch, after: Stretch, outcome: str
) -> RuleFacts:
    """outcome: the share that is asked about, "culls" or one that no rule moves. Reads the store:
    call it on a worker thread."""
    old, new = _digests(ctx, a, before), _digests(ctx, b, after)
    facts = RuleFacts(a="+".join(sorted(old)), b="+".join(sorted(new)))
    if old.keys() == new.keys() or not old or not new:
        return replace(facts, a=facts.b)
    # Where several graded the earlier stretch, the one that graded most of it speaks.
    main = max(old, key=lambda digest: old[digest][1])
    return replace(facts, change=_words(ctx, a, b, set(old) ^ set(new)),
                   regraded=_regraded(ctx, b, after, main, old[main][0], outcome))


def _digests(ctx: Context, window: Window, stretch: Stretch) -> Mapping[str, tuple[LotState, int]]:
    """Digest of what graded a stretch to a lot that it graded, and how many fruit."""
    found: dict[str, tuple[LotState, int]] = {}
    for lot in window.lots():
        if not ctx.cuts.of_lots([lot.id]):
            n = sum(state.fruit for other, _, state in window.parts if other is lot)
            counted = [(lot.binding.digest, n)]
        else:
            counted = [(digest, len(batch)) for digest, batch, _ in graded_in(ctx, lot, stretch)]
        for digest, n in counted:
            found[digest] = (lot, n + (found[digest][1] if digest in found else 0))
    return found


def _regraded(
    ctx: Context, b: Window, after: Stretch, digest: str, lot_of_rule: LotState, outcome: str
) -> Regraded | None:
    """None where the old rule cannot grade the later lots, as on another size basis."""
    old = ctx.lots.under(lot=lot_of_rule, digest=digest).compiled.standard
    changed = n = culls = 0
    for lot in b.lots():
        own = lot.binding.compiled
        try:
            rule = ctx.lots.bind(standard=old, profile=own.profile, basis=own.basis).compiled
        except ValueError:
            return None
        for graded_under, batch, verdicts in graded_in(ctx, lot, after):
            again = verdicts if graded_under == digest else rule.grade(batch=batch)
            changed += int(_moved(verdicts, again, own, rule).sum())
            culls += int((again.grade == len(rule.grade_names) - 1).sum())
            n += len(batch)
    same = b.share(outcome) if outcome not in ("", "culls") else None
    return Regraded(changed=changed, n=n, outcome=same or Share(x=culls, n=n))


def _moved(a: Verdicts, b: Verdicts, own: Compiled, rule: Compiled) -> np.ndarray:
    """Fruit in another class; under standards with other classes: culls that were none, or the
    other way."""
    names = [(c.size_names, c.maturity_names, c.grade_names, c.pack_names) for c in (own, rule)]
    if names[0] == names[1]:
        return differs(a, b)
    culls: np.ndarray = ((a.grade == len(own.grade_names) - 1)
                         != (b.grade == len(rule.grade_names) - 1))
    return culls


def _words(ctx: Context, a: Window, b: Window, apart: set[str]) -> str:
    """Which standards, and who moved what cut, when and why."""
    lots = [lot for w in (a, b) for lot in w.lots()]
    said = [_said(as_of(row, now_ms=ctx.clock.now_ms()))
            for row in ctx.cuts.of_lots({lot.id for lot in lots}) if row.digest in apart]
    names = [" and ".join(sorted({lot.binding.compiled.standard.name for lot in w.lots()}))
             for w in (a, b)]
    if names[0] != names[1]:
        said.insert(0, f"{names[0]} before, {names[1]} after")
    return "; ".join(said)


def _said(row: CutRow) -> str:
    moved = " and ".join(move.text() for move in moves_of(row))
    end = "still in force" if row.ended_ms is None else f"until {_clock(row.ended_ms)}"
    how = {"expired": ", when it expired", "lot": ", with the lot",
           "reverted": f", reverted by {row.ended_by or 'somebody unnamed'}"}.get(row.how, "")
    return (f"{moved} by {row.person} from {_clock(row.from_ms)} {end}{how}, "
            f"because: {row.reason}")


def _clock(ms: int) -> str:
    return f"{(utc(ms) or '')[:16].replace('T', ' ')} UTC"
