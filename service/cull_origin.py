"""Came in with the fruit, or added here: a lot's culls by cause against its receiving pulls.

Where people looked at culls (pulls of purpose "culls"), causes are the kinds of defect they listed
and what the measures say, and their shares are scaled to the lot by its cull rate. Without such a
pull the causes are those that the line itself saw.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from grading.intervals import clopper_pearson
from grading.monitor.causes import CameIn, Estimate, came_in, estimate
from grading.reasons import Reason, reasons_of
from grading.record import FruitBatch
from grading.verdicts import Verdicts
from service.context import Context
from service.cull_table import CULLS, FRUIT
from service.culls import Group, reasons_of_interest, share_json
from service.lots import LotState
from service.store.group import PULL
from service.store.pulls import PULLS
from service.store.reader import chunk_rows

OF_DEFECTS: Final = frozenset({Reason.DEFECT, Reason.SERIOUS_DEFECT, Reason.DECAY,
                               Reason.DEFECT_EXTENT_OPEN})
"""Reasons that the listed kinds say more exactly."""
OF_SIZE: Final = frozenset({Reason.BELOW_SIZE, Reason.ABOVE_SIZE})
OF_MATURITY: Final = frozenset({Reason.TOO_GREEN, Reason.TOO_SOFT, Reason.HUE_OUT,
                                Reason.FIRMNESS_OUT})
OF_MEASURE: Final = {Reason.LOW_SUGAR: "sugar", Reason.HIGH_SUGAR: "sugar",
                     Reason.LOW_BLUSH: "blush", Reason.HIGH_BLUSH: "blush"}
_WORDS: Final = frozenset(r.word for r in Reason)
MARGIN: Final = 0.02
"""What may be added here without being worth a search; common practice, no source."""


@dataclass(slots=True)
class Marks:
    """Fruit that people looked at, with how many bear each cause, and by which they were settled.
    read: by cause, fruit on which it could have been seen. none: without any cause."""

    n: int = 0
    any_n: Counter[str] = field(default_factory=Counter)
    decisive_n: Counter[str] = field(default_factory=Counter)
    read: Counter[str] = field(default_factory=Counter)
    none: int = 0
    pulls: list[str] = field(default_factory=list)


def origin(ctx: Context, lot: LotState) -> dict[str, Any]:
    """The answer for a lot. Reads the store: call it on a worker thread."""
    received, looked = (_marks(ctx, lot, p) for p in ("receiving", "culls"))
    group = Group((("lot", lot.id),))
    for counts in lot.culls(reader=ctx.store.reader).by_source.values():
        group.add(lot=lot.id, counts=counts)
    fruit, culls = (int(group.total.column(c).sum()) for c in (FRUIT, CULLS))
    rate = share_json(x=culls, n=fruit)
    causes = list(_by_hand(lot, looked, received, rate["share"]) if looked.n
                  else _by_line(group, received, fruit))
    causes.sort(key=lambda c: (-c["any"]["count"], c["cause"]))
    return {
        "cull_rate": rate, "basis": "culls pull" if looked.n else "line",
        "culls_looked_at": looked.n, "culls_pulls": looked.pulls,
        "marks": sum(looked.any_n.values()), "without_a_cause": looked.none,
        "received": received.n, "receiving_pulls": received.pulls, "margin": MARGIN,
        "causes": causes, "says": _says(causes, received.n)}


def _says(causes: list[dict[str, Any]], received: int) -> str:
    if not received:
        return ("No receiving pull of this lot: nobody can say what came in with the fruit. Post "
                "one of purpose \"receiving\" at the next bins.")
    asked = [c["origin"]["receiving_fruit_needed"] for c in causes if c["origin"]]
    more = max((n for n in asked if n is not None), default=None)
    if more is None:
        return ""
    return (f"To tell the causes left open, look at about {more:,} fruit at receiving; none of "
            "this says that the orchard or the house is to blame before that.")


def _by_hand(
    lot: LotState, looked: Marks, received: Marks, rate: float | None
) -> Iterator[dict[str, Any]]:
    titles = {r.word: r.title for r in Reason} | {
        d.kind: d.title for d in lot.binding.compiled.standard.defect}
    for cause in {**looked.any_n, **looked.decisive_n}:
        found = estimate(x=looked.any_n[cause], n=looked.n)
        scaled = None if rate is None else found.scaled(by=rate)
        yield {
            "cause": cause, "title": titles.get(cause, cause.replace("_", " ")),
            "any": share_json(x=looked.any_n[cause], n=looked.n),
            "decisive": share_json(x=looked.decisive_n[cause], n=looked.n),
            "of_lot": None if scaled is None else _part(scaled),
            "origin": None if scaled is None else _origin(cause, received, scaled)}


def _by_line(group: Group, received: Marks, fruit: int) -> Iterator[dict[str, Any]]:
    total = group.total
    decisive = total.decisive_n()
    culls = int(total.column(CULLS).sum())
    interest = reasons_of_interest()
    for reason, x in total.any_n().items():
        if reason in interest:
            found = estimate(x=x, n=fruit)  # all fruit of the lot: chance alone is in it
            yield {
                "cause": reason.word, "title": reason.title, "any": share_json(x=x, n=culls),
                "decisive": share_json(x=decisive.get(reason, 0), n=culls),
                "of_lot": _part(found), "origin": _origin(reason.word, received, found)}


def _part(found: Estimate) -> dict[str, float]:
    return {"share": found.share, "low": found.low, "high": found.high}


def _origin(cause: str, received: Marks, line: Estimate) -> dict[str, Any] | None:
    """The answer for one cause; None where no receiving fruit was looked at for it."""
    n = received.read[cause] if cause in _WORDS else received.n
    if not n:
        return None
    x = min(received.any_n[cause], n)
    found = came_in(received_x=x, received_n=n, line=line, margin=MARGIN)
    exact = clopper_pearson(x=x, n=n)
    return {
        "verdict": found.origin, "received": {"count": x, "n": n, "share": x / n,
                                              "low": exact.low, "high": exact.high},
        "added": {"share": found.added.value, "low": found.added.low, "high": found.added.high},
        "receiving_fruit_needed": found.fruit_for_answer, "says": _sentence(found)}


def _sentence(found: CameIn) -> str:
    low, high = (f"{100 * v:+.1f}" for v in (found.added.low, found.added.high))
    what = {
        "added_here": "added here: more on the line than came in",
        "came_in": f"came in: at most {100 * MARGIN:.0f} % were added here",
        "fewer_than_came_in": "fewer than came in: the line takes them out before, or the pulls "
                              "are of other fruit",
        "cannot_tell": "cannot yet tell whether it came in or was added here"}[found.origin]
    more = ("" if found.fruit_for_answer is None
            else f"; about {found.fruit_for_answer:,} receiving fruit would tell")
    return f"{what} ({low} to {high} % of the fruit){more}."


# --- what people saw ---------------------------------------------------------------------------


def _marks(ctx: Context, lot: LotState, purpose: str) -> Marks:
    """Everything marked on the fruit of a lot's pulls of one purpose."""
    found = Marks()
    with ctx.store.reader.connection() as conn:
        conn.execute("BEGIN")
        found.pulls = [p.id for p in PULLS.select(
            conn, where="lot = ? AND purpose = ? ORDER BY drawn_ms, id", params=(lot.id, purpose))]
        names = {f"pull:{name}" for name in found.pulls}
        for chunk in chunk_rows(conn=conn, lot=lot.id, kind=PULL):
            if chunk.source in names:
                _count(found, *chunk.decode(), cull=lot.cull)
    return found


def _count(found: Marks, batch: FruitBatch, verdicts: Verdicts, *, cull: int) -> None:
    interest = frozenset(reasons_of_interest())
    for row in range(len(batch)):
        kinds = list(dict.fromkeys(d.kind for d in batch.defects.get(row, ())))
        reasons = set(reasons_of(bits=int(verdicts.reasons[row]))) & interest
        if verdicts.grade[row] != cull:
            reasons.clear()
        if kinds:
            reasons -= OF_DEFECTS
        settled = Reason(int(verdicts.decisive[row]))
        found.n += 1
        found.any_n.update([*kinds, *(r.word for r in reasons)])
        # The measure that settled it; else the defect that the person named first.
        first = settled.word if settled in reasons else next(iter(kinds), None)
        if first is None:
            found.none += 1
        else:
            found.decisive_n[first] += 1
        found.read.update(r.word for r in interest if _seen(r, batch, verdicts, row))


def _seen(reason: Reason, batch: FruitBatch, verdicts: Verdicts, row: int) -> bool:
    """Whether what the reason is about was looked at on the fruit. A person who draws a pull is
    taken to list the defects there are."""
    if reason in OF_SIZE:
        return bool(verdicts.size[row])
    if reason in OF_MATURITY:
        return bool(verdicts.maturity[row])
    column = batch.measures.get(OF_MEASURE.get(reason, ""))
    return reason not in OF_MEASURE or (column is not None and bool(column.present[row]))
