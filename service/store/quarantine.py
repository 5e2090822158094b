"""Records that could not be used, kept as they came, until a person settles them."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any, Final

from service.store.tables import PAGE, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Quarantined:
    """One refused record. position: its place in the body; raw: its bytes; id: None until kept."""

    id: int | None = None
    received_ms: int
    source: str
    run: str
    lot: str
    position: int
    seq: int | None = None
    raw: bytes
    findings: list[dict[str, str]]
    resolved_ms: int | None = None
    resolved_by: dict[str, Any] | None = None


QUARANTINE: Final = Table(
    "quarantine", Quarantined, json=frozenset({"findings", "resolved_by"})
)


def insert_quarantined(conn: sqlite3.Connection, *, record: Quarantined) -> int:
    """Keeps a record; its id."""
    return QUARANTINE.insert(conn, row=record)


def get_quarantined(conn: sqlite3.Connection, *, record_id: int) -> Quarantined | None:
    return QUARANTINE.get(conn, key=record_id)


def list_quarantined(
    conn: sqlite3.Connection,
    *,
    lot: str | None = None,
    only_open: bool = False,
    after: int | None = None,
    limit: int = PAGE,
) -> list[Quarantined]:
    """A page of records in the order they came."""
    equal: dict[str, Any] = {} if lot is None else {"lot": lot}
    if only_open:
        equal["resolved_ms"] = None
    return QUARANTINE.page(conn, after=after, limit=limit, equal=equal)


def count_quarantined(
    conn: sqlite3.Connection, *, lot: str | None = None, only_open: bool = True
) -> int:
    (n,) = conn.execute(
        "SELECT count(*) FROM quarantine WHERE (?1 IS NULL OR lot = ?1)"
        " AND (NOT ?2 OR resolved_ms IS NULL)", (lot, only_open)
    ).fetchone()
    return int(n)


def resolve_quarantined(
    conn: sqlite3.Connection, *, record_id: int, resolved_ms: int, resolved_by: dict[str, Any]
) -> bool:
    """Settles an open record, once; whether it was open."""
    done = conn.execute(
        "UPDATE quarantine SET resolved_ms = ?, resolved_by = ?"
        " WHERE id = ? AND resolved_ms IS NULL",
        (resolved_ms, QUARANTINE.to_sql(column="resolved_by", value=resolved_by), record_id),
    )
    return done.rowcount == 1
