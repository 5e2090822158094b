"""The tables, as ordered migrations; each is one transaction together with its own record."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final

from service.store.errors import Refused


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema; never edited once released."""

    number: int
    name: str
    statements: tuple[str, ...]


MIGRATIONS: Final[tuple[Migration, ...]] = (
    Migration(1, "lots, chunks of fruit, pulls, quarantine", (
        # One row: the number of the last commit that changed something.
        "CREATE TABLE position (only_row INTEGER PRIMARY KEY CHECK (only_row = 1),"
        " commit_no INTEGER NOT NULL) STRICT",
        "INSERT INTO position VALUES (1, 0)",
        "CREATE TABLE standard (digest TEXT PRIMARY KEY, id TEXT NOT NULL,"
        " edition TEXT NOT NULL, text TEXT NOT NULL, stored_ms INTEGER NOT NULL) STRICT",
        "CREATE TABLE profile (digest TEXT PRIMARY KEY, id TEXT NOT NULL, text TEXT NOT NULL,"
        " stored_ms INTEGER NOT NULL) STRICT",
        "CREATE TABLE lot (id TEXT PRIMARY KEY, grower TEXT NOT NULL, block TEXT NOT NULL,"
        " cultivar TEXT NOT NULL, pick INTEGER NOT NULL, produce TEXT NOT NULL,"
        " route TEXT NOT NULL, standard_id TEXT NOT NULL, standard_edition TEXT NOT NULL,"
        " standard_digest TEXT NOT NULL, profile_digest TEXT, basis TEXT NOT NULL, line TEXT,"
        " declared TEXT NOT NULL, opened_ms INTEGER NOT NULL, closed_ms INTEGER,"
        " note TEXT NOT NULL) STRICT",
        # The blob is last, so that reading the other columns never touches its pages.
        # `ranges` is null when the chunk holds every seq from seq_low to seq_high.
        "CREATE TABLE chunk (id INTEGER PRIMARY KEY, source TEXT NOT NULL, run TEXT NOT NULL,"
        " lot TEXT NOT NULL, kind TEXT NOT NULL, digest TEXT NOT NULL, n INTEGER NOT NULL,"
        " seq_low INTEGER NOT NULL, seq_high INTEGER NOT NULL, received_ms INTEGER NOT NULL,"
        " received_last_ms INTEGER NOT NULL, commit_no INTEGER NOT NULL, sha256 BLOB NOT NULL,"
        " ranges BLOB, body BLOB NOT NULL) STRICT",
        "CREATE INDEX chunk_key ON chunk (source, run, seq_low, seq_high)",
        "CREATE INDEX chunk_lot ON chunk (lot, kind)",
        "CREATE TABLE conflict (id INTEGER PRIMARY KEY, received_ms INTEGER NOT NULL,"
        " source TEXT NOT NULL, run TEXT NOT NULL, seq INTEGER NOT NULL, lot TEXT NOT NULL,"
        " record TEXT NOT NULL) STRICT",
        "CREATE INDEX conflict_lot ON conflict (lot, id)",
        "CREATE TABLE pull (id TEXT PRIMARY KEY, lot TEXT NOT NULL, purpose TEXT NOT NULL,"
        " drawn_ms INTEGER NOT NULL, person TEXT NOT NULL, body TEXT NOT NULL,"
        " result TEXT NOT NULL, received_ms INTEGER NOT NULL) STRICT",
        "CREATE INDEX pull_lot ON pull (lot, id)",
        "CREATE TABLE quarantine (id INTEGER PRIMARY KEY, received_ms INTEGER NOT NULL,"
        " source TEXT NOT NULL, run TEXT NOT NULL, lot TEXT NOT NULL, position INTEGER NOT NULL,"
        " seq INTEGER, raw BLOB NOT NULL, findings TEXT NOT NULL, resolved_ms INTEGER,"
        " resolved_by TEXT) STRICT",
        "CREATE INDEX quarantine_lot ON quarantine (lot, id)",
    )),
    Migration(2, "sources, lines, lots by line, re-runs", (
        # Every revision of a source's description stays; the highest one is in force.
        "CREATE TABLE source (id TEXT NOT NULL, revision INTEGER NOT NULL, body TEXT NOT NULL,"
        " at_ms INTEGER NOT NULL, PRIMARY KEY (id, revision)) STRICT",
        "CREATE TABLE source_key (id TEXT PRIMARY KEY, source TEXT NOT NULL,"
        " sha256 BLOB NOT NULL, made_ms INTEGER NOT NULL, ended_ms INTEGER) STRICT",
        "CREATE TABLE line (id TEXT PRIMARY KEY, holding TEXT NOT NULL,"
        " registered_ms INTEGER NOT NULL, note TEXT NOT NULL) STRICT",
        # lot is null between lots. marks: source to run to the highest seq of the lot before.
        "CREATE TABLE assignment (id INTEGER PRIMARY KEY, line TEXT NOT NULL, lot TEXT,"
        " at_ms INTEGER NOT NULL, marks TEXT NOT NULL, person TEXT NOT NULL,"
        " note TEXT NOT NULL) STRICT",
        "CREATE INDEX assignment_line ON assignment (line, id)",
        "ALTER TABLE lot ADD COLUMN rerun_of TEXT",
    )),
    Migration(3, "reference checks, alarms", (
        "CREATE TABLE reference_check (id INTEGER PRIMARY KEY, source TEXT NOT NULL,"
        " lane INTEGER NOT NULL, measure TEXT NOT NULL, object TEXT NOT NULL,"
        " known REAL NOT NULL, reading REAL NOT NULL, at_ms INTEGER NOT NULL,"
        " person TEXT NOT NULL, note TEXT NOT NULL, received_ms INTEGER NOT NULL) STRICT",
        "CREATE INDEX reference_check_source ON reference_check (source, at_ms)",
        # One row an alarm from its beginning to its end; what happened to it stands in the other.
        "CREATE TABLE alarm (id INTEGER PRIMARY KEY, subject TEXT NOT NULL, kind TEXT NOT NULL,"
        " line TEXT NOT NULL, lot TEXT NOT NULL, raised_ms INTEGER NOT NULL,"
        " announced_ms INTEGER NOT NULL, state TEXT NOT NULL, acknowledged INTEGER NOT NULL,"
        " value REAL NOT NULL, above REAL NOT NULL, shelved_until_ms INTEGER,"
        " one_shot INTEGER NOT NULL, ended_ms INTEGER) STRICT",
        "CREATE INDEX alarm_open ON alarm (ended_ms, id)",
        "CREATE TABLE alarm_event (id INTEGER PRIMARY KEY, alarm INTEGER NOT NULL,"
        " at_ms INTEGER NOT NULL, what TEXT NOT NULL, state TEXT NOT NULL, value REAL NOT NULL,"
        " person TEXT NOT NULL, note TEXT NOT NULL) STRICT",
        "CREATE INDEX alarm_event_alarm ON alarm_event (alarm, id)",
    )),
    Migration(4, "cuts moved for a time", (
        # digest: of the standard with the moved cuts. ended_ms is null until the end is written.
        "CREATE TABLE cut_change (id INTEGER PRIMARY KEY, line TEXT NOT NULL, lot TEXT NOT NULL,"
        " digest TEXT NOT NULL, moves TEXT NOT NULL, person TEXT NOT NULL, reason TEXT NOT NULL,"
        " from_ms INTEGER NOT NULL, until_ms INTEGER NOT NULL, ended_ms INTEGER,"
        " ended_by TEXT NOT NULL, how TEXT NOT NULL) STRICT",
        "CREATE INDEX cut_change_lot ON cut_change (lot, id)",
    )),
)


def version(*, conn: sqlite3.Connection) -> int:
    """The number of the last migration applied; 0 for an empty database."""
    found = conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'migration'").fetchone()
    if found is None:
        return 0
    (number,) = conn.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()
    return int(number)


def migrate(
    *,
    conn: sqlite3.Connection,
    now_ms: int,
    migrations: tuple[Migration, ...] = MIGRATIONS,
) -> int:
    """Brings the database up to date; how many migrations ran.

    conn: without implicit transactions. Refused if the database is newer than this program.
    """
    have = version(conn=conn)
    know = migrations[-1].number
    if have > know:
        raise Refused(
            f"database schema is number {have}, this version of drupe knows up to {know}; "
            "run the newer version, or restore a backup made by this one"
        )
    due = [m for m in migrations if m.number > have]
    for migration in due:
        conn.execute("BEGIN IMMEDIATE")
        try:
            conn.execute(
                "CREATE TABLE IF NOT EXISTS migration (number INTEGER PRIMARY KEY,"
                " name TEXT NOT NULL, applied_ms INTEGER NOT NULL) STRICT"
            )
            for statement in migration.statements:
                conn.execute(statement)
            conn.execute(
                "INSERT INTO migration VALUES (?, ?, ?)",
                (migration.number, migration.name, now_ms),
            )
            conn.execute("COMMIT")
        except BaseException:
            if conn.in_transaction:
                conn.execute("ROLLBACK")
            raise
    return len(due)
