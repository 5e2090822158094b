"""Lots: fruit of one block, cultivar and pick, bound at opening to a standard and a route."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import Any, Final

from service.store.tables import PAGE, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Lot:
    """One lot. Times are Unix milliseconds; an open lot has no `closed_ms`.

    rerun_of: the lot whose fruit pass a second time; they stay counted there.
    """

    id: str
    grower: str
    block: str
    cultivar: str
    pick: int
    produce: str
    route: str
    standard_id: str
    standard_edition: str
    standard_digest: str
    profile_digest: str | None = None
    basis: str
    line: str | None = None
    declared: dict[str, Any] = field(default_factory=dict)
    opened_ms: int
    closed_ms: int | None = None
    note: str = ""
    rerun_of: str | None = None


LOTS: Final = Table("lot", Lot, json=frozenset({"declared"}))


def insert_lot(conn: sqlite3.Connection, *, lot: Lot) -> None:
    """sqlite3.IntegrityError if the id is taken."""
    LOTS.insert(conn, row=lot)


def get_lot(conn: sqlite3.Connection, *, lot_id: str) -> Lot | None:
    return LOTS.get(conn, key=lot_id)


def list_lots(
    conn: sqlite3.Connection,
    *,
    after: str | None = None,
    limit: int = PAGE,
    newest_first: bool = False,
    only_open: bool = False,
    line: str | None = None,
) -> list[Lot]:
    """A page of lots in order of id."""
    equal: dict[str, Any] = {"closed_ms": None} if only_open else {}
    if line is not None:
        equal["line"] = line
    return LOTS.page(conn, after=after, limit=limit, newest_first=newest_first, equal=equal)


def update_lot(conn: sqlite3.Connection, *, lot_id: str, **changes: Any) -> bool:
    """Sets the given fields; whether there is such a lot."""
    return LOTS.update(conn, key=lot_id, **changes)


def close_lot(conn: sqlite3.Connection, *, lot_id: str, closed_ms: int) -> bool:
    """Closes an open lot; False if there is none of that id that is open."""
    done = conn.execute(
        "UPDATE lot SET closed_ms = ? WHERE id = ? AND closed_ms IS NULL", (closed_ms, lot_id)
    )
    return done.rowcount == 1
