"""Cuts moved for a time on a line: what was moved, by whom, why, and how it ended."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any, Final, Literal

from service.store.tables import Table

How = Literal["", "reverted", "expired", "lot"]
"""How a change ended: by a person, by its expiry, or with the lot's turn on the line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CutRow:
    """From `from_ms` until `until_ms` at the latest, new fruit of `lot` that run on `line` are
    graded under the standard `digest` in place of the lot's own.

    moves: each with measure, at, to, unit; numbers as exact text. ended_ms None: not ended yet,
    or not written yet (`until_ms` holds whatever is written).
    """

    id: int
    line: str
    lot: str
    digest: str
    moves: list[dict[str, Any]]
    person: str
    reason: str
    from_ms: int
    until_ms: int
    ended_ms: int | None = None
    ended_by: str = ""
    how: How = ""


CUTS: Final = Table("cut_change", CutRow, json=frozenset({"moves"}))


def store_end(conn: sqlite3.Connection, *, row: CutRow | None) -> None:
    """Writes how a change ended; one whose end is written keeps that end."""
    if row is not None:
        conn.execute(
            "UPDATE cut_change SET ended_ms = ?, ended_by = ?, how = ?"
            " WHERE id = ? AND ended_ms IS NULL", (row.ended_ms, row.ended_by, row.how, row.id))
