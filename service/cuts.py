"""Cuts moved for a time: every change with who, why and until when, and what ends them.

A change names a line and the lot that it packs. While it is in force, new fruit of that lot on
that line are graded under a standard of its own, the lot's with the cuts moved; the number of the
change is part of its edition, so a stored digest tells which change graded a fruit. It ends when a
person reverts it, when its expiry has passed, or with the lot's turn on the line, and nothing
begins it again.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from grading.numbers import number_text, parse_number
from grading.recut import Move
from service.background import background
from service.lines import Line, Lines, MovedCut
from service.lots import Lots
from service.rows import utc
from service.store.cuts import CutRow, How, store_end
from service.store.errors import QueueFull, Refused, StorageFailed, StorageFull, StoreClosed

if TYPE_CHECKING:
    from service.context import Context

EVERY_S: Final = 1.0
EDITION_MAX: Final = 24
_LOG: Final = logging.getLogger(__name__)


def moves_of(row: CutRow) -> tuple[Move, ...]:
    """The moves of a change, exact."""
    return tuple(Move(m["measure"], parse_number(m["at"]), parse_number(m["to"]), m["unit"])
                 for m in row.moves)


def stored_moves(moves: Sequence[Move]) -> list[dict[str, Any]]:
    """Moves as they are stored."""
    return [{"measure": m.measure, "at": number_text(m.at), "to": number_text(m.to),
             "unit": m.unit} for m in moves]


def edition_of(*, edition: str, moves: Sequence[Move], number: int) -> str:
    """Of the standard with the cuts moved by change `number`, such as 3-cut-62-7."""
    values = [number_text(m.to_si).replace("/", "_") for m in moves]
    whole = "-".join([edition, "cut", *values, str(number)])
    if len(whole) <= EDITION_MAX:
        return whole
    tail = f"-cut-{number}"
    return edition[:EDITION_MAX - len(tail)] + tail


def ended(row: CutRow, *, now_ms: int, by: str, how: How) -> CutRow:
    """The change as ended now, or as ended before by its expiry."""
    if row.ended_ms is not None:
        return row
    if now_ms >= row.until_ms:
        return replace(row, ended_ms=row.until_ms, how="expired")
    return replace(row, ended_ms=now_ms, ended_by=by, how=how)


def as_of(row: CutRow, *, now_ms: int) -> CutRow:
    """The change as it stands, whether or not its expiry has been written yet."""
    return ended(row, now_ms=now_ms, by="", how="") if now_ms >= row.until_ms else row


def cut_json(row: CutRow, *, now_ms: int) -> dict[str, Any]:
    """A change on the wire, as it stands now."""
    now = as_of(row, now_ms=now_ms)
    return {
        "id": now.id, "line": now.line, "lot": now.lot,
        "in_force": now.ended_ms is None, "moves": now.moves, "person": now.person,
        "reason": now.reason, "from": utc(now.from_ms), "until": utc(now.until_ms),
        "ended": utc(now.ended_ms), "ended_by": now.ended_by or None, "how": now.how or None,
        "digest": now.digest,
    }


class Cuts:
    """Every change by id; changed by the event loop only."""

    def __init__(self, *, lots: Lots, lines: Lines) -> None:
        self.busy: set[str] = set()
        """Lines for which a change is being written."""
        self._lots, self._lines = lots, lines
        self._rows: dict[int, CutRow] = {}
        self._last = 0

    def load(self, *, rows: Iterable[CutRow], now_ms: int) -> None:
        """Take over the stored changes; the ones that still hold are in force again. Refused if
        the standard of one is not stored."""
        for row in rows:
            if not self._lots.knows(digest=row.digest):
                raise Refused(f"cut change {row.id} of line {row.line} grades under standard "
                              f"{row.digest}, which is not stored; restore a backup")
            self.put(row)
            self._last = max(self._last, row.id)
            line = self._lines.get(row.line)
            if line is not None and as_of(row, now_ms=now_ms).ended_ms is None:
                self.begin(line=line, row=row)

    def begin(self, *, line: Line, row: CutRow) -> None:
        """Put a stored change in force."""
        rule = self._lots.under(lot=self._lots.get(row.lot), digest=row.digest)
        line.cut = MovedCut(row.id, row.lot, rule, row.until_ms)

    def reserve(self) -> int:
        """A number that no change has."""
        self._last += 1
        return self._last

    def put(self, row: CutRow | None) -> None:
        if row is not None:
            self._rows[row.id] = row

    def get(self, cut_id: int) -> CutRow | None:
        return self._rows.get(cut_id)

    def of_line(self, line_id: str) -> list[CutRow]:
        """The newest first."""
        return [r for r in reversed(self._rows.values()) if r.line == line_id]

    def of_lots(self, lot_ids: Iterable[str]) -> list[CutRow]:
        """The oldest first."""
        wanted = set(lot_ids)
        return [r for r in self._rows.values() if r.lot in wanted]

    def latest(self, line: Line) -> CutRow | None:
        """The newest change of the lot that a line packs now."""
        return next((r for r in self.of_line(line.row.id) if r.lot == line.lot), None)

    def stood(self, *, line_id: str, lot_id: str, at_ms: int) -> CutRow | None:
        """The newest change of a lot on a line up to some moment, as it stood then."""
        row = next((r for r in self.of_line(line_id)
                    if r.lot == lot_id and r.from_ms <= at_ms), None)
        if row is not None and row.ended_ms is not None and row.ended_ms > at_ms:
            row = replace(row, ended_ms=None, ended_by="", how="")
        return None if row is None else as_of(row, now_ms=at_ms)

    def take(self, line: Line, *, now_ms: int, by: str, how: How) -> CutRow | None:
        """End what is in force on a line, in memory: its row as it is to be stored."""
        cut, line.cut = line.cut, None
        row = None if cut is None else self._rows.get(cut.id)
        return None if row is None else ended(row, now_ms=now_ms, by=by, how=how)

    def due(self, *, now_ms: int) -> list[CutRow]:
        """Changes whose expiry has passed and is not written."""
        return [r for r in self._rows.values() if r.ended_ms is None and now_ms >= r.until_ms]


async def expire(ctx: Context) -> None:
    """Write down the changes that have ended by their expiry. Fruit go under their lot's own
    standard from the expiry on, whether or not this succeeds."""
    for row in ctx.cuts.due(now_ms=ctx.clock.now_ms()):
        line = ctx.lines.get(row.line)
        if line is not None and line.cut is not None and line.cut.id == row.id:
            line.cut = None
        over = replace(row, ended_ms=row.until_ms, how="expired")
        try:
            await asyncio.shield(asyncio.wrap_future(
                ctx.store.writer.run(partial(store_end, row=over))))
        except (QueueFull, StorageFull, StorageFailed, StoreClosed) as error:
            _LOG.warning("the end of cut change %d waits for storage: %s", row.id, error)
            return
        ctx.cuts.put(over)


@asynccontextmanager
async def watched_cuts(ctx: Context, *, every_s: float = EVERY_S) -> AsyncIterator[None]:
    """Look for expired changes as long as the service runs."""

    async def look() -> None:
        while True:
            try:
                await expire(ctx)
            except Exception:
                _LOG.exception("expired changes of cut could not be looked for")
            await asyncio.sleep(every_s)

    async with background(look()):
        yield
