"""Reference checks: what a source read of objects whose value is known."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final

from service.store.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One reading of a sphere, tile or other reference object on one lane, in the measure's
    own unit. lane: 0 where the source has none."""

    id: int | None = None
    source: str
    lane: int
    measure: str
    object: str
    known: float
    reading: float
    at_ms: int
    person: str
    note: str = ""
    received_ms: int


CHECKS: Final = Table("reference_check", CheckRow)


def checks_between(
    conn: sqlite3.Connection, *, source: str, from_ms: int, until_ms: int
) -> list[CheckRow]:
    """The readings of a source in a stretch of time, oldest first."""
    return CHECKS.select(conn, where="source = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, id",
                         params=(source, from_ms, until_ms))
