"""Alarms from their beginning to their end, and every change of each; changes only ever add."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final

from service.store.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """An alarm as its last change left it. above: the limit that the value met or passed.
    acknowledged, one_shot: 0 or 1."""

    id: int
    subject: str
    kind: str
    line: str
    lot: str
    raised_ms: int
    announced_ms: int
    state: str
    acknowledged: int
    value: float
    above: float
    shelved_until_ms: int | None
    one_shot: int
    ended_ms: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRow:
    """One change. state, value: as it left the alarm. person: empty for the service itself."""

    id: int | None = None
    alarm: int
    at_ms: int
    what: str
    state: str
    value: float
    person: str
    note: str


ALARMS: Final = Table("alarm", AlarmRow)
EVENTS: Final = Table("alarm_event", EventRow)


def put_alarm(conn: sqlite3.Connection, *, row: AlarmRow) -> None:
    """The row, new or in the place of the one before."""
    conn.execute("DELETE FROM alarm WHERE id = ?", (row.id,))
    ALARMS.insert(conn, row=row)


def open_alarms(conn: sqlite3.Connection) -> list[AlarmRow]:
    return ALARMS.select(conn, where="ended_ms IS NULL ORDER BY id")


def ended_alarms(conn: sqlite3.Connection, *, below: int, limit: int) -> list[AlarmRow]:
    """Those that have ended, of ids below that, by when they were raised, newest first."""
    return ALARMS.select(conn, where="id < ? AND ended_ms IS NOT NULL ORDER BY id DESC LIMIT ?",
                         params=(below, limit))


def last_alarm(conn: sqlite3.Connection) -> int:
    """The highest id ever given; 0 before the first."""
    (found,) = conn.execute("SELECT coalesce(max(id), 0) FROM alarm").fetchone()
    return int(found)


def events_of(conn: sqlite3.Connection, *, alarm: int) -> list[EventRow]:
    """What happened to an alarm, in order."""
    return EVENTS.select(conn, where="alarm = ? ORDER BY id", params=(alarm,))
