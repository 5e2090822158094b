"""Sources, lines, and which lot a line packs: insert and read; nothing here is ever changed
but the end of a key."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from typing import Any, Final

import msgspec

from service.store.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceRow:
    """One revision of what a source is; `body` as it was registered."""

    id: str
    revision: int
    body: dict[str, Any]
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """A source's key; only its SHA-256 is kept. `ended_ms`: no longer good since."""

    id: str
    source: str
    sha256: bytes
    made_ms: int
    ended_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineRow:
    """A packing line. holding: the lot of fruit that arrive between lots."""

    id: str
    holding: str
    registered_ms: int
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AssignmentRow:
    """From `at_ms` on the line packs `lot`, or nothing (None, between lots).

    marks: source to run to the highest seq that came before.
    """

    id: int | None = None
    line: str
    lot: str | None
    at_ms: int
    marks: dict[str, dict[str, int]] = field(default_factory=dict)
    person: str = ""
    note: str = ""


SOURCES: Final = Table("source", SourceRow, json=frozenset({"body"}))
KEYS: Final = Table("source_key", KeyRow)
LINES: Final = Table("line", LineRow)
ASSIGNMENTS: Final = Table("assignment", AssignmentRow, json=frozenset({"marks"}))


def end_key(conn: sqlite3.Connection, *, key_id: str, source: str, ended_ms: int) -> bool:
    """Ends a key that still holds; whether there was one."""
    done = conn.execute(
        "UPDATE source_key SET ended_ms = ? WHERE id = ? AND source = ? AND ended_ms IS NULL",
        (ended_ms, key_id, source))
    return done.rowcount == 1


def heights(conn: sqlite3.Connection) -> dict[str, dict[str, int]]:
    """Source to run to the highest stored seq, runs in the order in which they began."""
    found: dict[str, dict[str, int]] = {}
    rows = conn.execute(
        "SELECT source, run, max(seq_high) FROM chunk WHERE kind = 'line'"
        " GROUP BY source, run ORDER BY min(id)")
    for source, run, high in rows:
        found.setdefault(source, {})[run] = high
    return found


def body_of(value: msgspec.Struct) -> dict[str, Any]:
    """A struct as the JSON that is stored."""
    found: dict[str, Any] = msgspec.to_builtins(value)
    return found
