"""Stores as released versions left them, so that a migration meets what is really out there.

`schema-N.sql` is the text dump (sqlite3's `iterdump`) of a small store that the last version with
schema N made: two lots, fruit, a conflict, a pull, a refused record. It is added at a release and
never edited.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from service.store.open import DATABASE

_FOLDER: Final = Path(__file__).parent

SCHEMAS: Final = tuple(sorted(int(p.stem.split("-")[1]) for p in _FOLDER.glob("schema-*.sql")))
"""Schemas that were released."""

Rows = dict[str, list[tuple[Any, ...]]]


def make(*, data_dir: Path, schema: int) -> None:
    """The store of a released schema in an empty or missing folder."""
    data_dir.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(data_dir / DATABASE)) as conn:
        conn.executescript((_FOLDER / f"schema-{schema}.sql").read_text(encoding="utf-8"))
        conn.execute("PRAGMA journal_mode = wal")


def rows(*, data_dir: Path, schema: int) -> Rows:
    """Everything in a store's tables, by the columns that they had at `schema`."""
    with closing(sqlite3.connect(":memory:")) as old:
        old.executescript((_FOLDER / f"schema-{schema}.sql").read_text(encoding="utf-8"))
        tables = [name for (name,) in old.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'migration'")]
        columns = {t: [c[1] for c in old.execute(f"PRAGMA table_info({t})")] for t in tables}
    with closing(sqlite3.connect(data_dir / DATABASE)) as conn:
        return {t: conn.execute(f"SELECT {', '.join(columns[t])} FROM {t} ORDER BY 1").fetchall()
                for t in tables}
