"""Hand pulls: samples drawn and measured by people, with what they came to."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Any, Final

from service.store.tables import PAGE, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """One pull. body: as it was handed in; result: class shares and verdicts as answered."""

    id: str
    lot: str
    purpose: str
    drawn_ms: int
    person: str
    body: dict[str, Any]
    result: dict[str, Any]
    received_ms: int


PULLS: Final = Table("pull", Pull, json=frozenset({"body", "result"}))


def insert_pull(conn: sqlite3.Connection, *, pull: Pull) -> None:
    """sqlite3.IntegrityError if the id is taken."""
    PULLS.insert(conn, row=pull)


def get_pull(conn: sqlite3.Connection, *, pull_id: str) -> Pull | None:
    return PULLS.get(conn, key=pull_id)


def list_pulls(
    conn: sqlite3.Connection,
    *,
    lot: str | None = None,
    purpose: str | None = None,
    after: str | None = None,
    limit: int = PAGE,
) -> list[Pull]:
    """A page of pulls in order of id."""
    wanted = {"lot": lot, "purpose": purpose}
    equal = {k: v for k, v in wanted.items() if v is not None}
    return PULLS.page(conn, after=after, limit=limit, equal=equal)


def update_pull(conn: sqlite3.Connection, *, pull_id: str, **changes: Any) -> bool:
    """Sets the given fields; whether there is such a pull."""
    return PULLS.update(conn, key=pull_id, **changes)
